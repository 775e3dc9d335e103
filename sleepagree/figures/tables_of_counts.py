"""The confusion matrix as a table of tinted cells."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from matplotlib.axes import Axes

from sleepagree.describe.words import speak
from sleepagree.figures.drawing import (
    axes_for,
    draw_boxes,
    fit,
    name_axis,
    name_rows,
    name_ticks,
    room_for_rows,
    size_mm,
    widest_mm,
    width_mm,
    write,
)
from sleepagree.figures.style import (
    ACCENT,
    INK,
    LETTER_POINTS,
    MUTED,
    SMALL_LETTER_POINTS,
    one_column,
    styled,
    two_columns,
)
from sleepagree.figures.subjects import device_of, is_study
from sleepagree.night.compare import NightAgreement

if TYPE_CHECKING:
    from sleepagree.night.compare import MappingAgreement
    from sleepagree.study.results import StudyAgreement, StudyMapping

_STRONGEST_TINT: Final = 0.5  # letters in ink keep a contrast of 4.5 to 1 on it, on light and on dark paper
_CELL_MM: Final = 10.5
_COUNT_POINTS: Final = LETTER_POINTS + 0.5
_WIDE_FROM: Final = 6
#: Millimetres between the names of two columns.
_BETWEEN_MM: Final = 1.5
#: Points from the cells to the totals of rows, in cells of any width.
_TOTAL: Final = (4.0, 0.0)


@styled
def draw_confusion(
    counts: NightAgreement | StudyAgreement | MappingAgreement | StudyMapping,
    *,
    device: str = "",
    ax: Axes | None = None,
) -> Axes:
    """Draw a table of counts: in each cell the epochs and their share of the row; the tint follows the share.

    Parameters
    ----------
    counts : NightAgreement, StudyAgreement, MappingAgreement or StudyMapping
        A night or a study, of which the first mapping is drawn, or what was counted under one mapping.
    device : str
        Name of the device; needed where a study has several.
    ax : Axes, optional
        Where to draw; by default a new figure one column wide (two for six classes and more, or for long names).

    Returns
    -------
    Axes
        Cells in which both sides say the same class have a frame; totals stand outside the cells.

    Raises
    ------
    ValueError
        When the study has no such device.
    """
    if is_study(counts):
        counts = device_of(counts, device).mappings[0]
    elif isinstance(counts, NightAgreement):
        counts = counts.mappings[0]
    table, mapping = counts.counts, counts.mapping
    n_rows, n_columns = table.shape
    row_names = [mapping.speak(name) for name in mapping.reference_classes]
    heads = [speak(name) for name in mapping.device_classes]
    left = room_for_rows(row_names, least=16, has_name=True)
    # room for the totals, which have as many digits as they have
    right = 3 + 1.6 * len(str(int(table.sum())))
    height = n_rows * _CELL_MM + 16
    size = one_column(height)
    widest = max(widest_mm(heads), width_mm(str(int(table.sum(axis=0).max())), size=_COUNT_POINTS))
    wanted = n_columns * (widest + _BETWEEN_MM)
    if n_columns >= _WIDE_FROM or wanted > size.width_mm - left - right:
        size = two_columns(height)
    ax = axes_for(ax, size, left=left, right=right, top=9, bottom=6)
    heads = fit(heads, size_mm(ax)[0] / n_columns - _BETWEEN_MM)
    ax.set_xlim(0, n_columns)
    ax.set_ylim(n_rows, 0)
    rows, columns = table.sum(axis=1), table.sum(axis=0)
    for i, name in enumerate(mapping.reference_classes):
        for j in range(n_columns):
            _draw_cell(ax, i, j, int(table[i, j]), int(rows[i]))
            if mapping.device_classes[j] == name:
                _frame(ax, i, j)
        write(ax, n_columns, i + 0.5, str(int(rows[i])), shade=MUTED, shift=_TOTAL, ha="left", va="center")
    for j in range(n_columns):
        write(ax, j + 0.5, n_rows + 0.12, str(int(columns[j])), shade=MUTED, ha="center", va="top")
    write(ax, n_columns, n_rows + 0.12, str(int(table.sum())), shade=MUTED, shift=_TOTAL, ha="left", va="top")
    ax.xaxis.tick_top()
    ax.xaxis.set_label_position("top")
    name_ticks(ax.xaxis, [j + 0.5 for j in range(n_columns)], heads, marks=False)
    name_rows(ax, [(i + 0.5, name) for i, name in enumerate(row_names)])
    name_axis(ax, x="device", y="reference")
    for side in ax.spines.values():
        side.set_visible(False)
    return ax


def _draw_cell(ax: Axes, i: int, j: int, epochs: int, row: int) -> None:
    share = epochs / row if row else 0.0
    if share:
        draw_boxes(ax, j + 0.03, j + 0.97, i + 0.03, i + 0.97, shade=ACCENT, alpha=_STRONGEST_TINT * share, zorder=1)
    # shifted in points, so that the two lines keep their distance in cells of any size
    text = f"{100 * share:.0f} %" if row else "–"
    for words, size, up in ((str(epochs), _COUNT_POINTS, 3.4), (text, SMALL_LETTER_POINTS, -4.6)):
        write(ax, j + 0.5, i + 0.5, words, size=size, shift=(0, up), ha="center", va="center", zorder=3)


def _frame(ax: Axes, i: int, j: int) -> None:
    corners = np.array([(0.03, 0.03), (0.97, 0.03), (0.97, 0.97), (0.03, 0.97), (0.03, 0.03)])
    ax.plot(corners[:, 0] + j, corners[:, 1] + i, color=INK.drawn, linewidth=0.9, zorder=2, solid_joinstyle="miter")
