"""A folder of recordings as a study: which file belongs to which participant, night and device.

Two patterns say how files are named. Nothing is guessed: a file that fits both patterns, a name that can be
read in two ways and two files for one night are refused, and every file that did not match is told.
"""

from __future__ import annotations

import csv
import io
import os
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import Final, NamedTuple, NoReturn

from sleepagree.errors import InputError, Option, printable, shorten
from sleepagree.files.formulas import escape_formula
from sleepagree.readers import part_files
from sleepagree.study.file_patterns import NIGHT, PARTICIPANT, FilePattern, parse_pattern

DEVICE: Final = "device"
SCORER: Final = "scorer"
PART: Final = "part"

ONLY_NIGHT: Final = "1"
ONLY_PARTICIPANT: Final = "1"

_ORDER: Final = (PARTICIPANT, NIGHT, DEVICE, SCORER)
_SHOWN: Final = 5


@dataclass(frozen=True)
class NightFiles:
    """The files of one night of one device.

    Parameters
    ----------
    participant, night, device : str
        As read from the file names, or the single night's and device's name.
    reference : tuple of str
        Paths relative to the folder, one a scorer.
    device_file : str
        Path relative to the folder.
    """

    participant: str
    night: str
    device: str
    reference: tuple[str, ...]
    device_file: str


@dataclass(frozen=True)
class FolderNights:
    """What two patterns found in a folder.

    Parameters
    ----------
    folder : Path
        The folder.
    rows : tuple of NightFiles
        Sorted by participant, night and device, numbers in names by their size.
    references_alone, devices_alone : tuple of str
        Paths of matched files whose other side is missing.
    others : tuple of str
        Paths of files that fit neither pattern.
    notes : tuple of str
        What was taken for granted.
    hints : tuple of str
        Names that nearly match each other.
    """

    folder: Path
    rows: tuple[NightFiles, ...]
    references_alone: tuple[str, ...]
    devices_alone: tuple[str, ...]
    others: tuple[str, ...]
    notes: tuple[str, ...]
    hints: tuple[str, ...]


class _File(NamedTuple):
    """A file that fits a pattern."""

    night: tuple[str, ...]  # the participant, and the night where the patterns tell it
    maker: str  # device or scorer, "" where the pattern does not tell it
    files: tuple[str, ...]  # one, or the parts of one recording in order

    @property
    def path(self) -> str:
        """As a table names it: parts are joined with ``+``."""
        return "+".join(self.files)

    @property
    def order(self) -> list[list[tuple[int, int, str]]]:
        """A sort key in which p2 comes before p10."""
        return [_natural(part) for part in (*self.night, self.maker)]


