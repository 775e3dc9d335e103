"""Budget 5: cluster bootstrap of pooled kappa."""

from __future__ import annotations

import numpy as np
from scipy import stats
from sklearn.metrics import cohen_kappa_score

from sleepagree.inference.resampling import rng_for
from sleepagree.scoring import coefficients
from tests.bootstraps import bootstrap
from tests.performance.harness import MIB, Row, Settings, alternate, at_least, memory_row, used_memory
from tests.performance.inputs import class_arrays, count_tables

_MEMORY = """
import numpy as np
from sleepagree.scoring import coefficients
from sleepagree.inference.resampling import rng_for
from tests.bootstraps import bootstrap
tables = np.random.default_rng(0).integers(0, 60, ({nights}, 5, 5))
bootstrap(tables[:10], coefficients.kappa, rng=rng_for(0, 'warm'), resamples=50)
begin()
bootstrap(tables, coefficients.kappa, rng=rng_for(0, 'x'), resamples={resamples})
"""


def cluster(settings: Settings) -> list[Row]:
    nights, resamples = settings.size(1000, 40), settings.size(10_000, 100)
    reference, device = class_arrays(nights)
    tables = count_tables(reference, device, 5)
    influence = coefficients.kappa_influence

    def ours() -> None:
        bootstrap(tables, coefficients.kappa, rng=rng_for(0, "x"), resamples=resamples, influence=influence)

    flat = tables.reshape(nights, -1).astype(float)

    def statistic(index: np.ndarray, axis: int = -1) -> np.ndarray:
        return coefficients.kappa(flat[index].sum(axis=-2).reshape(*index.shape[:-1], 5, 5))

    def library() -> None:
        stats.bootstrap(
            (np.arange(nights),),
            statistic,
            n_resamples=resamples,
            batch=50,
            method="percentile",
            vectorized=True,
            rng=np.random.default_rng(0),
        )

    naive_resamples = settings.size(3, 1)
    rng = np.random.default_rng(0)

    def naive() -> None:
        for _ in range(naive_resamples):
            index = rng.integers(0, nights, nights)
            cohen_kappa_score(reference[index].ravel(), device[index].ravel())

    fast, generic = alternate([ours, library], repeats=settings.repeats)
    _, slow = alternate([ours, naive], repeats=max(1, settings.repeats // 2))
    scaled = type(slow)(tuple(s * resamples / naive_resamples for s in slow.seconds))
    first = type(fast)(fast.seconds[: len(scaled.seconds)])
    what = f"{nights} nights, {resamples} resamples, percentile + BCa + delta"
    used = used_memory(_MEMORY.format(nights=settings.size(20_000, 100), resamples=settings.size(2000, 50)))
    return [
        at_least(
            "5",
            f"{what} against resampled epochs and scikit-learn",
            first,
            scaled,
            1500,
            note=f"peer timed on {naive_resamples} resamples and scaled",
        ),
        at_least("5", f"{what} against scipy.stats.bootstrap (percentile only)", fast, generic, 4),
        memory_row("5", "extra memory at 20,000 nights", used, 64 * MIB),
    ]
