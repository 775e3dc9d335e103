"""Layouts: every key, and the exact words for every wrong one."""

from __future__ import annotations

import datetime as dt
import pickle
import re
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sleepagree.errors import FileFormatError, SleepAgreeError
from sleepagree.readers.any_file import read_spans
from sleepagree.readers.layout import Ends, Layout, Marks, NightOf, Overlaps, Shape, Silence, read_layout


@pytest.fixture(autouse=True)
def _in_tmp(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def layout(text: str | bytes) -> Layout:
    Path("band.toml").write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_layout("band.toml")


EVERY_KEY = """
reports = ["wake", "light", "deep"]
epoch_seconds = 60

[file]
shape = "intervals"
start = "From"
end = "To"
duration = "Minutes"
stage = "Says"
date = "Day"
duration_unit = "min"
marks = "middle"
ends = "inclusive"
time = "%d.%m.%Y %H:%M"
night_of = "wake-day"
begins = 2026-03-01T22:30:00
zone = "Europe/Helsinki"
overlaps = "shorter-wins"
silence = "wake"
delimiter = ";"
encoding = "cp1252"
epoch_number = "Nr"
first_epoch = 0
person_column = "Who"
night_column = "Which"
person = 3
zone_column = "Offset"
am_pm = "Half"
skip_lines = 4
header = false
records = "sleep.segments"
sheet = "Night 1"

[stages]
Dozing = "light"
1 = "not-a-stage"
"?" = "unscored"
"""


def test_every_key() -> None:
    assert layout(EVERY_KEY) == Layout(
        "band.toml",
        reports=("wake", "light", "deep"),
        epoch_seconds=60.0,
        shape=Shape.INTERVALS,
        start="From",
        end="To",
        duration="Minutes",
        stage="Says",
        date="Day",
        duration_unit=60.0,
        marks=Marks.MIDDLE,
        ends=Ends.INCLUSIVE,
        time="%d.%m.%Y %H:%M",
        night_of=NightOf.WAKE_DAY,
        begins=dt.datetime(2026, 3, 1, 22, 30),
        zone="Europe/Helsinki",
        overlaps=Overlaps.SHORTER_WINS,
        silence=Silence.WAKE,
        delimiter=";",
        encoding="cp1252",
        stages={"Dozing": "light", "1": "not-a-stage", "?": "unscored"},
        epoch_number="Nr",
        first_epoch=0,
        person_column="Who",
        night_column="Which",
        person="3",
        zone_column="Offset",
        am_pm="Half",
        skip_lines=4,
        header=False,
        records="sleep.segments",
        sheet="Night 1",
    )


def test_every_key_may_be_left_out() -> None:
    assert layout("# nothing\n") == Layout("band.toml")


def test_a_byte_order_mark_is_no_part_of_the_text() -> None:
    assert layout(EVERY_KEY.encode("utf-8-sig")) == layout(EVERY_KEY)


def test_a_layout_survives_a_process_pool() -> None:
    assert pickle.loads(pickle.dumps(layout(EVERY_KEY))) == layout(EVERY_KEY)


def test_a_duration_may_count_epochs() -> None:
    assert layout('epoch_seconds = 20\n[file]\nduration_unit = "epochs"\n').duration_unit == 20.0


@pytest.mark.parametrize(("unit", "seconds"), [("s", 1.0), ("min", 60.0), ("ms", 0.001)])
def test_units_of_duration_are_seconds(unit: str, seconds: float) -> None:
    assert layout(f'[file]\nduration_unit = "{unit}"\n').duration_unit == seconds


@pytest.mark.parametrize(
    ("value", "begins"),
    [
        ("2026-03-01", dt.date(2026, 3, 1)),
        ('"2026-03-01"', dt.date(2026, 3, 1)),
        ("2026-03-01 22:30:00", dt.datetime(2026, 3, 1, 22, 30)),
        ('"2026-03-01T22:30"', dt.datetime(2026, 3, 1, 22, 30)),
        ('"2026-03-01T22:30:00Z"', dt.datetime(2026, 3, 1, 22, 30, tzinfo=dt.UTC)),
        ("2026-03-01T22:30:00+02:00", dt.datetime(2026, 3, 1, 20, 30, tzinfo=dt.UTC)),
    ],
)
def test_the_beginning_of_elapsed_time(value: str, begins: dt.date) -> None:
    assert layout(f"[file]\nbegins = {value}\n").begins == begins


@pytest.mark.parametrize("time", ["%H:%M", "%I:%M", "%I:%M:%S %p", "%Y-%j %H:%M", "%d %B %y %H:%M:%S.%f %z", "unix-ms"])
def test_forms_of_time(time: str) -> None:
    assert layout(f'[file]\ntime = "{time}"\n').time == time


_WHERE = "band.toml: "
_TIMES = (
    "one of iso, unix-s, unix-ms, elapsed-ms, elapsed-s, elapsed-min, elapsed-h, or a"
    ' strptime text such as "%d.%m.%Y %H:%M:%S"'
)
_FILE_KEYS = (
    "shape, start, end, duration, stage, date, stage_columns, duration_unit, marks, ends, time, night_of, begins, "
    "zone, overlaps, silence, delimiter, encoding, epoch_number, person_column, night_column, zone_column, am_pm, "
    "first_epoch, person, night, skip_lines, header, records, source, sheet, foot, stage_form"
)

WRONG = [
    (
        '[file]\nduration_unit = "epochs"\n',
        "[file], key 'duration_unit': wrong value in the layout. Found 'epochs'; expected epoch_seconds beside it. "
        "Give the length of an epoch above [file]:\n    epoch_seconds = 30",
    ),
    (
        "[file]\nskip_lines = true\n",
        "[file], key 'skip_lines': wrong value in the layout. Found True; expected a number of lines, 0 or more.",
    ),
    (
        "epoch = 30\n",
        "top level: unknown key in the layout. Found 'epoch'; expected one of reports, epoch_seconds, file, stages.",
    ),
    (
        "epoch_second = 30\n",
        "top level: unknown key in the layout. Found 'epoch_second'; expected one of reports, epoch_seconds, file, "
        "stages. Did you mean epoch_seconds?",
    ),
    (
        'zone = "UTC"\n',
        "top level: unknown key in the layout. Found 'zone'; expected one of reports, epoch_seconds, file, stages. "
        "'zone' belongs in [file].",
    ),
    (
        '[file]\nreports = ["wake"]\n',
        f"[file]: unknown key in the layout. Found 'reports'; expected one of {_FILE_KEYS}. 'reports' belongs at the "
        "top, above [file].",
    ),
    ('[file]\nKlasse = "x"\n', f"[file]: unknown key in the layout. Found 'Klasse'; expected one of {_FILE_KEYS}."),
    (
        '[file]\nStages = "x"\n',
        f"[file]: unknown key in the layout. Found 'Stages'; expected one of {_FILE_KEYS}. Did you mean stage "
        "or stage_columns?",
    ),
    *(
        (
            f'[file]\ntime = "{form}"\n',
            f"[file], key 'time': wrong value in the layout. Found '{form}'; expected hours and minutes (%H:%M, or "
            "%I:%M %p).",
        )
        for form in ("%d/%m/%Y %H:%M %p", "%H:%M:%S%p", "%d/%m/%Y %I:%M", "%Y-%m-%d %I:%M", "%H %I:%M %p", "%H %I:%M")
    ),
    ("file = 3\n", "file: wrong value in the layout. Found 3; expected a table [file]."),
    (
        '[file]\nshape = "rows"\n',
        "[file], key 'shape': wrong value in the layout. Found 'rows'; expected one of epochs, intervals, runs, "
        "across.",
    ),
    (
        "[file]\nstart = 1\n",
        "[file], key 'start': wrong value in the layout. Found 1; expected a text in quotes, such as \"Start time\".",
    ),
    (
        '[file]\nstart = "t"\nstage = "t"\n',
        "[file], keys 'start' and 'stage': wrong value in the layout. Found 't'; expected a column of its own for "
        "each.",
    ),
    (
        '[file]\nduration_unit = "hours"\n',
        "[file], key 'duration_unit': wrong value in the layout. Found 'hours'; expected one of s, min, ms, h, epochs.",
    ),
    (
        '[file]\ntime = "seconds"\n',
        f"[file], key 'time': wrong value in the layout. Found 'seconds'; expected {_TIMES}.",
    ),
    (
        '[file]\ntime = "%c"\n',
        "[file], key 'time': wrong value in the layout. Found '%c'; expected no '%c', which cannot be read the same "
        "way everywhere.",
    ),
    (
        '[file]\ntime = "%Y-%m-%d"\n',
        "[file], key 'time': wrong value in the layout. Found '%Y-%m-%d'; expected hours and minutes (%H:%M, or "
        "%I:%M %p).",
    ),
    (
        '[file]\ntime = "%d.%m. %H:%M"\n',
        "[file], key 'time': wrong value in the layout. Found '%d.%m. %H:%M'; expected a whole date (year, month, "
        "day) or none.",
    ),
    (
        '[file]\ntime = "%H:%M %H"\n',
        "[file], key 'time': wrong value in the layout. Found '%H:%M %H'; expected each part of a time once.",
    ),
    (
        '[file]\nbegins = "1 March"\n',
        "[file], key 'begins': wrong value in the layout. Found '1 March'; expected a date and time such as "
        "2026-03-01T22:30:00, or a date.",
    ),
    (
        "[file]\nbegins = 22:30:00\n",
        "[file], key 'begins': wrong value in the layout. Found 22:30:00; expected a date and time such as "
        "2026-03-01T22:30:00, or a date.",
    ),
    (
        '[file]\ndelimiter = "tab"\n',
        "[file], key 'delimiter': wrong value in the layout. Found 'tab'; expected one character such as \",\", \";\", "
        '"|" or "\\t", "spaces" (two or more), or "after times".',
    ),
    (
        '[file]\nencoding = "rot13"\n',
        "[file], key 'encoding': wrong value in the layout. Found 'rot13'; expected a name such as utf-8, cp1252, "
        "iso-8859-15 or utf-16.",
    ),
    (
        "epoch_seconds = true\n",
        "key 'epoch_seconds': wrong value in the layout. Found True; expected a number of seconds from 1 to 3600.",
    ),
    (
        "epoch_seconds = inf\n",
        "key 'epoch_seconds': wrong value in the layout. Found inf; expected a number of seconds from 1 to 3600.",
    ),
    (
        'reports = "wake"\n',
        "key 'reports': wrong value in the layout. Found 'wake'; expected a list of stages, such as [\"wake\", "
        '"light", "deep"].',
    ),
    (
        "[stages]\nDozing = 2\n",
        "[stages], label 'Dozing': wrong value in the layout. Found 2; expected a stage in quotes, such as \"light\", "
        '"unscored" or "not-a-stage".',
    ),
    (
        "[file]\nstart = From\n",
        "line 2, column 9: the layout is not valid TOML. Found Invalid value; expected TOML 1.0. Texts stand in quotes "
        "and a key stands once.",
    ),
    (
        b'[stages]\n"Tief\xe9" = "deep"\n',
        "byte 14: the layout is not UTF-8 text. Found byte 0xe9; expected a text in UTF-8. Save the layout as UTF-8.",
    ),
]


@pytest.mark.parametrize(("text", "message"), WRONG)
def test_refusals(text: str | bytes, message: str) -> None:
    with pytest.raises(FileFormatError) as caught:
        layout(text)
    assert str(caught.value) == _WHERE + message


DOCUMENTATION = Path(__file__).parents[2] / "docs" / "layouts.md"


def test_every_layout_of_the_documentation_is_one_and_every_key_is_told() -> None:
    text = DOCUMENTATION.read_text(encoding="utf-8")
    examples = re.findall(r"```toml\n(.*?)```", text, re.DOTALL)
    assert len(examples) >= 8
    for example in examples:
        layout(example)
    every_key = examples[0]
    for key in ("reports", "epoch_seconds", "[stages]", *_FILE_KEYS.split(", ")):
        assert re.search(rf"^(# )?{re.escape(key)}( =|$)", every_key, re.MULTILINE), key


def test_tables_of_the_documentation_are_read_by_the_layout_below_them() -> None:
    text = DOCUMENTATION.read_text(encoding="utf-8")
    pairs = re.findall(r"```\n([^`]*?)```\s+```toml\n(.*?)```", text, re.DOTALL)
    assert len(pairs) == 12
    for table, example in pairs:
        Path("night.csv").write_text(table, encoding="utf-8")
        spans = read_spans("night.csv", layout=layout(example))
        assert spans.onset_s.size >= 1
        assert spans.start is not None


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None, max_examples=150)
@given(
    st.dictionaries(st.sampled_from(["reports", "epoch_seconds", "file", "stages", "x"]), st.integers(), max_size=2),
    st.dictionaries(
        st.sampled_from([*_FILE_KEYS.split(", "), "y"]),
        st.one_of(st.booleans(), st.integers(-5, 5), st.sampled_from(["iso", "s", "%H", "end", "", ";", "UTC"])),
        max_size=3,
    ),
)
def test_any_values_give_a_layout_or_one_message(top: dict[str, int], file: dict[str, bool | int | str]) -> None:
    def line(key: str, value: object) -> str:
        shown = str(value).lower() if isinstance(value, bool) else f'"{value}"' if isinstance(value, str) else value
        return f"{key} = {shown}\n"

    text = "".join(line(k, v) for k, v in top.items()) + "[file]\n" + "".join(line(k, v) for k, v in file.items())
    result: Layout | SleepAgreeError
    try:
        result = layout(text)
    except SleepAgreeError as error:
        result = error
    assert isinstance(result, Layout) or str(result).startswith("band.toml: ")


