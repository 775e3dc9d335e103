"""Tables of paired epochs: many nights in one CSV or Parquet file, read in pieces, reduced night by night.

One row per epoch with the columns participant, night, epoch, reference, device. Rows of a night stand together and
their epoch numbers rise; a number that is missing is a gap on both sides, an empty cell a gap on its side. Spaces
around a cell are left out.
"""

from __future__ import annotations

import csv
import hashlib
import warnings
from collections.abc import Iterator, Sequence
from functools import lru_cache
from itertools import islice, pairwise
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sleepagree.errors import EpochGridError, FileFormatError, InputError, UnknownStageError, counted, shorten
from sleepagree.files.kinds import PARQUET
from sleepagree.files.reading import InputFile, open_known
from sleepagree.hypnogram.ledger import Status, cross_labels, list_excluded
from sleepagree.hypnogram.spans import EPOCH_S
from sleepagree.mapping.mapping import StageMapping
from sleepagree.mapping.sets import StageSet, make_stage_set
from sleepagree.mapping.words import STAGE_WORDS, UNSCORED, assign_stages
from sleepagree.night.measures import measure_codes
from sleepagree.study.night_summary import (
    MEASURE_NAMES,
    PAIRED_RULE,
    NightSummary,
    Refusal,
    SourceFile,
    hash_sequence,
    pack_epochs,
    share_equal,
)
from sleepagree.study.table import Head, head_of

COLUMNS: Final = ("participant", "night", "epoch", "reference", "device")
_EXPECTED: Final = "a table of nights (CSV), or of paired epochs (CSV, Parquet)"
_ROWS: Final = 480_000
_LONGEST_ROW: Final = 1024 * 1024
_LARGEST_EPOCH: Final = 10**9


class _Words:
    """The texts of one column, numbered in order of appearance."""

    def __init__(self, *, of_labels: bool) -> None:
        self.of_labels = of_labels
        self.texts: list[str] = []
        self._number: dict[str, int] = {"": -1} if of_labels else {}

    def numbers(self, column: _Column) -> NDArray[np.int64]:
        """Return the number of each row's text, new ones learnt; -1 for a label that is empty."""
        learnt = []
        for cell in column.texts:
            text = "" if cell is None and self.of_labels else str(cell).strip()
            if text not in self._number:
                self._number[text] = len(self.texts)
                self.texts.append(text)
            learnt.append(self._number[text])
        numbers: NDArray[np.int64] = np.array([*learnt, -1], np.int64)[column.codes]
        return numbers


def is_paired_table(path: Path) -> bool:
    """Whether a file is a table of paired epochs: Parquet, or CSV with an ``epoch`` and no ``device_file`` column."""
    if path.suffix.casefold() == ".parquet":
        return True
    with open_known(path, expected=_EXPECTED) as source:
        names = _head_of(source).names
    return "epoch" in names and "device_file" not in names


def _head_of(source: InputFile) -> Head:
    return head_of(source.read_at(0, min(4096, source.size)).decode("utf-8-sig", "replace"))


