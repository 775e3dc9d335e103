"""What the reference says of each class of the device, as bars that add up to the whole."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from matplotlib.axes import Axes

from sleepagree.describe.words import speak
from sleepagree.figures.drawing import (
    axes_for,
    draw_boxes,
    grid_lines,
    key_below,
    name_axis,
    name_percents,
    name_rows,
    write,
)
from sleepagree.figures.style import SMALL_LETTER_POINTS, one_column, shades_of, styled
from sleepagree.night.answer import NightAnswer, answer_night
from sleepagree.night.compare import NightAgreement

_ROW_MM: Final = 8.0
_BAR: Final = 0.62
_MARGINS_MM: Final = 17.0
_KEY_MM: Final = 13.0


@styled
def draw_device_classes(answer: NightAgreement | NightAnswer, *, ax: Axes | None = None) -> Axes:
    """Draw each class of the device filled by the stages of the reference, and the whole night below them.

    Parameters
    ----------
    answer : NightAgreement or NightAnswer
        A night, or its finding.
    ax : Axes, optional
        Where to draw; by default a new figure one column wide.

    Returns
    -------
    Axes
        One bar for each class of the device that has epochs, 100 per cent long, its minutes beside it.

    Raises
    ------
    ValueError
        When no epoch was compared.
    """
    say: Callable[[str], str] = speak
    if isinstance(answer, NightAgreement):
        say, answer = answer.mappings[0].mapping.speak, answer_night(answer)
    if not answer.epochs:
        raise ValueError("answer must hold at least one epoch")
    classes = [found for found in answer.device_classes if found.epochs]
    bars = [(speak(found.name), found.epochs, found.shares) for found in classes]
    bars.append(("night", answer.epochs, answer.reference_shares))
    shades = shades_of(tuple(name for name, _ in answer.reference))
    height = len(bars) * _ROW_MM + _MARGINS_MM
    ax = axes_for(ax, one_column(height), left=15, right=16, top=1, bottom=_MARGINS_MM - 1)
    ax.set_ylim(len(bars) + 0.25, 0)
    ax.set_xlim(0, 100)
    name_percents(ax.xaxis)
    grid_lines(ax, "x")
    ticks = []
    for row, (word, epochs, shares) in enumerate(bars):
        # the night stands apart from the classes
        y = row + 0.5 + (0.25 if row == len(bars) - 1 else 0.0)
        begin = 0.0
        for (_, share), shade in zip(shares, shades, strict=True):
            if share:
                draw_boxes(ax, begin, begin + 100 * share, y - _BAR / 2, y + _BAR / 2, shade=shade, zorder=2)
            begin += 100 * share
        write(ax, 102, y, f"{epochs / 2:.1f} min", size=SMALL_LETTER_POINTS, va="center", ha="left")
        ticks.append((y, word))
    name_rows(ax, ticks)
    name_axis(ax, x="per cent of what the device called so")
    entries = [(shade, say(name)) for (name, _), shade in zip(answer.reference, shades, strict=True)]
    key_below(ax, entries, height=-_KEY_MM / (height - _MARGINS_MM))
    return ax