@pytest.mark.parametrize(
    ("lines", "places", "found"),
    [
        (['Up = "wake"', '"UP" = "light"'], "lines 4 and 5", '"Up" = "wake" and "UP" = "light"'),
        (
            ['"In  bed" = "not-a-stage"', "", '"in bed " = "W"'],
            "lines 4 and 6",
            '"In  bed" = "not-a-stage" and "in bed "',
        ),
        (["Up = 'wake'", "Down = 'deep'", "up = 'rem'"], "lines 4 and 6", '"Up" = "wake" and "up" = "rem"'),
    ],
)
def test_spellings_of_one_label_with_two_stages(lines: list[str], places: str, found: str, tmp_path: Path) -> None:
    path = tmp_path / "band.toml"
    path.write_text("\n".join(["# spellings", "", "[stages]", *lines, ""]))
    with pytest.raises(FileFormatError) as caught:
        read_layout(path)
    assert caught.value.problem == "two lines give one label two stages"
    assert caught.value.where == f"[stages], {places}"
    assert caught.value.found.startswith(found)


def test_spellings_of_one_label_with_one_stage(tmp_path: Path) -> None:
    path = tmp_path / "band.toml"
    path.write_text('[stages]\nUp = "wake"\nUP = "W"\n" up" = "awake"\n')
    assert read_layout(path).stages == {"Up": "wake", "UP": "W", " up": "awake"}


def test_contradictions_outside_lines_of_their_own_are_named_without_lines(tmp_path: Path) -> None:
    path = tmp_path / "band.toml"
    path.write_text('stages = {Up = "wake", UP = "light"}\n')
    with pytest.raises(FileFormatError, match=r"band\.toml: \[stages\]: two lines give one label two stages"):
        read_layout(path)
