"""The places of the figures of a device's bias over many nights, and what stands below them."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sleepagree.describe.blocks import Beside, Block, Figure, FigureKind, Heading, beside
from sleepagree.describe.study_margins import unit_word
from sleepagree.describe.study_paragraphs import file_ending
from sleepagree.describe.words import figure, file_words, interval, nights_of, signed
from sleepagree.errors import shorten
from sleepagree.inference.limits import SD_PER_MEAN_ABSOLUTE, RegressionLimits, Spread, are_outside
from sleepagree.study.results import BiasRow, DeviceStudy, StudyAgreement

#: Of so many measures, those with the largest bias, the page looks at how near to normal differences are.
_LOOKED_AT: Final = 2

#: More nights than this are drawn as counts, without rings.
MOST_RINGED: Final = 400


def bias_figures(device: DeviceStudy, study: StudyAgreement, serial: int) -> list[Block]:
    """Return the figures of the measures that are drawn, and a look at how near to normal differences are."""
    shown = [row for row in device.bias if row.is_drawn]
    words = file_words([row.measure for row in shown])
    names = {row.measure: f"{word}{file_ending(serial, study)}" for row, word in zip(shown, words, strict=True)}
    blocks: list[Block] = [_pair_of_figures(row, names[row.measure], device.device, study) for row in shown]
    if study.options.log_ratio:
        return blocks
    by_size = sorted(shown, key=lambda row: -abs(row.limits.bias) if not math.isnan(row.limits.bias) else 0.0)
    looked_at = [row for row in by_size[:_LOOKED_AT] if row.limits.participants > 2]
    if looked_at:
        views = [_normal_look(row, names[row.measure], device.device, study) for row in looked_at]
        blocks += [Heading("Are differences near a normal law?"), beside(*views)]
    return blocks


def _pair_of_figures(row: BiasRow, name: str, device: str, study: StudyAgreement) -> Beside:
    limits, data = row.printed, {"study": study, "measure": row.measure, "device": device}
    of = f"{row.name}, {shorten(device)}"
    mean = (
        f"{nights_of(limits.nights, limits.participants)}; "
        f"{'geometric ' if row.of_ratios else ''}mean {figure(limits.reference_mean, 1)} by the reference, "
        f"{figure(limits.device_mean, 1)} by the device"
    )
    said = _say_limits_drawn(row)
    return beside(
        Figure(
            f"both-sides-{name}",
            FigureKind.MINUTES,
            data,
            title=f"Device against reference: {of}",
            description=f"{mean}.",
            caption=f"Every night by both sides; on the line they are equal. {mean}.",
        ),
        Figure(
            f"bias-{name}",
            FigureKind.BIAS_AGAINST_LEVEL,
            data,
            title=f"Difference against level: {of}",
            description=f"{said}.",
            caption=f"Device minus reference against the mean of both: {said}. {_say_what_is_drawn(row)}",
        ),
    )


def _say_limits_drawn(row: BiasRow) -> str:
    limits = row.printed
    if row.of_ratios:
        return (
            f"ratio device / reference {figure(limits.bias, 3)} ({interval(limits.bias_low, limits.bias_high, 3)}), "
            f"limits of agreement {interval(limits.lower, limits.upper, 3)}"
        )
    return (
        f"bias {signed(limits.bias)} ({interval(limits.bias_low, limits.bias_high, 1)}), limits of agreement "
        f"{signed(limits.lower)} to {signed(limits.upper)}"
    )


def _say_what_is_drawn(row: BiasRow) -> str:
    outside = _say_outside(row)
    if row.lines is not None:
        return (
            "The spread changes with the level, so the limits are drawn as lines in the mean of both sides (Bland & "
            f"Altman 1999, section 3.2): {say_at(row, row.lines)}.{outside}"
        )
    if row.of_ratios:
        return f"Limits of the ratio fan out from the origin.{outside}"
    sloped = ""
    if row.sloped is not None:
        sloped = f" The sloping line is the bias as it changes with the mean of both sides: {say_at(row, row.sloped)}."
    return f"Bars beside the axes are the intervals of bias and limits.{outside}{sloped}"


def _say_outside(row: BiasRow) -> str:
    count = int(np.count_nonzero(nights_ringed(row)))
    if not count:
        return ""
    return (
        f" Rings mark the {count} nights outside the limits." if count > 1 else " A ring marks the night outside them."
    )


def nights_ringed(row: BiasRow) -> NDArray[np.bool_]:
    """Return which nights lie outside the limits as they are drawn; none where nights are drawn as counts."""
    limits, lines = row.limits, row.lines
    difference = row.device - row.reference
    if np.count_nonzero(~np.isnan(difference)) > MOST_RINGED:
        return np.zeros(difference.size, bool)
    lower, upper = np.array(limits.lower), np.array(limits.upper)
    if lines is not None and not math.isnan(lines.slope):
        at = [lines.at(level) for level in ((row.reference + row.device) / 2).tolist()]
        lower, upper = np.array([end.lower for end in at]), np.array([end.upper for end in at])
    elif row.of_ratios:
        with np.errstate(divide="ignore", invalid="ignore"):
            difference = np.log(row.device / row.reference)
    return are_outside(difference, lower, upper)


def _normal_look(row: BiasRow, name: str, device: str, study: StudyAgreement) -> Figure:
    participants = row.limits.participants
    return Figure(
        f"normal-quantiles-{name}",
        FigureKind.NORMAL_LOOK,
        {"study": study, "measure": row.measure, "device": device},
        title=f"Normal quantiles: {row.name}",
        description=f"Mean differences of {participants} participants in order, against the quantiles of a normal law.",
        caption=(
            f"Mean differences in {row.name} of {participants} participants. Points along the line support limits of "
            "agreement that take them as normal; a bend or a stray point speaks against them."
        ),
    )


def say_at(row: BiasRow, lines: RegressionLimits) -> str:
    """Return bias and limits at a low and a high level, at which a tenth of the nights lie below and above."""
    level = (row.reference + row.device) / 2
    ends = np.quantile(level[~np.isnan(level)], (0.1, 0.9)).round()
    unit = unit_word(row.unit)
    told = []
    for at in map(lines.at, ends.tolist()):
        where = f"at {at.magnitude:g} {unit}".rstrip()
        if lines.spread is Spread.VARYING:
            told.append(f"{where} the limits are {signed(at.lower, 0)} to {signed(at.upper, 0)}")
        else:
            told.append(f"{where} the bias is {signed(at.bias, 0)}")
    return ", ".join(told)


def say_lines(lines: RegressionLimits) -> str:
    """Return limits that are straight lines in the level A as equations."""
    spread = f"{figure(lines.spread_intercept, 1)} {_plus(lines.spread_slope)} A"
    reach = lines.multiplier * SD_PER_MEAN_ABSOLUTE
    return f"{say_sloped(lines)}, limits = bias ± {reach:.3f} ({spread})"


def say_sloped(line: RegressionLimits) -> str:
    """Return a bias that is a straight line in the level A as an equation."""
    return f"bias = {figure(line.intercept, 1)} {_plus(line.slope)} A"


def _plus(slope: float) -> str:
    return f"{'−' if slope < 0 else '+'} {abs(slope):.3f}"
