"""The two hypnograms over one clock axis, and between them where they differ."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from sleepagree.describe.words import say_stages
from sleepagree.figures.drawing import (
    axes_for,
    draw_boxes,
    draw_strokes,
    key_below,
    name_rows,
    name_ticks,
    room_for_rows,
    size_mm,
    width_mm,
    write,
)
from sleepagree.figures.style import GRID, INK, MUTED, SILENT, Shade, shades_by_name, styled, two_columns
from sleepagree.hypnogram.align import PairedNight
from sleepagree.hypnogram.spans import GAP
from sleepagree.hypnogram.zones import add_seconds
from sleepagree.mapping.mapping import StageMapping, reported_classes
from sleepagree.mapping.sets import StageSet, reference_reportable
from sleepagree.mapping.words import UNSCORED
from sleepagree.night.compare import NightAgreement
from sleepagree.scoring.class_sequences import both_codes, class_sequence

_HEIGHT_OF_ROW_MM: Final = 4.0
_BAR: Final = 0.64
_STRIP: Final = 0.9
_TITLE: Final = 1.05
_SPACE: Final = 0.55
_HOUR_S: Final = 3600.0
#: Steps of the clock's axis (s).
_STEPS_S: Final = tuple(60.0 * minutes for minutes in (1, 2, 5, 10, 15, 30, 60, 120, 180, 240, 360, 720, 1440))
_BETWEEN_HOURS_MM: Final = 1.5
#: Room for half the name of an hour where the axis ends.
_RIGHT_MM: Final = 5.5
#: Below this the name of the axis and the key have no room beside each other.
_NARROW_MM: Final = 130.0

#: Rows from the top down; words of one's own come after them, what names no stage last.
_ROW_ORDER: Final[tuple[str, ...]] = (
    "W",
    "wake-or-sleep",
    "R",
    "light-or-rem",
    "N1",
    "light",
    "N2",
    "nrem",
    "sleep",
    "N3",
)

AGREE, DIFFER, NO_LABEL, NOT_COMPARED = range(4)
CODE_WORDS: Final = ("same", "differ", "no label for it", "not compared")


@dataclass(frozen=True, eq=False)
class Lane:
    """One side as it is drawn.

    Parameters
    ----------
    rows : tuple of str
        Stages from the top down.
    words : tuple of str
        The same as this side would call them.
    codes : int array, shape (n_epochs,)
        Row of each epoch, -1 in a gap.
    """

    rows: tuple[str, ...]
    words: tuple[str, ...]
    codes: NDArray[np.int16]


def lane_of(codes: NDArray[np.int16], stage_set: StageSet, reportable: Sequence[str]) -> Lane:
    """Return the rows of one side and the row of each epoch."""
    held = [stage for label, stage in enumerate(stage_set.stages) if (codes == label).any()]
    wanted = {*reportable, *held} - {UNSCORED}
    rows = [stage for stage in _ROW_ORDER if stage in wanted]
    rows += [stage for stage in stage_set.stages if stage in wanted and stage not in rows]
    rows = list(dict.fromkeys(rows))
    if UNSCORED in held:
        rows.append(UNSCORED)
    lookup = np.array([*(rows.index(s) if s in rows else GAP for s in stage_set.stages), GAP], np.int16)
    return Lane(tuple(rows), tuple(say_stages(rows, reportable)), lookup[codes])


def lanes_of(paired: PairedNight) -> tuple[Lane, Lane]:
    """Return both sides as they are drawn, in stages: finer than the classes of a mapping."""
    return (
        lane_of(paired.reference, paired.reference_set, reference_reportable(paired.reference_set)),
        lane_of(paired.device, paired.device_set, paired.device_set.reportable),
    )


def compare_epochs(paired: PairedNight, mapping: StageMapping) -> NDArray[np.int8]:
    """Return for every epoch of the window whether the sides give one class: a position in `CODE_WORDS`."""
    rows, columns = both_codes(paired, mapping)
    out = len(mapping.reference_classes)
    reference = class_sequence(paired.reference, paired.scored, rows, out)
    device = class_sequence(paired.device, paired.scored, columns, out)
    reported = reported_classes(mapping, paired.device_set.reportable)
    has_label = np.isin(reference, [i for i, name in enumerate(mapping.reference_classes) if name in reported])
    compared = (reference >= 0) & (reference < out) & (device >= 0) & (device < out)
    verdict = np.where(reference == device, AGREE, np.where(has_label, DIFFER, NO_LABEL))
    return np.where(compared, verdict, NOT_COMPARED).astype(np.int8)


def runs_of(codes: NDArray[np.integer]) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Return begin, end and value of each run of equal codes."""
    edges = np.flatnonzero(np.diff(codes.astype(np.int64), prepend=-9, append=-9))
    return edges[:-1], edges[1:], codes[edges[:-1]].astype(np.int64)


