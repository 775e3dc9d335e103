"""Hypothesis strategies for everything that a reader takes: legal in most places, hostile in some."""

from __future__ import annotations

import copy
import csv
import io
import json
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from html import escape
from itertools import pairwise
from typing import Any

from hypothesis import strategies as st

from tests.canaries import fhir_bundle
from tests.readers.edf_bytes import (
    HYPNOGRAM_TEXTS,
    EdfBytes,
    Signal,
    annotation_file,
    hypnogram,
    record_start,
    stage,
    tal,
)

# --- pieces -----------------------------------------------------------------------------------------------

NUMBERS = (
    "0", "-0", "1", "30", "-30", "1e3", "1e308", "-1e400", "nan", "inf", "1_000", "٣٠", "0x1e", "30,5", "1 000", "+30",
    "30.0000001", "99999999999999999999", "1e-320", "2147483648", "9223372036854775808", " 30 ",
)  # fmt: skip
TIMES = (
    "2026-03-01T22:30:00", "2026-03-01 22:30", "2026-03-29T03:30:00", "2026-10-25T03:30:00+03:00", "24:00:00",
    "23:59:60",
    "2026-02-30T00:00", "0001-01-01T00:00:00Z", "9999-12-31T23:59:59+00:00", "9999-12-31T23:59:59-14:00", "1772404200",
    "1772404200000", "-62135596800", "01.03.2026 22:30", "3/1/26 10:30 PM", "2026-W09-7", "22:30",
    "2026-03-01T22:30:00Z",
    "2026-03-01T22:30:00+24:00", "٢٠٢٦-03-01T22:30", "2026-03-01T22:30:00.123456789", "",
)  # fmt: skip
LABELS = (
    "wake", "light", "deep", "rem", "sleep", "nrem", "W", "N1", "N2", "N3", "R", "1", "2", "3", "4", "5", "0", "9", "?",
    "Awake", "REM", "wake-or-sleep", "unscored", "", " ", "N/A", "nan", "=1+1", "\x1b[2J", "\u202egnol", "a\nb", '"',
    "\ud800",
    "Sleep stage W", "Sleep stage N2", "<script>", "x" * 500, "lights off", "lights on", "Ö", "\x00", "２",
)  # fmt: skip
ZONES = (
    "Europe/Helsinki",
    "UTC",
    "America/St_Johns",
    "Mars/Base",
    "../../etc/passwd",
    "",
    "EST5EDT",
    "\x00",
    "/etc/localtime",
)
WORDS = (
    "wake",
    "light",
    "deep",
    "rem",
    "sleep",
    "nrem",
    "W",
    "N1",
    "N2",
    "N3",
    "R",
    "unscored",
    "not-a-stage",
    "zzz",
    "",
)

#: Text that UTF-8 can hold, and any that Python can.
texts = st.text(st.characters(codec="utf-8"), max_size=12)
labels = st.one_of(st.sampled_from(LABELS[:16]), st.sampled_from(LABELS), texts)
times = st.one_of(
    st.sampled_from(TIMES), st.datetimes().map(str), st.integers(-(10**14), 10**14).map(str), st.sampled_from(NUMBERS)
)


@st.composite
def damaged(draw: st.DrawFn, whole: bytes, *, most: int = 3) -> bytes:
    """Bytes with a few places replaced, repeated, moved or cut."""
    data = whole
    for _ in range(draw(st.integers(1, most))):
        at = draw(st.integers(0, max(0, len(data) - 1)))
        length = draw(st.sampled_from([1, 1, 2, 4, 8, 80, 256]))
        kind = draw(st.sampled_from(["replace", "insert", "delete", "repeat", "cut", "swap"]))
        piece = draw(
            st.one_of(st.binary(min_size=1, max_size=4), st.sampled_from([b"\x00", b"\x14", b"\xff" * 4, b"9" * 8]))
        )
        if kind == "replace":
            data = data[:at] + piece + data[at + len(piece) :]
        elif kind == "insert":
            data = data[:at] + piece + data[at:]
        elif kind == "delete":
            data = data[:at] + data[at + length :]
        elif kind == "repeat":
            data = data[:at] + data[at : at + length] * draw(st.sampled_from([2, 3, 50])) + data[at:]
        elif kind == "cut":
            data = data[:at]
        else:
            data = data[:at] + data[at + length : at + 2 * length] + data[at : at + length] + data[at + 2 * length :]
    return data


