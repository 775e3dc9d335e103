"""Layouts proposed for files in shapes of their own: read right after one round, or refused."""

from __future__ import annotations

import tomllib
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sleepagree.describe.proposal import layout_text
from sleepagree.errors import EpochGridError, FileFormatError, SleepAgreeError
from sleepagree.mapping.languages import propose_meanings
from sleepagree.mapping.words import canonical_stage, read_data
from sleepagree.readers.any_file import read_spans
from sleepagree.readers.columns import told_unit
from sleepagree.readers.layout import parse_layout, read_layout
from sleepagree.readers.proposing.layout_proposal import Choice, LayoutProposal, Why
from sleepagree.readers.proposing.proposal import propose_layout
from tests.readers.invented_shapes import Case, all_cases, epochs_of, mutations, outcomes, truth

CASES = all_cases()


def answered(proposal: LayoutProposal, case: Case) -> str:
    """Return the proposed layout with the blanks filled in from the truth, and nothing else changed."""
    true = tomllib.loads(case.layout)
    flat = {key: value for key, value in true.items() if not isinstance(value, dict)} | true.get("file", {})
    answers: dict[str, Any] = {}
    for blank in proposal.blanks:
        value = flat.get(blank.key, "Europe/Lisbon" if blank.key == "zone" else None)  # moments whatever the place
        answers[blank.key] = value.isoformat() if isinstance(value, datetime) else value
    answers = {key: value for key, value in answers.items() if value is not None}
    meanings = {m.label: case.meanings[m.label] for m in proposal.blank_labels if m.label in case.meanings}
    return layout_text(proposal, answers, meanings)


def after_one_round(path: Path, case: Case) -> str | None:
    proposal = propose_layout(path)
    return None if proposal is None else answered(proposal, case)


def test_every_shape_is_read_at_once_or_after_one_round_and_none_wrongly(tmp_path: Path) -> None:
    plain = sum(case.name.endswith("plain words") for case in CASES)
    assert outcomes(after_one_round, CASES, tmp_path) == {"at once": plain, "after one round": len(CASES) - plain}


@pytest.mark.parametrize("name", [case.name for case in CASES if case.rows and case.name[:2] in ("en", "it")])
def test_a_mutated_shape_is_right_or_refused_after_one_round(tmp_path: Path, name: str) -> None:
    case = next(c for c in CASES if c.name == name)
    true = truth(case)
    for what, mutated in mutations(case):
        path = mutated.write(tmp_path)
        text = after_one_round(path, mutated)
        if text is None:
            continue
        layout = tmp_path / "layout.toml"
        layout.write_text(text, encoding="utf-8")
        try:
            spans = read_spans(path, layout=read_layout(layout))
        except SleepAgreeError:
            continue
        seen = epochs_of(spans, case)
        wrong = [i for i, (now, then) in enumerate(zip(seen, true, strict=True)) if now is not None and now != then]
        assert not wrong, f"{what}: epoch {wrong[0]} is {seen[wrong[0]]}, not {true[wrong[0]]}"
        assert np.mean([now is not None for now in seen]) > 0.5, what


def write(tmp_path: Path, text: str, name: str = "night.csv") -> Path:
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def values(proposal: LayoutProposal | None) -> dict[str, Any]:
    assert proposal is not None
    return {setting.key: setting.value for setting in proposal.settings}


