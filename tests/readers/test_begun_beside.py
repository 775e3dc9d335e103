"""Times since the start, and beside them in every row when the night began: one round is enough."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import pytest

from sleepagree.describe.proposal import layout_text
from sleepagree.readers.any_file import read_spans
from sleepagree.readers.layout import parse_layout
from sleepagree.readers.proposing.proposal import propose_layout

BEGUN = [datetime(2026, 3, 13, 22, 48), datetime(2026, 3, 14, 23, 1, 30), datetime(2026, 3, 16, 0, 12)]
BOUTS = [(label, 4 + i * 7 % 11) for i, label in enumerate(["czuwanie", "lekki", "głęboki", "lekki", "REM"] * 20)]
LABELS = [label for label, epochs in BOUTS for _ in range(epochs)]


@pytest.mark.parametrize("chosen", [0, 1, 2])
@pytest.mark.parametrize("form", ["%Y-%m-%d %H:%M:%S", "%d.%m.%Y %H:%M:%S"])
def test_the_beginning_of_the_chosen_night_stands_beside_the_blank(tmp_path: Path, chosen: int, form: str) -> None:
    """The middle of each night is turned round, so that no two nights are alike."""
    nights = [LABELS[:100] + LABELS[100 + 90 * i :] + LABELS[100 : 100 + 90 * i] for i in range(3)]
    rows = [
        f"{night + 1};{BEGUN[night]:{form}};{epoch / 2:g};{label}".replace(".5", ",5")
        for night, labels in enumerate(nights)
        for epoch, label in enumerate(labels)
    ]
    head = ["# eksport pasma A", "# dane zmyślone", "noc;początek;minuta;faza"]
    path = tmp_path / "noce.csv"
    path.write_text("\n".join([*head, *rows, "# legenda: REM; faza REM", "# koniec"]) + "\n", encoding="utf-8")
    proposal = propose_layout(path)
    assert proposal is not None
    assert [s.key for s in proposal.blanks] == ["night", "begins"]
    night, begins = proposal.blanks
    assert begins.shown == tuple(f"początek = {m.isoformat()} where noc is {i}" for i, m in enumerate(BEGUN, 1))
    assert "; beside the rows stands początek = 2026-03-13T22:48:00 where noc is 1" in layout_text(proposal)
    answers = {"begins": BEGUN[chosen].isoformat(), "night": night.others[chosen].value}
    spans = read_spans(path, layout=parse_layout(layout_text(proposal, answers).encode(), "noce.toml"))
    assert spans.start == BEGUN[chosen]
    assert float(spans.onset_s[-1]) == 30 * (len(LABELS) - 1)
    assert [spans.labels[code] for code in spans.codes] == nights[chosen]


def test_the_one_beginning_of_a_file_is_shown_and_not_taken(tmp_path: Path) -> None:
    """It may be when the file was made: somebody has to say so."""
    rows = [f"2026-03-14 23:01:30,{timedelta(seconds=30 * i)},{label}" for i, label in enumerate(LABELS)]
    path = tmp_path / "night.csv"
    path.write_text("\n".join(["made,since,phase", *rows]) + "\n", encoding="utf-8")
    proposal = propose_layout(path)
    assert proposal is not None
    (begins,) = proposal.blanks
    assert (begins.key, begins.shown) == ("begins", ("made = 2026-03-14T23:01:30",))