def rarely(draw: st.DrawFn, one_in: int) -> bool:
    return draw(st.integers(1, one_in)) == one_in


def few(draw: st.DrawFn, odd: dict[str, st.SearchStrategy[Any]], *, most: int = 2) -> dict[str, Any]:
    """Return values for none, one or a few of the names: what is wrong everywhere is refused at the first fault."""
    if rarely(draw, 2):
        return {}
    names = draw(st.lists(st.sampled_from(sorted(odd)), max_size=most, unique=True))
    return {name: draw(odd[name]) for name in names}


def perhaps_damaged(draw: st.DrawFn, whole: bytes) -> bytes:
    return draw(damaged(whole or b"x")) if rarely(draw, 6) else whole


# --- EDF --------------------------------------------------------------------------------------------------

onsets = st.one_of(
    st.integers(0, 30_000).map(lambda s: f"+{s}"),
    st.floats(-1e6, 1e6).map(lambda s: f"{s:+.7g}"),
    st.sampled_from([*NUMBERS, "", "+", "+1e5", "+0.0000001", "+999999999999", "-99999999999999999999", "+1.5.5"]),
)
durations = st.one_of(
    st.none(), st.sampled_from(["30", "0", "600", "0.001", "-1", "", "1e9", "99999999999999"]), onsets
)
edf_texts = st.one_of(
    st.sampled_from(HYPNOGRAM_TEXTS), st.sampled_from(["Lights off", "Lights on", "Sleep stage ?"]), labels
)


@st.composite
def annotation_lists(draw: st.DrawFn) -> bytes:
    """One annotation list in which anything may be odd."""
    said = draw(st.lists(edf_texts, max_size=3))
    return _utf8(lambda: tal(draw(onsets), *said, duration=draw(durations)))


def _utf8(make: Callable[[], bytes]) -> bytes:
    try:
        return make()
    except UnicodeEncodeError:
        return b"+5\x14\xed\xa0\x80\x14\x00"


field_texts = st.one_of(
    st.sampled_from(
        ["0", "1", "2", "-1", "256", "512", "99999999", "-999", "1e5", "", " ", "nan", "inf", "0.1", "1e-9"]
    ),
    st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=8),
)


EDF_CHANGES: dict[str, st.SearchStrategy[Any]] = {
    "header_size": field_texts.map(lambda text: text[:8]),
    "records": field_texts.map(lambda text: text[:8]),
    "duration": field_texts.map(lambda text: text[:8]),
    "date": st.sampled_from(["31.02.26", "01.01.85", "99.99.99", "1.3.26  ", "01-03-26", "0a.0b.26"]),
    "time": st.sampled_from(["24.00.00", "23:59:59", "99.99.99", "        ", "1.1.1   "]),
    "recording": st.sampled_from(
        [b"", b"Startdate X X X X", b"Startdate 31-FEB-2026 X X X", b"Startdate 01-MAI-2026", b"\xff" * 80]
    ),
    "reserved": st.sampled_from(["EDF+D", "BDF+C", "", "EDF+"]),
    "version": st.sampled_from([b"\xffBIOSEMI", b"1       "]),
    "tail": st.binary(max_size=20),
}


@st.composite
def edf_files(draw: st.DrawFn) -> bytes:
    """A file of which a few header fields, records or annotation lists are wrong."""
    n_records, per_record = draw(st.integers(1, 4)), draw(st.integers(1, 12))
    lists = [stage(30 * i, draw(st.sampled_from(HYPNOGRAM_TEXTS))) for i in range(n_records * per_record)]
    for odd in draw(st.lists(annotation_lists(), max_size=2)) if rarely(draw, 2) else ():
        lists.insert(draw(st.integers(0, len(lists))), odd)
    starts = [f"+{30 * per_record * i}" for i in range(n_records)]
    for odd_start in draw(
        st.lists(st.sampled_from(["+0.5", "-1", "x", "+7"]), max_size=draw(st.sampled_from([0, 0, 1])))
    ):
        starts[draw(st.integers(0, n_records - 1))] = odd_start
    records = tuple(
        record_start(starts[i]) + b"".join(lists[i::n_records]) + bytes(draw(st.integers(1, 3)))
        for i in range(n_records)
    )
    label = (
        draw(st.sampled_from(["BDF Annotations", "edf annotations", "EEG"])) if rarely(draw, 6) else "EDF Annotations"
    )
    signals = [Signal(label, records, draw(st.sampled_from([0, 0, 200])))]
    if rarely(draw, 3):
        limits = draw(st.sampled_from([("0", "9"), ("-1", "1"), ("9", "9"), ("x", ""), ("1e308", "-1e308")]))
        codes = tuple(draw(st.binary(min_size=0, max_size=8)) for _ in range(n_records))
        name = draw(st.sampled_from(["Hypnogram", "EEG", "", "Stage"]))
        signals.insert(draw(st.integers(0, 1)), Signal(name, codes, draw(st.integers(0, 8)), limits, limits))
    changes = {"duration": str(30 * per_record), **few(draw, EDF_CHANGES)}
    whole = EdfBytes(tuple(signals), sample_size=3 if rarely(draw, 6) else 2).but(**changes).encode()
    return perhaps_damaged(draw, whole)


