"""Tables of paired epochs: night by night, in pieces, and refused where rows do not fit together."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from sleepagree import Refusal, ScoringOptions, StudyOptions, score_table, summarise_study
from sleepagree.errors import EpochGridError, FileFormatError, InputError, SleepAgreeError
from sleepagree.hypnogram.align import align
from sleepagree.mapping.mapping import mapping_named
from sleepagree.readers.memory import read_hypnogram
from sleepagree.study import paired_epochs as paired_table
from sleepagree.study.night_summary import NightSummary, summarise_night
from sleepagree.study.paired_epochs import COLUMNS, is_paired_table, read_paired_nights

Row = tuple[object, ...]

NIGHT: list[Row] = [
    ("a", 1, 0, "W", "wake"),
    ("a", 1, 1, "N1", "light"),
    ("a", 1, 2, "N2", "light"),
    ("a", 1, 3, "?", "light"),
    ("a", 1, 5, "N3", ""),
    ("a", 1, 6, "R", "rem"),
    ("a", 2, 10, "N2", "deep"),
    ("a", 2, 11, "N2", "light"),
    ("b", 1, 0, "W", "wake"),
    ("b", 1, 1, "N2", "light"),
]


def write_csv(path: Path, rows: list[Row], *, header: tuple[str, ...] = COLUMNS, delimiter: str = ",") -> Path:
    with path.open("w", newline="", encoding="utf-8") as stream:
        csv.writer(stream, delimiter=delimiter).writerows([header, *rows])
    return path


def write_parquet(path: Path, rows: list[Row]) -> Path:
    pa, pq = pytest.importorskip("pyarrow"), pytest.importorskip("pyarrow.parquet")
    columns = dict(zip(COLUMNS, zip(*rows, strict=True), strict=True))
    values = {k: [None if x == "" else str(x) if k != "epoch" else x for x in v] for k, v in columns.items()}
    pq.write_table(pa.table(values), path)
    return path


def write(kind: str, folder: Path, rows: list[Row]) -> Path:
    return write_csv(folder / "t.csv", rows) if kind == "csv" else write_parquet(folder / "t.parquet", rows)


def read(path: Path, **options: object) -> list[NightSummary]:
    return list(read_paired_nights(path, **options))  # type: ignore[arg-type]


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_nights_by_hand(kind: str, tmp_path: Path) -> None:
    nights = read(write(kind, tmp_path, NIGHT))
    assert [(n.participant, n.night, n.device) for n in nights] == [
        ("a", "1", "device"), ("a", "2", "device"), ("b", "1", "device"),
    ]  # fmt: skip
    first, second, third = nights
    # epochs 0 to 6: number 4 stands nowhere, number 3 is unscored, number 5 has no device
    assert (first.window_epochs, first.scored) == (7, 4)
    assert dict(first.excluded) == {
        "reference_gap": 1, "reference_unscored": 1, "device_gap": 1, "device_unscored": 0,
    }  # fmt: skip
    # a night begins at its first number
    assert (second.window_epochs, second.scored) == (2, 2)
    assert (third.window_epochs, third.scored) == (2, 2)
    assert first.window_rule == "table"


@pytest.mark.parametrize("anonymous", [False, True])
def test_a_night_without_an_epoch_that_both_scored_is_refused_and_in_no_mean(anonymous: bool, tmp_path: Path) -> None:
    silent = [("c", 1, number, "N2", "") for number in range(20)]
    table = write_csv(tmp_path / "t.csv", [*NIGHT, *silent])
    *scored, refused = score_table(table, options=ScoringOptions(anonymous=anonymous))
    assert isinstance(refused, Refusal)
    assert refused.participant == ("P03" if anonymous else "c")
    assert refused.reason == "no epoch has a stage on both sides (20 device gap)."
    assert [night.scored for night in scored] == [4, 2, 2]
    assert summarise_study([*scored, refused], StudyOptions(resamples=0)).refused == (refused,)


@pytest.mark.parametrize("rows_at_once", [1, 2, 3, 4, 7, 10])
@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_pieces_make_no_difference(
    kind: str, rows_at_once: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write(kind, tmp_path, NIGHT)
    whole = [_counts(n) for n in read(path)]
    monkeypatch.setattr(paired_table, "_ROWS", rows_at_once)
    assert [_counts(n) for n in read(path)] == whole


def _counts(night: NightSummary) -> tuple[object, ...]:
    cells = {
        (night.reference_set.labels[i], night.device_set.labels[j]): int(night.native[i, j])
        for i, j in np.argwhere(night.native).tolist()
    }
    measures = [None if np.isnan(v) else v for v in (*night.reference_measures, *night.device_measures)]
    return night.participant, night.night, night.window_epochs, night.scored, night.excluded, cells, measures


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_the_same_as_the_path_of_one_night(kind: str, tmp_path: Path) -> None:
    rng = np.random.default_rng(8)
    reference = [["W", "N1", "N2", "N3", "R", "?"][i] for i in np.repeat(rng.integers(0, 6, 80), 7)]
    device = [["wake", "light", "deep", "rem", ""][i] for i in np.repeat(rng.integers(0, 5, 112), 5)]
    # both ends are stages on both sides, so that both windows are the whole night
    reference[0] = reference[-1] = "W"
    device[0] = device[-1] = "wake"
    rows: list[Row] = [("a", 1, i, r, d) for i, (r, d) in enumerate(zip(reference, device, strict=True))]
    (night,) = read(write(kind, tmp_path, rows))
    paired = align(reference=read_hypnogram(reference), device=read_hypnogram([d or None for d in device]))
    alone = summarise_night(paired, row=1, participant="a", night="1", device="device")
    assert _counts(night) == _counts(alone)


def test_what_the_device_can_report_may_be_told(tmp_path: Path) -> None:
    path = write_csv(tmp_path / "t.csv", NIGHT)
    (night, *_) = read(path, reports=("wake", "light", "deep", "rem"), device="pad B")
    assert set(night.device_set.reportable) == {"W", "light", "N3", "R"}
    assert night.device == "pad B"
    assert read(path, mapping=mapping_named("wake-sleep"))[0].scored == 4


@pytest.mark.parametrize("said", [{"window": "overlap"}, {"outside": "wake"}])
def test_what_could_only_be_done_with_the_files_is_refused(said: dict[str, str], tmp_path: Path) -> None:
    path = write_csv(tmp_path / "t.csv", NIGHT)
    assert isinstance(score_table(path, ScoringOptions())[0], NightSummary)
    with pytest.raises(InputError, match=rf"^t\.csv: {next(iter(said))}: paired epochs are taken as they are"):
        score_table(path, ScoringOptions(**said))


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_delimiters_capitals_and_a_byte_order_mark(delimiter: str, tmp_path: Path) -> None:
    header = ("Participant", "NIGHT", "Epoch ", "reference", "device")
    path = write_csv(tmp_path / "t.csv", NIGHT, header=header, delimiter=delimiter)
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    assert is_paired_table(path)
    assert len(read(path)) == 3


def test_what_a_table_of_paired_epochs_is(tmp_path: Path) -> None:
    nights = tmp_path / "nights.csv"
    nights.write_text("participant,night,device,reference,device_file\n")
    assert not is_paired_table(nights)
    assert is_paired_table(write_csv(tmp_path / "t.csv", NIGHT))
    assert is_paired_table(Path("x.parquet"))


@pytest.mark.parametrize("kind", ["csv", "parquet"])
@pytest.mark.parametrize(
    ("rows", "error", "said"),
    [
        ([NIGHT[0], NIGHT[8], NIGHT[1]], EpochGridError, "the rows of a night do not stand together"),
        ([NIGHT[1], NIGHT[0]], EpochGridError, "the epoch numbers of a night do not rise"),
        ([NIGHT[0], NIGHT[0]], EpochGridError, "the epoch numbers of a night do not rise"),
        ([("a", 1, 0, "W", "wake"), ("a", 1, 999_999, "W", "wake")], EpochGridError, "numbers of a night leap"),
        ([("a", 1, 0, "W", "wake"), ("a", 1, 10**12, "W", "wake")], FileFormatError, "epoch number cannot be read"),
        ([("a", 1, 0, "W", "up and about")], SleepAgreeError, "unknown stage label"),
        ([("", 1, 0, "W", "wake")], FileFormatError, "participant"),
    ],
)
def test_rows_that_do_not_fit_together(
    kind: str, rows: list[Row], error: type[SleepAgreeError], said: str, tmp_path: Path
) -> None:
    with pytest.raises(error, match=said) as refusal:
        read(write(kind, tmp_path, rows))
    assert refusal.value.path.startswith("t.")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("participant,night,epoch,reference\na,1,0,W\n", "column device is missing"),
        ("participant,night,epoch,reference,device,night\na,1,0,W,wake,1\n", "column night stands twice"),
        ("participant,night,epoch,reference,device\na,1,x,W,wake\n", "row 1 below the header, column 'epoch'"),
        ("participant,night,epoch,reference,device\na,1,0,W,wake\na,1,1.5,W,wake\n", "row 2 below the header"),
        ("participant,night,epoch,reference,device\na,1,0,W,wake,\n", "not a readable table"),
        ("participant,night,epoch,reference,device\na,1,0,W,wake\na,1,1,W,wake,x\n", "not a readable table"),
        ('participant,night,epoch,reference,device\na,1,0,W,"wake\n', "not a readable table"),
        ("participant,night,epoch,reference,device\na,1,0,W,\udcff\n", "not a readable table"),
    ],
)
def test_tables_that_are_broken(text: str, said: str, tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_bytes(text.encode("utf-8", "surrogateescape"))
    with pytest.raises(FileFormatError, match=said):
        read(path)


@pytest.mark.parametrize("told", ["", "sep=;\n"])
@pytest.mark.parametrize("short", ["a;1;1;N2", "a;1;1", "a", '"a;b";1;1;N2'])
@pytest.mark.parametrize("rows_at_once", [1, 2, 480_000])
def test_a_row_with_too_few_cells_is_no_gap(
    rows_at_once: int, short: str, told: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(paired_table, "_ROWS", rows_at_once)
    path = tmp_path / "t.csv"
    # blank lines are no rows, and an empty cell behind a delimiter is a gap
    path.write_text(f"{told}{';'.join(COLUMNS)}\na;1;0;W;\n\n  \n{short}\na;1;2;N2;light\n")
    with pytest.raises(FileFormatError, match="the row has too few cells") as refusal:
        read(path)
    assert refusal.value.where == "row 2 below the header"
    assert refusal.value.found == {"a": "1 cell", "a;1;1": "3 cells"}.get(short, "4 cells")
    assert refusal.value.expected == "5, as in the header"


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_spaces_around_names_are_left_out(kind: str, tmp_path: Path) -> None:
    rows: list[Row] = [("p1", "1", 0, "W", "wake"), ("p1 ", " 1", 1, "N2", "light"), (" p1", "2", 0, "W", "wake")]
    nights = read(write(kind, tmp_path, rows), device=" pad B ")
    assert [(n.participant, n.night, n.device, n.scored) for n in nights] == [
        ("p1", "1", "pad B", 2), ("p1", "2", "pad B", 1),
    ]  # fmt: skip
    with pytest.raises(FileFormatError, match="participant is empty"):
        read(write(kind, tmp_path, [("  ", 1, 0, "W", "wake")]))


def test_a_table_without_rows(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="the table has no row"):
        read(write_csv(tmp_path / "t.csv", []))


def test_a_parquet_file_that_is_none(tmp_path: Path) -> None:
    path = tmp_path / "t.parquet"
    path.write_bytes(b"PAR1 and nothing else")
    with pytest.raises(FileFormatError, match="not a readable Parquet file"):
        read(path)
