"""No text that was found right holds a number that a reviewer would circle."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

GOLDEN = Path(__file__).parents[1] / "golden"
TEXTS = sorted(path for path in GOLDEN.glob("*/*/*.txt") if path.name != "command.txt")

#: What is wrong, how it looks, and two lines that show that the search finds it and spares what is right.
CIRCLED = {
    "a p value of 0": (r"\bp = 0\.0+(?!\d)", "(z = 4, p = 0.000)", "p = 0.001"),
    "a sign before 0": (r"(?<![\w.])[-−+]0(?:\.0+)?(?![\w.]|:)", "bias -0.0 min", "+0.5 min, -0.01, 22:00:00+00:00"),
    "an interval of width 0": (
        r"(?<![\w.:−-])([−-]?\d+(?:\.\d+)?) to \1(?![\d.:])",
        "0.50 (0.50 to 0.50)",
        "0.50 to 0.51, 5 to 5.5, 1.0 to -1.0",
    ),
    "a row that is 0 by construction": (r"(?m)^\s*TIB\b.*[| ]0\.0\b", "  TIB min  480.0  480.0  0.0", "  TST min  0.0"),
    "a difference of percentages in per cent": (r"(?<![\w.])[+]\d+(?:\.\d+)? %", "SE +1.9 %", "+1.9 pp, (-4 to 19 %)"),
    "what does not exist as a word of the program": (r"\b(?:nan|inf|NaN|None(?! of))\b", "kappa nan", "information"),
}


@pytest.mark.parametrize("name", CIRCLED)
def test_the_search_finds_what_it_is_for(name: str) -> None:
    pattern, wrong, right = CIRCLED[name]
    assert re.search(pattern, wrong)
    assert not re.search(pattern, right)


@pytest.mark.parametrize("path", TEXTS, ids=lambda path: "-".join(path.relative_to(GOLDEN).with_suffix("").parts))
def test_a_text_holds_none_of_them(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    found = {name: match.group() for name, (pattern, _, _) in CIRCLED.items() if (match := re.search(pattern, text))}
    assert found == {}


def test_there_are_texts() -> None:
    assert len(TEXTS) >= 50
