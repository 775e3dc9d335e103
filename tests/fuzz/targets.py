"""What is fuzzed: a strategy, how its bytes become files, and what must survive them."""

from __future__ import annotations

import io
import json
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

from sleepagree.cli.running import run_study
from sleepagree.mapping.files import read_mapping
from sleepagree.render.study_json import study_document
from sleepagree.study.from_table import StudyRequest, load_nights
from sleepagree.study.night_summary import NightSummary
from sleepagree.study.paired_epochs import read_paired_nights
from sleepagree.study.results import StudyOptions
from sleepagree.study.run import ScoringOptions, score_rows
from sleepagree.study.summarise import summarise_study
from sleepagree.study.table import read_nights_table
from tests.fuzz import inputs
from tests.fuzz.invariant import MARKER_HEADER, bounded, or_message, survive, warm_up

Survivor = Callable[[Path, Any], str]


@dataclass(frozen=True)
class Target:
    """A strategy and what its inputs are given to."""

    name: str
    strategy: st.SearchStrategy[Any]
    survivor: Survivor

    def run(self, folder: Path, *, examples: int, seed: int | None) -> Counter[str]:
        """Try examples; return what became of them."""
        tally: Counter[str] = Counter()
        warm_up(folder)

        def check(value: Any) -> None:
            tally[self.survivor(folder, value)] += 1

        check.__qualname__ = f"fuzz {self.name}"
        quiet = settings(
            max_examples=examples,
            deadline=None,
            database=None,
            derandomize=seed is None,
            suppress_health_check=list(HealthCheck),
            phases=(Phase.generate, Phase.shrink),
        )
        wrapped = quiet(given(self.strategy)(check))
        if seed is not None:
            wrapped = _seeded(seed)(wrapped)
        wrapped()
        return tally


_seeded = seed


def _one_file(suffix: str) -> Survivor:
    def check(folder: Path, data: bytes) -> str:
        path = folder / f"night{suffix}"
        path.write_bytes(data)
        return survive(path)

    return check


def _file_and_layout(suffix: str) -> Survivor:
    def check(folder: Path, pair: tuple[bytes, bytes, str | None]) -> str:
        path, layout = folder / f"night{suffix}", folder / "layout.toml"
        path.write_bytes(pair[0])
        layout.write_bytes(pair[1])
        return survive(path, layout=layout, zone=pair[2])

    return check


def _events(folder: Path, pair: tuple[bytes, bytes]) -> str:
    path = folder / "sub-1_task-sleep_events.tsv"
    path.write_bytes(pair[0])
    path.with_suffix(".json").write_bytes(pair[1])
    return survive(path)


def _markers(folder: Path, data: bytes) -> str:
    (folder / "night.vhdr").write_text(MARKER_HEADER)
    (folder / "night.eeg").write_bytes(bytes(2000))
    (folder / "night.vmrk").write_bytes(data)
    return survive(folder / "night.vmrk")


def _mapping(folder: Path, data: bytes) -> str:
    path = folder / "mapping.toml"
    path.write_bytes(data)
    with bounded(len(data)):
        return "mapping refused" if or_message(lambda: read_mapping(path)) is None else "mapping read"


def _nights(folder: Path, pair: tuple[bytes, bytes, bytes]) -> str:
    table, data = folder / "nights.csv", sum(map(len, pair))
    _lay_out(folder)
    table.write_bytes(pair[0])
    (folder / "fuzzed.csv").write_bytes(pair[1] or b"x")
    (folder / "layout.toml").write_bytes(pair[2])
    with bounded(data + 100_000):
        read = or_message(lambda: load_nights(table))
        if read is None:
            return "table refused"
        if not read.paired_epochs:
            score_rows(read.rows, read.folder, ScoringOptions(epochs=True))
    request = StudyRequest(ScoringOptions(), StudyOptions(resamples=20), told={})
    study = or_message(lambda: run_study(read, request))
    if study is None:
        return "study refused"
    assert sum(len(d.nights) for d in study.devices) + len(study.refused) == study.given
    json.dumps(study_document(study), allow_nan=False)
    return "study scored"


