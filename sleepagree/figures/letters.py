"""How wide letters are, without a font engine."""

from __future__ import annotations

from typing import Final

#: Widths of the characters from space to tilde in DejaVu Sans, 2048 units to the size of the letters.
_WIDTHS: Final = (
    651, 821, 942, 1716, 1303, 1946, 1597, 563, 799, 799, 1024, 1716, 651, 739, 651, 690, 1303, 1303, 1303, 1303, 1303,
    1303, 1303, 1303, 1303, 1303, 690, 690, 1716, 1716, 1716, 1087,
    2048, 1401, 1405, 1430, 1577, 1294, 1178, 1587, 1540,
    604, 604, 1343, 1141, 1767, 1532, 1612, 1235, 1612, 1423, 1300, 1251, 1499, 1401, 2025, 1403, 1251, 1403, 799, 690,
    799, 1716, 1024, 1024, 1255, 1300, 1126, 1300, 1260, 721, 1300, 1298, 569, 569, 1186, 569, 1995, 1298, 1253, 1300,
    1300, 842, 1067, 803, 1298, 1212, 1675, 1212, 1212, 1075, 1303, 690, 1303, 1716,
)  # fmt: skip
UNITS: Final = 2048
_OTHER_WIDTH: Final = 1400
_WIDE: Final = UNITS  # letters of scripts whose letters fill a square
_BOLD: Final = 1.13


def text_width(text: str, size: float, *, bold: bool = False) -> float:
    """Return about how wide a text is, in the unit of ``size``.

    Examples
    --------
    >>> round(text_width("minutes", 10), 1)
    40.5
    """
    units = 0
    for character in text:
        code = ord(character)
        if 32 <= code < 127:
            units += _WIDTHS[code - 32]
        else:
            units += _WIDE if code >= 0x1100 else _OTHER_WIDTH
    return units / UNITS * size * (_BOLD if bold else 1.0)
