"""The cheap look at the clock that every night gets: whether a shift of whole epochs raises agreement."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from sleepagree.errors import MappingError
from sleepagree.hypnogram.align import PairedNight
from sleepagree.hypnogram.spans import ScoredSpans
from sleepagree.inference.resampling import rng_for
from sleepagree.mapping.stages import StageMapping, fitting_mappings
from sleepagree.scoring.class_sequences import both_codes, class_sequence, square_mapping
from sleepagree.scoring.offsets import ClassCodes, ClockHint, QuickOffset, fine_codes, quick_offset

if TYPE_CHECKING:
    from sleepagree.scoring.clock import ClockReading

STEP_S: Final = 5.0

#: From here on a peak is so sharp that its interval is not worth the time; right clocks never have one beside 0.
_SURE_SCORE: Final = 8.0

Codes = NDArray[np.int8]


def check_clock(paired: PairedNight, mapping: StageMapping) -> QuickOffset | None:
    """Look at the clock by whole epochs; None where no square mapping fits."""
    square = square_mapping(paired, mapping)
    if square is None:
        return None
    rows, columns = both_codes(paired, square)
    reference = class_sequence(paired.reference, paired.reference >= 0, rows, -1)
    device = class_sequence(paired.device, paired.device >= 0, columns, -1)
    found = quick_offset(reference, device, len(square.reference_classes))
    return hint_as_strict_as_clock(found, reference, device, len(square.reference_classes))


def hint_as_strict_as_clock(
    found: QuickOffset, reference: ClassCodes, device: ClassCodes, n_classes: int
) -> QuickOffset:
    """Drop the hint at an offset whose interval holds 0: the close look would propose nothing either."""
    if found.hint is not ClockHint.OFFSET or found.peak_score >= _SURE_SCORE:
        return found
    from sleepagree.scoring.clock import epoch_offset_interval  # few nights come here

    low_s, high_s = epoch_offset_interval(reference, device, n_classes, rng=rng_for(0, "clock hint"))
    return found if low_s > 0.0 or high_s < 0.0 else replace(found, hint=ClockHint.NONE)


def clock_caution(found: QuickOffset | None) -> list[str]:
    """Return the caution about a clock that may be off, or nothing."""
    if found is None or found.hint is ClockHint.NONE:
        return []
    if found.hint is ClockHint.DOUBT:
        return [
            f"Agreement is near chance (kappa {found.kappa_at_zero:.3f}), and no clock offset up to 30 min to either "
            "side stands out, nor one of whole hours: these recordings may not belong together, a clock may be off by "
            "more than that, or the device may hardly tell stages. Check files, dates and zones ('sleepagree clock "
            "--range 180' looks further)."
        ]
    if found.hint is ClockHint.ZONE:
        hours = abs(round(found.zone_s / 3600))
        return [
            f"Agreement is near chance (kappa {found.kappa_at_zero:.3f}), and has a sharp peak when "
            f"{found.zone_s:+.0f} s are added to device times (kappa {found.kappa_at_zone:.3f}): a time zone, or "
            f"summer time, that is off by {hours} h looks like this. Check both zones (--reference-zone, "
            "--device-zone). Nothing was shifted."
        ]
    return [
        f"Agreement has a sharp peak when {found.offset_s:+.0f} s are added to device times (kappa "
        f"{found.kappa_at_best:.3f} instead of {found.kappa_at_zero:.3f}). A wrong clock would look like this; "
        "'sleepagree clock' looks closer. Nothing was shifted: tuning the clock on the outcome inflates agreement."
    ]


def scan_clock(
    paired: PairedNight,
    mapping: StageMapping,
    *,
    range_s: float = 1800.0,
    resamples: int = 500,
    seed: int = 0,
    level: float = 0.95,
) -> ClockReading:
    """Look at the clock closely: offsets in steps of 5 s, drift, and whether an offset is worth proposing.

    Parameters
    ----------
    paired : PairedNight
        The two sides; their window is the reference time that is looked at.
    mapping : StageMapping
        The declared mapping; where it has no kappa, the finest built-in square one that fits takes its place.
    range_s : float
        Largest offset to either side.
    resamples, seed, level
        Of the block bootstrap.

    Raises
    ------
    MappingError
        When no mapping with a kappa fits the two label sets.
    """
    from sleepagree.scoring.clock import read_clock  # only this command needs it

    square = square_mapping(paired, mapping)
    if square is None:
        raise MappingError(
            "no mapping with a kappa fits the two label sets",
            "",
            "",
            "",
            "at least wake and sleep on both sides",
            "Give one with --mapping.",
        )
    fitting = fitting_mappings(paired.reference_set, paired.device_set)
    two = next((m for m in fitting if m.name == "wake-sleep"), None)
    wake_sleep = None if two is None or two is square else _fine_sides(paired, two, range_s)
    return read_clock(
        *_fine_sides(paired, square, range_s),
        len(square.reference_classes),
        mapping=square.name,
        rng=rng_for(seed, "clock"),
        wake_sleep=wake_sleep,
        step_s=STEP_S,
        range_s=range_s,
        resamples=resamples,
        level=level,
    )


def _fine_sides(paired: PairedNight, mapping: StageMapping, range_s: float) -> tuple[Codes, Codes]:
    """Lay both sides on one fine clock that reaches beyond the window; the reference counts inside it only."""
    reference, device, shift_s = paired.sides
    margin = round(range_s / STEP_S)
    origin_s = paired.begin_s - margin * STEP_S
    n = 2 * margin + round((paired.end_s - paired.begin_s) / STEP_S)
    rows, columns = both_codes(paired, mapping)
    first = _lay(reference, rows, origin_s, n)
    second = _lay(device, columns, origin_s - shift_s, n)
    first[:margin] = -1
    first[n - margin :] = -1
    return first, second


def _lay(spans: ScoredSpans, class_codes: tuple[int, ...], origin_s: float, n: int) -> Codes:
    lookup = np.array(class_codes, np.int16)
    return fine_codes(spans.onset_s, spans.duration_s, lookup[spans.codes], origin_s=origin_s, n=n, step_s=STEP_S)
