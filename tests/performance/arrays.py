"""Budget 4: all statistics of many nights from arrays of classes."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from sklearn.metrics import cohen_kappa_score, confusion_matrix, precision_recall_fscore_support

from sleepagree.scoring.coefficients import CLASS_STATISTICS, TABLE_STATISTICS
from tests.performance.harness import MIB, Row, Settings, alternate, at_least, memory_row, used_memory
from tests.performance.inputs import class_arrays, count_tables

_MEMORY = """
from tests.performance.arrays import score_arrays
from tests.performance.inputs import class_arrays
x, y = class_arrays({nights})
score_arrays(x[:300], y[:300])
begin()
scores = score_arrays(x, y)
"""
_BLOCK = 256


def score_arrays(reference: NDArray[np.int8], device: NDArray[np.int8], classes: int = 5) -> dict[str, NDArray[Any]]:
    """Return every statistic of every night, as docs/recipes.md does: tables by numpy, statistics of whole stacks."""
    tables = np.concatenate(
        [_count(reference[i : i + _BLOCK], device[i : i + _BLOCK], classes) for i in range(0, len(reference), _BLOCK)]
    )
    found = {statistic.name: statistic.kernel(tables) for statistic in TABLE_STATISTICS}
    return found | {f"{statistic.key} of a class": statistic.kernel(tables) for statistic in CLASS_STATISTICS}


def _count(reference: NDArray[np.int8], device: NDArray[np.int8], classes: int) -> NDArray[np.int64]:
    """Return the tables of a block of nights, all counted at once."""
    cells = reference.astype(np.int32) * classes + device
    cells += np.arange(len(cells), dtype=np.int32)[:, None] * classes**2
    return np.bincount(cells.ravel(), minlength=len(cells) * classes**2).reshape(-1, classes, classes)


def from_arrays(settings: Settings) -> list[Row]:
    nights, part = settings.size(10_000, 300), settings.size(200, 5)
    reference, device = class_arrays(nights)

    def ours() -> None:
        score_arrays(reference, device)

    def notebook() -> None:
        for x, y in zip(reference[:part], device[:part], strict=True):
            confusion_matrix(x, y, labels=range(5))
            cohen_kappa_score(x, y)
            precision_recall_fscore_support(x, y, labels=range(5), zero_division=np.nan)

    whole, loop, plain = alternate(
        [ours, notebook, lambda: count_tables(reference, device, 5)], repeats=settings.repeats
    )
    scaled = type(loop)(tuple(s * nights / part for s in loop.seconds))
    what = f"{nights} nights of 960 epochs, tables and all statistics"
    note = f"peer timed on {part} nights and scaled"
    return [
        at_least("4", f"{what}, against scikit-learn, three calls a night", whole, scaled, 500, note=note),
        at_least("4", f"{what}, against a loop of np.bincount, tables alone", whole, plain, 1),
        memory_row("4", "memory above the input", used_memory(_MEMORY.format(nights=nights)), 10 * MIB + 700 * nights),
    ]