def nights_from_folder(
    folder: Path, *, reference_pattern: str, device_pattern: str, device_name: str | None = None
) -> FolderNights:
    """Find the nights of a study by the names of its files.

    Parameters
    ----------
    folder : Path
        Folder that holds the files of both sides, in sub-folders or not.
    reference_pattern : str
        Names of the reference's files: ``{participant}``, ``{night}``, ``{scorer}`` where several people scored one
        night, and ``{part}`` where a recording is in several files, which are joined in the order of it.
    device_pattern : str
        Names of the device's files: ``{participant}``, ``{night}``, ``{device}`` for more than one, and ``{part}``.
    device_name : str, optional
        Name of the device where the pattern has no ``{device}``; "device" if left out.

    Returns
    -------
    FolderNights
        What matched, and what did not.

    Raises
    ------
    InputError
        When the folder or a pattern cannot be used, no file fits, a file fits both patterns or one pattern in
        two ways, two files claim one night, or nothing has two sides.

    Examples
    --------
    >>> nights_from_folder(Path("ferry"), reference_pattern="lab/{participant}_{night}.edf",
    ...     device_pattern="{device}/{participant}_{night}.csv")  # doctest: +SKIP
    """
    reference = parse_pattern(reference_pattern, option="--reference", allowed=(PARTICIPANT, NIGHT, SCORER, PART))
    device = parse_pattern(device_pattern, option="--device", allowed=(PARTICIPANT, NIGHT, DEVICE, PART))
    notes = _refuse_mismatch(reference, device, device_name)
    files = _list_files(folder)
    references, devices = (_fitting(files, pattern, folder) for pattern in (reference, device))
    both = sorted({file for f in references for file in f.files} & {file for f in devices for file in f.files})
    if both:
        patterns = f"--reference {reference.text} and --device {device.text}"
        remedy = "Make one of the patterns narrower."
        raise InputError("a file fits both patterns", str(folder), both[0], patterns, "a file of one side", remedy)
    for pattern, found in ((reference, references), (device, devices)):
        if not found:
            raise _nothing_fits(folder, pattern, files)
    scored: dict[tuple[str, ...], list[str]] = {}
    for file in sorted(references, key=lambda f: f.order):
        scored.setdefault(file.night, []).append(file.path)
    devices.sort(key=lambda f: f.order)
    rows = tuple(
        NightFiles(
            f.night[0], (*f.night, ONLY_NIGHT)[1], f.maker or device_name or "device", tuple(scored[f.night]), f.path
        )
        for f in devices
        if f.night in scored
    )
    watched = {f.night for f in devices}
    alone = [f for f in references if f.night not in watched], [f for f in devices if f.night not in scored]
    hints = _near_misses(*alone) + _absent(folder, rows)
    if not rows:
        raise InputError(
            "no reference and device file belong together",
            str(folder),
            "",
            f"{len(references)} reference files such as {alone[0][0].path}, {len(devices)} device files such as "
            f"{alone[1][0].path}",
            "the same {participant} and {night} on both sides",
            " ".join(hints) or "Adjust the patterns so that the parts in braces are equal texts.",
        )
    matched = {file for f in (*references, *devices) for file in f.files}
    others = tuple(sorted((f for f in files if f not in matched), key=_natural))
    references_alone, devices_alone = (tuple(f.path for f in side) for side in alone)
    return FolderNights(folder, rows, references_alone, devices_alone, others, notes, hints)


def matched_files(found: FolderNights) -> Iterator[str]:
    """Yield the files that fit a pattern, relative to the folder, those whose other side is missing included."""
    rows = ((*row.reference, row.device_file) for row in found.rows)
    for file in (*chain.from_iterable(rows), *found.references_alone, *found.devices_alone):
        yield from part_files(file)


def _refuse_mismatch(reference: FilePattern, device: FilePattern, device_name: str | None) -> tuple[str, ...]:
    if (NIGHT in reference.fields) != (NIGHT in device.fields):
        without = device if NIGHT in reference.fields else reference
        raise InputError(
            "only one of the two patterns says which night a file is",
            "",
            without.option,
            without.text,
            "{night} in both patterns or in none",
            "Two nights of one person could not be told apart.",
        )
    if (PARTICIPANT in reference.fields) != (PARTICIPANT in device.fields):
        without = device if PARTICIPANT in reference.fields else reference
        raise InputError(
            "only one of the two patterns says whose file it is",
            "",
            without.option,
            without.text,
            "{participant} in both patterns or, for the nights of one person, in none",
            "Nights of two people could not be told apart.",
        )
    if DEVICE in device.fields and device_name is not None:
        raise InputError(
            "the device's name is given twice",
            "",
            f"{Option.DEVICE_NAME}",
            device_name,
            f"{{device}} in the pattern, or {Option.DEVICE_NAME}",
            "Leave one of them out.",
        )
    notes = []
    if PARTICIPANT not in device.fields:
        notes.append(f"The patterns have no {{participant}}: all nights are of one person, called {ONLY_PARTICIPANT}.")
    if NIGHT not in device.fields:
        notes.append(f"The patterns have no {{night}}: every participant has one night, called {ONLY_NIGHT}.")
    if DEVICE not in device.fields and device_name is None:
        notes.append("The pattern has no {device}: all device files are taken for one device, called 'device'.")
    return tuple(notes)


