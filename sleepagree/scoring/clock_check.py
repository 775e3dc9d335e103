"""A night's clock: the cheap look that every night gets, the close one of `scan_clock`, and what both tell."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from sleepagree.caution import Caution, CautionKind, ZoneName
from sleepagree.errors import MappingError, Option, check_level, check_whole, for_page, is_number
from sleepagree.hypnogram.align import PairedNight, refuse_unpaired
from sleepagree.hypnogram.clock_changes import ClockChange, change_caution, possible_changes, skipped_hours
from sleepagree.hypnogram.spans import ScoredSpans
from sleepagree.mapping.files import Mappings, take_mappings
from sleepagree.mapping.mapping import StageMapping, default_mapping, fitting_mappings
from sleepagree.scoring.class_sequences import both_codes, classes_of, square_mapping
from sleepagree.scoring.coefficients import kappa
from sleepagree.scoring.offsets import STEP_S, ClassCodes, ClockHint, QuickOffset, classes_in_steps, quick_offset

if TYPE_CHECKING:
    from sleepagree.scoring.clock import ClockReading
    from sleepagree.scoring.clock_blocks import ClockJump

#: From here on a peak is so sharp that its interval is not worth the time; right clocks never have one beside 0.
_SURE_SCORE: Final = 8.0

#: Kappa as recorded below which one night is looked at for a clock that jumps, and how much less agreement of its first
#: or last third has it looked at all the same: a clock that is right for the rest leaves much of it.
_LOW_KAPPA: Final = 0.6
_FAR_WORSE: Final = 0.3
#: Kappa that two offsets must gain before a night says so without being asked.
_JUMP_GAIN: Final = 0.1

#: From a change of the clock on: epochs that tell, and how much better an hour off must be.
_FEWEST_AFTER: Final = 60
_FAR_BETTER: Final = 0.25
_LEAST_AFTER: Final = 0.3
#: Two sides begin together, and one ends an hour later than the other, within so many minutes.
_BEGIN_SLACK_MIN: Final = 5.0
_END_SLACK_MIN: Final = 1.0

_NEAR_CHANCE: Final = {ClockHint.DOUBT: CautionKind.CLOCK_DOUBT, ClockHint.UNTOLD: CautionKind.CLOCK_UNTOLD}


def quick_clock_check(paired: PairedNight, mapping: StageMapping) -> QuickOffset | None:
    """Look at the clock by whole epochs; None where no square mapping fits."""
    square = square_mapping(paired, mapping)
    if square is None:
        return None
    reference, device = _classes(paired, square)

    def around(more: int) -> ClassCodes:
        return _device_around(paired, square, device, more)

    found = quick_offset(reference, device, len(square.reference_classes), device_around=around)
    return drop_uncertain_hint(found, reference, device, len(square.reference_classes))


def _classes(paired: PairedNight, square: StageMapping) -> tuple[ClassCodes, ClassCodes]:
    """Return the class of each epoch of the window on both sides, -1 for none."""
    rows, columns = both_codes(paired, square)
    return classes_of(paired.reference, rows), classes_of(paired.device, columns)


def _device_around(paired: PairedNight, square: StageMapping, device: ClassCodes, more: int) -> ClassCodes:
    """Return the device's classes with so many epochs more before and after the window."""
    length = device.size + 2 * more
    origin_s = paired.begin_s - paired.shift_s - more * paired.epoch_s
    wide = _lay(paired.device_spans, both_codes(paired, square)[1], origin_s, length, paired.epoch_s)
    wide[more : length - more] = device
    return wide