@styled
def draw_hypnograms(night: NightAgreement, *, ax: Axes | None = None) -> Axes:
    """Draw what reference and device say of a night, and the epochs in which they differ.

    Parameters
    ----------
    night : NightAgreement
        The night. The strip in the middle follows its first mapping; the hypnograms show stages as each side
        gives them.
    ax : Axes, optional
        Where to draw; by default a new figure two columns wide.

    Returns
    -------
    Axes
        x in epochs of the window, labelled by the clock (or by hours where no clock is known). A gap is a grey
        band over the whole height of its side.
    """
    paired = night.paired
    reference, device = lanes_of(paired)
    rows = len(reference.rows) + len(device.rows)
    height = rows + _STRIP + 2 * _TITLE + 2 * _SPACE
    size = two_columns(height * _HEIGHT_OF_ROW_MM + 10.5)
    is_narrow = ax is not None and size_mm(ax)[0] < _NARROW_MM
    left = room_for_rows((*reference.words, *device.words), least=16)
    ax = axes_for(ax, size, left=left, right=_RIGHT_MM, top=1, bottom=13.5 if is_narrow else 9.5)
    n = int(paired.status.size)
    ax.set_xlim(0, n)
    ax.set_ylim(height, 0)

    mapping = night.mappings[0].mapping
    shades = shades_by_name((*mapping.reference_classes, *reference.rows, *device.rows))
    top = _TITLE
    ticks = _draw_lane(ax, reference, shades, top=top, title="reference", serial=0)
    top += len(reference.rows) + _SPACE
    ticks.append((top + _STRIP / 2, "differ"))
    _draw_strip(ax, compare_epochs(paired, mapping), top=top)
    top += _STRIP + _SPACE + _TITLE
    ticks += _draw_lane(ax, device, shades, top=top, title="device", serial=1)

    name_rows(ax, ticks)
    _draw_key(ax, name_clock(ax, paired, name="tick"), is_narrow=is_narrow)
    return ax


@styled
def draw_stages(paired: PairedNight, *, ax: Axes | None = None) -> Axes:
    """Draw what the reference of a night says alone, as before anything is compared with it.

    Parameters
    ----------
    paired : PairedNight
        The night.
    ax : Axes, optional
        Where to draw; by default a new figure two columns wide.

    Returns
    -------
    Axes
        As of :func:`draw_hypnograms`.
    """
    lane, _ = lanes_of(paired)
    height = len(lane.rows) + _SPACE
    size, left = two_columns(height * _HEIGHT_OF_ROW_MM + 10.5), room_for_rows(lane.words, least=16)
    ax = axes_for(ax, size, left=left, right=_RIGHT_MM, top=1, bottom=9.5)
    ax.set_xlim(0, lane.codes.size)
    ax.set_ylim(height, 0)
    name_rows(ax, _draw_lane(ax, lane, shades_by_name(lane.rows), top=_SPACE, title="", serial=0))
    _name_below(ax, name_clock(ax, paired, name="tick"))
    return ax


def _draw_lane(
    ax: Axes, lane: Lane, shades: dict[str, Shade], *, top: float, title: str, serial: int
) -> list[tuple[float, str]]:
    write(ax, 0, top - 0.12, title, fontweight="bold", va="bottom", ha="left")
    begin, end, row = runs_of(lane.codes)
    rows = len(lane.rows)
    middle = top + np.arange(rows) + 0.5
    ax.hlines(middle, 0, lane.codes.size, color=GRID.drawn, linewidth=0.5, zorder=0.5)
    gap = row == GAP
    draw_boxes(ax, begin[gap], end[gap], top, top + rows, shade=GRID, gid=f"data-gap-{serial}", zorder=0.8)
    # each run is joined to the next by an upright line, but not across a gap
    joined = np.flatnonzero(~gap[1:] & ~gap[:-1]) + 1
    x, y0, y1 = begin[joined], middle[row[joined - 1]], middle[row[joined]]
    draw_strokes(ax, x, x, y0, y1, shade=MUTED, width=0.4, gid=f"data-steps-{serial}", zorder=1.5)
    for i, y in enumerate(middle.tolist()):
        mine = row == i
        shade = shades[lane.rows[i]]
        bar = begin[mine], end[mine], y - _BAR / 2, y + _BAR / 2
        draw_boxes(ax, *bar, shade=shade, gid=f"data-row-{serial}-{i}", zorder=2)
    return list(zip(middle.tolist(), lane.words, strict=True))


