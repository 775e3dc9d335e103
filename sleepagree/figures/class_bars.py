"""Classes as bars in rows: what those of a device hold, where unreported stages went, what a bias is made of."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import accumulate
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from matplotlib.axes import Axes

from sleepagree.describe.bias import FLOW_WORDS, flows_by_size
from sleepagree.describe.words import speak
from sleepagree.figures.drawing import (
    axes_for,
    draw_boxes,
    draw_strokes,
    fit,
    grid_lines,
    key_below,
    key_rows,
    name_axis,
    name_percents,
    name_rows,
    room_for_rows,
    signed_in_print,
    size_mm,
    widest_mm,
    write,
)
from sleepagree.figures.style import (
    INK,
    MUTED,
    ONE_COLUMN_MM,
    PAPER,
    SMALL_LETTER_POINTS,
    Shade,
    one_column,
    shades_by_name,
    shades_of,
    styled,
)
from sleepagree.figures.subjects import device_of, is_study
from sleepagree.night.answer import NightAnswer, answer_night
from sleepagree.night.compare import NightAgreement
from sleepagree.scoring.redistribution import BiasSource, Redistribution

if TYPE_CHECKING:
    from sleepagree.study.results import StudyAgreement, StudyRedistribution

#: Millimetres around the bars of a device's classes, and from them down to their key.
_MARGINS_MM: Final = 17.0
_KEY_MM: Final = 13.0
_KEY_LINE_MM: Final = 3.0
_MOST_KEY_LINES: Final = 3
_RIGHT_MM: Final = 16.0
_NUMBER_MM: Final = 8.5
#: Millimetres around the number beside a step, and around those beside rows of bars.
_BESIDE_STEP_MM: Final = 1.0
_BEFORE_NUMBERS_MM: Final = 2.4
#: Millimetres from the edge to titles of rows.
_BEFORE_TITLES_MM: Final = 1.0
_BAR: Final = 0.62


def _percent_axes(ax: Axes, rows: float) -> None:
    """Set limits and ticks for rows of bars in per cent."""
    ax.set_ylim(rows, 0)
    ax.set_xlim(0, 100)
    name_percents(ax.xaxis)
    grid_lines(ax, "x")


def _draw_bar(ax: Axes, left: float, right: float, y: float, shade: Shade, *, thick: float = _BAR, **how: Any) -> None:
    draw_boxes(ax, left, right, y - thick / 2, y + thick / 2, shade=shade, zorder=2, **how)


def _rows_below_titles(sizes: Sequence[int]) -> list[tuple[float, list[float]]]:
    """Return for groups of so many rows, one below the other, where each begins with its title, and its rows."""
    begins = accumulate((size + 1 for size in sizes), initial=0)
    return [(begin, [begin + row + 1.5 for row in range(size)]) for begin, size in zip(begins, sizes, strict=False)]


def _begin_of_titles(ax: Axes, left: float) -> float:
    """Return where titles of rows begin in a margin of so many millimetres, as a share of the axes' width."""
    return -(left - _BEFORE_TITLES_MM) / size_mm(ax)[0]


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
    meanings = [say(name) for name, _ in answer.reference]
    lines = min(key_rows(meanings, ONE_COLUMN_MM - _RIGHT_MM - 1.5), _MOST_KEY_LINES)
    margins = _MARGINS_MM + (lines - 1) * _KEY_LINE_MM
    height = len(bars) * 8.0 + margins
    left = room_for_rows((word for word, *_ in bars), least=15)
    ax = axes_for(ax, one_column(height), left=left, right=_RIGHT_MM, top=1, bottom=margins - 1)
    _percent_axes(ax, len(bars) + 0.25)
    ticks = []
    for row, (word, epochs, shares) in enumerate(bars):
        # the night stands apart from the classes
        y = row + 0.5 + (0.25 if row == len(bars) - 1 else 0.0)
        begin = 0.0
        for (_, share), shade in zip(shares, shades, strict=True):
            if share:
                _draw_bar(ax, begin, begin + 100 * share, y, shade)
            begin += 100 * share
        write(ax, 102, y, f"{epochs / 2:.1f} min", size=SMALL_LETTER_POINTS, va="center", ha="left")
        ticks.append((y, word))
    name_rows(ax, ticks)
    name_axis(ax, x="per cent of what the device called so")
    key_below(ax, list(zip(shades, meanings, strict=True)), height=-_KEY_MM / size_mm(ax)[1], rows=lines)
    return ax


