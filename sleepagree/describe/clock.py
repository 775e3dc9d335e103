"""A reading of a device's clock in words: what is proposed, the figures behind it, and kappa by offset."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from sleepagree.describe.blocks import (
    Cell,
    Column,
    Command,
    Description,
    Items,
    Paragraph,
    Section,
    Table,
    section,
    sections_of,
    table,
)
from sleepagree.describe.paragraphs import name_of_side
from sleepagree.describe.words import DASH, figure, join_first, say_level, signed
from sleepagree.errors import Front, counted, shorten
from sleepagree.hypnogram.align import PairedNight
from sleepagree.scoring.clock import SMALLEST_GAIN, TUNING_WARNING, ClockReading
from sleepagree.scoring.clock_blocks import DRIFT_RANGE_S_PER_H, OffsetCurve
from sleepagree.scoring.offsets import range_min_for
from sleepagree.study.clocks import FEWEST_NIGHTS, ClockPart, ClockRate, ClockVerdict, DeviceClock

_VERDICTS: Final = {
    ClockVerdict.UNTOLD: "nothing can be said of the clock",
    ClockVerdict.STEADY: "no constant clock error",
    ClockVerdict.CONSTANT: "this looks like a clock that is off, or drifts",
    ClockVerdict.HOURS: "this looks like a time zone, or summer time, that is off",
    ClockVerdict.RATE: "this looks like a clock that is set seldom or never, and runs slow or fast",
    ClockVerdict.SCATTERED: "this is not a constant clock error",
}
#: Whether one offset is proposed, whether two are.
_PROPOSED: Final = {
    (True, False): "Proposed",
    (False, True): "Two offsets are proposed, not one",
    (False, False): "Nothing is proposed",
}
_MEND_DRIFT: Final = (
    "No option takes a drift out: mend the times of the device's file with what its maker or a second clock says of it."
)
#: Clocks that are an hour off may be some minutes off besides.
_NEAR_AN_HOUR_S: Final = 300.0
#: Nights with another offset that are named.
_NAMED: Final = 6
_ROWS_TO_A_SIDE: Final = 15
_ROUND_STEPS_S: Final = (5, 10, 15, 30, 60, 120, 300, 600, 900, 1200, 1800, 3600)


def describe_clock(
    reading: ClockReading,
    paired: PairedNight,
    *,
    night: str = "sleepagree night REFERENCE DEVICE",
    clock: str = "sleepagree clock REFERENCE DEVICE",
    front: Front = Front.COMMAND,
) -> Description:
    """Return everything that is said about a device's clock.

    Parameters
    ----------
    reading : ClockReading
        What agreement says about the clock.
    paired : PairedNight
        The night that it was read from.
    night, clock : str
        Commands that score it, and look at its clock; what is found adds its options.
    front : Front
        Who shows it; where no commands are typed, none are told.
    """
    device, reference = name_of_side(paired.device_side), name_of_side(paired.reference_side)
    of = f"of device {device} against reference {reference}"
    drift = _say_drift(reading)
    head = (
        "The best of one offset"
        if drift and reading.proposed
        else _PROPOSED[reading.proposed, reading.jump is not None]
    )
    proposals = Items((*drift, f"{head}: {reading.reason}", *_say_jump(reading, paired), *_say_zone(reading, front)))
    following = None if front is Front.PAGE else _next(reading, paired, night, clock)
    figures = table("figures", "", ("", ""), _figures(reading, paired.clock_offset_s), words=(0, 1))
    warning = Paragraph(TUNING_WARNING)
    return Description(
        "sleepagree: one clock",
        f"{device} against {reference}",
        (),
        sections_of(
            section("clock", "Clock", detail=f" {of}"),
            section("proposal", "", proposals, figures),
            section("curve", "", _curve(reading.curve, paired.clock_offset_s), warning),
            following,
        ),
        sections_of(
            section("answer", "Clock", detail=f" {of}"),
            section("answer-proposal", "", proposals, figures, warning),
            following,
        ),
        is_answer_part=True,
    )


def _say_jump(reading: ClockReading, paired: PairedNight) -> list[str]:
    """Return where the clock jumps."""
    jump = reading.jump
    if jump is None:
        return []
    lost = jump.lost_s
    places = [_place(paired, at_s) for at_s in (jump.at_s, jump.at_low_s, jump.at_high_s)]
    text = (
        f"The jump lies at {places[0]} on the reference's clock ({places[1]} to {places[2]} explain the night as well)"
    )
    if lost:
        text += f"; of the {lost / 60:g} min after it the device has nothing: it went on with an earlier time"
    return [text + "."]


def _say_zone(reading: ClockReading, front: Front) -> list[str]:
    """Return what a peak near whole hours, outside the range, looks like."""
    hours = 0 if math.isnan(reading.outside_s) else round(reading.outside_s / 3600)
    if not hours or abs(reading.outside_s - 3600 * hours) > _NEAR_AN_HOUR_S:
        return []
    options = "" if front is Front.PAGE else " (--reference-zone, --device-zone)"
    return [
        f"A time zone, or summer time, that is off by {abs(hours)} h looks like that peak: check the zones of both "
        f"sides first{options}."
    ]


def _say_drift(reading: ClockReading) -> list[str]:
    """Return that no one offset mends a clock that drifts, where it is told that it does."""
    gain = reading.kappa_with_drift - reading.kappa_at_best
    if reading.drift_is_at_edge and gain >= SMALLEST_GAIN:
        return [
            f"The clock drifts by {DRIFT_RANGE_S_PER_H:g} s per hour or more: the best drift lies at the edge of what "
            f"is searched ({signed(reading.drift_s_per_h, 0)} s per hour), so how large it is is not known. With it "
            f"kappa would be {figure(reading.kappa_with_drift, 3)}. {_MEND_DRIFT}"
        ]
    if reading.drift_low <= 0.0 <= reading.drift_high or not gain >= SMALLEST_GAIN:
        return []
    per_hour = signed(reading.drift_s_per_h)
    return [
        f"The clock drifts: with {signed(reading.offset_at_middle_s, 0)} s added at the middle of the night, and "
        f"{per_hour} s more every hour, kappa would be {figure(reading.kappa_with_drift, 3)}. {_MEND_DRIFT}"
    ]


def _next(reading: ClockReading, paired: PairedNight, night: str, clock: str) -> Section | None:
    """Return the commands that come next: to score the night with what is proposed, or to look further."""
    jump = reading.jump
    before = paired.clock_offset_s
    if jump is not None and paired.begin is not None:
        moments = (0.0, jump.at_s, jump.at_s + jump.lost_s, paired.status.size * paired.epoch_s)
        ends = [_time(paired, at_s) for at_s in moments]
        why = "Nothing was shifted. To score each part of the night with its own offset"
        commands = [
            f"{night} --window {ends[0]}/{ends[1]} --clock-offset {before + jump.before_s:g}",
            f"{night} --window {ends[2]}/{ends[3]} --clock-offset {before + jump.after_s:g}",
        ]
    elif reading.proposed:
        why = "Nothing was shifted. To score the night with this offset"
        why += ", which a clock that drifts leaves wrong at both ends" if _say_drift(reading) else ""
        commands = [f"{night} --clock-offset {before + reading.offset_s:g}"]
    elif reading.is_at_edge or not math.isnan(reading.outside_s):
        is_known = not math.isnan(reading.outside_s)
        why = "To look as far as that peak" if is_known else "To look further"
        commands = [f"{clock} --range {range_min_for(reading.outside_s if is_known else 2 * reading.offset_s)}"]
    else:
        return None
    return section("answer-next", "Next", Paragraph(f"{why}:"), *map(Command, commands))


def _place(paired: PairedNight, at_s: float) -> str:
    """Return a moment of the window as the reference's clock shows it, or as hours where it tells none."""
    return _time(paired, at_s) if paired.begin is not None else f"{at_s / 3600:.2f} h"


