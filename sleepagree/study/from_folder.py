"""A folder of recordings as a study: which file belongs to which participant, night and device.

Two patterns say how files are named. Nothing is guessed: a file that fits both patterns, a name that can be
read in two ways and two files for one night are refused, and every file that did not match is told.
"""

from __future__ import annotations

import csv
import io
import os
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from typing import Final, NoReturn

from sleepagree.errors import InputError, printable, shorten
from sleepagree.files.formulas import escape_formula

PARTICIPANT: Final = "participant"
NIGHT: Final = "night"
DEVICE: Final = "device"
SCORER: Final = "scorer"

ONLY_NIGHT: Final = "1"

_TOKEN: Final = re.compile(r"\{([^{}/]*)\}|([*?])|([^{}*?]+)|([{}])")
_SHOWN: Final = 5


class Part(Enum):
    """What a part of a pattern stands for."""

    LITERAL = "these characters"
    FIELD = "one or more characters with a name"
    ANY = "any characters"
    ONE = "one character"


@dataclass(frozen=True)
class FilePattern:
    """How the files of one side are named, relative to the folder.

    Parameters
    ----------
    text : str
        The pattern: ``/`` between folders, ``{participant}``, ``{night}`` and so on for one or more
        characters, ``*`` for any characters, ``?`` for one; none of them reaches over a ``/``. A field that
        stands twice must be the same text in both places.
    option : str
        The option that gave it, for messages.
    parts : tuple of (Part, str)
        The pattern in order, with the literal text or the field's name.
    """

    text: str
    option: str
    parts: tuple[tuple[Part, str], ...]

    @property
    def fields(self) -> tuple[str, ...]:
        """Names of the fields in order of first use."""
        return tuple(dict.fromkeys(text for part, text in self.parts if part is Part.FIELD))

    @property
    def depth(self) -> int:
        """Number of folders and files in the path."""
        return self.text.count("/") + 1

    def readings(self, path: str) -> tuple[dict[str, str], ...]:
        """Return the ways in which a path fits the pattern, at most two of them.

        Parameters
        ----------
        path : str
            Path relative to the folder, with ``/``.

        Examples
        --------
        >>> pattern = parse_pattern("{participant}_n{night}.csv", option="--device", allowed=(PARTICIPANT, NIGHT))
        >>> pattern.readings("cook_n2.csv")
        ({'participant': 'cook', 'night': '2'},)
        """
        if path.count("/") + 1 != self.depth:
            return ()
        found: list[dict[str, str]] = []
        # states reached so far; the same place with the same values leads nowhere new
        pending: list[tuple[int, int, tuple[tuple[str, str], ...]]] = [(0, 0, ())]
        seen = set()
        while pending and len(found) < 2:
            state = pending.pop()
            if state in seen:
                continue
            seen.add(state)
            i, at, values = state
            if i < len(self.parts):
                pending += [(i + 1, end, more) for end, more in self._steps(path, i, at, values)]
            elif at == len(path):
                found.append(dict(values))
        return tuple(found)

    def _steps(
        self, path: str, i: int, at: int, values: tuple[tuple[str, str], ...]
    ) -> Iterator[tuple[int, tuple[tuple[str, str], ...]]]:
        """Yield where part ``i`` can end when it begins at ``at``, with the values of fields by then."""
        part, text = self.parts[i]
        if part is Part.FIELD and text in dict(values):
            part, text = Part.LITERAL, dict(values)[text]
        if part is Part.LITERAL:
            if path.startswith(text, at):
                yield at + len(text), values
            return
        stop = path.find("/", at)
        stop = len(path) if stop < 0 else stop
        first = at if part is Part.ANY else at + 1
        last = min(stop, first) if part is Part.ONE else stop
        for end in range(first, last + 1):
            yield end, (*values, (text, path[at:end])) if part is Part.FIELD else values