def _share_out(traced: Redistribution | StudyRedistribution) -> tuple[str, list[tuple[str, list[float], float]]]:
    """Return the title of a stage, and each class it went to with its share and interval (per cent) and its minutes."""
    if isinstance(traced, Redistribution):
        amount = f": {traced.minutes:.1f} min"
        found = [(to.name, (to.share, to.primary_low, to.primary_high), to.minutes) for to in traced.to]
    else:
        amount = ", minutes a night"
        shares = [to.share.primary for to in traced.to]
        found = [
            (to.name, (share.value, share.low, share.high), to.minutes.primary.value)
            for to, share in zip(traced.to, shares, strict=True)
        ]
    rows = [(name, [100 * part for part in share], minutes) for name, share, minutes in found]
    return f"{speak(traced.stage)}{amount}, taken as", rows


def _say_share(share: float, minutes: float) -> str:
    return f"{share:.0f} %, {minutes:.1f} min"


@styled
def draw_redistribution(
    traced: NightAgreement | StudyAgreement | Sequence[Redistribution | StudyRedistribution],
    *,
    device: str = "",
    ax: Axes | None = None,
) -> Axes:
    """Draw what share of each unreported stage went to each device class, with its interval.

    Parameters
    ----------
    traced : NightAgreement, StudyAgreement, or sequence of Redistribution or of StudyRedistribution
        A night, a study, or its account of each stage; stages without an epoch are left out.
    device : str
        Name of the device; needed where a study has several.
    ax : Axes, optional
        Where to draw; by default a new figure one column wide.

    Returns
    -------
    Axes
        x per cent of the stage; for a night the whisker is the interval for answers that last within an episode, for a
        study the interval over participants.

    Raises
    ------
    ValueError
        When no stage has an epoch, or the study has no such device.
    """
    classes: tuple[str, ...] = ()
    if is_study(traced):
        found = device_of(traced, device)
        classes, traced = found.mappings[0].mapping.reference_classes, found.redistribution
    elif isinstance(traced, NightAgreement):
        classes, traced = traced.mappings[0].mapping.reference_classes, traced.redistribution
    stages = [_share_out(t) for t in traced if t.epochs]
    if not stages:
        raise ValueError("traced must hold a stage with at least one epoch")
    shades = shades_by_name((*classes, *(name for _, to in stages for name, *_ in to)))
    rows = sum(len(to) + 1 for _, to in stages)
    left = room_for_rows((speak(name) for _, to in stages for name, *_ in to), least=15)
    told = [_say_share(share, minutes) for _, to in stages for _, (share, *_), minutes in to]
    right = max(21.0, widest_mm(told, size=SMALL_LETTER_POINTS) + _BEFORE_NUMBERS_MM)
    ax = axes_for(ax, one_column(rows * 5.2 + 10), left=left, right=right, top=1, bottom=9)
    title_at = _begin_of_titles(ax, left)
    across = ax.get_yaxis_transform()
    _percent_axes(ax, rows)
    ticks: list[tuple[float, str]] = []
    for (title, to), (begin, places) in zip(stages, _rows_below_titles([len(to) for _, to in stages]), strict=True):
        paper = {"facecolor": PAPER.drawn, "edgecolor": "none", "pad": 0.8}
        bold: dict[str, Any] = {"fontweight": "bold", "bbox": paper}
        write(ax, title_at, begin + 0.55, title, va="center", ha="left", transform=across, **bold)
        for y, (name, (share, low, high), minutes) in zip(places, to, strict=True):
            _draw_bar(ax, 0, share, y, shades[name], thick=0.5)
            if not math.isnan(low):
                # a pale rim, so that the whisker can be seen on a dark bar, too
                ax.plot([low, high], [y, y], color=PAPER.drawn, linewidth=2.4, zorder=3)
                ax.plot([low, high], [y, y], color=INK.drawn, linewidth=0.9, zorder=4)
            write(ax, 103, y, _say_share(share, minutes), size=SMALL_LETTER_POINTS, va="center", ha="left")
            ticks.append((y, speak(name)))
    name_rows(ax, ticks)
    name_axis(ax, x="per cent of the stage's epochs")
    return ax


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
    steps = []
    at = 0.0
    for way, other, minutes in flows_by_size(source):
        if minutes:
            steps.append(Step(f"{FLOW_WORDS[way]} {say(other)}", other, minutes, at))
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
    classes: tuple[str, ...] = ()
    if is_study(sources):
        found = device_of(sources, device)
        mapping = found.mappings[0].mapping
        sources = [source.per_night for source in found.bias_sources]
        classes, say = mapping.reference_classes, mapping.speak
    elif isinstance(sources, NightAgreement):
        mapping = sources.mappings[0].mapping
        classes, say, sources = mapping.reference_classes, mapping.speak, sources.bias_sources
    named = (name for source in sources for name in (source.name, *(other for other, _ in source.gained)))
    shades = {**shades_by_name((*classes, *named)), "": INK}
    accounts = [(source, steps_of(source, say)) for source in sources]
    rows = sum(len(steps) + 1 for _, steps in accounts)
    left = room_for_rows((step.text for _, steps in accounts for step in steps), least=21, size=SMALL_LETTER_POINTS)
    ax = axes_for(ax, one_column(rows * 4.1 + 10), left=left, right=3, top=1, bottom=9)
    title_at = _begin_of_titles(ax, left)
    ends = [0.0, *(step.end for _, steps in accounts for step in steps)]
    low, high = min(ends), max(ends)
    # a number beside the longest bar takes that much of a narrow panel
    numbers = (signed_in_print(step.minutes) for _, steps in accounts for step in steps)
    number_mm = max(_NUMBER_MM, widest_mm(numbers, size=SMALL_LETTER_POINTS, weight="bold") + _BESIDE_STEP_MM)
    room = max(0.2, number_mm / max(size_mm(ax)[0] - 2 * number_mm, number_mm)) * max(high - low, 1.0)
    ax.set_xlim(low - room, high + room)
    ax.set_ylim(rows, 0)
    ticks: list[tuple[float, str]] = []
    joints: list[tuple[float, float]] = []
    across = ax.get_yaxis_transform()
    groups = _rows_below_titles([len(steps) for _, steps in accounts])
    titles = fit([say(source.name) for source in sources], ONE_COLUMN_MM - 2 * _BEFORE_TITLES_MM, weight="bold")
    for title, (_, steps), (begin, places) in zip(titles, accounts, groups, strict=True):
        write(ax, title_at, begin + 0.55, title, va="center", ha="left", fontweight="bold", transform=across)
        if begin:
            ax.plot([title_at, 1], [begin, begin], color=MUTED.drawn, linewidth=0.4, transform=across, clip_on=False)
        for step, y in zip(steps, places, strict=True):
            _draw_step(ax, step, y, shades[step.other])
            ticks.append((y, step.text))
        joints += [(step.end, y) for step, y in zip(steps[:-1], places[:-1], strict=True)]
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
    look: dict[str, Any] = {}
    if step.minutes < 0 and step.other:  # lost, and hollow
        look = {"facecolor": PAPER.drawn, "edgecolor": shade.drawn, "linewidth": 1.1, "joinstyle": "miter"}
    _draw_bar(ax, left, right, y, shade, **look)
    side = 1 if step.minutes >= 0 else -1
    write(
        ax,
        step.end,
        y,
        signed_in_print(step.minutes),
        size=SMALL_LETTER_POINTS,
        shift=(2.2 * side, 0),
        ha="left" if side > 0 else "right",
        va="center",
        fontweight="normal" if step.other else "bold",
        zorder=3,
        bbox={"facecolor": PAPER.drawn, "edgecolor": "none", "pad": 0.3},
    )
