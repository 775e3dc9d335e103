"""A reading of the clock as lines of text."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from sleepagree.describe.words import DASH, figure, signed
from sleepagree.hypnogram.align import PairedNight
from sleepagree.render.columns import WIDTH, columns_of, cut, wrap
from sleepagree.scoring.clock import TUNING_WARNING, ClockReading
from sleepagree.scoring.clock_blocks import OffsetCurve
from sleepagree.text import show_file_name

_ROWS_TO_A_SIDE: Final = 15
_ROUND_STEPS_S: Final = (5, 10, 15, 30, 60, 120, 300, 600, 900, 1200, 1800, 3600)
_BAR_WIDTH: Final = 40


def clock_lines(reading: ClockReading, paired: PairedNight) -> list[str]:
    """Return a reading at 80 columns: verdict, curve, drift, warning."""
    device, reference = (show_file_name(side, WIDTH - 24) for side in (paired.device_side, paired.reference_side))
    together = f"CLOCK of device {device} against reference {reference}"
    apart = [f"CLOCK of device         {device}", f"      against reference {reference}"]
    lines = [*([together] if columns_of(together) <= WIDTH else apart), ""]
    lines += wrap(("Proposed: " if reading.proposed else "Nothing is proposed: ") + reading.reason, hang="    ")
    lines += [
        "",
        f"  mapping                {cut(reading.mapping, WIDTH - 25)}",
        f"  best offset            {_seconds(reading.offset_s)}"
        f"{_interval(reading.low_s, reading.high_s, ' s', reading.level)}",
        f"  kappa as recorded      {figure(reading.kappa_at_zero, 3)}",
        f"  kappa at best offset   {figure(reading.kappa_at_best, 3)}",
        f"  drift                  {_drift(reading)}",
    ]
    if reading.wake_sleep is not None:
        offset_s, at_best = reading.wake_sleep.best
        lines.append(
            f"  wake-sleep alone       {_seconds(offset_s)}, kappa {figure(at_best, 3)} instead of "
            f"{figure(reading.wake_sleep.at_zero, 3)}"
        )
    for part in reading.thirds:
        lines.append(
            f"  {part.from_s / 3600:.1f} to {part.to_s / 3600:.1f} h".ljust(25)
            + f"{_seconds(part.offset_s)}, kappa {figure(part.kappa_at_best, 3)}"
        )
    lines += ["", "  kappa by offset (seconds added to device times)", *_curve(reading.curve), ""]
    return lines + wrap(TUNING_WARNING, hang="  ")


def _seconds(value: float) -> str:
    return DASH if math.isnan(value) else f"{signed(value, 0)} s"


def _interval(low: float, high: float, unit: str, level: float) -> str:
    return "" if math.isnan(low) else f"  ({100 * level:g} % interval {low:+.0f} to {high:+.0f}{unit})"


def _drift(reading: ClockReading) -> str:
    if math.isnan(reading.drift_s_per_h):
        return DASH
    return f"{reading.drift_s_per_h:+.1f} s per hour" + _interval(
        reading.drift_low, reading.drift_high, " s/h", reading.level
    )


def _curve(curve: OffsetCurve) -> list[str]:
    """Return kappa at even offsets as bars, 0 and the best offset among them."""
    if np.isnan(curve.kappa).all():
        return ["  no kappa at any offset"]
    offsets = curve.offsets_s
    best = int(np.flatnonzero(offsets == curve.best[0])[0])
    step_s = next((s for s in _ROUND_STEPS_S if s * _ROWS_TO_A_SIDE >= offsets[-1]), _ROUND_STEPS_S[-1])
    shown = sorted({best, *np.flatnonzero(offsets % step_s == 0).tolist()})
    top = float(curve.kappa[best])
    out = []
    for at in shown:
        value = float(curve.kappa[at])
        if math.isnan(value):
            continue
        bar = "█" * round(_BAR_WIDTH * max(value, 0.0) / top) if top > 0 else ""
        notes = [note for note, here in (("as recorded", offsets[at] == 0), ("best", at == best)) if here]
        out.append(f"  {signed(offsets[at], 0):>7}  {figure(value, 3):>6}  {bar}  {', '.join(notes)}".rstrip())
    return out