def _list_files(folder: Path) -> list[str]:
    """Return the files below a folder, hidden ones left out, as paths relative to it with ``/``."""
    if not folder.is_dir():
        raise InputError(
            "this is no folder" if folder.exists() else "the folder does not exist",
            str(folder),
            remedy=f"Check the path, seen from {Path.cwd()}.",
        )
    files = []

    def refuse(error: OSError) -> NoReturn:
        raise InputError(
            "a folder cannot be read", str(error.filename), "", error.strerror or "", "", "Check who may read it."
        )

    for here, folders, names in os.walk(folder, onerror=refuse):
        # what an interrupted study keeps for --resume is no night
        folders[:] = sorted(name for name in folders if not name.startswith(".") and not name.endswith(".unfinished"))
        below = Path(here).relative_to(folder)
        files += [(below / name).as_posix() for name in sorted(names) if not name.startswith(".")]
    return files


def _fitting(files: Iterable[str], pattern: FilePattern, folder: Path) -> list[_File]:
    """Return the files that fit a pattern; one that fits it in two ways, or claims a night twice, is refused."""
    found: dict[tuple[tuple[str, ...], str], dict[str, str]] = {}
    for file in files:
        readings = pattern.readings(file)
        if len(readings) > 1:
            differing = [name for name in _ORDER if readings[0].get(name) != readings[1].get(name)]
            raise InputError(
                "a file name can be read in two ways",
                str(folder),
                file,
                " or ".join(_show({name: reading[name] for name in differing}) for reading in readings),
                f"one reading of {pattern.option} {pattern.text}",
                "Put more of the fixed text of the names into the pattern.",
            )
        for reading in readings:
            told = {PARTICIPANT: ONLY_PARTICIPANT, **reading}
            night = tuple(told[name] for name in (PARTICIPANT, NIGHT) if name in told)
            parts = found.setdefault((night, reading.get(DEVICE) or reading.get(SCORER, "")), {})
            part = reading.get(PART, "")
            if part in parts:
                claimed = f"{parts[part]} and {file}, both {_show(reading)}"
                raise InputError(
                    "two files claim the same night",
                    str(folder),
                    pattern.option,
                    claimed,
                    "one file each",
                    _second_file_remedy(pattern),
                )
            parts[part] = file
    return [_File(*key, tuple(parts[part] for part in sorted(parts, key=_natural))) for key, parts in found.items()]


def _second_file_remedy(pattern: FilePattern) -> str:
    field = SCORER if pattern.option == "--reference" else DEVICE
    if field in pattern.fields:
        return "Make the pattern narrower, or move one of the files away."
    who = "two people scored it" if field == SCORER else "they are two devices"
    return (
        f"If {who}, write {{{field}}} where the names differ; if they are parts of one recording, {{{PART}}}; else "
        "make the pattern narrower."
    )


def _show(reading: dict[str, str]) -> str:
    return ", ".join(f"{name} {shorten(value)}" for name, value in reading.items())


def _nothing_fits(folder: Path, pattern: FilePattern, files: Sequence[str]) -> InputError:
    like = [f for f in files if Path(f).suffix == Path(pattern.text).suffix] or files
    seen = ", ".join(like[:_SHOWN]) + (f" and {len(like) - _SHOWN} more" if len(like) > _SHOWN else "")
    return InputError(
        "no file fits the pattern",
        str(folder),
        pattern.option,
        pattern.text,
        "the path of a file below the folder, with braces where names differ",
        f"The folder holds {seen}." if files else "The folder is empty.",
    )


def _natural(text: str) -> list[tuple[int, int, str]]:
    """Return a sort key in which p2 comes before p10."""
    return [
        (0, int(part), part) if part.isascii() and part.isdigit() else (1, 0, part)
        for part in re.findall(r"[0-9]{1,18}|[^0-9]+|[0-9]+", text)
    ]


