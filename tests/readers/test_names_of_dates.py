"""Dates with names of months and weekdays in many languages, as Unicode CLDR writes them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path

import pytest

from sleepagree.errors import FileFormatError
from sleepagree.readers.any_file import read_spans
from sleepagree.readers.proposing.proposal import propose_layout
from sleepagree.readers.times.clock import Column, naive_datetime
from sleepagree.readers.times.declared import read_declared
from sleepagree.readers.times.forms import declarable_forms
from sleepagree.readers.times.words import with_plain_digits

#: Moments, which every four of the cells are in turn.
MOMENTS = (
    *(dt.datetime(2026, 3, 1, 22, 30, 15), dt.datetime(2026, 5, 31, 23, 59, 15)),
    *(dt.datetime(2026, 9, 30, 9, 5, 15), dt.datetime(2026, 5, 31, 23, 59, 15)),
)
#: A medium and two long forms of date and time, and one with a weekday, in 43 languages: recorded from Babel 2.19.0,
#: which has the data of CLDR 49.
CELLS = [
    *("01.03.2026, 22:30:15", "31. Mai 2026, 23:59:15"),
    *("30. September 2026, 09:05:15", "So., 31. Mai 2026 23:59:15"),
    *("1 mars 2026, 22:30:15", "31 mai 2026, 23:59:15"),
    *("30 septembre 2026, 09:05:15", "dim., 31. mai 2026 23:59:15"),
    *("1 mar 2026, 22:30:15", "31 de mayo de 2026, 23:59:15"),
    *("30 de septiembre de 2026, 9:05:15", "dom, 31. may 2026 23:59:15"),
    *("1 de març 2026, 22:30:15", "31 de maig del 2026, 23:59:15"),
    *("30 de setembre del 2026, 9:05:15", "dg., 31. de maig 2026 23:59:15"),
    *("1 de mar. de 2026 22:30:15", "31 de maio de 2026 23:59:15"),
    *("30 de setembro de 2026 09:05:15", "dom., 31. mai. 2026 23:59:15"),
    *("1 mar 2026, 22:30:15", "31 maggio 2026 23:59:15"),
    *("30 settembre 2026 09:05:15", "dom, 31. mag 2026 23:59:15"),
    *("1 mar. 2026, 22:30:15", "31 mai 2026, 23:59:15"),
    *("30 septembrie 2026, 09:05:15", "dum., 31. mai 2026 23:59:15"),
    *("1 mrt 2026, 22:30:15", "31 mei 2026, 23:59:15"),
    *("30 september 2026, 09:05:15", "zo, 31. mei 2026 23:59:15"),
    *("1. mar. 2026 22.30.15", "31. maj 2026 23.59.15"),
    *("30. september 2026 09.05.15", "søn., 31. maj 2026 23:59:15"),
    *("1. mars 2026, 22:30:15", "31. mai 2026, 23:59:15"),
    *("30. september 2026, 09:05:15", "søn., 31. mai 2026 23:59:15"),
    *("1 mars 2026 22:30:15", "31 maj 2026 23:59:15"),
    *("30 september 2026 09:05:15", "sön, 31. maj 2026 23:59:15"),
    *("1. mar. 2026, 22:30:15", "31. maí 2026, 23:59:15"),
    *("30. september 2026, 09:05:15", "sun., 31. maí 2026 23:59:15"),
    *("1.3.2026 22.30.15", "31. toukokuuta 2026 23.59.15"),
    *("30. syyskuuta 2026 9.05.15", "su, 31. touko 2026 23:59:15"),
    *("1. märts 2026 22:30:15", "31. mai 2026 23:59:15"),
    *("30. september 2026 09:05:15", "P, 31. mai 2026 23:59:15"),
    *("2026. márc. 1. 22:30:15", "2026. május 31. 23:59:15"),
    *("2026. szeptember 30. 9:05:15", "V, 31. máj. 2026 23:59:15"),
    *("1 mar 2026, 22:30:15", "31 maja 2026 23:59:15"),
    *("30 września 2026 09:05:15", "niedz., 31. maj 2026 23:59:15"),
    *("1. 3. 2026 22:30:15", "31. května 2026 23:59:15"),
    *("30. září 2026 9:05:15", "ne, 31. kvě 2026 23:59:15"),
    *("1. 3. 2026, 22:30:15", "31. mája 2026, 23:59:15"),
    *("30. septembra 2026, 9:05:15", "ne, 31. máj 2026 23:59:15"),
    *("1. ožu 2026. 22:30:15", "31. svibnja 2026. 23:59:15"),
    *("30. rujna 2026. 09:05:15", "ned, 31. svi 2026 23:59:15"),
    *("1 мар. 2026 г., 22:30:15", "31 мая 2026 г., 23:59:15"),
    *("30 сентября 2026 г., 09:05:15", "вс, 31. мая 2026 23:59:15"),
    *("1 бер. 2026 р., 22:30:15", "31 травня 2026 р., 23:59:15"),
    *("30 вересня 2026 р., 09:05:15", "нд, 31. трав. 2026 23:59:15"),
    *("1 Μαρ 2026, 10:30:15 μ.μ.", "31 Μαΐου 2026 - 11:59:15 μ.μ."),
    *("30 Σεπτεμβρίου 2026 - 9:05:15 π.μ.", "Κυρ, 31. Μαΐ 2026 23:59:15"),
    *("1 Mar 2026 22:30:15", "31 Mayıs 2026 23:59:15"),
    *("30 Eylül 2026 09:05:15", "Paz, 31. May 2026 23:59:15"),
    *("2026/03/01 22:30:15", "2026年5月31日 23:59:15"),
    *("2026年9月30日 9:05:15", "日, 31. 5月 2026 23:59:15"),
    *("2026年3月1日 22:30:15", "2026年5月31日 23:59:15"),
    *("2026年9月30日 09:05:15", "周日, 31. 5月 2026 23:59:15"),
    *("2026. 3. 1. 오후 10:30:15", "2026년 5월 31일 오후 11:59:15"),
    *("2026년 9월 30일 오전 9:05:15", "일, 31. 5월 2026 23:59:15"),
    *("22:30:15 1 thg 3, 2026", "23:59:15 31 tháng 5, 2026"),
    *("09:05:15 30 tháng 9, 2026", "CN, 31. thg 5 2026 23:59:15"),
    *("1 Mar 2026 22.30.15", "31 Mei 2026 23.59.15"),
    *("30 September 2026 09.05.15", "Min, 31. Mei 2026 23:59:15"),
    *("1 במרץ 2026, 22:30:15", "31 במאי 2026, 23:59:15"),
    *("30 בספטמבר 2026, 9:05:15", "יום א׳, 31. מאי 2026 23:59:15"),
    *("1 มี.ค. 2026 22:30:15", "31 พฤษภาคม ค.ศ. 2026 23:59:15"),
    *("30 กันยายน ค.ศ. 2026 09:05:15", "อาทิตย์, 31. พ.ค. 2026 23:59:15"),
    *("1 मार्च 2026, 10:30:15 pm", "31 मई 2026, 11:59:15 pm"),
    *("30 सितंबर 2026, 9:05:15 am", "रवि, 31. मई 2026 23:59:15"),
    *("1.03.2026 г., 22:30:15", "31 май 2026 г., 23:59:15"),
    *("30 септември 2026 г., 9:05:15", "нд, 31. май 2026 23:59:15"),
    *("1. 3. 2026. 22:30:15", "31. мај 2026. 23:59:15"),
    *("30. септембар 2026. 09:05:15", "нед, 31. мај 2026 23:59:15"),
    *("1. 3. 2026. 22:30:15", "31. maj 2026. 23:59:15"),
    *("30. septembar 2026. 09:05:15", "ned, 31. maj 2026 23:59:15"),
    *("1. mar. 2026, 22:30:15", "31. maj 2026 23:59:15"),
    *("30. september 2026 09:05:15", "ned., 31. maj 2026 23:59:15"),
    *("2026-03-01 22:30:15", "2026 m. gegužės 31 d. 23:59:15"),
    *("2026 m. rugsėjo 30 d. 09:05:15", "sk, 31. geg. 2026 23:59:15"),
    *("2026. gada 1. marts 22:30:15", "2026. gada 31. maijs 23:59:15"),
    *("2026. gada 30. septembris 09:05:15", "svētd., 31. maijs 2026 23:59:15"),
    *("1 Mac 2026, 10:30:15 PTG", "31 Mei 2026 11:59:15 PTG"),
    *("30 September 2026 9:05:15 PG", "Ahd, 31. Mei 2026 23:59:15"),
    *("Mar 1, 2026, 10:30:15 PM", "Mayo 31, 2026, 11:59:15 PM"),
    *("Setyembre 30, 2026, 9:05:15 AM", "Lin, 31. May 2026 23:59:15"),
    *("1 মার্চ, 2026 10:30:15 PM", "31 মে, 2026 11:59:15 PM"),
    *("30 সেপ্টেম্বর, 2026 9:05:15 AM", "রবি, 31. মে 2026 23:59:15"),
    *(
        "01\u200f/03\u200f/2026، 10:30:15 م",
        "31 مايو 2026، 11:59:15 م",
        "30 سبتمبر 2026، 9:05:15 ص",
        "الأحد, 31. مايو 2026 23:59:15",
    ),
    *(
        "1 مارس 2026،\u200f 22:30:15",
        "31 مه 2026، ساعت 23:59:15",
        "30 سپتامبر 2026، ساعت 9:05:15",
        "یکشنبه, 31. مه 2026 23:59:15",
    ),
    *(
        "1 مارچ، 2026 10:30:15 PM",
        "31 مئی، 2026 11:59:15 PM",
        "30 ستمبر، 2026 9:05:15 AM",
        "اتوار, 31. مئی 2026 23:59:15",
    ),
]


def moments_of(cell: str) -> list[dt.datetime]:
    """Return what a cell is by each form that is offered for it."""
    cell, _ = with_plain_digits(cell)
    forms = declarable_forms(cell)
    return [naive_datetime(int(read_declared([cell], Column("", "", str), form).us[0])) for form, _ in forms]


def test_the_cells_are_of_many_languages() -> None:
    assert len(CELLS) % len(MOMENTS) == 0
    assert len(CELLS) >= 40 * len(MOMENTS)


@pytest.mark.parametrize(("cell", "moment"), [(cell, MOMENTS[i % len(MOMENTS)]) for i, cell in enumerate(CELLS)])
def test_names_are_read_in_the_language_they_stand_in(cell: str, moment: dt.datetime) -> None:
    exchanged = moment.replace(month=moment.day, day=moment.month) if moment.day <= 12 else moment
    found = moments_of(cell)
    assert moment in found
    assert set(found) <= {moment, exchanged}
    if any(letters.isalpha() and len(letters) > 2 for letters in cell.replace(".", " ").split()[1:2]):
        assert found == [moment]


@pytest.mark.parametrize(
    ("cell", "form"),
    [
        ("2026年3月1日(日) 22:30", "%Y年%m月%d日(%a) %H:%M"),
        ("2026년 3월 1일 (일) 오후 10:30", "%Y년 %m월 %d일 (%a) %p %I:%M"),
        ("mar 3 mar 2026 22:30", "%a %d %b %Y %H:%M"),
        ("lör 2026-03-14 22:30", "%a %Y-%m-%d %H:%M"),
        ("01-Mär-2026 22:30", "%d-%b-%Y %H:%M"),
        ("22:30:15, 14.3.2026", "%H:%M:%S, %d.%m.%Y"),
        ("Sunday, 1 March 2026 22:30", "%a, %d %b %Y %H:%M"),
        ("1 March 2026 22:30", "%d %B %Y %H:%M"),
    ],
)
def test_the_form_that_is_offered(cell: str, form: str) -> None:
    assert [offered for offered, _ in declarable_forms(cell)] == [form]


@pytest.mark.parametrize("cell", ["22:30 22:41", "22:30 22:41 2026", "22:30 12", "22:30 2026", "22:30, 13:03:2026"])
def test_two_times_are_no_time_before_a_date(cell: str) -> None:
    assert declarable_forms(cell) == ()


@pytest.mark.parametrize(
    ("name", "months"),
    [
        ("lis", {"Polish": 11, "Croatian": 10, "Czech": 11}),
        ("listopada", {"Polish": 11, "Croatian": 10}),
        ("srp", {"Croatian": 7, "Czech": 8}),
        ("lip", {"Polish": 7, "Croatian": 6}),
    ],
)
def test_a_name_of_two_months_is_refused_until_the_form_tells_its_language(name: str, months: dict[str, int]) -> None:
    """By CLDR."""
    cell, column = f"1 {name} 2026 22:30", Column("", "", str)
    with pytest.raises(FileFormatError, match=r"the name of the month is \w+ in \w+ and \w+ in \w+") as caught:
        read_declared([cell], column, "%d %b %Y %H:%M")
    assert all(f"%b[{language}]" in caught.value.remedy for language in months)
    offered = {
        form: (when, naive_datetime(int(read_declared([cell], column, form).us[0])).month)
        for form, when in declarable_forms(cell)
    }
    assert offered == {
        f"%d %b[{language}] %Y %H:%M": (f"if it is {language}", month) for language, month in months.items()
    }


def test_a_night_tells_itself_whose_name_of_a_month_it_is(tmp_path: Path) -> None:
    """Invented: in Polish, October is followed by "lis"; in Croatian that is October itself."""
    begins = dt.datetime(2026, 10, 31, 22, 30)
    moments = [begins + dt.timedelta(minutes=i) for i in range(240)]
    rows = [
        f"{m.day} {'paź' if m.month == 10 else 'lis'} {m:%Y %H:%M};{('sen', 'czuwanie')[i // 10 % 2]}"
        for i, m in enumerate(moments)
    ]
    path = tmp_path / "night.csv"
    path.write_text("\n".join(["kiedy;co", *rows, ""]), encoding="utf-8")
    proposal = propose_layout(path)
    assert proposal is not None
    spans = read_spans(path, layout=proposal.layout({}))
    assert spans.start == begins
    assert float(spans.onset_s[-1]) == 239 * 60


def in_one_cell(moment: dt.datetime) -> str:
    return f"{moment.day} {'mars' if moment.month == 3 else 'avril'} {moment:%Y %H:%M};"


def beside(moment: dt.datetime) -> str:
    return f"{moment.day}. {'März' if moment.month == 3 else 'April'} {moment:%Y;%H:%M};"


def with_weekday(moment: dt.datetime) -> str:
    return f"{'Di' if moment.day == 31 else 'Mi'}., {moment:%-d.%-m.%Y} um {moment:%H:%M} Uhr;"


@pytest.mark.parametrize(
    ("cells", "names", "form"),
    [
        (in_one_cell, "quand;quoi", "%d %b %Y %H:%M"),
        (beside, "Tag;Zeit;was", "%d. %b %Y %H:%M"),
        (with_weekday, "Zeit;was", "%a, %d.%m.%Y um %H:%M Uhr"),
    ],
)
def test_a_night_over_the_end_of_a_month_is_read_after_one_round(
    tmp_path: Path, cells: Callable[[dt.datetime], str], names: str, form: str
) -> None:
    """Invented: four hours of minutes from 31 March on."""
    begins = dt.datetime(2026, 3, 31, 22, 30)
    words = ("wach", "leicht", "tief", "Traum")
    rows = [cells(begins + dt.timedelta(minutes=i)) + words[i // 10 % 4] for i in range(240)]
    path = tmp_path / "night.csv"
    path.write_text("\n".join([names, *rows, ""]), encoding="utf-8")
    proposal = propose_layout(path)
    assert proposal is not None
    assert proposal.blanks == ()
    assert {s.key: s.value for s in proposal.settings}["time"] == form
    spans = read_spans(path, layout=proposal.layout({}))
    assert spans.start == begins
    assert float(spans.duration_s.sum()) == 240 * 60
    assert float(spans.onset_s[-1] + spans.duration_s[-1]) == 240 * 60
