"""Budget 6: full tables at 121 clock offsets."""

from __future__ import annotations

import numpy as np
from sklearn.metrics import cohen_kappa_score

from sleepagree.scoring.offsets import scan_epoch_offsets
from tests.performance.harness import Row, Settings, alternate, at_least
from tests.performance.inputs import class_arrays


def scan(settings: Settings) -> list[Row]:
    reference, device = (codes[0] for codes in class_arrays(1))
    shifts = settings.size(60, 3)
    rounds = settings.size(50, 2)

    def ours() -> None:
        for _ in range(rounds):
            scan_epoch_offsets(reference, device, 5, max_shift_epochs=shifts)

    def every_offset() -> None:
        n = reference.size
        for shift in range(-shifts, shifts + 1):
            low, high = max(0, shift), min(n, n + shift)
            cohen_kappa_score(reference[low:high], device[low - shift : high - shift], labels=np.arange(5))

    fast, slow = alternate([ours, every_offset], repeats=settings.repeats)
    each = type(fast)(tuple(s / rounds for s in fast.seconds))
    what = f"{2 * shifts + 1} offsets of one night, full tables, against scikit-learn's kappa at each"
    return [at_least("6", what, each, slow, 300)]