FILES = ("good.edf", "other.edf", "third.edf", "good.csv", "other.csv", "third.csv", "fuzzed.csv", "broken.edf")


def _lay_out(folder: Path) -> None:
    if (folder / "good.edf").exists():
        return
    (folder / "good.edf").write_bytes(inputs.GOOD_EDF)
    (folder / "other.edf").write_bytes(inputs.GOOD_EDF.replace(b"Sleep stage N1", b"Sleep stage N2"))
    (folder / "third.edf").write_bytes(inputs.GOOD_EDF.replace(b"Sleep stage N3", b"Sleep stage R"))
    (folder / "broken.edf").write_bytes(inputs.GOOD_EDF[:700])
    words = ("wake", "light", "light", "deep", "rem")
    for name, step in (("good.csv", 1), ("other.csv", 2), ("third.csv", 3)):
        rows = [f"2026-03-01T22:{30 + i // 2:02d}:{30 * (i % 2):02d},{words[i * step % 5]}" for i in range(60)]
        (folder / name).write_text("time,stage\n" + "\n".join(rows) + "\n")


def _paired(folder: Path, data: bytes) -> str:
    path = folder / "paired.csv"
    path.write_bytes(data)
    with bounded(len(data)):
        nights = or_message(lambda: list(read_paired_nights(path)))
        if nights is None:
            return "table refused"
        for night in nights:
            assert night.scored + sum(count for _, count in night.excluded) == night.window_epochs
            assert int(night.native.sum()) == night.scored
            json.dumps(night.to_document(), allow_nan=False)
            assert NightSummary.from_document(night.to_document()).to_document() == night.to_document()
    if not any(night.scored for night in nights):
        return "nothing scored"
    options = StudyOptions(resamples=20)
    return "no mapping" if or_message(lambda: summarise_study(nights, options)) is None else "study scored"


def _checked_table(folder: Path, data: bytes) -> str:
    path = folder / "nights.csv"
    _lay_out(folder)
    path.write_bytes(data)
    with bounded(len(data)):
        return "table refused" if or_message(lambda: read_nights_table(path)) is None else "table read"