def _near_misses(references: Sequence[_File], devices: Sequence[_File]) -> tuple[str, ...]:
    """Return a sentence for names that differ only in case or leading zeros; they are not matched."""
    plain = {_plain(f.night): f.night for f in references}
    pairs: dict[tuple[str, ...], tuple[str, ...]] = {}
    for file in devices:
        if _plain(file.night) in plain:
            pairs.setdefault(plain[_plain(file.night)], file.night)
    return tuple(
        f"{' / '.join(one)} (reference) and {' / '.join(other)} (device) differ only in case or leading zeros; they "
        "were not matched."
        for one, other in pairs.items()
    )


def _plain(night: Sequence[str]) -> tuple[str, ...]:
    return tuple(re.sub(r"(?<![0-9])0+(?=[0-9])", "", part.casefold()) for part in night)


def _absent(folder: Path, rows: Iterable[NightFiles]) -> tuple[str, ...]:
    """Return a sentence for matched names without content, as data sets that are fetched in parts have."""
    files = {file for row in rows for file in (*row.reference, row.device_file)}
    absent = sorted(part for file in files for part in part_files(file) if not (folder / part).is_file())
    if not absent:
        return ()
    return (f"{len(absent)} matched files are links whose content is not here, such as {absent[0]}.",)


# --- the table --------------------------------------------------------------------------------------------


def nights_table_text(
    found: FolderNights,
    *,
    table_folder: Path,
    layout: Path | None = None,
    reference_layout: Path | None = None,
    reference_zone: str | None = None,
    device_zone: str | None = None,
) -> str:
    """Return the nights table as CSV text.

    Parameters
    ----------
    found : FolderNights
        What :func:`nights_from_folder` found.
    table_folder : Path
        Folder that the table will stand in; its paths are relative to it.
    layout, reference_layout : Path, optional
        How to read the device files and the references; one column each for all rows.
    reference_zone, device_zone : str, optional
        IANA zones; one column each for all rows.

    Returns
    -------
    str
        One row per night and device: participant, night, device, reference (several scorers separated by
        ``;``, parts of a recording by ``+``), device_file, and a column for each option given.

    Raises
    ------
    InputError
        When a reference's name holds ``;``.
    """
    extra = {
        "layout": None if layout is None else _relative(layout, table_folder),
        "reference_layout": None if reference_layout is None else _relative(reference_layout, table_folder),
        "reference_zone": reference_zone,
        "device_zone": device_zone,
    }
    given = {name: value for name, value in extra.items() if value is not None}
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow([PARTICIPANT, NIGHT, DEVICE, "reference", "device_file", *given])
    for row in found.rows:
        for file in row.reference:
            if ";" in file:
                raise InputError(
                    "a semicolon separates several references in the table, so it cannot stand in a name",
                    str(found.folder),
                    file,
                    "';'",
                    "a file name without it",
                    "Rename the file.",
                )
        for file in (*row.reference, row.device_file):
            _refuse_other_than_utf8(file)
        names = [escape_formula(text) for text in (row.participant, row.night, row.device)]
        references, device = (
            ";".join(
                "+".join(_relative(found.folder / part, table_folder) for part in part_files(file)) for file in files
            )
            for files in (row.reference, (row.device_file,))
        )
        writer.writerow([*names, references, device, *given.values()])
    return stream.getvalue()


def _refuse_other_than_utf8(file: str) -> None:
    try:
        file.encode()
    except UnicodeEncodeError:
        raise InputError(
            "a file name is not UTF-8, so no table can hold it",
            printable(file),
            "",
            "bytes of another encoding",
            "a name in UTF-8",
            "Rename the file.",
        ) from None


def _relative(file: Path, table_folder: Path) -> str:
    """Return a path relative to the table, with ``/``; absolute where there is no way (another drive)."""
    try:
        path = Path(os.path.relpath(file.resolve(), table_folder.resolve())).as_posix()
    except ValueError:
        return file.resolve().as_posix()
    # "./" keeps a spreadsheet from taking the path for a formula, and names the same file
    return path if escape_formula(path) == path else f"./{path}"
