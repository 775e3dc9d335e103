"""What each class's bias is made of, as steps that add up."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from matplotlib.axes import Axes

from sleepagree.describe.words import speak
from sleepagree.figures.drawing import (
    axes_for,
    draw_boxes,
    draw_strokes,
    grid_lines,
    name_axis,
    name_rows,
    size_mm,
    write,
)
from sleepagree.figures.style import INK, MUTED, PAPER, SMALL_LETTER_POINTS, Shade, one_column, shades_of, styled
from sleepagree.figures.subjects import device_of, is_study
from sleepagree.night.compare import NightAgreement
from sleepagree.scoring.bias_sources import BiasSource

if TYPE_CHECKING:
    from sleepagree.study.results import StudyAgreement

_ROW_MM: Final = 4.1
_BAR: Final = 0.62
_NUMBER_MM: Final = 8.5


@dataclass(frozen=True)
class Step:
    """One step of the account of one class.

    Parameters
    ----------
    text : str
        What it is.
    other : str
        The class gained from or lost to; "" for the total.
    minutes : float
        Signed.
    begin : float
        Where it starts: the sum of the steps before it.
    """

    text: str
    other: str
    minutes: float
    begin: float

    @property
    def end(self) -> float:
        """Where it ends."""
        return self.begin + self.minutes


def steps_of(source: BiasSource, say: Callable[[str], str] = speak) -> tuple[Step, ...]:
    """Return the account of one class as steps, gains first, each by size; the last one is the bias itself.

    Examples
    --------
    >>> account = BiasSource("deep", 5.0, (("rem", 8.0), ("light", 0.0)), (("light", 3.0),))
    >>> [(step.text, step.minutes, step.end) for step in steps_of(account)]
    [('from REM', 8.0, 8.0), ('lost to light', -3.0, 5.0), ('bias', 5.0, 5.0)]
    """
    parts = [(f"from {say(name)}", name, m) for name, m in sorted(source.gained, key=lambda p: -p[1]) if m]
    parts += [(f"lost to {say(name)}", name, -m) for name, m in sorted(source.lost, key=lambda p: -p[1]) if m]
    steps = []
    at = 0.0
    for text, other, minutes in parts:
        steps.append(Step(text, other, minutes, at))
        at += minutes
    return (*steps, Step("bias", "", source.bias_min, 0.0))


@styled
def draw_bias_sources(
    sources: NightAgreement | StudyAgreement | Sequence[BiasSource], *, device: str = "", ax: Axes | None = None
) -> Axes:
    """Draw for each class the minutes gained and lost, step by step, and the bias that they add up to.

    Parameters
    ----------
    sources : NightAgreement, StudyAgreement or sequence of BiasSource
        A night, a study (minutes a night), or its accounts.
    device : str
        Name of the device; needed where a study has several.
    ax : Axes, optional
        Where to draw; by default a new figure one column wide.

    Returns
    -------
    Axes
        x minutes, device minus reference. A filled step is gained, a hollow one is lost, in the colour of the
        other class; the last step of each class, in ink, is its bias.

    Raises
    ------
    ValueError
        When the study has no such device.
    """
    say: Callable[[str], str] = speak
    if is_study(sources):
        found = device_of(sources, device)
        sources, say = [source.per_night for source in found.bias_sources], found.mappings[0].mapping.speak
    elif isinstance(sources, NightAgreement):
        say, sources = sources.mappings[0].mapping.speak, sources.bias_sources
    accounts = [(source, steps_of(source, say)) for source in sources]
    rows = sum(len(steps) + 1 for _, steps in accounts)
    ax = axes_for(ax, one_column(rows * _ROW_MM + 10), left=21, right=3, top=1, bottom=9)
    ends = [0.0, *(step.end for _, steps in accounts for step in steps)]
    low, high = min(ends), max(ends)
    # a number beside the longest bar takes that much of a narrow panel
    room = max(0.2, _NUMBER_MM / max(size_mm(ax)[0] - 2 * _NUMBER_MM, _NUMBER_MM)) * max(high - low, 1.0)
    ax.set_xlim(low - room, high + room)
    ax.set_ylim(rows, 0)
    ticks: list[tuple[float, str]] = []
    joints: list[tuple[float, float]] = []
    at = 0
    for source, steps in accounts:
        shades = shades_of((source.name, *(step.other for step in steps[:-1])))
        across = ax.get_yaxis_transform()
        write(ax, -0.27, at + 0.55, say(source.name), va="center", ha="left", fontweight="bold", transform=across)
        if at:
            ax.plot([-0.27, 1], [at, at], color=MUTED.drawn, linewidth=0.4, transform=across, clip_on=False)
        for row, (step, shade) in enumerate(zip(steps, (*shades[1:], INK), strict=True), start=1):
            y = at + row + 0.5
            _draw_step(ax, step, y, shade)
            ticks.append((y, step.text))
            if row < len(steps):
                joints.append((step.end, y))
        at += len(steps) + 1
    x, y0 = np.array(joints).reshape(-1, 2).T
    draw_strokes(ax, x, x, y0 + _BAR / 2, y0 + 1 - _BAR / 2, shade=MUTED, width=0.5, zorder=1)
    name_rows(ax, ticks, size=SMALL_LETTER_POINTS)
    ax.locator_params(axis="x", nbins=5, steps=[1, 2, 2.5, 5, 10])
    grid_lines(ax, "x")
    ax.axvline(0, color=MUTED.drawn, linewidth=0.6, zorder=1)
    name_axis(ax, x="minutes, device − reference")
    return ax


def _draw_step(ax: Axes, step: Step, y: float, shade: Shade) -> None:
    left, right = sorted((step.begin, step.end))
    lost = step.minutes < 0 and step.other
    hollow: dict[str, Any] = {
        "facecolor": PAPER.drawn,
        "edgecolor": shade.drawn,
        "linewidth": 1.1,
        "joinstyle": "miter",
    }
    draw_boxes(ax, left, right, y - _BAR / 2, y + _BAR / 2, shade=shade, zorder=2, **(hollow if lost else {}))
    side = 1 if step.minutes >= 0 else -1
    write(
        ax,
        step.end,
        y,
        "0.0" if math.isclose(step.minutes, 0.0, abs_tol=0.05) else f"{step.minutes:+.1f}".replace("-", "−"),
        size=SMALL_LETTER_POINTS,
        shift=(2.2 * side, 0),
        ha="left" if side > 0 else "right",
        va="center",
        fontweight="normal" if step.other else "bold",
        zorder=3,
        bbox={"facecolor": PAPER.drawn, "edgecolor": "none", "pad": 0.3},
    )
