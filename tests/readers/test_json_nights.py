"""JSON exports of several invented nights, whose rows count from a beginning beside them: one round is enough."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest

from sleepagree.describe.proposal import layout_text
from sleepagree.errors import ClockError
from sleepagree.hypnogram.spans import ScoredSpans
from sleepagree.readers.any_file import read_spans
from sleepagree.readers.layout import Layout, parse_layout
from sleepagree.readers.proposing import placed_roles as module
from sleepagree.readers.proposing.column_roles import Found
from sleepagree.readers.proposing.layout_proposal import LayoutProposal, Setting, Why
from sleepagree.readers.proposing.proposal import propose_layout
from sleepagree.readers.proposing.table_place import are_runs
from sleepagree.readers.table.table import Table

BEGUN = [datetime(2026, 3, day, 13, 30, 30, tzinfo=UTC) + timedelta(minutes=7 * day) for day in (11, 12, 13)]
LEGEND = {"각": "깨어 있음", "얕": "얕은 잠", "깊": "깊은 잠", "몽": "렘수면"}


def bouts(labels: Sequence[str], n: int) -> list[tuple[str, int]]:
    """Return labels none of which follows itself, and how many epochs each lasts."""
    return [(labels[i % len(labels)], 10 + i * 7 % 11) for i in range(n)]


def nights(begun: Sequence[Any], ns: Sequence[int], **more: Any) -> list[dict[str, Any]]:
    """Return nights as objects with when they began, and rows of a stage and its seconds."""
    return [
        {
            "기록일": f"2026-03-{11 + i}",
            "시작": began,
            "점수": 80 + i % 2,
            "구간": [{"단계": label, "초": 30 * n} | more for label, n in bouts(list(LEGEND), ns[i])],
        }
        for i, began in enumerate(begun)
    ]


def proposed(tmp_path: Path, document: Any, near: datetime | None = None) -> LayoutProposal:
    path = tmp_path / "기록.json"
    path.write_text(json.dumps(document, ensure_ascii=False), encoding="utf-8")
    proposal = propose_layout(path, near=near)
    assert proposal is not None
    return proposal


def value(proposal: LayoutProposal, key: str) -> Any:
    return next((s.value for s in proposal.settings if s.key == key), None)


@pytest.mark.parametrize(
    "cells",
    [
        ["2026-03-11T14:31:00Z", "2026-03-12T14:30:00Z"],
        ["2026-03-11 14:31:00.25", "2026-03-12 14:30:00.50"],
        ["11.03.2026 14:31:00 +0100"],
        ["0.00012345678901234567", "0.0002345678901234561"],
        ["+09:00 2026-03-11 14:31"],
    ],
)
def test_times_and_numbers_are_no_codes_of_epochs(cells: list[str]) -> None:
    assert not are_runs(cells)


@pytest.mark.parametrize("text", ["00011122233300011122", "WWWWWWLLLLLLDDDDDDRRRR", "w,w,w,w,l,l,l,l," * 3])
def test_digits_and_letters_are_codes_of_epochs(text: str) -> None:
    assert are_runs([text, text])
    assert not are_runs([text, text[:19]])


@pytest.mark.parametrize("count", [2, 3])
@pytest.mark.parametrize("more", [{}, {"심박": 51, "움직임": 2, "산소": 97, "체온": 36.4, "소음": 31}])
@pytest.mark.parametrize("legend", [{}, LEGEND])
def test_the_rows_of_the_latest_night_are_proposed(
    tmp_path: Path, count: int, more: dict[str, Any], legend: dict[str, str]
) -> None:
    """Neither when nights began nor their scores are stages, whatever fields stand beside those of rows."""
    held = nights([f"{m:%Y-%m-%dT%H:%M:%SZ}" for m in BEGUN[:count]], [60, 50, 40], **more)
    proposal = proposed(tmp_path, {"앱": "시험", "단계설명": legend, "기록": held} if legend else {"기록": held})
    records = next(s for s in proposal.settings if s.key == "records")
    assert (records.value, records.why) == (f"기록[{count - 1}].구간", Why.LATEST)
    assert [o.value for o in records.others] == [f"기록[{i}].구간" for i in range(count - 1)]
    assert (value(proposal, "stage"), value(proposal, "duration")) == ("단계", "초")
    assert {m.label: m.called for m in proposal.labels} == (legend or dict.fromkeys(LEGEND, ""))
    assert [m.word for m in proposal.labels] == (["wake", "light", "deep", "rem"] if legend else [""] * 4)


def test_the_latest_night_is_the_one_that_begins_last_though_it_has_fewer_rows(tmp_path: Path) -> None:
    """Unix milliseconds tell when nights began; the newest stands first, and a sum of each stage beside the rows."""
    begun = [round(m.timestamp() * 1000) for m in reversed(BEGUN)]
    held = [night | {"요약": {"각": 22.5, "얕": 200, "깊": 80}} for night in nights(begun, [44, 46, 45], 심박=51)]
    assert value(proposed(tmp_path, {"기록": held}), "records") == "기록[0].구간"
    near = datetime(2026, 3, 11, 23, 0)
    assert value(proposed(tmp_path, {"기록": held}, near), "records") == "기록[2].구간"


def test_a_nap_of_few_rows_does_not_hide_the_nights_beside_it(tmp_path: Path) -> None:
    held = nights([f"{m:%Y-%m-%dT%H:%M:%SZ}" for m in BEGUN], [60, 4, 40])
    assert value(proposed(tmp_path, {"기록": held}), "records") == "기록[2].구간"


def test_lines_that_no_layout_can_have_together_are_never_proposed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The next reading of the file is; where there is none, nothing is written."""
    document = {"기록": nights([BEGUN[0].isoformat()], [40])[0]["구간"]}
    whole = proposed(tmp_path, document)
    find = module.find_roles

    def wrong(table: Table, settings: list[Setting], given: Layout) -> Found:
        found = find(table, settings, given)
        twice = Setting("start", "단계", Why.ONLY)
        return found if any(s.key == "records" for s in settings) else replace(found, settings=(twice, *found.settings))

    monkeypatch.setattr(module, "find_roles", wrong)
    assert [s for s in proposed(tmp_path, document).settings if s.key != "records"] == list(whole.settings)
    (tmp_path / "x.csv").write_text("단계,초\n" + "".join(f"{a},{30 * n}\n" for a, n in bouts("wd", 40)), "utf-8")
    assert propose_layout(tmp_path / "x.csv") is None