def _time(paired: PairedNight, at_s: float) -> str:
    at = paired.epoch_start(round(at_s / paired.epoch_s))
    return "" if at is None else at.isoformat()


def _figures(reading: ClockReading, added_s: float) -> list[tuple[str, str]]:
    rows = [
        ("mapping", shorten(reading.mapping)),
        *([("added beforehand", f"{added_s:+g} s; the offsets below come on top")] if added_s else []),
        ("offsets searched", f"up to {reading.curve.offsets_s[-1] / 60:g} min to either side"),
        ("best offset", _seconds(reading.offset_s) + _interval(reading.low_s, reading.high_s, " s", reading.level)),
        (f"kappa with {added_s:+g} s" if added_s else "kappa as recorded", figure(reading.kappa_at_zero, 3)),
        ("kappa at best offset", figure(reading.kappa_at_best, 3)),
        ("drift", _drift(reading)),
    ]
    if reading.wake_sleep is not None:
        offset_s, at_best = reading.wake_sleep.best
        instead = figure(reading.wake_sleep.at_zero, 3)
        rows.append(("wake-sleep alone", f"{_seconds(offset_s)}, kappa {figure(at_best, 3)} instead of {instead}"))
    for part in reading.thirds:
        hours = f"{part.from_s / 3600:.1f} to {part.to_s / 3600:.1f} h"
        rows.append((hours, f"{_seconds(part.offset_s)}, kappa {figure(part.kappa_at_best, 3)}"))
    return rows