def clock_change_cautions(paired: PairedNight, mapping: StageMapping) -> list[Caution]:
    """Say where a clock without a zone may have been put forward or back in the night, and what speaks for it."""
    changes = possible_changes(paired.reference_spans)
    square = square_mapping(paired, mapping) if changes else None
    told = []
    begin_later_min, later_min = _later_min(paired)
    begins_together = abs(begin_later_min) <= _BEGIN_SLACK_MIN
    for change in changes:
        values: dict[str, Any] = {}
        sides = {"reference": paired.reference_spans, "device": paired.device_spans}
        gaps = [name for name, spans in sides.items() if change.begin in {s.begin for s in skipped_hours(spans)}]
        if gaps:
            values["gap_of"] = gaps[0] if len(gaps) == 1 else "both"
        if begins_together and abs(abs(later_min) - 60.0) <= _END_SLACK_MIN:
            values["lasts_longer_min"] = later_min
        after = {} if square is None else _kappas_after(paired, square, change)
        values |= _better_after(after, paired.epoch_s)
        # where the sides agree from the change on, no clock stayed: intervals that run over it leave nothing out
        agrees = "seconds" not in values and after.get(0, 0.0) >= _LEAST_AFTER
        stayed = "" if agrees else _side_that_stayed(change, values)
        if stayed and sides[stayed].wall_clock:  # times after the change are those of a clock that stayed as it was
            values |= {"stayed": stayed, "stayed_zone": ZoneName(change.zone_before)}
        if values:
            told.append(change_caution(change, **values))
    # rules that change at different hours of one night: the one that explains it best
    best = max(
        told, key=lambda caution: (caution.get("kappa_there", 0.0), "gap_of" in dict(caution.values)), default=None
    )
    return [] if best is None else [best]


def _side_that_stayed(change: ClockChange, found: dict[str, Any]) -> str:
    """Return the side whose clock was not changed, by what was found of a change; "" where nothing tells it."""
    gap_of, seconds = found.get("gap_of"), found.get("seconds", -found.get("lasts_longer_min", 0.0))
    if gap_of in ("reference", "device"):
        return "device" if gap_of == "reference" else "reference"
    if gap_of or not seconds:
        return ""
    # a clock that was put forward shows later times from then on
    return "device" if (seconds > 0) == change.is_forward else "reference"


def _later_min(paired: PairedNight) -> tuple[float, float]:
    """Return by how much the device begins, and ends, later than the reference (min)."""
    reference, device, shift_s = paired.reference_spans, paired.device_spans, paired.shift_s
    begin_s = float(device.onset_s[0]) + shift_s - float(reference.onset_s[0])
    return begin_s / 60.0, (device.end_s + shift_s - reference.end_s) / 60.0


def _kappas_after(paired: PairedNight, square: StageMapping, change: ClockChange) -> dict[int, float]:
    """Return kappa from a change on as recorded, and with an hour less and more, by epochs of shift."""
    if paired.begin is None:
        return {}
    after_s = (change.begin - paired.begin).total_seconds() + (0.0 if change.is_forward else 3600.0)
    begin, hour = max(0, round(after_s / paired.epoch_s)), round(3600.0 / paired.epoch_s)
    reference, device = _classes(paired, square)
    around = _device_around(paired, square, device, hour)
    size, found = len(square.reference_classes), {}
    for shift in (0, -hour, hour):
        there = around[hour + begin - shift : hour + device.size - shift]
        if not math.isnan(agreement := _kappa_of(reference[begin:], there, size)):
            found[shift] = agreement
    return found


def _better_after(found: dict[int, float], epoch_s: float) -> dict[str, float]:
    """Return both kappas after a change where one hour more or less is far better from there on."""
    moved = max((s for s in found if s), key=lambda s: found[s], default=0)
    if 0 not in found or not moved or not found[moved] >= max(found[0] + _FAR_BETTER, _LEAST_AFTER):
        return {}
    return {"seconds": moved * epoch_s, "kappa": found[0], "kappa_there": found[moved]}


def _kappa_of(reference: ClassCodes, device: ClassCodes, size: int) -> float:
    """Return kappa of some epochs, nan where too few of them are scored on both sides."""
    both = (reference >= 0) & (device >= 0)
    if np.count_nonzero(both) < _FEWEST_AFTER:
        return math.nan
    cells = reference[both].astype(np.int64) * size + device[both]
    return float(kappa(np.bincount(cells, minlength=size * size).reshape(size, size)))


