"""The table of nights that a study is made from: read and checked whole before anything runs."""

from __future__ import annotations

import csv
import hashlib
import io
import math
import os
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final, NamedTuple

from sleepagree.errors import FileFormatError, InputError, Option, for_page, shorten
from sleepagree.files.formulas import unescape_formula
from sleepagree.files.object_store import is_remote, last_part
from sleepagree.files.reading import read_bytes
from sleepagree.readers.any_file import part_files
from sleepagree.readers.csv_table import told_delimiter

REQUIRED: Final = ("participant", "night", "device", "reference", "device_file")
#: Of nights that have no reference.
REQUIRED_ALONE: Final = ("participant", "night", "device_file")
OPTIONAL: Final = ("layout", "reference_layout", "clock_offset", "reference_zone", "device_zone", "window")
_EXPECTED: Final = "a table of nights (CSV)"
_MOST_LISTED: Final = 40
#: Cells that a row holds as they are.
_AS_WRITTEN: Final = tuple(name for name in (*REQUIRED, *OPTIONAL) if name not in ("reference", "clock_offset"))


@dataclass(frozen=True, slots=True)
class NightRow:
    """One row: one device on one night.

    Parameters
    ----------
    row : int
        Line of the table, counting from 1 with the header.
    participant, night, device : str
        Names.
    references : tuple of str
        Reference files as written in the table; several for several scorers. One that begins with a protocol
        (``s3://``) is read through fsspec.
    device_file : str
        Device file as written in the table.
    layout, reference_layout, reference_zone, device_zone, window : str
        As the options of ``night``; "" where not given.
    clock_offset_s : float
        Seconds added to device times.
    group : str
        What the column says that bias is told by; "" where there is none.
    person : str
        Whose rows to read out of a file of several people; "" for those of the participant.
    """

    row: int
    participant: str
    night: str
    device: str
    references: tuple[str, ...]
    device_file: str
    layout: str = ""
    reference_layout: str = ""
    clock_offset_s: float = 0.0
    reference_zone: str = ""
    device_zone: str = ""
    window: str = ""
    group: str = ""
    person: str = ""


@dataclass(frozen=True)
class NightsTable:
    """A checked table of nights.

    Parameters
    ----------
    name : str
        File name.
    folder : Path
        Folder that paths in the table are relative to.
    sha256 : str
        Hash of its bytes.
    rows : tuple of NightRow
        Its rows, in order; none for a table of paired epochs.
    paired_epochs : bool
        Whether the file holds the epochs themselves (:mod:`sleepagree.study.paired_epochs`).
    """

    name: str
    folder: Path
    sha256: str
    rows: tuple[NightRow, ...]
    paired_epochs: bool = False

    def path(self, written: str) -> Path:
        """Return the path that a cell names."""
        return self.folder / written


class Head(NamedTuple):
    """The line of a table that names its columns, found before anything else of the table is read."""

    text: str
    line: int
    delimiter: str
    table: str  # from this line on

    @property
    def names(self) -> set[str]:
        """What the columns may be called, whatever parts them."""
        return {cell.strip().strip('"').casefold() for cell in re.split("[,;\t]", self.text)}


def head_of(text: str) -> Head:
    """Return the first line of a table, or the one below a line that tells the delimiter (``sep=;``)."""
    told = told_delimiter(text)
    table = text if told is None else told.rest
    # a line may end in a return alone: those who read the table split there, too
    first = re.split("[\r\n]", table, maxsplit=1)[0]
    if told is None:
        return Head(first, 1, max(",;\t", key=first.count), table)
    return Head(first, 2, told.mark, table)


def is_nights_table(path: Path) -> bool:
    """Whether a file is a table that names device files."""
    if path.suffix.casefold() not in (".csv", ".tsv", ".txt"):
        return False
    try:
        with path.open("rb") as stream:
            return "device_file" in head_of(stream.read(4096).decode("utf-8-sig", "replace").lstrip()).names
    except OSError:
        return False