def read_paired_nights(
    path: Path,
    *,
    device: str = "device",
    mapping: StageMapping | None = None,
    reports: Sequence[str] | None = None,
    keep_epochs: bool = True,
) -> Iterator[NightSummary | Refusal]:
    """Read a table of paired epochs and reduce it night by night; memory does not grow with the file.

    A table holds one device. Nights of two tables, each read with its own ``device``, can be given to
    `summarise_study` together: it compares the two devices on the epochs, by their numbers, that
    both scored.

    Parameters
    ----------
    path : Path
        CSV or Parquet file.
    device : str
        What to call the device.
    mapping : StageMapping, optional
        Says whether a stage that does not tell (wake-or-sleep) is sleep.
    reports : sequence of str, optional
        What the device can report.
    keep_epochs : bool
        Whether nights hold the labels of their epochs, which a comparison with another device needs.

    Yields
    ------
    NightSummary or Refusal
        In the order of the file; refused is a night of which no epoch has a stage on both sides.

    Raises
    ------
    FileFormatError
        When columns are missing or the file cannot be read.
    EpochGridError
        When rows of a night do not stand together or its epoch numbers do not rise.
    """
    words = {name: _Words(of_labels=name in ("reference", "device")) for name in COLUMNS if name != "epoch"}
    people, nights = words["participant"].texts, words["night"].texts
    device = device.strip()
    reported = None if reports is None else tuple(reports)
    seen: dict[tuple[str, str], None] = {}
    held = np.empty((len(COLUMNS), 0), np.int64)

    def reduce(rows: NDArray[np.int64]) -> NightSummary | Refusal:
        name = people[rows[0, 0]], nights[rows[1, 0]]
        where = f"participant {shorten(name[0])}, night {shorten(name[1])}"
        _refuse_odd_night(rows[2], path.name, where, seen=name in seen)
        seen[name] = None
        reference = _stage_set(tuple(words["reference"].texts), None, path.name)
        worn = _stage_set(tuple(words["device"].texts), reported, path.name)
        return _summarise(rows[2:], (reference, worn), (*name, device), path.name, mapping, len(seen), keep=keep_epochs)

    for columns in _parquet_rows(path) if path.suffix.casefold() == ".parquet" else _csv_rows(path):
        piece = [columns[name] if name == "epoch" else words[name].numbers(columns[name]) for name in COLUMNS]
        rows = np.concatenate((held, piece), axis=1)
        edges = np.flatnonzero((np.diff(rows[:2], prepend=-1, append=-1) != 0).any(axis=0)).tolist()
        for begin, end in pairwise(edges[:-1]):
            yield reduce(rows[:, begin:end])
        held = rows[:, edges[-2] :].copy() if edges else held
    if not held.size:
        raise InputError("the table has no row", path.name, "", "a header only", "rows of epochs", "Give another file.")
    yield reduce(held)


def _refuse_odd_night(epoch: NDArray[np.int64], file: str, where: str, *, seen: bool) -> None:
    """Refuse a night that was there before, and one whose epoch numbers do not rise or leap."""
    if seen:
        problem = "the rows of a night do not stand together"
        remedy = "Sort the table by participant, night and epoch."
        raise EpochGridError(problem, file, where, "more rows further down", "one block of rows per night", remedy)
    if (np.diff(epoch) <= 0).any():
        problem = "the epoch numbers of a night do not rise"
        remedy = "Sort the table by participant, night and epoch, and drop duplicates."
        raise EpochGridError(problem, file, where, "a number that repeats or falls", "rising numbers", remedy)
    if epoch[-1] - epoch[0] > 100 * epoch.size + 10_000:
        problem = "the epoch numbers of a night leap"
        remedy = "Number the epochs of each night from 0."
        raise EpochGridError(problem, file, where, f"{epoch[0]} to {epoch[-1]}", "numbers of one night", remedy)


@lru_cache(maxsize=64)
def _stage_set(labels: tuple[str, ...], reports: tuple[str, ...] | None, file: str) -> StageSet:
    try:
        stages = assign_stages(labels, path=file)
    except UnknownStageError as error:
        where = "columns 'reference' and 'device'"
        expected = "plain stage names"
        # no layout is read beside such a table
        remedy = (
            f"Write each stage in the table as one of {', '.join((*STAGE_WORDS, UNSCORED))}; an empty cell is a gap."
        )
        raise UnknownStageError(error.problem, file, where, error.found, expected, remedy, error.labels) from None
    return make_stage_set(labels, stages, reports=reports, path=file)


def _summarise(
    rows: NDArray[np.int64],
    sets: tuple[StageSet, StageSet],
    names: tuple[str, str, str],
    file: str,
    mapping: StageMapping | None,
    number: int,
    *,
    keep: bool,
) -> NightSummary | Refusal:
    """Reduce a night; ``rows`` holds its epoch numbers and the codes of both sides."""
    first = int(rows[0, 0])
    codes = np.full((2, int(rows[0, -1]) - first + 1), -1, np.int16)
    codes[:, rows[0] - first] = rows[1:]
    reference, device = codes
    crossed = cross_labels(reference, device, sets[0], sets[1])
    if not crossed.scored:
        why = list_excluded(crossed.excluded)
        return Refusal(number, *names, f"no epoch has a stage on both sides ({why}).")
    scored = crossed.status == Status.SCORED
    measures = measure_codes(reference, device, scored, sets[0], sets[1], mapping)
    source = SourceFile(file, "")
    return NightSummary(
        number,
        *names,
        (source,),
        source,
        "",
        PAIRED_RULE,
        crossed.status.size,
        crossed.scored,
        0,
        0,
        share_equal(crossed.excluded),
        sets[0],
        sets[1],
        crossed.counts,
        tuple(getattr(measures[0], name) for name in MEASURE_NAMES),
        tuple(getattr(measures[1], name) for name in MEASURE_NAMES),
        sequences=(hash_sequence(reference, sets[0]), hash_sequence(device, sets[1])),
        epochs=pack_epochs(reference, device, begin_s=first * EPOCH_S) if keep else None,
    )