def written(tmp_path: Path, proposal: LayoutProposal, **answers: Any) -> ScoredSpans:
    stages = dict(zip(LEGEND, ["wake", "light", "deep", "rem"], strict=True))
    text = layout_text(proposal, answers, stages)
    return read_spans(tmp_path / "기록.json", layout=parse_layout(text.encode(), "기록.toml"))


@pytest.mark.parametrize("zone", ["Asia/Seoul", None])
@pytest.mark.parametrize("is_number", [False, True])
def test_the_beginning_and_the_zone_beside_the_rows_are_filled_in_or_asked_for_together(
    tmp_path: Path, zone: str | None, *, is_number: bool
) -> None:
    """A field whose moment lies before another by what all rows last is the beginning, whatever its name."""
    begun = [round(m.timestamp()) if is_number else f"{m:%Y-%m-%dT%H:%M:%SZ}" for m in BEGUN]
    held = nights(begun, [60, 50, 40])
    for night, moment in zip(held, BEGUN, strict=True):
        end = moment + timedelta(seconds=sum(row["초"] for row in night["구간"]))
        night["종료"] = round(end.timestamp()) if is_number else f"{end:%Y-%m-%dT%H:%M:%SZ}"
    proposal = proposed(tmp_path, {"시간대": zone or "없음", "기록": held})
    assert datetime.fromisoformat(value(proposal, "begins")) == BEGUN[2]
    assert [s.key for s in proposal.blanks] == ([] if zone else ["zone"])
    spans = written(tmp_path, proposal, **({} if zone else {"zone": "Asia/Seoul"}))
    assert spans.start == BEGUN[2]
    assert str(spans.start and spans.start.tzinfo) == "Asia/Seoul"
    assert len(spans.codes) == 40


def test_a_moment_that_the_rows_do_not_prove_is_shown_and_not_taken(tmp_path: Path) -> None:
    """Beside one with an offset no zone is asked for: it tells the clock of the place."""
    seoul = timezone(timedelta(hours=9))
    for zone in (UTC, seoul):
        held = nights([m.astimezone(zone).isoformat() for m in BEGUN], [60, 50, 40])
        for night, moment in zip(held, BEGUN, strict=True):
            night["종료"] = (moment + timedelta(hours=7)).astimezone(zone).isoformat()
        proposal = proposed(tmp_path, {"기록": held})
        assert [s.key for s in proposal.blanks] == ["begins", "zone"][: 2 if zone is UTC else 1]
        assert proposal.blanks[0].shown[0] == f"기록.시작 = {held[2]['시작']}"