def read_nights_table(
    source: Any, *, folder: str | os.PathLike[str] = "", needs_reference: bool = True, by: str = "", device: str = ""
) -> NightsTable:
    """Read and check a table of nights.

    Parameters
    ----------
    source : path or DataFrame
        A CSV file, or a DataFrame with the same columns: ``participant``, ``night``, ``device``, ``reference`` and
        ``device_file``, and optionally ``layout``, ``reference_layout``, ``clock_offset`` (s), ``reference_zone``,
        ``device_zone`` and ``window``. Empty cells, None and nan stand for "not given".
    folder : path
        Folder that paths of a DataFrame are relative to, by default the working folder; those of a file are relative
        to the file's own folder.
    needs_reference : bool
        Whether ``device`` and ``reference`` are required, as everywhere but for nights that have no reference. Files of
        references that are not required need not exist.
    by : str
        A further column whose words group the nights, such as an age group.
    device : str
        The only device that is asked for: files in rows of others need not exist.

    Returns
    -------
    NightsTable
        What :func:`sleepagree.score_table` takes.

    Raises
    ------
    FileFormatError
        When it is no table with the required columns.
    InputError
        When rows are faulty; the message lists every fault with its row.
    TypeError
        When ``source`` is neither a path nor a DataFrame.

    Examples
    --------
    >>> table = read_nights_table("fixtures/ferry/nights.csv")
    >>> table.rows[0].participant, len(table.rows)
    ('crew-1', 24)
    """
    if hasattr(source, "to_csv") and hasattr(source, "columns"):
        # rows are counted as those of a file are: the header is line 1
        data, path = source.to_csv(index=False).encode(), Path(folder) / "DataFrame"
    elif isinstance(source, (str, os.PathLike)):
        path = Path(source)
        data = read_bytes(path, expected=_EXPECTED)
    else:
        raise TypeError(f"source must be the path of a table of nights or a DataFrame, not {type(source).__name__}")
    group = " ".join(by.split()).casefold()
    required = REQUIRED if needs_reference else REQUIRED_ALONE
    faults: list[str] = []
    nights: list[NightRow] = []
    known_files: dict[str, str] = {}
    for line, record in _read_records(data, path.name, faults, required, group):
        night = _read_row(line, record, faults, required, group)
        if night is not None:
            if night.device in ("", device) or not device:
                asked = night if needs_reference else replace(night, references=(), reference_layout="")
                _check_files(asked, path.parent, known_files, faults)
            nights.append(night)
    _check_duplicates(nights, faults)
    if group and nights and not any(night.group for night in nights):
        faults.append(f"column '{shorten(group)}', which is to tell bias by, is empty in every row")
    _refuse_faults(faults, path.name)
    return NightsTable(path.name, path.parent, hashlib.sha256(data).hexdigest(), tuple(nights))


def read_cells(path: Path) -> list[dict[str, str]]:
    """Return the cells of a table of nights, column -> text for each row, to be looked at and edited.

    Columns and the number of cells in each row are checked; what the cells say is not.

    Raises
    ------
    FileFormatError, InputError
        As :func:`read_nights_table`.
    """
    faults: list[str] = []
    records = list(_read_records(read_bytes(path, expected=_EXPECTED), path.name, faults, REQUIRED, ""))
    _refuse_faults(faults, path.name)
    return [record for _, record in records]


def _refuse_faults(faults: list[str], name: str) -> None:
    if faults:
        more = f"\n  and {len(faults) - _MOST_LISTED} more" if len(faults) > _MOST_LISTED else ""
        problem = f"{len(faults)} fault{'s' if len(faults) > 1 else ''} in the table of nights; nothing was run"
        raise InputError(problem, name, "", "", "", "\n  " + "\n  ".join(faults[:_MOST_LISTED]) + more)


def _read_records(
    data: bytes, name: str, faults: list[str], required: tuple[str, ...], by: str
) -> Iterator[tuple[int, dict[str, str]]]:
    """Yield the line of each row, and its cells by column; rows that are no such go to the faults."""
    rows = _parse_rows(data, name)
    header = [cell.strip().casefold() for cell in rows[0][1]]
    _check_header(header, name, rows[0][0], required, by)
    texts: dict[str, str] = {}  # one for all equal ones
    for line, cells in rows[1:]:
        if len(cells) != len(header):
            faults.append(f"line {line}: {len(cells)} cells, the header has {len(header)}")
            continue
        # an apostrophe that keeps a spreadsheet from running the cell does not belong to the text
        told = (unescape_formula(cell.strip()) for cell in cells)
        yield line, {column: texts.setdefault(cell, cell) for column, cell in zip(header, told, strict=True)}
    if not rows[1:]:
        faults.append("no row below the header")


def _parse_rows(data: bytes, name: str) -> list[tuple[int, list[str]]]:
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        found = "a byte that is not UTF-8"
        remedy = "Save it as CSV UTF-8."
        raise FileFormatError("not UTF-8", name, f"byte {error.start}", found, "a UTF-8 CSV file", remedy) from None
    head = head_of(text)
    reader = csv.reader(io.StringIO(head.table, newline=""), delimiter=head.delimiter, strict=True)
    rows = []
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                rows.append((reader.line_num + head.line - 1, cells))
    except csv.Error as error:
        where = f"line {reader.line_num + head.line - 1}"
        remedy = "Correct the quotes there."
        raise FileFormatError("not a readable table", name, where, str(error), "CSV", remedy) from None
    if not rows:
        raise FileFormatError("no row at all", name, "", "blank lines", _wanted(), "Write a header and rows.")
    return rows