# --- rows of a file ---------------------------------------------------------------------------------------


class _Column(NamedTuple):
    """The different cells of a column, and which of them each row has; -1 for none."""

    texts: Sequence[Any]
    codes: NDArray[np.int64]


#: Some rows of a table by column; their epoch numbers are whole.
_Rows = dict[str, Any]


def _parquet_rows(path: Path) -> Iterator[_Rows]:
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError:
        raise InputError.of_library("reading Parquet", "pyarrow", "parquet", path.name) from None
    with open_known(path, expected=_EXPECTED, own=(PARQUET,)):
        pass
    try:
        with pq.ParquetFile(path) as table:
            _check_columns(table.schema_arrow.names, path)
            for batch in table.iter_batches(batch_size=_ROWS, columns=list(COLUMNS)):
                yield _rows_of_batch(batch, path)
    except pa.ArrowException as error:
        raise FileFormatError(
            "not a readable Parquet file", path.name, "", str(error).split("\n")[0], "Parquet", "Write it again."
        ) from None


def _rows_of_batch(batch: Any, path: Path) -> _Rows:
    columns = {name: batch.column(name) for name in COLUMNS}
    for name in ("participant", "night", "epoch"):
        if columns[name].null_count:
            raise FileFormatError(
                f"a cell of '{name}' is empty", path.name, f"column '{name}'", "no value", "a value", ""
            )
    epoch = columns["epoch"].to_numpy(zero_copy_only=False)
    if epoch.dtype.kind not in "iuf" or _odd(epoch).any():
        raise _odd_epochs(path, "column 'epoch'", str(columns["epoch"].type))

    def coded(name: str) -> _Column:
        column = columns[name] if hasattr(columns[name], "indices") else columns[name].dictionary_encode()
        codes = column.indices.fill_null(-1).to_numpy(zero_copy_only=False).astype(np.int64)
        texts = column.dictionary.to_pylist()
        blank = [i for i, text in enumerate(texts) if not str(text).strip()]
        if blank and name in ("participant", "night") and np.isin(codes, blank).any():
            raise FileFormatError(f"{name} is empty", path.name, f"column '{name}'", "blanks", "a name", "Fill it in.")
        return _Column(texts, codes)

    return {name: epoch.astype(np.int64) if name == "epoch" else coded(name) for name in COLUMNS}


def _odd(values: Any) -> Any:
    """Return which numbers cannot count epochs."""
    with np.errstate(invalid="ignore"):
        return ~((abs(values) <= _LARGEST_EPOCH) & (values % 1 == 0))


def _odd_epochs(path: Path, where: str, found: str) -> FileFormatError:
    return FileFormatError(
        "an epoch number cannot be read", path.name, where, found, "a whole number", "Number the epochs of each night."
    )


