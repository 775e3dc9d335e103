"""Lists of codes of epochs between a title and a legend: read after one round, the foot left out and told."""

from __future__ import annotations

from pathlib import Path

import pytest

from sleepagree.caution import NoteKind
from sleepagree.describe.proposal import layout_text
from sleepagree.errors import FileFormatError
from sleepagree.hypnogram.spans import ScoredSpans
from sleepagree.readers.any_file import read_spans
from sleepagree.readers.layout import Layout, Shape, parse_layout
from sleepagree.readers.proposing.layout_proposal import LayoutProposal
from sleepagree.readers.proposing.proposal import propose_layout
from sleepagree.readers.proposing.table_place import foot_of_codes, legends_of_lines

#: An invented night on a ferry: V awake, O shallow, S sound, X REM.
CODES = "".join("V" * 8 + "O" * 31 + "S" * 17 + "X" * 9 for _ in range(10))
ROWS = [CODES[i : i + 48] for i in range(0, len(CODES), 48)]
TITLE = ["Carnet de bord", "Couché le 12 avril 2031", ""]
LEGEND = ["V : veille", "O : léger", "S : sommeil profond", "X : paradoxal", "Total veille : 40,0 min"]
MEANT = {"V": "wake", "O": "light", "S": "deep", "X": "rem"}


def written(folder: Path, *lines: str, encoding: str = "utf-8") -> Path:
    path = folder / "night.txt"
    path.write_bytes("\r\n".join([*lines, ""]).encode(encoding))
    return path


def proposed(path: Path) -> LayoutProposal:
    proposal = propose_layout(path)
    assert proposal is not None
    return proposal


def after_one_round(path: Path) -> ScoredSpans:
    proposal = proposed(path)
    assert [blank.key for blank in proposal.blanks] == ["begins"]
    text = layout_text(proposal, {"begins": "2031-04-12T23:10:00"}, {m.label: MEANT[m.label] for m in proposal.labels})
    return read_spans(path, layout=parse_layout(text.encode(), "night.toml"))


def codes_of(spans: ScoredSpans) -> str:
    return "".join(
        spans.labels[code] * round(length / 30)
        for code, length in zip(spans.codes.tolist(), spans.duration_s.tolist(), strict=True)
    )


@pytest.mark.parametrize("encoding", ["utf-8", "cp1252"])
@pytest.mark.parametrize(
    "foot",
    [
        ["", *LEGEND],
        LEGEND,
        ["", "V = veille, O = léger, S = profond, X = paradoxal"],
        ["", "Tout ceci est inventé", "", *LEGEND],
        [],
    ],
)
def test_a_list_of_codes_is_read_without_what_stands_around_it(foot: list[str], encoding: str, tmp_path: Path) -> None:
    path = written(tmp_path, *TITLE, *ROWS, *foot, encoding=encoding)
    spans = after_one_round(path)
    assert codes_of(spans) == CODES
    told = [dict(note.values) for note in spans.notes if note.kind is NoteKind.FOOT_LINES]
    lines = [line for line in foot if line]
    assert told == ([{"count": len(lines), "foot": lines[0][:40].strip()}] if foot else [])


def test_a_legend_says_what_the_codes_mean_and_a_title_when(tmp_path: Path) -> None:
    proposal = proposed(written(tmp_path, *TITLE, *ROWS, "", *LEGEND))
    assert {m.label: (m.word, m.called) for m in proposal.labels} == {
        "V": ("wake", "veille"),
        "O": ("light", "léger"),
        "S": ("deep", "sommeil profond"),
        "X": ("rem", "paradoxal"),
    }
    assert proposal.blanks[0].shown == ("12 avril 2031",)
    assert {s.key: s.value for s in proposal.told} == {
        "skip_lines": 3,
        "header": False,
        "shape": "runs",
        "stage": "1",
        "foot": "V : veille",
        "epoch_seconds": 30,
    }


@pytest.mark.parametrize("lost", [["", ROWS[3]], ["", "?" * 48], ["", "OOOO SSSS"], ["", "fin"]])
def test_what_may_be_codes_is_no_foot(lost: list[str], tmp_path: Path) -> None:
    path = written(tmp_path, *ROWS, *lost, "", *LEGEND)
    layout = Layout(shape=Shape.RUNS, header=False, stage="1", epoch_seconds=30.0, stages=MEANT | {"?": "unscored"})
    with pytest.raises(FileFormatError, match="a blank line among rows"):
        read_spans(path, layout=layout)


def test_a_last_row_of_a_code_of_its_own_stays() -> None:
    assert foot_of_codes(["OOSS", "????"], [1, 2]) == 0
    assert foot_of_codes(["O S O S", "? ? ? ?"], [1, 2]) == 0
    assert foot_of_codes(["O S O S", "O: shallow"], [1, 2]) == 1
    assert foot_of_codes(["O S O S", "made on board"], [1, 3]) == 1


def test_legends_are_read_either_way_and_not_where_they_contradict_themselves() -> None:
    assert {"1": "wake", "2": "sound"} in legends_of_lines(["1 - wake", "2 - sound"])
    assert {"A": "wake", "B": "light sleep"} in legends_of_lines(["wake = A; light sleep = B."])
    assert {"V": "veille", "O": "léger"} in legends_of_lines(["Légende:", "V\tveille", "O\tléger"])
    assert all("A" not in legend for legend in legends_of_lines(["A: wake", "A: light", "B: deep"]))


def test_a_legend_below_a_table_says_what_its_codes_mean(tmp_path: Path) -> None:
    turns = ["O", "S", "X", "O", "V"] * 8
    clock = [f"{(1350 + 7 * i) // 60:02}:{(1350 + 7 * i) % 60:02}" for i in range(13)]
    rows = [f"{clock[i]}\t{clock[i + 1]}\t{code}" for i, code in enumerate(turns[:12])]
    legend = ["Légende :", "V\tveille", "O\tléger", "S\tsommeil profond", "X\tfaux réveil (REM)", "", "Total :\t84 min"]
    path = written(tmp_path, *TITLE, "De\tÀ\tÉtat", *rows, "", *legend, encoding="cp1252")
    proposal = proposed(path)
    assert {s.key: s.value for s in proposal.told} == {
        "encoding": "cp1252",
        "skip_lines": 3,
        "delimiter": "\t",
        "foot": "Légende :",
        "stage": "État",
        "start": "De",
        "end": "À",
    }
    assert {m.label: m.word for m in proposal.labels} == MEANT
    text = layout_text(proposal, {"begins": "2031-04-12T22:30:00"})
    spans = read_spans(path, layout=parse_layout(text.encode(), "night.toml"))
    assert [spans.labels[code] for code in spans.codes.tolist()] == turns[:12]
    assert spans.duration_s.tolist() == [420.0] * 12


@pytest.mark.parametrize("line", ["a" * 200_000, "a:" + "." * 200_000 + "!", "a" + " " * 200_000 + "!"])
def test_a_line_too_long_for_a_legend_explains_nothing(line: str) -> None:
    """Patterns of pairs would go over it from each of its characters, for minutes."""
    assert legends_of_lines([line, *LEGEND]) == legends_of_lines(LEGEND)