def _seconds(value: float) -> str:
    return DASH if math.isnan(value) else f"{signed(value, 0)} s"


def _interval(low: float, high: float, unit: str, level: float) -> str:
    return "" if math.isnan(low) else f" ({say_level(level)} {signed(low, 0)} to {signed(high, 0)}{unit})"


def _drift(reading: ClockReading) -> str:
    if math.isnan(reading.drift_s_per_h):
        return DASH
    if reading.drift_is_at_edge:
        return f"{signed(reading.drift_s_per_h, 0)} s per hour or beyond: the edge of the drifts searched"
    interval = _interval(reading.drift_low, reading.drift_high, " s/h", reading.level)
    return f"{signed(reading.drift_s_per_h)} s per hour{interval}"


def _curve(curve: OffsetCurve, added_s: float) -> Table | Paragraph:
    """Return kappa at even offsets, 0 and the best offset among them."""
    if np.isnan(curve.kappa).all():
        return Paragraph("no kappa at any offset")
    offsets = curve.offsets_s
    best = int(np.flatnonzero(offsets == curve.best[0])[0])
    step_s = next((s for s in _ROUND_STEPS_S if s * _ROWS_TO_A_SIDE >= offsets[-1]), _ROUND_STEPS_S[-1])
    rows, at_zero = [], "as given" if added_s else "as recorded"
    for at in sorted({best, *np.flatnonzero(offsets % step_s == 0).tolist()}):
        kappa = float(curve.kappa[at])
        if not math.isnan(kappa):
            notes = [note for note, here in ((at_zero, offsets[at] == 0), ("best", at == best)) if here]
            offset = Cell(signed(offsets[at], 0), float(offsets[at]))
            rows.append((offset, Cell(figure(kappa, 3), kappa), Cell(", ".join(notes))))
    heads = (Column(""), Column("", has_bars=True), Column("", is_words=True))
    return Table("kappa-by-offset", "kappa by offset (seconds added to device times)", heads, tuple(rows))