def _csv_rows(path: Path) -> Iterator[_Rows]:
    import pandas as pd

    with open_known(path, expected=_EXPECTED) as source:
        head = _head_of(source)
        _refuse_endless_row(source, path)
    header = [cell.strip().casefold() for cell in next(csv.reader([head.text], delimiter=head.delimiter), [])]
    _check_columns(header, path, head.line)
    try:
        with pd.read_csv(
            path,
            sep=head.delimiter,
            chunksize=_ROWS,
            dtype=str,
            keep_default_na=False,
            encoding="utf-8-sig",
            skiprows=head.line - 1,
            header=0,
            names=[name if name in COLUMNS else f"column {i}" for i, name in enumerate(header)],
            index_col=False,  # or the first cells of rows that are too long would become a name of the row
        ) as frames:
            has_full_rows = False
            while (frame := _next_frame(frames)) is not None:
                # pandas fills rows that are too short with empty cells, which are gaps: only where the last cell is
                # empty may a row be one of them, and one look at the whole file tells
                if not has_full_rows and (frame.iloc[:, -1] == "").any():
                    _refuse_short_rows(path, head, len(header))
                    has_full_rows = True
                yield _rows_of_frame(frame[list(COLUMNS)], path)
    except (
        csv.Error,
        pd.errors.ParserError,
        pd.errors.ParserWarning,
        pd.errors.EmptyDataError,
        UnicodeDecodeError,
    ) as error:
        problem = "not a readable table"
        expected = "CSV in UTF-8, as many cells in every row as in the header"
        remedy = "Correct the rows there."
        raise FileFormatError(problem, path.name, "", str(error).strip().partition("\n")[0], expected, remedy) from None


def _refuse_short_rows(path: Path, head: Head, width: int) -> None:
    """Refuse a row with fewer cells than the header."""
    with path.open(encoding="utf-8-sig", newline="") as stream:
        rows = csv.reader(stream, delimiter=head.delimiter)
        filled = (cells for cells in islice(rows, head.line, None) if len(cells) > 1 or "".join(cells).strip())
        for number, cells in enumerate(filled, 1):
            if len(cells) < width:
                problem = "the row has too few cells"
                where = f"row {number} below the header"
                expected = f"{width}, as in the header"
                remedy = "Correct the row; a cell that is empty still has its delimiter."
                raise FileFormatError(problem, path.name, where, counted(len(cells), "cell"), expected, remedy)


def _next_frame(frames: Any) -> Any:
    """Return the next rows, None after the last; a row with too many cells is an error, not a warning."""
    import pandas as pd

    with warnings.catch_warnings():
        warnings.simplefilter("error", pd.errors.ParserWarning)
        return next(frames, None)


def _refuse_endless_row(source: InputFile, path: Path) -> None:
    """Refuse gigabytes without a line end, which pandas would take into memory as one cell."""
    if source.size <= _LONGEST_ROW:
        return
    start = source.read_at(0, _LONGEST_ROW)
    if max(start.count(b"\n"), start.count(b"\r")) < 2:
        raise FileFormatError(
            "the first row does not end", path.name, "line 2", f"{_LONGEST_ROW} bytes without a line end", "CSV", ""
        )


def _rows_of_frame(frame: Any, path: Path) -> _Rows:
    import pandas as pd

    def row_of(odd: NDArray[np.bool_]) -> str:
        return f"row {int(frame.index[odd][0]) + 1} below the header"

    epoch = pd.to_numeric(frame["epoch"], errors="coerce")
    odd = _odd(epoch).to_numpy()
    if odd.any():
        raise _odd_epochs(path, f"{row_of(odd)}, column 'epoch'", str(frame["epoch"].to_numpy()[odd][0]))
    for name in ("participant", "night"):
        empty = (frame[name].str.strip() == "").to_numpy()
        if empty.any():
            raise FileFormatError(f"{name} is empty", path.name, row_of(empty), "", "a name", "Fill it in.")

    def coded(name: str) -> _Column:
        codes, texts = pd.factorize(frame[name])
        return _Column(list(texts), codes)

    return {name: epoch.to_numpy().astype(np.int64) if name == "epoch" else coded(name) for name in COLUMNS}


def _check_columns(names: Sequence[str], path: Path, line: int = 1) -> None:
    missing = [column for column in COLUMNS if column not in names]
    twice = [column for column in COLUMNS if list(names).count(column) > 1]
    if missing:
        problem, expected, remedy = (
            f"column {missing[0]} is missing",
            f"columns {', '.join(COLUMNS)}",
            "Rename the columns.",
        )
    elif twice:
        problem, expected, remedy = f"column {twice[0]} stands twice", "one of each", "Take one out."
    else:
        return
    raise FileFormatError(problem, path.name, f"line {line}", ", ".join(names), expected, remedy)


def hash_file(path: Path) -> str:
    """Return the hash of a file's bytes without holding it in memory."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