def test_labels_of_other_nights_are_asked_for_too(tmp_path: Path) -> None:
    held = nights([f"{m:%Y-%m-%dT%H:%M:%SZ}" for m in BEGUN], [60, 50, 40])
    held[1]["구간"][7]["단계"] = "무"
    proposal = proposed(tmp_path, {"기록": held})
    assert [(m.label, m.is_counted) for m in proposal.labels] == [*((label, True) for label in LEGEND), ("무", False)]


def test_a_name_that_is_no_zone_is_refused(tmp_path: Path) -> None:
    proposal = proposed(tmp_path, {"기록": nights([f"{m:%Y-%m-%dT%H:%M:%SZ}" for m in BEGUN], [60, 50, 40])})
    with pytest.raises(ClockError, match="no time zone has this name"):
        written(tmp_path, proposal, begins="2026-03-13T13:30:00Z", zone="Place/Nowhere")


@pytest.mark.parametrize(
    "beside",
    [
        {"심박": [{"시각": f"2026-03-11T22:{m:02d}:00Z", "박동": 50 + m % 9} for m in range(60)]},
        {"심박": [50 + m % 9 for m in range(900)]},
        {"요약": {"wake": 22.5, "light": 200.0, "deep": 80.0}},
        {"품질": "좋음"},
    ],
)
@pytest.mark.parametrize("ns", [[60, 50, 40], [14, 13, 12]])
def test_what_else_stands_beside_the_rows_of_a_night_is_not_taken_for_them(
    tmp_path: Path, beside: dict[str, Any], ns: list[int]
) -> None:
    """A heart rate with its times, or one a second, is none of stages, which have words that are known."""
    held = nights([f"{m:%Y-%m-%dT%H:%M:%SZ}" for m in BEGUN], ns)
    for night in held:
        for row in night["구간"]:
            row["단계"] = {"각": "wake", "얕": "light", "깊": "deep", "몽": "rem"}[row["단계"]]
    proposal = proposed(tmp_path, {"기록": [beside | night for night in held]})
    assert (value(proposal, "records"), value(proposal, "stage")) == ("기록[2].구간", "단계")


def test_codes_of_a_whole_night_that_rise_as_numbers_do_not_overflow(tmp_path: Path) -> None:
    held = [
        {
            "시작": f"2026-03-{11 + i}T21:40:00Z",
            "종료": f"2026-03-{12 + i}T05:40:00Z",
            "부호": f"{i + 1}" + "0112233" * 137,
        }
        for i in range(4)
    ]
    proposal = proposed(tmp_path, {"기록": held})
    assert (value(proposal, "shape"), value(proposal, "stage"), value(proposal, "epoch_seconds")) == (
        "runs",
        "부호",
        30,
    )


@pytest.mark.parametrize(
    ("start", "begins"),
    [
        ("2026-02-28T24:00:00", "2026-03-01T00:00:00"),
        ("2026-02-28 24:00+02:00", "2026-03-01T00:00:00+02:00"),
        *((text, None) for text in ("2026-02-30T22:00:00", "2026-02-28T24:30:00", "2026-02-28T22:00:00+99:00")),
        ("9999-12-31T24:00:00", None),
    ],
)
@pytest.mark.parametrize("count", [1, 2])
def test_a_field_that_looks_like_a_moment_and_is_none_tells_no_beginning(
    tmp_path: Path, start: str, begins: str | None, count: int
) -> None:
    """24:00 is the next midnight, as in tables."""
    proposal = proposed(tmp_path, {"기록": nights([start] * count, [40] * count)})
    (line,) = (s for s in proposal.settings if s.key == "begins")
    shown = [told.rpartition(" = ")[2] for told in line.shown]
    assert line.value is None
    assert begins is None or begins in shown