def say_device_clock(clock: DeviceClock, front: Front = Front.COMMAND) -> str:
    """Return what the nights of a device together say of its clock."""
    nights = counted(clock.nights, "night")
    verdict = _VERDICTS[clock.verdict]
    looks = (
        'where a night is scored by itself, "Look at the clock" looks'
        if front is Front.PAGE
        else "'sleepagree clock' looks"
    )
    if clock.verdict is ClockVerdict.UNTOLD:
        why = (
            "fewer than three nights have a best offset"
            if clock.nights < FEWEST_NIGHTS
            else f"{clock.telling} of {nights} have an offset that stands out, and all together have none; with so "
            "little agreement a clock may be right or wrong"
        )
        text = f"{why}: {verdict}; {looks} at one night"
    elif clock.verdict is ClockVerdict.HOURS:
        text = (
            f"agreement of {nights} together has a sharp peak when {_plain_offset(clock.seconds)} are added to device "
            f"times: {verdict}. Check the zones of both sides (reference_zone, device_zone) before anything is shifted"
        )
    elif clock.verdict is ClockVerdict.RATE:
        text = (
            f"best offsets change from night to night ({clock.telling} of {nights} tell it): {verdict}. Where "
            "something else supports it, the column clock_offset of the nights table adds to each night what it lacks"
        )
    elif clock.verdict is ClockVerdict.SCATTERED:
        text = (
            f"best offsets scatter over {clock.telling} nights whose offsets stand out (middle half "
            f"{signed(clock.low, 0)} to {signed(clock.high, 0)} s): {verdict}; each of these nights may have "
            f"a clock of its own, and {looks} at one"
        )
    else:
        whose = f"{clock.telling} of {nights}"
        whose += " tell it; all together" if clock.is_of_sum else ": median offset"
        told = f"({whose} {signed(clock.low, 0)} to {signed(clock.high, 0)} s)"
        is_steady = clock.verdict is ClockVerdict.STEADY
        text = f"{verdict} {told}" if is_steady else f"best offsets lie around {clock.seconds:+.0f} s {told}: {verdict}"
        text += _say_away(clock)
        if clock.verdict is ClockVerdict.CONSTANT:
            text += ". Where something else supports it, the column clock_offset of the nights table adds it"
    return ". ".join([text, *map(_say_rate, clock.rates[:_NAMED]), *_more_rates(clock), *map(_say_part, clock.parts)])


def _say_away(clock: DeviceClock) -> str:
    """Return the nights that lie elsewhere, and that nothing was done about them."""
    if not clock.away:
        return ""
    told = [f"{shorten(n.participant)} {shorten(n.night)} at {n.best_offset_s:+.0f} s" for n in clock.away]
    return f"; but {join_first(told, _NAMED)}, scored as recorded"


def _say_rate(rate: ClockRate) -> str:
    whose = f"For {shorten(rate.participant)} the" if rate.participant else "The"
    loses = rate.seconds_per_day > 0
    low, high = (rate.low, rate.high) if loses else (-rate.high, -rate.low)
    return (
        f"{whose} device's clock {'loses' if loses else 'gains'} {abs(rate.seconds_per_day):.1f} s a day ({low:.1f} to "
        f"{high:.1f} s) against the reference's: {counted(rate.nights, 'night')}, best offset {rate.first_s:+.0f} s on "
        f"{rate.first} and {rate.last_s:+.0f} s on {rate.last}"
    )


def _more_rates(clock: DeviceClock) -> list[str]:
    more = len(clock.rates) - _NAMED
    return [f"Clocks of {counted(more, 'more participant')} gain or lose time, too"] if more > 0 else []


def _say_part(part: ClockPart) -> str:
    whose = f"of {shorten(part.participant)}" if part.participant else f"from {part.first} to {part.last}"
    return (
        f"The {counted(part.nights, 'night')} {whose} agree far better when {_plain_offset(part.seconds)} are added to "
        "device times, the others do not: a zone, or summer time, may be off for these nights alone (columns "
        "reference_zone and device_zone)"
    )


def _plain_offset(seconds: float) -> str:
    """Return seconds near whole hours as hours and what is left."""
    hours = round(seconds / 3600)
    rest = seconds - 3600 * hours
    return f"{seconds:+.0f} s ({hours:+d} h)" if not rest else f"{seconds:+.0f} s ({hours:+d} h {rest:+.0f} s)"
