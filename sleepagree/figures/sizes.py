"""Sizes of figures in print: one and two columns of a journal page, and letters that stay readable there."""

from __future__ import annotations

from typing import Final

from sleepagree.record import record

ONE_COLUMN_MM: Final = 85.0
TWO_COLUMNS_MM: Final = 178.0
MM_PER_INCH: Final = 25.4
LETTER_POINTS: Final = 7.0
SMALL_LETTER_POINTS: Final = 6.0
LINE_POINTS: Final = 0.7


@record()
class FigureSize:
    """Width and height in print.

    Parameters
    ----------
    width_mm, height_mm : float
        Millimetres.
    """

    width_mm: float
    height_mm: float

    @property
    def inches(self) -> tuple[float, float]:
        """Width and height as matplotlib takes them."""
        return self.width_mm / MM_PER_INCH, self.height_mm / MM_PER_INCH


def one_column(height_mm: float) -> FigureSize:
    """Return a size one column wide."""
    return FigureSize(ONE_COLUMN_MM, height_mm)


def two_columns(height_mm: float) -> FigureSize:
    """Return a size two columns wide."""
    return FigureSize(TWO_COLUMNS_MM, height_mm)