ROWS = [(i, ("Wach", "Leichtschlaf", "Tiefschlaf")[i // 4]) for i in range(12)]


def test_both_orders_of_day_and_month_are_offered_where_no_row_tells(tmp_path: Path) -> None:
    body = "".join(f"03/04/2026 22:{30 + i // 2}:{30 * (i % 2):02},{word}\n" for i, word in ROWS)
    proposal = propose_layout(write(tmp_path, "Wann,Was\n" + body))
    assert proposal is not None
    (blank,) = proposal.blanks
    assert (blank.key, blank.why) == ("time", Why.TWO_FORMS)
    assert blank.others == (
        Choice("%d/%m/%Y %H:%M:%S", "if the day comes first"),
        Choice("%m/%d/%Y %H:%M:%S", "if the month comes first"),
    )
    layout = write(tmp_path, layout_text(proposal), "layout.toml")
    with pytest.raises(FileFormatError, match="time"):
        read_layout(layout)


@pytest.mark.parametrize(("first", "second", "form"), [("03/04", "04/04", "%d/%m"), ("03/30", "03/31", "%m/%d")])
def test_a_later_row_or_midnight_tells_day_from_month(tmp_path: Path, first: str, second: str, form: str) -> None:
    body = "".join(
        f"{first if i < 6 else second}/2026 {'23:57' if i < 2 else '23:58' if i < 4 else '23:59' if i < 6 else '00:00'}"
        f":{30 * (i % 2):02},{word}\n"
        for i, word in ROWS[:8]
    )
    proposal = propose_layout(write(tmp_path, "Wann,Was\n" + body))
    assert values(proposal)["time"] == f"{form}/%Y %H:%M:%S"


def test_other_columns_that_could_be_meant_stand_beside_the_likeliest(tmp_path: Path) -> None:
    body = "".join(
        f"2026-03-01T22:{30 + i // 2}:{30 * (i % 2):02},{word},{'wake' if i < 4 else 'deep'},{60 + i % 3}\n"
        for i, word in ROWS
    )
    proposal = propose_layout(write(tmp_path, "Wann,Erste,Zweite,Puls\n" + body))
    assert proposal is not None
    stage = next(setting for setting in proposal.settings if setting.key == "stage")
    assert (stage.value, stage.others) == (None, (Choice("Erste"), Choice("Zweite")))
    line = 'stage = ""    # the column of the stages: "Erste", "Zweite"'
    assert line in layout_text(proposal).splitlines()


def test_a_plain_name_goes_before_what_other_columns_hold(tmp_path: Path) -> None:
    body = "".join(f"2026-03-01T22:{30 + i // 2}:{30 * (i % 2):02},{i // 4},{word}\n" for i, word in ROWS)
    proposal = propose_layout(write(tmp_path, "time,stage,remark\n" + body))
    assert proposal is not None
    assert proposal.told == ()
    assert [(label.label, label.word) for label in proposal.labels] == [("0", ""), ("1", ""), ("2", "")]


@pytest.mark.parametrize(
    ("words", "why"), [(("wake", "sleep"), Why.WORDS), (("no", "yes"), Why.FEW), (("awake", "in bed"), Why.WORDS)]
)
def test_codes_beside_a_column_of_two_words_are_offered(tmp_path: Path, words: tuple[str, str], why: Why) -> None:
    body = "".join(f"{1_772_400_600 + 30 * i},{i // 3 % 4},{words[i > 3]},{60 + i % 5}\n" for i in range(48))
    proposal = propose_layout(write(tmp_path, "t,level,pad B,pulse\n" + body))
    assert proposal is not None
    stage = next(setting for setting in proposal.settings if setting.key == "stage")
    assert (stage.value, stage.why, stage.others[0]) == ("pad B", why, Choice("level"))


def test_digits_are_never_given_a_meaning(tmp_path: Path) -> None:
    body = "".join(f"{1_772_400_600 + 30 * i},{i // 4}\n" for i, _ in ROWS)
    proposal = propose_layout(write(tmp_path, "t,c\n" + body))
    assert proposal is not None
    assert [(m.label, m.word, m.rows) for m in proposal.labels] == [("0", "", 4), ("1", "", 4), ("2", "", 4)]


def test_people_are_the_choices_of_a_blank(tmp_path: Path) -> None:
    body = "".join(
        f"{who},2026-03-01 22:{30 + i // 2}:{30 * (i % 2):02},{word}\n" for i, word in ROWS for who in ("a", "b")
    )
    proposal = propose_layout(write(tmp_path, "Wer,Wann,Was\n" + body))
    assert proposal is not None
    assert values(proposal)["person_column"] == "Wer"
    times = "with 12 rows from 2026-03-01 22:30:00 to 2026-03-01 22:35:30"
    assert proposal.blanks[0].others == (Choice("a", times), Choice("b", times))


def test_nothing_is_proposed_for_what_is_no_table_of_stages(tmp_path: Path) -> None:
    assert propose_layout(write(tmp_path, "{}", "night.json")) is None
    assert propose_layout(write(tmp_path, "a,b\n1.5,2.25\n3.5,4.75\n9.25,1.125\n")) is None
    (tmp_path / "night.edf").write_bytes(b"0       ")
    assert propose_layout(tmp_path / "night.edf") is None


def test_the_words_of_every_language_are_stages_and_twenty_languages_have_them() -> None:
    languages = {name: words for name, words in read_data("languages.toml").items() if isinstance(words, dict)}
    assert len(languages) >= 20
    for words in languages.values():
        assert set(words) - {"not-a-stage", "letters"} == {"sleep_words", "wake", "light", "deep", "rem", "sleep"}
        told = [text for stage, texts in words.items() if stage not in ("sleep_words", "letters") for text in texts]
        assert len(told) == len(set(told))
        assert all(text == text.lower().strip() for text in told)
    assert all(canonical_stage(stage) for stage in ("wake", "light", "deep", "rem", "sleep"))


def test_words_beside_sleep_and_words_of_two_meanings() -> None:
    meant = propose_meanings(
        ["Leichter Schlaf", "REM-Schlaf", "sommeil profond", "浅い睡眠", "Βαθύς ύπνος", "4", "quiet"]
    )
    assert {label: meaning.word for label, meaning in meant.items()} == {
        "Leichter Schlaf": "light",
        "REM-Schlaf": "rem",
        "sommeil profond": "deep",
        "浅い睡眠": "light",
        "Βαθύς ύπνος": "deep",
    }


STAGED = [("Wach", "Leichtschlaf", "Tiefschlaf", "Leichtschlaf")[i // 10 % 4] for i in range(80)]


def moments_in_words(i: int) -> str:
    minute = 47 + i // 2
    return f"14.3.2031 kellonaika {22 + minute // 60}.{minute % 60:02}.{30 * (i % 2):02}"


@pytest.mark.parametrize(
    "cell",
    [moments_in_words, lambda i: f"14 มีนาคม 2574 22 นาฬิกา {i // 2:02d} นาที", lambda i: f"{22 + i // 60}{i % 60:02}00"],
    ids=["words", "other script", "digits written together"],
)
@pytest.mark.parametrize("is_numbered", [False, True])
def test_rows_beside_times_that_no_form_reads_are_never_counted(tmp_path: Path, cell: Any, is_numbered: bool) -> None:
    body = "".join(f"{i + 1};{cell(i)};{word}\n" for i, word in enumerate(STAGED))
    text = "nro;alkoi;vaihe\n" + body
    text = text if is_numbered else "\n".join(line.partition(";")[2] for line in text.splitlines())
    proposal = propose_layout(write(tmp_path, text))
    assert proposal is not None
    assert values(proposal) == {"delimiter": ";", "stage": "vaihe", "start": "alkoi", "time": None}
    (blank,) = proposal.blanks
    assert (blank.why, blank.shown) == (Why.UNREAD, (cell(0), cell(79)))
    assert not proposal.is_readable
    assert f"time = \"\"    # the form of '{cell(0)}' and '{cell(79)}'; such as %d.%m.%Y" in layout_text(proposal)


def test_a_form_told_for_unread_times_reads_the_file(tmp_path: Path) -> None:
    body = "".join(f"{moments_in_words(i)};{word}\n" for i, word in enumerate(STAGED))
    path = write(tmp_path, "alkoi;vaihe\n" + body)
    proposal = propose_layout(path)
    assert proposal is not None
    spans = read_spans(path, layout=proposal.layout({"time": "%d.%m.%Y kellonaika %H.%M.%S"}))
    assert spans.start == datetime(2031, 3, 14, 22, 47)


def test_a_date_beside_times_that_no_form_reads_is_named_with_them(tmp_path: Path) -> None:
    body = "".join(f"14.03.2031;22:{i // 2:02}:{30 * (i % 2):02} Glas;{word}\n" for i, word in enumerate(STAGED))
    proposal = propose_layout(write(tmp_path, "Datum;Zeit;Phase\n" + body))
    assert proposal is not None
    assert (values(proposal)["start"], values(proposal)["date"]) == ("Zeit", "Datum")
    assert proposal.blanks[0].shown == ("14.03.2031 22:00:00 Glas", "14.03.2031 22:39:30 Glas")


def test_numbers_of_rows_of_different_lengths_are_no_numbers_of_epochs(tmp_path: Path) -> None:
    body = "".join(f"{i + 1};{word};{1 + i % 5} min {i % 2 * 30} s\n" for i, word in enumerate(["Wach", "REM"] * 10))
    proposal = propose_layout(write(tmp_path, "nro;vaihe;kesto\n" + body))
    assert proposal is None or "epoch_number" not in values(proposal)


def test_unix_seconds_in_a_column_that_is_called_seconds_are_told_as_such(tmp_path: Path) -> None:
    body = "".join(f"{1_931_291_220 + 30 * i},{word}\n" for i, word in enumerate(STAGED))
    proposal = propose_layout(write(tmp_path, "debut_s,phase\n" + body))
    assert values(proposal)["time"] == "unix-s"
    assert proposal is not None
    assert proposal.is_readable


GIVEN = b"""reports = ["wake", "light", "deep"]
[file]
start = "alkoi"
time = "%d.%m.%Y kellonaika %H.%M.%S"
zone = "Europe/Helsinki"
[stages]
"Wach" = "unscored"
"Tulip" = "rem"
"""


def test_a_given_layout_is_kept_and_completed(tmp_path: Path) -> None:
    body = "".join(f"{i};{moments_in_words(i)};{word}\n" for i, word in enumerate(STAGED))
    path = write(tmp_path, "made on the ferry\nnro;alkoi;vaihe\n" + body)
    proposal = propose_layout(path, layout=parse_layout(GIVEN, "given.toml"))
    assert proposal is not None
    assert proposal.is_readable
    assert values(proposal) == {
        "reports": ("wake", "light", "deep"),
        "start": "alkoi",
        "time": "%d.%m.%Y kellonaika %H.%M.%S",
        "zone": "Europe/Helsinki",
        "skip_lines": 1,
        "delimiter": ";",
        "stage": "vaihe",
    }
    text = layout_text(proposal)
    assert '\nreports = ["wake", "light", "deep"]    # as the layout says\n' in text
    assert '"Wach" = "unscored"    # 20 times; as the layout says' in text
    assert '"Tulip" = "rem"    # in no epoch of this file; as the layout says' in text
    written = parse_layout(text.encode(), "written.toml")
    assert (written.reports, written.stages["Tulip"]) == (("wake", "light", "deep"), "rem")
    assert written.stages["Leichtschlaf"] == "light"


def test_what_a_layout_names_is_no_choice_for_anything_else(tmp_path: Path) -> None:
    body = "".join(
        f"2026-03-01T22:{30 + i // 2}:{30 * (i % 2):02},{'wake' if i < 4 else 'deep'},{word}\n" for i, word in ROWS
    )
    path = write(tmp_path, "Wann,Eins,Zwei\n" + body)
    proposal = propose_layout(path, layout=parse_layout(b'[file]\nstage = "Zwei"\n', "given.toml"))
    assert values(proposal) == {"stage": "Zwei", "delimiter": ",", "start": "Wann"}
    assert [label.label for label in proposal.labels] == ["Wach", "Leichtschlaf", "Tiefschlaf"]  # type: ignore[union-attr]


def test_the_sheet_with_stages_is_proposed(tmp_path: Path) -> None:
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    book.active.title = "Yhteenveto"
    for row in (["Raportti"], ["Nimi", "Lintu"], ["Pisteet", 82]):
        book.active.append(row)
    sheet = book.create_sheet("Yö")
    sheet.append(["Aika", "Vaihe"])
    for i, word in enumerate(STAGED[:50]):
        sheet.append([datetime(2026, 3, 1, 22, i), word])
    book.save(tmp_path / "night.xlsx")
    proposal = propose_layout(tmp_path / "night.xlsx")
    assert values(proposal) == {"sheet": "Yö", "stage": "Vaihe", "start": "Aika"}


def test_a_list_of_two_numbers_is_no_night(tmp_path: Path) -> None:
    text = '{"device": {"version": [0, 9]}, "nights": {"2031-03-15": {"begin_ms": 1931291220000, "score": 71}}}'
    assert propose_layout(write(tmp_path, text, "night.json")) is None


def test_what_is_found_is_proposed_though_something_else_stands_in_the_way(tmp_path: Path) -> None:
    times = (f"2026-03-01T{22 + i // 10}:{i % 10 * 5:02}:00" for i in range(20))
    body = "".join(f"{time};{word}\n" for time, word in zip(times, ["Wach", "REM"] * 10, strict=True))
    proposal = propose_layout(write(tmp_path, "alkoi;vaihe\n" + body))
    assert values(proposal) == {"delimiter": ";", "stage": "vaihe", "start": "alkoi", "shape": "intervals"}
    assert proposal is not None
    assert proposal.is_part
    assert proposal.problem is not None
    assert proposal.problem.problem == "the last row has no end"


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        *[
            (name, 60.0)
            for name in ("분", "Süre (dk)", "Dauer in Minuten", "phút", "минут", "Διάρκεια (λεπτά)", "時間（分）")
        ],
        *[(name, 1.0) for name in ("초", "duração_segundos", "czas [sek.]", "秒", "saniye", "duration_s")],
        *[(name, None) for name in ("Süre", "Höhe", "früh", "Stunde", "het uur", "λ", "कब से", "perc", "dk / sn")],
    ],
)
def test_a_unit_in_the_name_of_a_column_is_a_whole_word_of_one_meaning(name: str, unit: float | None) -> None:
    """Süre has no s for seconds in it, and uur may be a time of day."""
    assert told_unit(name) == unit


@pytest.mark.parametrize(("name", "factor"), [("초", 1), ("분", 60), ("length", 60), ("초", 60)])
def test_the_unit_of_lengths_is_the_one_that_the_name_of_their_column_tells(
    tmp_path: Path, name: str, factor: int
) -> None:
    """Minutes in a column called seconds make a night all the same: somebody has to say which it is."""
    path = tmp_path / "night.csv"
    rows = [("각", "얕", "깊")[i % 3] + f",{30 * (10 + i * 7 % 11) // factor}" for i in range(60)]
    path.write_text(f"단계,{name}\n" + "\n".join(rows) + "\n", encoding="utf-8")
    proposal = propose_layout(path)
    assert proposal is not None
    unit = next(s for s in proposal.settings if s.key == "duration_unit")
    told = {"초": "s", "분": "min", "length": None}[name]
    if (told, factor) == ("s", 60):
        assert (unit.value, [o.value for o in unit.others]) == (None, ["min", "epochs"])
    else:
        assert (unit.value, unit.why) == ((told, Why.NAME_TELLS) if told else (None, Why.UNTOLD))


def test_lengths_in_a_column_whose_name_tells_no_unit_are_not_read_as_seconds(tmp_path: Path) -> None:
    path = tmp_path / "uyku.csv"
    path.write_text("evre,Süre\nwake,11\nlight,20\ndeep,9\n", encoding="utf-8")
    layout = parse_layout('[file]\nshape = "intervals"\nstage = "evre"\nduration = "Süre"\n'.encode(), "uyku.toml")
    with pytest.raises(EpochGridError, match="the unit of the durations is not told"):
        read_spans(path, layout=layout)
    layout = parse_layout('[file]\nshape = "intervals"\nstage = "evre"\nduration = "Süre (dk)"\n'.encode(), "uyku.toml")
    path.write_text(path.read_text("utf-8").replace("Süre", "Süre (dk)"), encoding="utf-8")
    assert read_spans(path, layout=layout).duration_s.tolist() == [660.0, 1200.0, 540.0]


@pytest.mark.parametrize(
    "labels", [("Awake", "BoutREM", "BoutShallow", "BoutSound", "Lying"), ("wake", "light", "deep", "rem", "light")]
)
def test_one_text_in_every_row_is_not_the_stages_beside_several(tmp_path: Path, labels: tuple[str, ...]) -> None:
    rows = [
        f"sleep,2026-03-01T{22 + i // 12 % 2}:{i * 5 % 60:02}:00,2026-03-01T{22 + i // 12 % 2}:{i * 5 % 60 + 5:02}:00,"
        f"{labels[i % 5]}"
        for i in range(11)
    ]
    path = tmp_path / "night.csv"
    path.write_text("\n".join(["type,start,end,value", *rows]), encoding="utf-8")
    proposal = propose_layout(path)
    assert proposal is not None
    assert {s.key: s.value for s in proposal.settings}["stage"] == "value"
    assert {m.label for m in proposal.labels} == set(labels)


def test_one_text_in_every_row_is_the_stages_where_no_other_column_has_any(tmp_path: Path) -> None:
    rows = [f"sleep,2026-03-01T22:{i:02}:00,{('calm', 'warm', 'cool')[i % 3]}" for i in range(30)]
    path = tmp_path / "night.csv"
    path.write_text("\n".join(["what,when,room", *rows]), encoding="utf-8")
    proposal = propose_layout(path)
    assert proposal is not None
    assert {s.key: s.value for s in proposal.settings}["stage"] == "what"