def parse_pattern(text: str, *, option: str, allowed: Sequence[str]) -> FilePattern:
    """Read a pattern of file names.

    Parameters
    ----------
    text : str
        The pattern.
    option : str
        The option that gave it, for messages.
    allowed : sequence of str
        Fields that may stand in it; ``{participant}`` must.

    Raises
    ------
    InputError
        When it names an unknown field, lacks ``{participant}``, is absolute or leaves the folder.
    """
    pattern = text.replace(os.sep, "/").removeprefix("./")
    braces = ", ".join("{" + name + "}" for name in allowed)
    if not pattern or pattern.startswith("/") or ".." in pattern.split("/") or "**" in pattern:
        raise InputError(
            "the pattern must name files below the folder",
            "",
            option,
            text or "nothing",
            "a relative path without .. and **",
            "Write one * for each folder in between.",
        )
    parts: list[tuple[Part, str]] = []
    for match in _TOKEN.finditer(pattern):
        name, wild, literal, brace = match.groups()
        if brace or (name is not None and name not in allowed):
            raise InputError(
                "the pattern has a field that means nothing here",
                "",
                option,
                match[0],
                f"fields out of {braces}",
                "A name in braces stands for the part that differs from file to file.",
            )
        if name is not None:
            parts.append((Part.FIELD, name))
        elif wild:
            parts.append((Part.ANY if wild == "*" else Part.ONE, wild))
        else:
            parts.append((Part.LITERAL, literal))
    found = FilePattern(pattern, option, tuple(parts))
    if PARTICIPANT not in found.fields:
        raise InputError(
            "the pattern does not say whose file it is",
            "",
            option,
            text,
            "{participant} somewhere in it",
            "For example lab/{participant}_{night}.edf.",
        )
    return found


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


_Key = tuple[str, ...]


