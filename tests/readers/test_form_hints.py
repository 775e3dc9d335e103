"""What a message offers can be followed: every form of times in it reads the cell that it shows."""

from __future__ import annotations

import datetime as dt
import re
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sleepagree.errors import FileFormatError, Front, SleepAgreeError, name_options
from sleepagree.readers.any_file import read_spans
from sleepagree.readers.layout import read_layout

OFFERED = re.compile(r'(?m)^ *(time = "[^"]*")(?:  # (.*))?$')

#: How people and programs write a day, a gap and a time of day; strftime of each is what C writes.
DATES = [
    *("%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%d-%m-%y", "%y-%m-%d", "%m/%d/%y", "%Y/%m/%d", "%Y.%m.%d", "%d %m %Y"),
    *("%d %b %Y", "%d-%b-%Y", "%b %d, %Y", "%B %d, %Y", "%d. %B %Y", "%Y-%b-%d", "%d %b %y"),
]
GAPS = [" ", "T", ", ", "  "]
TIMES = [
    *("%H:%M", "%H:%M:%S", "%H.%M", "%H.%M.%S", "%I:%M %p", "%I:%M:%S %p", "%I:%M%p", "%H:%M:%S.%f", "%H:%M:%S,%f"),
    *("%H:%M:%S%z", "%H:%M %z", "%Hh%M"),
]
moments = st.datetimes(dt.datetime(2001, 1, 1), dt.datetime(2068, 12, 31), timezones=st.just(dt.UTC))


def shown(error: SleepAgreeError) -> str:
    """Return how an error says it can be mended, as the command line says it."""
    return name_options(error.remedy, Front.COMMAND)


def written(moment: dt.datetime, form: str, *, short: bool) -> str:
    """Return a moment in a form; ``short`` drops the zero before days, months and hours."""
    # a year keeps its zero
    return moment.strftime(re.sub("%([dmHI])", r"%-\1", form) if short else form)


def refusal(folder: Path, text: str, layout: str = "# nothing\n") -> SleepAgreeError | None:
    path, lines = folder / "night.csv", folder / "band.toml"
    path.write_text(text, encoding="utf-8")
    lines.write_text(layout, encoding="utf-8")
    try:
        read_spans(path, layout=read_layout(lines))
    except SleepAgreeError as error:
        return error
    return None


@given(moments, st.sampled_from(DATES), st.sampled_from(GAPS), st.sampled_from(TIMES), st.booleans())
def test_every_form_offered_reads_the_cell_and_one_of_them_is_the_right_one(
    tmp_path_factory: pytest.TempPathFactory, moment: dt.datetime, date: str, gap: str, time: str, short: bool
) -> None:
    folder = tmp_path_factory.mktemp("hints")
    form = date + gap + time
    one = written(moment, form, short=short)
    table = f"time;stage\n{one};wake\n{one};wake\n"
    error = refusal(folder, table)
    assert error is not None
    offered = OFFERED.findall(shown(error))
    assert offered, (one, error.remedy)
    for line, comment in offered:
        again = refusal(folder, table, f'[file]\n{line}\nshape = "epochs"\n')
        # what is left to refuse is that a table of one moment tells no epoch
        assert again is None or "epoch" in shown(again), (one, line, again)
        assert bool(comment) == (len(offered) > 1)
    # the form it was written in reads the same moment as one of those offered
    truth = dt.datetime.strptime(one, form)
    forms = [tomllib.loads(line)["time"] for line, _ in offered]
    assert truth in [dt.datetime.strptime(one, offer) for offer in forms], (one, forms)