def _draw_strip(ax: Axes, verdict: NDArray[np.int8], *, top: float) -> None:
    begin, end, code = runs_of(verdict)
    low, high = top, top + _STRIP
    for which, shade, inset in ((NOT_COMPARED, GRID, 0.0), (NO_LABEL, SILENT, 0.27), (DIFFER, INK, 0.0)):
        mine = code == which
        strip = begin[mine], end[mine], low + inset, high - inset
        draw_boxes(ax, *strip, shade=shade, gid=f"data-strip-{which}", zorder=2)
    ax.hlines((low, high), 0, verdict.size, color=GRID.drawn, linewidth=0.5, zorder=0.5)


def clock_ticks(paired: PairedNight, *, step_s: float = _HOUR_S) -> tuple[list[float], list[str], str]:
    """Return where whole hours (or other steps) lie on an axis of epochs, how they read, and the axis's name."""
    n, epoch_s = int(paired.status.size), paired.epoch_s
    begin = paired.begin
    # several hours are counted from midnight on the clock, which may be changed between
    each = min(step_s, _HOUR_S)
    since_hour = 0.0 if begin is None else begin.minute * 60 + begin.second + begin.microsecond / 1e6
    positions = np.arange(-since_hour % each, n * epoch_s + 1, each) / epoch_s
    if begin is None:
        shown = [p for p in positions.tolist() if not p * epoch_s % step_s]
        return shown, [_elapsed(p * epoch_s) for p in shown], "since the window's start"
    moments = [(p, add_seconds(begin, p * epoch_s)) for p in positions.tolist()]
    moments = [(p, m) for p, m in moments if step_s <= _HOUR_S or not m.hour * _HOUR_S % step_s]
    return [p for p, _ in moments], [f"{m:%H:%M}" for _, m in moments], "clock time"


def name_clock(ax: Axes, paired: PairedNight, *, name: str = "") -> str:
    """Name the hours of a night on the axis below, and return what the axis is.

    A window without two whole hours has finer steps, one whose hours have no room for their names coarser ones.
    """
    per_s = size_mm(ax)[0] / (paired.status.size * paired.epoch_s)
    longest = "00:00" if paired.begin else _elapsed(max(paired.status.size * paired.epoch_s, 10 * _HOUR_S))
    wide = width_mm(longest) + _BETWEEN_HOURS_MM
    fitting = [step for step in _STEPS_S if step * per_s >= wide] or [_STEPS_S[-1]]
    fitting.sort(key=lambda step: (step < _HOUR_S, abs(step - _HOUR_S)))  # the hour, coarser ones, then finer ones
    tried = [clock_ticks(paired, step_s=step) for step in fitting]
    # of a window of a few seconds whatever there is
    positions, texts, axis = next((ticks for ticks in tried if len(ticks[0]) > 1), max(tried, key=lambda t: len(t[0])))
    name_ticks(ax.xaxis, positions, texts, name=name)
    return axis


def _elapsed(seconds: float) -> str:
    return f"{int(seconds // 3600)}:{int(seconds % 3600 // 60):02d} h"


def _name_below(ax: Axes, name: str) -> float:
    """Write the axis's name to the left under the ticks, and return its place as a share of the axes' height."""
    below = -6.4 / size_mm(ax)[1]
    write(ax, 0, below, name, transform=ax.get_xaxis_transform(), va="center", ha="left")
    return below


def _draw_key(ax: Axes, axis_name: str, *, is_narrow: bool) -> None:
    """Write the axis's name to the left and what the strip means to the right, under the ticks or below that name."""
    below = _name_below(ax, axis_name)
    no_label = "no label for it" if is_narrow else "device has no label for it"
    entries = (INK, "differ"), (SILENT, no_label), (GRID, "not compared, or gap")
    key_below(ax, entries, height=below - (4.0 / size_mm(ax)[1] if is_narrow else 0.0))