@st.composite
def signal_files(draw: st.DrawFn) -> bytes:
    """A hypnogram as a signal, with codes and limits that may be anything."""
    n = draw(st.integers(1, 30))
    size = draw(st.sampled_from([2, 2, 3]))
    codes = tuple(draw(st.integers(0, 5)).to_bytes(size, "little") for _ in range(n))
    limits = draw(st.sampled_from([("0", "9")] * 4 + [("0", "5"), ("9", "9"), ("1e308", "-1e308"), ("nan", "1")]))
    signal = Signal("Hypnogram", codes, size, limits, ("0", "9"))
    changes = {"duration": "30", "reserved": "", **few(draw, EDF_CHANGES)}
    if size == 3:
        changes["version"] = b"\xffBIOSEMI"
    whole = EdfBytes((signal,), sample_size=size).but(**changes).encode()
    return perhaps_damaged(draw, whole)


GOOD_EDF = annotation_file(*hypnogram(30), tal("+0", "Lights off"), tal("+880", "Lights on")).encode()


# --- tables -----------------------------------------------------------------------------------------------

COLUMNS = (
    "time", "timestamp", "start", "onset", "end", "duration", "stage", "label", "trial_type", "date", "epoch", "device",
    "", "stage", "START", "duration_s", "zeit", "\ufefftime", "\u202e",
)  # fmt: skip
#: Ways in which the rows of a good table tell their time.
KINDS = ("iso", "elapsed", "intervals", "unix")


@st.composite
def tables(draw: st.DrawFn, columns: Sequence[str] = COLUMNS, kinds: Sequence[str] = KINDS) -> bytes:
    """A text table: a good grid of epochs or intervals with hostile cells, or a grid of anything."""
    delimiter = draw(st.sampled_from([",", ",", ";", "\t", "|", " "]))
    rows = draw(_any_rows(columns) if rarely(draw, 8) else _good_rows(kinds))
    for _ in range(draw(st.integers(0, 2)) if rarely(draw, 2) else 0):
        row = rows[draw(st.integers(0, len(rows) - 1))]
        if row:
            row[draw(st.integers(0, len(row) - 1))] = draw(st.one_of(labels, times))
    if rarely(draw, 12):
        rows[draw(st.integers(0, len(rows) - 1))] = draw(st.lists(labels, max_size=6))
    stream = io.StringIO()
    writer = csv.writer(
        stream,
        delimiter=delimiter,
        lineterminator=draw(st.sampled_from(["\r\n", "\r", "\r\r\n"])) if rarely(draw, 4) else "\n",
        quoting=draw(st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL])),
    )
    writer.writerows(rows)
    encoding = draw(st.sampled_from(["utf-8-sig", "utf-16", "latin-1"])) if rarely(draw, 6) else "utf-8"
    data = stream.getvalue().encode(encoding, "replace")
    return perhaps_damaged(draw, data)