@pytest.mark.parametrize(
    ("names", "key"), [(("Night 1", "Night 2"), "night"), (("1", "2"), "night"), (("deck", "engine"), "person")]
)
def test_lists_under_names_without_times_are_not_joined(tmp_path: Path, names: tuple[str, str], key: str) -> None:
    """They are two nights of 48 and 52 rows: which to read is asked, and that one alone is read."""
    document = {
        name: [{"minutes": n / 2, "stage": label} for label, n in bouts(["wake", "light", "deep", "rem"], rows)]
        for name, rows in zip(names, (48, 52), strict=True)
    }
    proposal = proposed(tmp_path, document)
    assert (value(proposal, "records"), value(proposal, f"{key}_column")) == ("*", "key")
    asked = {setting.key: [other.value for other in setting.others] for setting in proposal.blanks}
    assert asked == {key: list(names), "begins": []}
    spans = read_spans(tmp_path / "기록.json", layout=proposal.layout({key: names[1]}))
    assert spans.end_s == 30 * sum(n for _, n in bouts("ab", 52))


def timed(rows: Sequence[tuple[float, float, str]]) -> list[dict[str, Any]]:
    """Return rows of a stage with its moment and seconds, of minutes from a beginning and lengths in minutes."""
    began = datetime(2026, 3, 11, 22, 30)
    return [
        {"when": (began + timedelta(minutes=at)).isoformat(), "seconds": 60 * n, "level": label}
        for at, n, label in rows
    ]


LONG = [(10.0 * i - 2 * (i % 2), 10.0 + 4 * (i % 2) - 2, ("wake", "light", "deep", "rem")[i % 4]) for i in range(48)]


def test_rows_in_nights_under_names_are_read_together_where_they_tell_moments(tmp_path: Path) -> None:
    """One night of several is not proposed in silence; what stands beside the stages is no night."""

    def rows(day: int, labels: Sequence[str]) -> list[dict[str, str]]:
        first = datetime(2026, 4, day, 23)
        return [
            {"from": f"{first + timedelta(minutes=10 * i):%Y-%m-%dT%H:%M:%S}", "stage": labels[i % len(labels)]}
            for i in range(40 + day)
        ]

    words = ("awake", "light", "deep", "light", "rem")
    held = {"first": {"rows": rows(1, words)}, "second": {"rows": rows(2, words)}}
    line = next(s for s in proposed(tmp_path, {"nights": held}).settings if s.key == "records")
    assert (line.value, [o.value for o in line.others]) == ("nights.second.rows", ["nights.first.rows"])
    for row in held["first"]["rows"] + held["second"]["rows"]:  # without an end a night's last row would last a day
        row["to"] = f"{datetime.fromisoformat(row['from']) + timedelta(minutes=10):%Y-%m-%dT%H:%M:%S}"
    assert value(proposed(tmp_path, {"nights": held}), "records") == "nights.*.rows"
    beside = {"stages": {"rows": rows(1, words)}, "position": {"rows": rows(2, ("left", "right", "back"))}}
    assert value(proposed(tmp_path, {"data": beside}), "records") == "data.stages.rows"


def test_a_list_may_be_called_like_one_of_its_columns(tmp_path: Path) -> None:
    """The length of rows is found whatever the list is called."""
    rows = [{"when": row["when"], "level": row["level"], "lasts": row["seconds"]} for row in timed(LONG)]
    for name in ("night", "lasts"):
        proposal = proposed(tmp_path, {"v": 1, name: rows, "pulses": [{"at": "2026-03-11T22:30:00", "beats": 60}]})
        assert (value(proposal, "records"), value(proposal, "duration")) == (name, "lasts")


def test_short_rows_of_one_list_over_those_of_another_are_layers(tmp_path: Path) -> None:
    """Wakes of one minute each lie five minutes after each of 20 long rows began."""
    short = [(10.0 * i + 5, 1.0, "wake") for i in range(1, 21)]
    proposal = proposed(tmp_path, {"levels": {"long": timed(LONG), "short": timed(short)}})
    assert not proposal.blanks
    assert value(proposal, "overlaps") == "shorter-wins"
    assert '\n# person_column = "key"    # instead of overlaps' in layout_text(proposal)
    spans = read_spans(tmp_path / "기록.json", layout=proposal.layout())
    awake = sum(spans.duration_s[spans.codes == spans.labels.index("wake")]) / 60
    assert awake == 12 * 8 + 15  # of the short ones five are in a long one


def test_rows_that_follow_each_other_within_the_time_of_others_are_those_of_people(tmp_path: Path) -> None:
    other = [(60.0 + 5 * i, 5.0, ("wake", "light", "deep", "rem")[i % 4]) for i in range(40)]
    proposal = proposed(tmp_path, {"deck": timed(LONG), "engine": timed(other)})
    assert [setting.key for setting in proposal.blanks] == ["person"]
    assert value(proposal, "overlaps") is None