def drop_uncertain_hint(found: QuickOffset, reference: ClassCodes, device: ClassCodes, n_classes: int) -> QuickOffset:
    """Drop the hint at an offset whose interval holds 0: the close look would propose nothing either."""
    if found.hint is not ClockHint.OFFSET or found.peak_score >= _SURE_SCORE:
        return found
    from sleepagree.inference.resampling import rng_for  # few nights come here
    from sleepagree.scoring.clock import epoch_offset_interval

    low_s, high_s = epoch_offset_interval(reference, device, n_classes, rng=rng_for(0, "clock hint"))
    return found if low_s > 0.0 or high_s < 0.0 else found._replace(hint=ClockHint.NONE)


def clock_caution(found: QuickOffset | None) -> list[Caution]:
    """Return the caution about a clock that may be off, or of which nothing can be told; or nothing."""
    if found is None or found.hint is ClockHint.NONE:
        return []
    if found.hint in _NEAR_CHANCE:
        return [Caution.of(_NEAR_CHANCE[found.hint], kappa=found.kappa_at_zero)]
    kind, seconds, there = CautionKind.CLOCK_OFFSET, found.offset_s, found.kappa_at_best
    if found.hint is ClockHint.ZONE:
        kind, seconds, there = CautionKind.CLOCK_ZONE, found.zone_s, found.kappa_at_zone
    return [Caution.of(kind, seconds=seconds, kappa=found.kappa_at_zero, kappa_there=there)]


def jump_caution(paired: PairedNight, mapping: StageMapping, found: QuickOffset | None) -> list[Caution]:
    """Say that the clock may jump in the night, where agreement is low and no one offset explains it."""
    square = square_mapping(paired, mapping)
    if square is None or found is None or found.hint is ClockHint.ZONE:
        return []
    if not (found.kappa_at_zero < _LOW_KAPPA or _is_worse_at_an_end(paired, square, found.kappa_at_zero)):
        return []
    jump = _look_for_jump(paired, square)
    if jump is None or not jump.stands_out or jump.gain < _JUMP_GAIN:
        return []
    offsets = {"before": jump.before_s, "after": jump.after_s}
    return [Caution.of(CautionKind.CLOCK_JUMP, **offsets, kappa=found.kappa_at_zero, kappa_there=jump.kappa)]