@st.composite
def _good_rows(draw: st.DrawFn, kinds: Sequence[str]) -> list[list[str]]:
    n = draw(st.integers(3, 60))
    words = draw(st.sampled_from([("wake", "light", "deep", "rem"), ("W", "N1", "N2", "N3", "R"), ("0", "1", "2")]))
    step = draw(st.sampled_from([60, 20, 1, 600, 86_400])) if rarely(draw, 3) else 30
    stages = [words[i // 3 % len(words)] for i in range(n)]
    kind = draw(st.sampled_from(kinds))
    if kind == "events":
        return [["onset", "duration", "trial_type"], *([str(step * i), str(step), s] for i, s in enumerate(stages))]
    if kind == "elapsed":
        return [["onset", "duration", "stage"], *([str(step * i), str(step), s] for i, s in enumerate(stages))]
    if kind == "unix":
        return [["timestamp", "stage"], *([str(1_772_404_200 + step * i), s] for i, s in enumerate(stages))]
    begin = datetime(2026, 3, 1, 22, 30)
    clock = [(begin + timedelta(seconds=step * i)).isoformat() for i in range(n + 1)]
    if kind == "iso":
        return [["time", "stage"], *([clock[i], s] for i, s in enumerate(stages))]
    return [["start", "end", "stage"], *([clock[i], clock[i + 1], s] for i, s in enumerate(stages))]


@st.composite
def _any_rows(draw: st.DrawFn, columns: Sequence[str]) -> list[list[str]]:
    header = draw(st.lists(st.sampled_from(columns), min_size=1, max_size=5))
    cell = st.one_of(labels, times)
    return [header, *draw(st.lists(st.lists(cell, min_size=len(header), max_size=len(header)), max_size=8))]


@st.composite
def run_files(draw: st.DrawFn) -> bytes:
    """One letter or digit an epoch, of those that the layouts explain; and sometimes one that nothing explains."""
    epochs = draw(
        st.sampled_from(["WR", "WR", "012345"]).flatmap(lambda words: st.text(words, min_size=3, max_size=60))
    )
    odd = draw(st.sampled_from(["?", "x", "\x00", " ", "\n"])) if rarely(draw, 4) else ""
    begin = draw(times) if rarely(draw, 6) else "2026-03-01T22:30:00"
    return perhaps_damaged(draw, f"start,stages\n{begin},{epochs}{odd}\n".encode("utf-8", "replace"))


# --- layouts and mappings ---------------------------------------------------------------------------------


def toml(value: object) -> str:
    """Return a value as TOML; what JSON writes of texts, numbers and lists is TOML too."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{toml(str(k))} = {toml(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(toml, value)) + "]"
    if isinstance(value, float):
        return repr(value)
    # TOML has no escapes for DEL and for halves of surrogate pairs
    text = json.dumps(value)
    return text.replace("\x7f", "\\u007f") if isinstance(value, str) else text


anything = st.recursive(
    st.one_of(
        st.booleans(), st.integers(-(2**70), 2**70), st.floats(), texts, st.sampled_from([*NUMBERS, *TIMES, *WORDS])
    ),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(texts, inner, max_size=3)),
    max_leaves=4,
)
FILE_CHANGES: dict[str, st.SearchStrategy[Any]] = {
    "shape": st.sampled_from(["epochs", "intervals", "runs", "rows"]),
    "start": st.sampled_from(COLUMNS),
    "end": st.sampled_from(COLUMNS),
    "duration": st.sampled_from(COLUMNS),
    "stage": st.sampled_from([*COLUMNS, "stages"]),
    "date": st.sampled_from(COLUMNS),
    "duration_unit": st.sampled_from(["s", "min", "ms", "h", "epochs"]),
    **dict.fromkeys(
        ("epoch_number", "person_column", "night_column", "zone_column", "am_pm"), st.sampled_from(COLUMNS)
    ),
    "first_epoch": st.integers(-1, 3),
    "person": st.sampled_from(["x", "crew-1", ""]),
    "night": st.sampled_from(["1", "2", ""]),
    "skip_lines": st.integers(-1, 4),
    "header": st.booleans(),
    "records": st.sampled_from(["sleep", "sleep.segments", "data", ".", "a..b"]),
    "sheet": st.sampled_from(["Sheet", "x"]),
    "marks": st.sampled_from(["start", "middle", "end", "x"]),
    "ends": st.sampled_from(["exclusive", "inclusive"]),
    "time": st.one_of(
        st.sampled_from(
            ["iso", "unix-s", "unix-ms", "elapsed-s", "%d.%m.%Y %H:%M", "%H:%M", "%", "%Q", "%j %U %G", "%%"]
        ),
        texts,
    ),
    "night_of": st.sampled_from(["wake-day", "bed-day"]),
    "begins": st.sampled_from(["2026-03-01", "2026-03-01T22:30:00", "9999-12-31T23:59:59", "0001-01-01", "tomorrow"]),
    "zone": st.sampled_from(ZONES),
    "overlaps": st.sampled_from(["refuse", "shorter-wins", "later-wins"]),
    "delimiter": st.sampled_from([",", ";", "\t", "", "::", "\n", '"', "\x00"]),
    "encoding": st.sampled_from(
        ["utf-8", "latin-1", "utf-16", "hex", "rot13", "zip", "idna", "undefined", "base64", ""]
    ),
    "unknown": anything,
}
STAGE_TABLES = (
    {
        "wake": "wake",
        "light": "light",
        "deep": "deep",
        "rem": "rem",
        "W": "W",
        "N1": "N1",
        "N2": "N2",
        "N3": "N3",
        "R": "R",
    },
    {"0": "wake", "1": "light", "2": "deep", "3": "rem", "4": "rem", "5": "R", "Awake": "wake", "Core": "light"},
    {},
)


@st.composite
def layout_documents(draw: st.DrawFn, file: dict[str, Any] | None = None, **more: Any) -> dict[str, Any]:
    """A layout that fits, but for a few keys."""
    odd_stages = draw(st.dictionaries(labels, st.sampled_from(WORDS), max_size=1)) if rarely(draw, 4) else {}
    document: dict[str, Any] = {
        **more,
        "file": {**(file or {}), **few(draw, FILE_CHANGES)},
        "stages": {**draw(st.sampled_from(STAGE_TABLES)), **odd_stages},
    }
    document |= few(
        draw,
        {
            "reports": st.one_of(st.lists(st.sampled_from(WORDS), max_size=5), anything),
            "epoch_seconds": st.one_of(st.sampled_from([30, 60, 1, 0, -30, 1e300, 1e-300, 0.001]), anything),
            "file": anything,
            "stages": anything,
            "else": anything,
        },
        most=1,
    )
    return document


@st.composite
def toml_texts(draw: st.DrawFn, documents: st.SearchStrategy[dict[str, Any]]) -> bytes:
    """A TOML file, sometimes no TOML at all."""
    lines = []
    document = draw(documents)
    for key, value in document.items():
        if not isinstance(value, dict):
            lines.append(f"{key} = {toml(value)}")
    for key, value in document.items():
        if isinstance(value, dict):
            lines += [f"[{key}]", *(f"{toml(str(k))} = {toml(v)}" for k, v in value.items())]
    data = "\n".join(lines).encode("utf-8", "replace")
    return draw(st.binary(max_size=60)) if rarely(draw, 30) else perhaps_damaged(draw, data)


layouts = toml_texts(layout_documents())
run_layouts = toml_texts(layout_documents({"shape": "runs", "start": "start", "stage": "stages"}, epoch_seconds=30))


@st.composite
def mapping_documents(draw: st.DrawFn) -> dict[str, Any]:
    """A mapping that fits, but for a few keys."""
    classes = ["wake", "light", "deep"]
    targets = st.sampled_from([*classes, "leave-out", "zzz"])
    document: dict[str, Any] = {
        "classes": classes,
        "reference": {"W": "wake", "N1": "light", "N2": "light", "N3": "deep", "R": "leave-out"},
        "device": {"wake": "wake", "light": "light", "deep": "deep", "rem": "leave-out"},
    }
    odd = {
        "name": st.one_of(texts, anything),
        "assumption": anything,
        "classes": st.one_of(st.lists(st.sampled_from([*classes, "leave-out", "é", ""]), max_size=5), anything),
        "reference": st.one_of(st.dictionaries(labels, targets, max_size=5), anything),
        "device": st.one_of(st.dictionaries(labels, targets, max_size=5), anything),
        "else": anything,
    }
    return document | few(draw, odd)


mappings = toml_texts(mapping_documents())


# --- JSON -------------------------------------------------------------------------------------------------

_CODES = ("awake", "asleepCore", "asleepDeep", "asleepREM")
_CLOCK = [f"2026-03-01T{22 + i // 4:02d}:{15 * (i % 4):02d}:00+02:00" for i in range(8)]
FHIR = json.loads(fhir_bundle((_CODES[i % 4], _CLOCK[i], _CLOCK[i + 1]) for i in range(7)))
STAGE_RECORD = {
    "sleep_stage_summary": {"total_sleep_time": {"value": 90, "unit": "min"}},
    "effective_time_frame": {"time_interval": {"start_date_time": _CLOCK[0], "end_date_time": _CLOCK[7]}},
    "sleep_stage_episodes": [
        {
            "sleep_stage_state": ("awake", "light", "deep", "rem")[i % 4],
            "sleep_stage_time_frame": {"time_interval": {"start_date_time": _CLOCK[i], "end_date_time": _CLOCK[i + 1]}},
        }
        for i in range(7)
    ],
}
RECORDS = [
    {"time": t.removesuffix("+02:00"), "stage": ("wake", "light", "deep", "REM")[i % 4]} for i, t in enumerate(_CLOCK)
]
JSON_BASES: tuple[Any, ...] = (
    FHIR,
    FHIR["entry"],
    STAGE_RECORD,
    [STAGE_RECORD, STAGE_RECORD],
    {"body": {"sleep": [STAGE_RECORD]}},
    RECORDS,
    {"records": RECORDS, "version": 1},
    [{"start": a, "end": b, "stage": "light"} for a, b in pairwise(_CLOCK)],
)


def _places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [path, *(place for key, inner in items for place in _places(inner, (*path, key)))]


@st.composite
def json_line_files(draw: st.DrawFn) -> bytes:
    """A record a line, some of them changed, empty, cut, or in the way of another kind."""
    kind = draw(st.sampled_from([RECORDS, FHIR["entry"], [STAGE_RECORD] * 2]))
    lines = [json.dumps(record).encode() for record in kind]
    for _ in range(draw(st.integers(0, 2)) if rarely(draw, 2) else 0):
        line = st.one_of(json_files(kind), st.sampled_from([b"", b"[]", b"null", b"{}", b"{", b"\x1e{}"]))
        lines[draw(st.integers(0, len(lines) - 1))] = draw(line)
    end = draw(st.sampled_from([b"\r\n", b"\r", b"\n\n", b", "])) if rarely(draw, 6) else b"\n"
    return perhaps_damaged(draw, end.join(lines) + draw(st.sampled_from([end, b""])))


@st.composite
def json_files(draw: st.DrawFn, bases: Sequence[Any] = JSON_BASES) -> bytes:
    """A record of a known kind in which a few nodes were replaced, doubled, moved or dropped."""
    document = copy.deepcopy(draw(st.sampled_from(bases)))
    for _ in range(draw(st.integers(0, 3)) if rarely(draw, 2) else 1):
        place = draw(st.sampled_from(_places(document)))
        value = copy.deepcopy(draw(st.one_of(anything, st.none(), times, labels, st.sampled_from(JSON_BASES))))
        if not place:
            document = value
            continue
        holder = document
        for key in place[:-1]:
            holder = holder[key]
        kind = draw(st.sampled_from(["replace", "replace", "drop", "double"]))
        if kind == "replace":
            holder[place[-1]] = value
        elif kind == "drop":
            del holder[place[-1]]
        elif isinstance(holder, list):
            holder.insert(place[-1], copy.deepcopy(holder[place[-1]]))
    text = json.dumps(document, ensure_ascii=draw(st.booleans()))
    encoding = draw(st.sampled_from(["utf-16", "utf-8-sig"])) if rarely(draw, 8) else "utf-8"
    data = text.encode(encoding, "surrogatepass")
    deep = st.sampled_from([b"[" * 100_000, b'{"a":' * 50_000, b"[1e999]", b'{"a":1,"a":2}', b"NaN", b"1" * 5000])
    return draw(deep) if rarely(draw, 20) else perhaps_damaged(draw, data)


@st.composite
def markup_files(draw: st.DrawFn, form: str) -> bytes:
    """XML or a page of a night's rows, one of which may have another time or label."""
    words = ["wake", "light", "deep", "light", "rem"] * 3
    cells = [(f"2026-03-01T22:{30 + i // 2}:{30 * (i % 2):02}", word) for i, word in enumerate(words)]
    if draw(st.booleans()):
        cells[draw(st.integers(0, len(cells) - 1))] = (str(draw(times)), str(draw(labels)))
    if form == "xml":
        inside = "".join(f'<row time="{escape(t)}" stage="{escape(w)}"/>' for t, w in cells)
        text = f'<?xml version="1.0"?><night>{inside}</night>'
    else:
        inside = "".join(f"<tr><td>{t}<td>{w}</tr>" for t, w in cells)
        text = f"<h1>{draw(labels)}</h1><table><tr><th>time<th>stage</tr>{inside}</table>"
    return perhaps_damaged(draw, text.encode("utf-8", "surrogatepass"))


#: How the files of `markup_files` are read.
MARKUP_LAYOUTS = {"xml": '[file]\nrecords = "night.row"\n', "html": "[file]\n"}


# --- tables of nights -------------------------------------------------------------------------------------

NIGHT_COLUMNS = (
    "participant", "night", "device", "reference", "device_file", "layout", "reference_layout", "clock_offset",
    "reference_zone", "device_zone", "window",
)  # fmt: skip


@st.composite
def nights_tables(draw: st.DrawFn, files: Sequence[str]) -> bytes:
    """A table of nights over files that exist, are broken, or are not there."""
    chosen = list(NIGHT_COLUMNS)
    rows = [
        ["a", "1", "band A", "good.edf", "good.csv", *[""] * 6],
        ["a", "2", "band A", "other.edf", "other.csv", *[""] * 6],
        ["b", "1", "pad B", "third.edf", "fuzzed.csv", *[""] * 6],
        ["a", "1", "pad B", "good.edf", "third.csv", *[""] * 6],
    ]
    rows = rows[: draw(st.integers(1, 4))]
    file = st.one_of(
        st.sampled_from(files), st.sampled_from(["", ".", "..", "/", "no.edf", "a;b", ";", "\x00", "x" * 300])
    )
    cells: dict[str, st.SearchStrategy[str]] = {
        "participant": st.sampled_from(["a", "b", "", "=1", "\u202e", "é"]),
        "night": st.sampled_from(["1", "2", "3", ""]),
        "device": st.sampled_from(["band A", "pad B"]),
        "reference": st.one_of(file, st.lists(st.sampled_from(files), min_size=2, max_size=3).map(";".join)),
        "clock_offset": st.sampled_from(NUMBERS),
        "window": st.sampled_from(["lights", "reference", "overlap", "2026-03-01T22:00/2026-03-02T06:00", "a/b", "/"]),
        "reference_zone": st.sampled_from(ZONES),
        "device_zone": st.sampled_from(ZONES),
        "layout": st.sampled_from(["layout.toml", "no.toml"]),
        "reference_layout": st.sampled_from(["layout.toml", "."]),
    }
    for row in rows:
        for name, cell in (
            {} if rarely(draw, 2) else few(draw, {name: cells.get(name, file) for name in chosen}, most=1).items()
        ):
            row[chosen.index(name)] = cell
    if rarely(draw, 15):
        chosen[draw(st.integers(0, 10))] = draw(st.sampled_from([*NIGHT_COLUMNS, "x", ""]))
    stream = io.StringIO()
    csv.writer(stream, delimiter=draw(st.sampled_from([",", ",", ";", "\t"]))).writerows([chosen, *rows])
    data = stream.getvalue().encode("utf-8", "replace")
    return perhaps_damaged(draw, data)


@st.composite
def paired_tables(draw: st.DrawFn) -> bytes:
    """A table of paired epochs with hostile cells, or rows out of order."""
    header = ["participant", "night", "epoch", "reference", "device"]
    rows = [
        [f"p{p}", str(n), str(e), draw(st.sampled_from(LABELS[:11])), draw(st.sampled_from(LABELS[:11]))]
        for p in range(draw(st.integers(1, 3)))
        for n in range(draw(st.integers(1, 2)))
        for e in range(draw(st.integers(1, 12)))
    ]
    for _ in range(draw(st.integers(0, 2)) if rarely(draw, 2) else 0):
        row = rows[draw(st.integers(0, len(rows) - 1))]
        row[draw(st.integers(0, 4))] = draw(st.one_of(labels, st.sampled_from(NUMBERS)))
    if rarely(draw, 10):
        rows = draw(st.permutations(rows))
    if rarely(draw, 15):
        header[draw(st.integers(0, 4))] = draw(st.sampled_from([*COLUMNS, "Epoch ", "night"]))
    stream = io.StringIO()
    csv.writer(stream).writerows([header, *rows])
    data = stream.getvalue().encode("utf-8", "replace")
    return perhaps_damaged(draw, data)


SIDECARS = (
    {"trial_type": {"Levels": {"0": "wake", "1": "light", "2": "deep", "3": "rem", "W": "wake", "R": "REM sleep"}}},
    {"stage": {"Levels": {"wake": "awake", "N1": "N1", "0": "W", "1": "N1", "2": "N2"}}, "onset": {"Units": "s"}},
    {},
)
sidecars = json_files(SIDECARS)
