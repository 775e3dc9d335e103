"""Tables of paired epochs: many nights in one CSV or Parquet file, read in pieces, reduced night by night.

One row per epoch with the columns participant, night, epoch, reference, device. Rows of a night stand together and
their epoch numbers rise; a number that is missing is a gap on both sides, an empty cell a gap on its side.
"""

from __future__ import annotations

import csv
import hashlib
import warnings
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sleepagree.errors import EpochGridError, FileFormatError, InputError, shorten
from sleepagree.files.kinds import PARQUET
from sleepagree.files.reading import InputFile, open_known
from sleepagree.hypnogram.align import Status, count_excluded, cross_labels
from sleepagree.hypnogram.spans import EPOCH_S
from sleepagree.mapping.stages import StageMapping, StageSet, assign_stages, make_stage_set
from sleepagree.night.compare import measure_codes
from sleepagree.readers.csv_table import told_delimiter
from sleepagree.study.night_summary import (
    MEASURE_NAMES,
    NightSummary,
    SourceFile,
    hash_sequence,
    pack_epochs,
    share_equal,
)

COLUMNS: Final = ("participant", "night", "epoch", "reference", "device")
_EXPECTED: Final = "a table of nights (CSV), or of paired epochs (CSV, Parquet)"
_ROWS: Final = 480_000
_LONGEST_ROW: Final = 1024 * 1024
_LARGEST_EPOCH: Final = 10**9


class _Piece(NamedTuple):
    """Some rows: numbers of participant and night names, epochs, and label codes of both sides."""

    names: list[tuple[str, str]]
    of_row: NDArray[np.int64]
    epoch: NDArray[np.int64]
    reference: NDArray[np.int64]
    device: NDArray[np.int64]


class _Labels:
    """Label texts of one side in order of appearance; -1 stands for an empty cell."""

    def __init__(self) -> None:
        self.texts: list[str] = []
        self._code: dict[str, int] = {}

    def codes(self, texts: Sequence[Any]) -> NDArray[np.int64]:
        """Return the code of each text, new ones learnt."""
        out = []
        for text in texts:
            label = "" if text is None else str(text).strip()
            if label and label not in self._code:
                self._code[label] = len(self.texts)
                self.texts.append(label)
            out.append(self._code.get(label, -1))
        return np.array(out, np.int64)


def is_paired_table(path: Path) -> bool:
    """Whether a file is a table of paired epochs: Parquet, or CSV with an ``epoch`` and no ``device_file`` column."""
    if path.suffix.casefold() == ".parquet":
        return True
    with open_known(path, expected=_EXPECTED) as source:
        first = _header_of(source).text
    names = {cell.strip().strip('"').casefold() for cell in first.replace(";", ",").replace("\t", ",").split(",")}
    return "epoch" in names and "device_file" not in names


class _Header(NamedTuple):
    """The line with the names of the columns, and what a line above it tells."""

    text: str
    line: int
    delimiter: str | None


def _header_of(source: InputFile) -> _Header:
    # a line may end in a return alone: pandas splits there too
    text = source.read_at(0, min(4096, source.size)).decode("utf-8-sig", "replace").replace("\r\n", "\n")
    text = text.replace("\r", "\n")
    told = told_delimiter(text)
    if told is None:
        return _Header(text.split("\n", 1)[0], 1, None)
    return _Header(told.rest.split("\n", 1)[0], 2, told.mark)


