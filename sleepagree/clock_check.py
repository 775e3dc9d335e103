"""The cheap look at the clock that every night gets: whether a shift of whole epochs raises agreement."""

from __future__ import annotations

from sleepagree.clock import QuickOffset, quick_offset
from sleepagree.night import class_sequence
from sleepagree.pairing import PairedNight
from sleepagree.stages import StageMapping, fitting_mappings


def square_mapping(paired: PairedNight, mapping: StageMapping) -> StageMapping | None:
    """Return ``mapping`` if it is square, else the finest built-in square one that fits, or None."""
    if mapping.is_square:
        return mapping
    fitting = fitting_mappings(paired.reference_set, paired.device_set)
    return next((m for m in fitting if m.is_square), None)


def check_clock(paired: PairedNight, mapping: StageMapping) -> QuickOffset | None:
    """Return the whole number of epochs that would raise kappa most, None where no square mapping fits."""
    square = square_mapping(paired, mapping)
    if square is None:
        return None
    everywhere = paired.reference >= 0
    reference = class_sequence(paired.reference, everywhere, square.reference_codes(paired.reference_set), -1)
    device = class_sequence(paired.device, paired.device >= 0, square.device_codes(paired.device_set), -1)
    return quick_offset(reference, device, len(square.reference_classes))


def clock_caution(found: QuickOffset | None) -> list[str]:
    """Return the caution about a clock that may be off, or nothing."""
    if found is None or not found.caution:
        return []
    return [
        f"Agreement peaks when {found.offset_s:+.0f} s are added to device times (kappa {found.kappa_at_best:.3f} "
        f"instead of {found.kappa_at_zero:.3f}). A wrong clock would look like this; 'sleepagree clock' looks closer. "
        "Nothing was shifted: tuning the clock on the outcome inflates agreement."
    ]