@st.composite
def parquet_files(draw: st.DrawFn) -> bytes:
    """A Parquet table of columns of any type that may hold times and stages."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    n = draw(st.integers(0, 20))
    second = 1_772_404_200
    unit = draw(st.sampled_from(["s", "ms", "us", "ns"]))
    words = ("wake", "light", "deep", "rem")
    columns: dict[str, Any] = {
        "time": pa.array([second + 30 * i for i in range(n)]).cast(pa.timestamp("s")).cast(pa.timestamp(unit)),
        "later": pa.array([second + 30 * (i + 1) for i in range(n)]).cast(pa.timestamp("s")),
        "zoned": pa.array([second + 30 * i for i in range(n)]).cast(pa.timestamp("s", tz="Europe/Helsinki")),
        "number": pa.array([float(30 * i) for i in range(n)]),
        "huge": pa.array([draw(st.sampled_from([2**62, -(2**62), 0])) for _ in range(n)]),
        "odd": pa.array([draw(st.sampled_from([np.nan, np.inf, 0.5, None])) for _ in range(n)], pa.float64()),
        "stage": pa.array(
            [draw(st.one_of(st.none(), st.sampled_from(inputs.LABELS[:16]))) for _ in range(n)], pa.string()
        ),
        "code": pa.array([i % 5 for i in range(n)], pa.int8()),
        "bytes": pa.array([b"\xff\x00"] * n, pa.binary()),
        "list": pa.array([[i] for i in range(n)], pa.list_(pa.int64())),
        "span": pa.array([30] * n, pa.duration("s")),
        "day": pa.array([20_000] * n, pa.int32()).cast(pa.date32()),
        "word": pa.array([words[i // 3 % 4] for i in range(n)], pa.string()).dictionary_encode(),
        "nothing": pa.nulls(n),
    }
    usual = draw(st.sampled_from([("time", "stage"), ("start", "end", "stage"), ("start", "duration", "stage")]))
    good = {"time": "time", "start": "time", "end": "later", "duration": "span", "stage": "word"}
    chosen = {name: columns[good[name]] for name in usual}
    chosen |= inputs.few(draw, {name: st.sampled_from(sorted(columns)).map(columns.__getitem__) for name in usual})
    stream = io.BytesIO()
    pq.write_table(pa.table(chosen), stream)
    whole = stream.getvalue()
    return inputs.perhaps_damaged(draw, whole)


@st.composite
def marker_files(draw: st.DrawFn) -> bytes:
    """A BrainVision marker file, which MNE reads."""
    lines = [
        "Brain Vision Data Exchange Marker File, Version 1.0",
        "",
        "[Common Infos]",
        "Codepage=UTF-8",
        "DataFile=x.eeg",
        "",
    ]
    lines.append("[Marker Infos]")
    for i in range(draw(st.integers(1, 20))):
        mark = {"text": inputs.HYPNOGRAM_TEXTS[i % 5], "at": str(3000 * i + 1), "long": "3000"}
        odd = {"text": inputs.labels, "at": st.sampled_from(inputs.NUMBERS), "long": st.sampled_from(["1", "0", "x"])}
        mark |= inputs.few(draw, odd, most=1) if i == 3 else {}
        lines.append(f"Mk{i + 1}=Comment,{mark['text']},{mark['at']},{mark['long']},0")
    data = "\n".join(lines).encode("utf-8", "replace")
    return inputs.perhaps_damaged(draw, data)


_zone = st.one_of(st.none(), st.none(), st.sampled_from(inputs.ZONES))

TARGETS = (
    Target("EDF", inputs.edf_files(), _one_file(".edf")),
    Target("EDF and layout", st.tuples(inputs.edf_files(), inputs.layouts, _zone), _file_and_layout(".edf")),
    Target("EDF signal", inputs.signal_files(), _one_file(".bdf")),
    Target("table", inputs.tables(), _one_file(".csv")),
    Target("table and layout", st.tuples(inputs.tables(), inputs.layouts, _zone), _file_and_layout(".csv")),
    Target("runs and layout", st.tuples(inputs.run_files(), inputs.run_layouts, _zone), _file_and_layout(".txt")),
    Target("events", st.tuples(inputs.tables(kinds=("events", "events", "elapsed")), inputs.sidecars), _events),
    Target("JSON", inputs.json_files(), _one_file(".json")),
    Target("JSON and layout", st.tuples(inputs.json_files(), inputs.layouts, _zone), _file_and_layout(".json")),
    Target("JSON lines", inputs.json_line_files(), _one_file(".ndjson")),
    *(
        Target(
            name,
            st.tuples(inputs.markup_files(form), st.just(inputs.MARKUP_LAYOUTS[form].encode()), _zone),
            _file_and_layout(f".{form}"),
        )
        for name, form in (("XML", "xml"), ("page", "html"))
    ),
    Target("Parquet", parquet_files(), _one_file(".parquet")),
    Target("Parquet and layout", st.tuples(parquet_files(), inputs.layouts, _zone), _file_and_layout(".parquet")),
    Target("markers through MNE", marker_files(), _markers),
    Target("mapping", inputs.mappings, _mapping),
    Target("table of nights", inputs.nights_tables(FILES), _checked_table),
    Target("study", st.tuples(inputs.nights_tables(FILES), inputs.tables(), inputs.layouts), _nights),
    Target("paired epochs", inputs.paired_tables(), _paired),
)