def _wanted(required: tuple[str, ...] = REQUIRED) -> str:
    further = [column for column in (*REQUIRED, *OPTIONAL) if column not in required]
    return "columns " + ", ".join(required) + " (and optionally " + ", ".join(further) + ")"


def _check_header(header: list[str], name: str, line: int, required: tuple[str, ...], by: str) -> None:
    if by and by not in header:
        raise FileFormatError(
            f"there is no column '{shorten(by)}' to tell bias by",
            name,
            f"line {line}",
            ", ".join(header),
            "a column of that name",
            f"Correct {Option.BY}, or add the column to the table of nights.",
        )
    for problem, wrong in (
        ("column {} is missing", [column for column in required if column not in header]),
        ("column '{}' is unknown", [shorten(column) for column in header if column not in (*REQUIRED, *OPTIONAL, by)]),
        ("column {} stands twice", [column for column in header if header.count(column) > 1]),
    ):
        if wrong:
            found = ", ".join(header)
            remedy = (
                "Correct the header; other columns are refused so that a misspelt option is not overlooked."
                + for_page(f" A study takes one more ({Option.BY:COLUMN}).", "")
            )
            raise FileFormatError(problem.format(wrong[0]), name, f"line {line}", found, _wanted(required), remedy)


def _read_row(
    line: int, record: dict[str, str], faults: list[str], required: tuple[str, ...], by: str
) -> NightRow | None:
    empty = [column for column in required if not record[column]]
    if empty:
        faults.append(f"line {line}: {empty[0]} is empty")
        return None
    offset = 0.0
    text = record.get("clock_offset", "")
    if text:
        try:
            offset = float(text)
        except ValueError:
            offset = math.nan
        if not math.isfinite(offset):
            faults.append(f"line {line}: clock_offset '{shorten(text)}' is no number of seconds")
            return None
    references = tuple(part.strip() for part in record.get("reference", "").split(";") if part.strip())
    if not references and "reference" in required:
        faults.append(f"line {line}: reference is empty")
        return None
    told = {name: record.get(name, "") for name in _AS_WRITTEN}
    return NightRow(line, references=references, clock_offset_s=offset, group=record.get(by, ""), **told)


def _check_files(night: NightRow, folder: Path, known: dict[str, str], faults: list[str]) -> None:
    named = [("reference", r) for r in night.references] + [("device_file", night.device_file)]
    named += [("layout", night.layout)] if night.layout else []
    named += [("reference_layout", night.reference_layout)] if night.reference_layout else []
    for column, written in named:
        if written not in known:
            # asking a store for every file would take longer than reading it: one that is missing is a night refused
            faulty = () if is_remote(written) else map(_fault_of_file, map(Path, part_files(written, str(folder))))
            known[written] = next(filter(None, faulty), "")
        if known[written]:
            faults.append(f"line {night.row}: {column} '{shorten(written)}' {known[written]}")


def _fault_of_file(path: Path) -> str:
    try:
        if path.is_dir():
            return "is a folder"
        return "" if path.exists() else "does not exist"
    except (OSError, ValueError):
        return "cannot be looked up"


def _check_duplicates(nights: list[NightRow], faults: list[str]) -> None:
    seen: dict[tuple[str, str, str], int] = {}
    files: dict[str, NightRow] = {}
    for night in nights:
        key = (night.participant, night.night, night.device)
        if key in seen:
            faults.append(
                f"line {night.row}: participant {shorten(night.participant)}, night {shorten(night.night)}, device "
                f"{shorten(night.device)} stand in line {seen[key]} already"
            )
        seen.setdefault(key, night.row)
        if len(set(night.references)) != len(night.references):
            faults.append(f"line {night.row}: one reference file is named twice")
        other = files.get(night.device_file)
        if other is not None and _same_span(other, night):
            faults.append(
                f"line {night.row}: device_file '{_shown(night.device_file)}' belongs to line {other.row} already"
            )
        files.setdefault(night.device_file, night)


def _shown(written: str) -> str:
    """Return a cell for a message; an address in a store may hold keys."""
    return shorten(last_part(written) if is_remote(written) else written)


def _same_span(first: NightRow, second: NightRow) -> bool:
    """One export may hold many nights: it may serve several rows, but only with different references."""
    if not first.references and first.window != second.window:
        return False
    return first.references == second.references or first.device != second.device