def nights_from_folder(
    folder: Path, *, reference_pattern: str, device_pattern: str, device_name: str | None = None
) -> FolderNights:
    """Find the nights of a study by the names of its files.

    Parameters
    ----------
    folder : Path
        Folder that holds the files of both sides, in sub-folders or not.
    reference_pattern : str
        Names of the reference's files: ``{participant}``, ``{night}``, and ``{scorer}`` where several people
        scored one night.
    device_pattern : str
        Names of the device's files: ``{participant}``, ``{night}``, and ``{device}`` for more than one.
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
    reference = parse_pattern(reference_pattern, option="--reference", allowed=(PARTICIPANT, NIGHT, SCORER))
    device = parse_pattern(device_pattern, option="--device", allowed=(PARTICIPANT, NIGHT, DEVICE))
    notes = _refuse_mismatch(reference, device, device_name)
    files = _list_files(folder)
    references = _sort_files(files, reference, str(folder))
    devices = _sort_files(files, device, str(folder))
    both = sorted(set(references.values()) & set(devices.values()))
    if both:
        raise InputError(
            "a file fits both patterns",
            str(folder),
            both[0],
            f"--reference {reference.text} and --device {device.text}",
            "a file of one side",
            "Make one of the patterns narrower.",
        )
    for pattern, found in ((reference, references), (device, devices)):
        if not found:
            raise _nothing_fits(folder, pattern, files)
    rows, references_alone, devices_alone = _pair(references, devices, reference, device, device_name)
    hints = _near_misses(references_alone, devices_alone) + _absent(folder, rows)
    alone = tuple(references_alone.values()), tuple(devices_alone.values())
    if not rows:
        raise InputError(
            "no reference and device file belong together",
            str(folder),
            "",
            f"{len(references)} reference files such as {alone[0][0]}, {len(devices)} device files such as "
            f"{alone[1][0]}",
            "the same {participant} and {night} on both sides",
            " ".join(hints) or "Adjust the patterns so that the parts in braces are equal texts.",
        )
    matched = set(references.values()) | set(devices.values())
    others = tuple(sorted((f for f in files if f not in matched), key=_natural))
    return FolderNights(folder, rows, *alone, others, notes, hints)


def matched_files(found: FolderNights) -> Iterator[str]:
    """Yield the files that fit a pattern, relative to the folder, those whose other side is missing included."""
    for row in found.rows:
        yield from row.reference
        yield row.device_file
    yield from found.references_alone
    yield from found.devices_alone


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
    if DEVICE in device.fields and device_name is not None:
        raise InputError(
            "the device's name is given twice",
            "",
            "--device-name",
            device_name,
            "{device} in the pattern, or --device-name",
            "Leave one of them out.",
        )
    notes = []
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


def _sort_files(files: Iterable[str], pattern: FilePattern, folder: str) -> dict[_Key, str]:
    """Return the files that fit a pattern by the values of its fields."""
    found: dict[_Key, str] = {}
    order = [name for name in (PARTICIPANT, NIGHT, DEVICE, SCORER) if name in pattern.fields]
    for file in files:
        readings = pattern.readings(file)
        if not readings:
            continue
        if len(readings) > 1:
            differing = [name for name in order if readings[0][name] != readings[1][name]]
            raise InputError(
                "a file name can be read in two ways",
                folder,
                file,
                " or ".join(_show({name: r[name] for name in differing}) for r in readings),
                f"one reading of {pattern.option} {pattern.text}",
                "Put more of the fixed text of the names into the pattern.",
            )
        key = tuple(readings[0][name] for name in order)
        if key in found:
            raise InputError(
                "two files claim the same night",
                folder,
                pattern.option,
                f"{found[key]} and {file}, both {_show(readings[0])}",
                "one file each",
                _second_file_remedy(pattern),
            )
        found[key] = file
    return found


def _second_file_remedy(pattern: FilePattern) -> str:
    if pattern.option == "--reference" and SCORER not in pattern.fields:
        return "If two people scored it, write {scorer} where the names differ; else make the pattern narrower."
    if pattern.option == "--device" and DEVICE not in pattern.fields:
        return "If they are two devices, write {device} where the names differ; else make the pattern narrower."
    return "Make the pattern narrower, or move one of the files away."


def _show(reading: Mapping[str, str]) -> str:
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


def _pair(
    references: Mapping[_Key, str],
    devices: Mapping[_Key, str],
    reference: FilePattern,
    device: FilePattern,
    device_name: str | None,
) -> tuple[tuple[NightFiles, ...], dict[_Key, str], dict[_Key, str]]:
    """Return the rows and the files whose other side is missing, these by participant and night."""
    has_night = NIGHT in reference.fields
    width = 2 if has_night else 1
    scored: dict[_Key, list[str]] = {}
    for key, file in sorted(references.items(), key=lambda item: [_natural(part) for part in item[0]]):
        scored.setdefault(key[:width], []).append(file)
    rows = []
    used: set[_Key] = set()
    devices_alone: dict[_Key, str] = {}
    for key, file in sorted(devices.items(), key=lambda item: [_natural(part) for part in item[0]]):
        night = key[:width]
        if night not in scored:
            devices_alone[key] = file
            continue
        used.add(night)
        name = key[width] if DEVICE in device.fields else device_name or "device"
        rows.append(NightFiles(key[0], key[1] if has_night else ONLY_NIGHT, name, tuple(scored[night]), file))
    references_alone = {key: file for key, file in references.items() if key[:width] not in used}
    return tuple(rows), references_alone, devices_alone


def _natural(text: str) -> list[tuple[int, int, str]]:
    """Return a sort key in which p2 comes before p10."""
    return [
        (0, int(part), part) if part.isascii() and part.isdigit() else (1, 0, part)
        for part in re.findall(r"[0-9]{1,18}|[^0-9]+|[0-9]+", text)
    ]


def _near_misses(references: Mapping[_Key, str], devices: Mapping[_Key, str]) -> tuple[str, ...]:
    """Return a sentence for names that differ only in case or leading zeros; they are not matched."""
    plain = {_plain(key): key for key in references}
    hints = {}
    for key in devices:
        other = plain.get(_plain(key))
        if other is not None and _plain(other) not in hints:
            hints[_plain(other)] = (
                f"{' / '.join(other[:2])} (reference) and {' / '.join(key[:2])} (device) differ only in case "
                "or leading zeros; they were not matched."
            )
    return tuple(hints.values())


def _absent(folder: Path, rows: Iterable[NightFiles]) -> tuple[str, ...]:
    """Return a sentence for matched names without content, as data sets that are fetched in parts have."""
    files = {file for row in rows for file in (*row.reference, row.device_file)}
    absent = sorted(file for file in files if not (folder / file).is_file())
    if not absent:
        return ()
    return (f"{len(absent)} matched files are links whose content is not here, such as {absent[0]}.",)


def _plain(key: _Key) -> _Key:
    return tuple(re.sub(r"(?<![0-9])0+(?=[0-9])", "", part.casefold()) for part in key[:2])


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
        ``;``), device_file, and a column for each option given.

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
        references = ";".join(_relative(found.folder / file, table_folder) for file in row.reference)
        writer.writerow([*names, references, _relative(found.folder / row.device_file, table_folder), *given.values()])
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