def read_paired_nights(
    path: Path,
    *,
    device: str = "device",
    mapping: StageMapping | None = None,
    reports: Sequence[str] | None = None,
    keep_epochs: bool = True,
) -> Iterator[NightSummary]:
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
    NightSummary
        In the order of the file.

    Raises
    ------
    FileFormatError
        When columns are missing or the file cannot be read.
    EpochGridError
        When rows of a night do not stand together or its epoch numbers do not rise.
    """
    sides = _Labels(), _Labels()
    seen: set[tuple[str, str]] = set()
    held: _Piece | None = None
    number = 0
    for piece in _pieces(path, sides):
        current = piece if held is None else _join(held, piece)
        edges = np.flatnonzero(np.diff(current.of_row, prepend=-1, append=-1))
        for begin, end in zip(edges[:-2].tolist(), edges[1:-1].tolist(), strict=True):
            number += 1
            yield _reduce(
                current, begin, end, sides, seen, path, device, mapping, reports, number, keep_epochs=keep_epochs
            )
        held = _tail(current, int(edges[-2])) if edges.size > 1 else None
    if held is None:
        raise InputError("the table has no row", path.name, "", "a header only", "rows of epochs", "Give another file.")
    yield _reduce(
        held, 0, held.epoch.size, sides, seen, path, device, mapping, reports, number + 1, keep_epochs=keep_epochs
    )


def _reduce(
    piece: _Piece,
    begin: int,
    end: int,
    sides: tuple[_Labels, _Labels],
    seen: set[tuple[str, str]],
    path: Path,
    device: str,
    mapping: StageMapping | None,
    reports: Sequence[str] | None,
    number: int,
    *,
    keep_epochs: bool,
) -> NightSummary:
    participant, night = name = piece.names[int(piece.of_row[begin])]
    where = f"participant {shorten(participant)}, night {shorten(night)}"
    if name in seen:
        raise EpochGridError(
            "the rows of a night do not stand together",
            path.name,
            where,
            "more rows further down",
            "one block of rows per night",
            "Sort the table by participant, night and epoch.",
        )
    seen.add(name)
    epoch = piece.epoch[begin:end]
    if (np.diff(epoch) <= 0).any():
        raise EpochGridError(
            "the epoch numbers of a night do not rise",
            path.name,
            where,
            "a number that repeats or falls",
            "rising numbers",
            "Sort the table by participant, night and epoch, and drop duplicates.",
        )
    if epoch[-1] - epoch[0] > 100 * epoch.size + 10_000:
        raise EpochGridError(
            "the epoch numbers of a night leap",
            path.name,
            where,
            f"{epoch[0]} to {epoch[-1]}",
            "numbers of one night",
            "Number the epochs of each night from 0.",
        )
    place = epoch - epoch[0]
    rows = _place(piece.reference[begin:end], place)
    columns = _place(piece.device[begin:end], place)
    reference_set, device_set = (_stage_set(s, path, r) for s, r in zip(sides, (None, reports), strict=True))
    begin_s = float(epoch[0]) * EPOCH_S if keep_epochs else None
    names = participant, night, device
    return _summarise(rows, columns, reference_set, device_set, names, path, mapping, number, begin_s)


def _place(codes: NDArray[np.int64], place: NDArray[np.int64]) -> NDArray[np.int16]:
    out = np.full(int(place[-1]) + 1, -1, np.int16)
    out[place] = codes
    return out


_sets: dict[tuple[tuple[str, ...], tuple[str, ...] | None], StageSet] = {}


def _stage_set(side: _Labels, path: Path, reports: Sequence[str] | None) -> StageSet:
    labels = tuple(side.texts)
    key = labels, None if reports is None else tuple(reports)
    if key not in _sets:
        if len(_sets) > 64:
            _sets.clear()
        _sets[key] = make_stage_set(labels, assign_stages(labels, path=path.name), reports=reports, path=path.name)
    return _sets[key]


def _summarise(
    rows: NDArray[np.int16],
    columns: NDArray[np.int16],
    reference_set: StageSet,
    device_set: StageSet,
    names: tuple[str, str, str],
    path: Path,
    mapping: StageMapping | None,
    number: int,
    begin_s: float | None,
) -> NightSummary:
    crossed = cross_labels(rows, columns, reference_set, device_set)
    scored = crossed.status == Status.SCORED
    measures = measure_codes(rows, columns, scored, reference_set, device_set, mapping)
    source = SourceFile(path.name, "")
    return NightSummary(
        number,
        *names,
        (source,),
        source,
        "",
        "table",
        crossed.status.size,
        crossed.by_status[Status.SCORED],
        0,
        0,
        share_equal(count_excluded(crossed)),
        reference_set,
        device_set,
        crossed.native,
        tuple(getattr(measures[0], name) for name in MEASURE_NAMES),
        tuple(getattr(measures[1], name) for name in MEASURE_NAMES),
        sequences=(hash_sequence(rows, reference_set), hash_sequence(columns, device_set)),
        epochs=None if begin_s is None else pack_epochs(rows, columns, begin_s=begin_s),
    )


# --- pieces of a file -------------------------------------------------------------------------------------


def _pieces(path: Path, sides: tuple[_Labels, _Labels]) -> Iterator[_Piece]:
    if path.suffix.casefold() == ".parquet":
        yield from _parquet_pieces(path, sides)
    else:
        yield from _csv_pieces(path, sides)


def _parquet_pieces(path: Path, sides: tuple[_Labels, _Labels]) -> Iterator[_Piece]:
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError:
        raise FileFormatError(
            "Parquet needs the extra 'parquet'",
            path.name,
            "",
            "no pyarrow",
            "pyarrow",
            "Install it: pip install 'sleepagree[parquet]'.",
        ) from None
    with open_known(path, expected=_EXPECTED, own=PARQUET):
        pass
    try:
        with pq.ParquetFile(path) as table:
            _check_columns(table.schema_arrow.names, path)
            for batch in table.iter_batches(batch_size=_ROWS, columns=list(COLUMNS)):
                encoded = {n: batch.column(n) for n in COLUMNS}
                yield _arrow_piece(encoded, sides, path)
    except pa.ArrowException as error:
        raise FileFormatError(
            "not a readable Parquet file", path.name, "", str(error).split("\n")[0], "Parquet", "Write it again."
        ) from None


def _arrow_piece(encoded: dict[str, Any], sides: tuple[_Labels, _Labels], path: Path) -> _Piece:
    def split(name: str) -> tuple[list[Any], NDArray[np.int64]]:
        column = encoded[name]
        if not hasattr(column, "indices"):
            column = column.dictionary_encode()
        codes = column.indices.fill_null(-1).to_numpy(zero_copy_only=False).astype(np.int64)
        return column.dictionary.to_pylist(), codes

    for name in ("participant", "night", "epoch"):
        if encoded[name].null_count:
            raise FileFormatError(
                f"a cell of '{name}' is empty", path.name, f"column '{name}'", "no value", "a value", ""
            )
    epoch = _whole_numbers(encoded["epoch"].to_numpy(zero_copy_only=False))
    if epoch is None:
        raise _odd_epochs(path, "column 'epoch'", str(encoded["epoch"].type))
    labels = []
    for side, name in zip(sides, ("reference", "device"), strict=True):
        texts, codes = split(name)
        learnt = np.append(side.codes(texts), -1)
        labels.append(learnt[codes])
    people, person = split("participant")
    nights, night = split("night")
    return _Piece(*_name_rows(people, person, nights, night), epoch, labels[0], labels[1])


def _whole_numbers(values: NDArray[Any]) -> NDArray[np.int64] | None:
    """Return whole numbers that could count epochs, or None where some could not."""
    if values.dtype.kind not in "iuf":
        return None
    with np.errstate(invalid="ignore"):
        usable = (np.abs(values) <= _LARGEST_EPOCH) & (values % 1 == 0)
    return values.astype(np.int64) if usable.all() else None


def _odd_epochs(path: Path, where: str, found: str) -> FileFormatError:
    return FileFormatError(
        "an epoch number cannot be read", path.name, where, found, "a whole number", "Number the epochs of each night."
    )


def _csv_pieces(path: Path, sides: tuple[_Labels, _Labels]) -> Iterator[_Piece]:
    import pandas as pd

    with open_known(path, expected=_EXPECTED) as source:
        head = _header_of(source)
        _refuse_endless_row(source, path)
    delimiter = head.delimiter or max(",;\t", key=head.text.count)
    header = [cell.strip().casefold() for cell in next(csv.reader([head.text], delimiter=delimiter), [])]
    _check_columns(header, path, head.line)
    try:
        with pd.read_csv(
            path,
            sep=delimiter,
            chunksize=_ROWS,
            dtype=str,
            keep_default_na=False,
            encoding="utf-8-sig",
            skiprows=head.line - 1,
            header=0,
            names=[name if name in COLUMNS else f"column {i}" for i, name in enumerate(header)],
            index_col=False,  # or the first cells of rows that are too long would become a name of the row
        ) as frames:
            while (frame := _next_frame(frames)) is not None:
                yield _frame_piece(frame, sides, path)
    except (pd.errors.ParserError, pd.errors.ParserWarning, pd.errors.EmptyDataError, UnicodeDecodeError) as error:
        raise FileFormatError(
            "not a readable table",
            path.name,
            "",
            str(error).strip().partition("\n")[0],
            "CSV in UTF-8, as many cells in every row as in the header",
            "Correct the rows there.",
        ) from None


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


def _frame_piece(frame: Any, sides: tuple[_Labels, _Labels], path: Path) -> _Piece:
    import pandas as pd

    frame = frame[list(COLUMNS)]
    epoch = _whole_numbers(pd.to_numeric(frame["epoch"], errors="coerce").to_numpy())
    if epoch is None:
        numbers = pd.to_numeric(frame["epoch"], errors="coerce")
        odd = ~((numbers.abs() <= _LARGEST_EPOCH) & (numbers % 1 == 0)).to_numpy()
        raise _odd_epochs(path, f"{_row_of(frame, odd)}, column 'epoch'", str(frame["epoch"].to_numpy()[odd][0]))
    for name in ("participant", "night"):
        empty = (frame[name].str.strip() == "").to_numpy()
        if empty.any():
            raise FileFormatError(f"{name} is empty", path.name, _row_of(frame, empty), "", "a name", "Fill it in.")
    labels = []
    for side, name in zip(sides, ("reference", "device"), strict=True):
        codes, texts = pd.factorize(frame[name])
        labels.append(side.codes(list(texts))[codes])
    person, people = pd.factorize(frame["participant"])
    night, nights = pd.factorize(frame["night"])
    rows = _name_rows(list(people), person.astype(np.int64), list(nights), night.astype(np.int64))
    return _Piece(*rows, epoch, labels[0], labels[1])


def _row_of(frame: Any, odd: NDArray[np.bool_]) -> str:
    return f"row {int(frame.index[odd][0]) + 1} below the header"


def _name_rows(
    people: list[Any], person: NDArray[np.int64], nights: list[Any], night: NDArray[np.int64]
) -> tuple[list[tuple[str, str]], NDArray[np.int64]]:
    """Return names of the blocks of equal participant and night, and the block of each row."""
    changes = np.flatnonzero((np.diff(person, prepend=-2) != 0) | (np.diff(night, prepend=-2) != 0))
    names = [(str(people[int(person[i])]), str(nights[int(night[i])])) for i in changes]
    block = np.zeros(person.size, np.int64)
    block[changes[1:]] = 1
    return names, np.cumsum(block)


def _join(held: _Piece, piece: _Piece) -> _Piece:
    """Put the unfinished night of the piece before in front."""
    same = held.names[-1] == piece.names[0]
    shift = 0 if same else 1
    return _Piece(
        [held.names[-1], *piece.names[0 if not same else 1 :]],
        np.concatenate([np.zeros(held.epoch.size, np.int64), piece.of_row + shift]),
        np.concatenate([held.epoch, piece.epoch]),
        np.concatenate([held.reference, piece.reference]),
        np.concatenate([held.device, piece.device]),
    )


def _tail(piece: _Piece, begin: int) -> _Piece:
    return _Piece(
        [piece.names[int(piece.of_row[begin])]],
        np.zeros(piece.epoch.size - begin, np.int64),
        piece.epoch[begin:].copy(),
        piece.reference[begin:].copy(),
        piece.device[begin:].copy(),
    )


def _check_columns(names: Sequence[str], path: Path, line: int = 1) -> None:
    missing = [column for column in COLUMNS if column not in names]
    if missing:
        raise FileFormatError(
            f"column {missing[0]} is missing",
            path.name,
            f"line {line}",
            ", ".join(names),
            "columns " + ", ".join(COLUMNS),
            "Rename the columns.",
        )
    twice = [column for column in COLUMNS if list(names).count(column) > 1]
    if twice:
        raise FileFormatError(
            f"column {twice[0]} stands twice",
            path.name,
            f"line {line}",
            ", ".join(names),
            "one of each",
            "Take one out.",
        )


def hash_file(path: Path) -> str:
    """Return the hash of a file's bytes without holding it in memory."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