@given(
    moments,
    st.sampled_from([form for form in DATES if not re.search("%[bB]", form) or " " not in form]),
    st.sampled_from(["%H:%M", "%H:%M:%S"]),
    st.booleans(),
)
def test_a_date_in_a_column_of_its_own(
    tmp_path_factory: pytest.TempPathFactory, moment: dt.datetime, date: str, time: str, short: bool
) -> None:
    folder = tmp_path_factory.mktemp("hints")
    day, clock = written(moment, date, short=short), moment.strftime(time)
    table = f"date;time;stage\n{day};{clock};wake\n{day};{clock};wake\n"
    error = refusal(folder, table)
    assert error is not None
    offered = OFFERED.findall(shown(error))
    assert '    date = "date"\n' in shown(error)
    for line, _ in offered:
        again = refusal(folder, table, f'[file]\ndate = "date"\n{line}\nshape = "epochs"\n')
        assert again is None or "epoch" in shown(again), (day, line, again)


@pytest.mark.parametrize(
    ("cell", "forms"),
    [
        ("26-03-01 22:30", ["%d-%m-%y %H:%M", "%y-%m-%d %H:%M"]),
        ("01-02-03 22:30", ["%d-%m-%y %H:%M", "%m-%d-%y %H:%M", "%y-%m-%d %H:%M"]),
        ("03/21/2026 10:30 PM", ["%m/%d/%Y %I:%M %p"]),
        ("03/01/2026 10:30 PM", ["%d/%m/%Y %I:%M %p", "%m/%d/%Y %I:%M %p"]),
        ("21.03.2026 22:30", ["%d.%m.%Y %H:%M"]),
        ("10:30 PM", ["%I:%M %p"]),
        ("21/03/2026 00:30 AM", ["%d/%m/%Y %I:%M %p"]),
        ("2026/03/21 午後0:30", ["%Y/%m/%d %p%I:%M"]),
        ("2026. 3. 21. 오후 10:30", ["%Y. %m. %d. %p %I:%M"]),
        ("21/3/2026 10:30 p. m.", ["%d/%m/%Y %I:%M %p"]),
        ("2026/03/01 24:00", ["%Y/%m/%d %H:%M"]),
        # nothing reads these, so nothing is offered
        ("2026-13-41 22:30", []),
        ("31.02.2026 22:30", []),
        ("yesterday", []),
    ],
)
def test_forms_offered(cell: str, forms: list[str], tmp_path: Path) -> None:
    error = refusal(tmp_path, f"time;stage\n{cell};wake\n{cell};wake\n")
    assert error is not None
    assert [tomllib.loads(line)["time"] for line, _ in OFFERED.findall(shown(error))] == forms
    assert "%" not in OFFERED.sub("", shown(error))


def test_a_row_written_otherwise_than_those_before_it_is_offered_no_form(tmp_path: Path) -> None:
    error = refusal(tmp_path, "time;stage\n2026-03-01 22:30;wake\n01.03.2026 22:31;wake\n")
    assert error is not None
    assert error.problem == "the time is written in another way than those before it"
    assert error.where == "line 3, column 'time'"
    assert "%" not in shown(error)


@pytest.mark.parametrize("number", ["12", "99999999", "500000000", "1772404200", "1772404200000", "5000000000000"])
def test_units_offered_read_the_number(number: str, tmp_path: Path) -> None:
    for declared in ("", 'time = "unix-s"', 'time = "unix-ms"', 'time = "elapsed-s"'):
        table = f"time;stage\n{number};wake\n"
        error = refusal(tmp_path, table, f"epoch_seconds = 30\n[file]\n{declared}\n")
        for line in re.findall(r'time = "[^"]*"', "" if error is None else shown(error)):
            assert refusal(tmp_path, table, f"epoch_seconds = 30\n[file]\n{line}\n") is None, (number, declared, line)


def test_forms_are_facts_of_the_error(tmp_path: Path) -> None:
    path = tmp_path / "night.csv"
    path.write_text("time,stage\n01/02/2026 22:30,N2\n01/02/2026 22:31,N2\n")
    with pytest.raises(FileFormatError) as caught:
        read_spans(path)
    assert caught.value.forms == (
        ("%d/%m/%Y %H:%M", "if the day comes first"),
        ("%m/%d/%Y %H:%M", "if the month comes first"),
    )