def _is_worse_at_an_end(paired: PairedNight, square: StageMapping, kappa_at_zero: float) -> bool:
    """Whether the first or last third of the window agrees far less than the whole, as beyond a late or early jump."""
    reference, device = _classes(paired, square)
    third = max(1, reference.size // 3)
    ends = (slice(third), slice(-third, None))
    kappas = [_kappa_of(reference[end], device[end], len(square.reference_classes)) for end in ends]
    return any(one < kappa_at_zero - _FAR_WORSE for one in kappas)


def _look_for_jump(paired: PairedNight, square: StageMapping) -> ClockJump | None:
    """Return the best jump, its places counted from the window's first epoch."""
    from sleepagree.scoring.clock_blocks import JUMP_REACH_S, best_jump  # few nights come here

    sides = _sides_in_steps(paired, square, JUMP_REACH_S, paired.epoch_s)
    jump = best_jump(*sides, len(square.reference_classes))
    if jump is None:
        return None
    places = {name: getattr(jump, name) - JUMP_REACH_S for name in ("at_s", "at_low_s", "at_high_s")}
    return replace(jump, **places)


def scan_clock(
    paired: PairedNight,
    mapping: Mappings = (),
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
        The two sides, as :func:`sleepagree.hypnogram.align.align` returns them; their window is the reference time
        that is looked at.
    mapping : StageMapping, name or path
        How stages form classes; default: the finest built-in one that the two label sets allow. Where it has no
        kappa, the finest built-in square one that fits takes its place.
    range_s : float
        Largest offset to either side, in seconds.
    resamples, seed, level
        Of the bootstrap that draws blocks of the night with replacement.

    Returns
    -------
    ClockReading
        ``offset_s`` with ``low_s`` and ``high_s``, seconds to add to device times; ``proposed`` and ``reason``,
        whether it is worth trying; ``drift_s_per_h``; ``kappa_at_zero``, ``kappa_at_best`` and the ``curve``.
        Nothing is shifted: give ``clock_offset_s`` to ``align``, and report kappa before and after.

    Raises
    ------
    MappingError
        When no mapping with a kappa fits the two label sets.
    TypeError
        When ``paired`` is no paired night, or the mapping is none of the forms above.
    ValueError
        When ``range_s`` is below one step, ``resamples`` or ``seed`` is no whole number, or ``level`` does not lie
        between 0 and 1.

    Examples
    --------
    >>> from sleepagree import align
    >>> stages = (["W"] * 9 + ["N2"] * 31 + ["N3"] * 23 + ["N2"] * 14 + ["R"] * 27 + ["W"] * 4) * 7
    >>> paired = align(reference=stages, device=[None] * 8 + stages, window="overlap")
    >>> reading = scan_clock(paired, range_s=600, resamples=50)
    >>> reading.proposed, reading.offset_s
    (True, -240.0)
    """
    refuse_unpaired(paired)
    check_whole("resamples", resamples, least=1)
    check_whole("seed", seed, least=0)
    check_level(level)
    if not is_number(range_s) or range_s < STEP_S:
        raise ValueError(f"range_s must be at least {STEP_S:g} s, not {range_s!r}")
    from sleepagree.inference.resampling import rng_for  # only this command needs it
    from sleepagree.scoring.clock import scan_codes, with_jump, with_peak_outside

    asked = take_mappings(mapping)
    square = square_mapping(paired, asked[0] if asked else default_mapping(paired.reference_set, paired.device_set))
    if square is None:
        problem, expected = "no mapping with a kappa fits the two label sets", "at least wake and sleep on both sides"
        remedy = for_page(f"Give one with {Option.MAPPING:FILE.toml}.", "")
        raise MappingError(problem, expected=expected, remedy=remedy)
    fitting = fitting_mappings(paired.reference_set, paired.device_set)
    two = next((m for m in fitting if m.name == "wake-sleep"), None)
    wake_sleep = None if two is None or two is square else _sides_in_steps(paired, two, range_s)
    reading = scan_codes(
        *_sides_in_steps(paired, square, range_s),
        len(square.reference_classes),
        mapping=square.name,
        rng=rng_for(seed, "clock"),
        wake_sleep=wake_sleep,
        range_s=range_s,
        resamples=resamples,
        level=level,
    )
    if not reading.proposed and math.isnan(reading.outside_s):
        quick = quick_clock_check(paired, square)  # it looks as far as a zone may be off
        if quick is not None and abs(quick.zone_s) > range_s:
            reading = with_peak_outside(reading, quick.zone_s, quick.kappa_at_zone)
    return with_jump(reading, _look_for_jump(paired, square))


def _sides_in_steps(
    paired: PairedNight, mapping: StageMapping, range_s: float, step_s: float = STEP_S
) -> tuple[ClassCodes, ClassCodes]:
    """Lay both sides on equal steps that reach beyond the window; the reference counts inside it only."""
    reference, device, shift_s = paired.reference_spans, paired.device_spans, paired.shift_s
    margin = round(range_s / step_s)
    origin_s = paired.begin_s - margin * step_s
    n = 2 * margin + round((paired.end_s - paired.begin_s) / step_s)
    rows, columns = both_codes(paired, mapping)
    first = _lay(reference, rows, origin_s, n, step_s)
    second = _lay(device, columns, origin_s - shift_s, n, step_s)
    first[:margin] = -1
    first[n - margin :] = -1
    return first, second


def _lay(
    spans: ScoredSpans, class_codes: tuple[int, ...], origin_s: float, n: int, step_s: float = STEP_S
) -> ClassCodes:
    lookup = np.array(class_codes, np.int16)
    return classes_in_steps(spans.onset_s, spans.duration_s, lookup[spans.codes], origin_s=origin_s, n=n, step_s=step_s)
