"""Budget 4: all statistics of many nights from arrays."""

from __future__ import annotations

import numpy as np
from sklearn.metrics import cohen_kappa_score, confusion_matrix, precision_recall_fscore_support

from sleepagree.agreement import score_tables
from sleepagree.cohorts import count_nights
from tests.performance.harness import MIB, Row, Settings, alternate, at_least, at_most, memory_row, used_memory
from tests.performance.inputs import class_arrays

_MEMORY = """
import numpy as np
from sleepagree.cohorts import count_nights
from sleepagree.agreement import score_tables
from tests.performance.inputs import class_arrays
x, y = class_arrays({nights})
score_tables(count_nights(x[:300], y[:300], 5))
begin()
scores = score_tables(count_nights(x, y, 5))
"""


def from_arrays(settings: Settings) -> list[Row]:
    nights = settings.size(10_000, 300)
    reference, device = class_arrays(nights)
    part = settings.size(200, 5)

    def ours() -> None:
        score_tables(count_nights(reference, device, 5))

    def counting_only() -> None:
        count_nights(reference, device, 5)

    def plain_loop() -> None:
        for x, y in zip(reference, device, strict=True):
            np.bincount(x.astype(np.intp) * 5 + y, minlength=25).reshape(5, 5)

    cells = reference.astype(np.intp) * 5 + device + np.arange(nights)[:, None] * 25

    def histogram() -> None:
        np.bincount(cells.ravel(), minlength=nights * 25)

    def notebook() -> None:
        for x, y in zip(reference[:part], device[:part], strict=True):
            confusion_matrix(x, y, labels=range(5))
            cohen_kappa_score(x, y)
            precision_recall_fscore_support(x, y, labels=range(5), zero_division=np.nan)

    whole, loop = alternate([ours, notebook], repeats=settings.repeats)
    scaled = type(loop)(tuple(s * nights / part for s in loop.seconds))
    counted, plain, compiled = alternate([counting_only, plain_loop, histogram], repeats=settings.repeats)
    used = used_memory(_MEMORY.format(nights=nights))
    what = f"{nights} nights of 960 epochs"
    return [
        at_least(
            "4",
            f"{what}: tables and all statistics against scikit-learn, three calls a night",
            whole,
            scaled,
            800,
            note=f"peer timed on {part} nights and scaled",
        ),
        at_least("4", f"{what}: tables against a loop of np.bincount", counted, plain, 1.5),
        at_most("4", f"{what}: tables against np.bincount of ready cell numbers", counted, compiled, 3.0),
        memory_row("4", "memory above the input", used, 10 * MIB + 700 * nights),
    ]
