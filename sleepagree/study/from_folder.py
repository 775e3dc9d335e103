"""A folder of recordings as a study: which file belongs to which participant, night and device.

Two patterns say how files are named. Nothing is guessed: a file that fits both patterns, a name that can be
read in two ways and two files for one night are refused, and every file that did not match is told.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import chain, combinations, product
from pathlib import Path
from typing import Final, NamedTuple, NoReturn

from sleepagree.errors import FileFormatError, InputError, Option, counted, for_page, printable, shorten
from sleepagree.files.formulas import escape_formula
from sleepagree.files.writing import csv_text
from sleepagree.readers.any_file import part_files, whole_table
from sleepagree.readers.columns import list_names
from sleepagree.readers.layout import Layout
from sleepagree.study.file_patterns import NIGHT, NOBODYS, PARTICIPANT, FilePattern, parse_pattern

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
    folder: Path,
    *,
    reference_pattern: str,
    device_pattern: str | Sequence[str],
    device_name: str | Sequence[str] | None = None,
    people: Sequence[str] | None = None,
    layouts: Mapping[str, Layout] | None = None,
) -> FolderNights:
    """Find the nights of a study by the names of its files.

    Parameters
    ----------
    folder : Path
        Folder that holds the files of both sides, in sub-folders or not.
    reference_pattern : str
        Names of the reference's files: ``{participant}``, ``{night}``, ``{scorer}`` where several people scored one
        night, and ``{part}`` where a recording is in several files, which are joined in the order of it.
    device_pattern : str or sequence of str
        Names of the devices' files: ``{participant}``, ``{night}``, ``{device}`` for more than one, and ``{part}``.
    device_name : str or sequence of str, optional
        Names of the devices whose patterns have no ``{device}``, in their order; a single one is called "device" if
        left out.
    people : sequence of str, optional
        Who takes part (:func:`column_values`): ``{participant}`` is one of them and nothing else.
    layouts : mapping of str to Layout, optional
        Of the devices' files: name of a device, or "" for all others, -> layout. Where it names a column of people
        and no person, a file whose pattern has no ``{participant}`` belongs to everybody whom that column names.

    Returns
    -------
    FolderNights
        What matched, and what did not.

    Raises
    ------
    InputError
        When the folder or a pattern cannot be used, no file fits, a file fits both patterns or one pattern in
        two ways, two files claim one night, nothing has two sides, or a layout is of no device.

    Examples
    --------
    >>> nights_from_folder(Path("ferry"), reference_pattern="lab/{participant}_{night}.edf",
    ...     device_pattern="{device}/{participant}_{night}.csv")  # doctest: +SKIP
    """
    known = None if people is None else frozenset(people)
    texts = (device_pattern,) if isinstance(device_pattern, str) else tuple(device_pattern)
    names = (device_name,) if isinstance(device_name, str) else tuple(device_name or ())
    given = layouts or {}
    of_many = any(map(_is_of_many, given.values()))
    fields = PARTICIPANT, NIGHT
    reference = parse_pattern(reference_pattern, option="--reference", allowed=(*fields, SCORER, PART), people=known)
    patterns = [
        parse_pattern(text, option="--device", allowed=(*fields, DEVICE, PART), people=known, of_many=of_many)
        for text in texts
    ]
    makers = _device_names(patterns, names)
    notes = _refuse_mismatch(reference, patterns, names, of_many=of_many)
    files, links = files_and_links(folder)
    notes += tell_links(links)
    sides = [reference, *patterns]
    fitting = [_fitting(files, pattern, folder) for pattern in sides]
    _refuse_shared_files(folder, sides, fitting)
    for pattern, found in zip(sides, fitting, strict=True):
        if not found:
            raise _nothing_fits(folder, pattern, files, links)
    matched = {file for found in fitting for f in found for file in f.files}
    hints = _strangers(files, matched, sides)
    references, *of_devices = fitting
    devices: list[_File] = []
    for pattern, maker, found in zip(patterns, makers, of_devices, strict=True):
        named = [f._replace(maker=f.maker or maker) for f in found]
        if of_many and PARTICIPANT not in pattern.fields:
            named, unscored = _of_everybody(folder, named, given, references, known)
            hints += unscored
        devices += named
    devices.sort(key=lambda f: f.order)
    _refuse_layouts_of_nothing(given, {f.maker for f in devices})
    _refuse_second_files(folder, patterns[0], devices)
    scored: dict[tuple[str, ...], list[str]] = {}
    for file in sorted(references, key=lambda f: f.order):
        scored.setdefault(file.night, []).append(file.path)
    rows = tuple(
        NightFiles(f.night[0], (*f.night, ONLY_NIGHT)[1], f.maker, tuple(scored[f.night]), f.path)
        for f in devices
        if f.night in scored
    )
    watched = {f.night for f in devices}
    alone = [f for f in references if f.night not in watched], [f for f in devices if f.night not in scored]
    hints += _near_misses(*alone) + _absent(folder, rows)
    if not rows:
        raise _nothing_together(folder, references, of_devices, (*hints, *tell_links(links)))
    others = tuple(sorted((f for f in files if f not in matched), key=_natural))
    references_alone, devices_alone = (tuple(f.path for f in side) for side in alone)
    return FolderNights(folder, rows, references_alone, devices_alone, others, notes, hints)


def _nothing_together(
    folder: Path, references: Sequence[_File], devices: Sequence[Sequence[_File]], hints: Sequence[str]
) -> InputError:
    found = (
        f"{len(references)} reference files such as {references[0].path}, {sum(map(len, devices))} device files "
        f"such as {devices[0][0].path}"
    )
    expected = "the same {participant} and {night} on both sides"
    remedy = " ".join(hints) or "Adjust the patterns so that the parts in braces are equal texts."
    return InputError("no reference and device file belong together", str(folder), "", found, expected, remedy)


def column_values(path: Path, column: str, layout: Layout | None = None) -> tuple[str, ...]:
    """Return the different texts in a column of a table, in order: who takes part, or whom its rows are about.

    Parameters
    ----------
    path : Path
        A table of any kind that is read.
    column : str
        Name of the column; case does not count.
    layout : Layout, optional
        Where the table stands in the file.

    Raises
    ------
    FileFormatError
        When the file holds no table, no column of that name, or nothing in it.
    InputError
        When it cannot be read.
    """
    table = whole_table(path, layout)
    names = () if table is None else table.names
    wanted = f"a table with the column '{shorten(column)}'"
    at = next((i for i, name in enumerate(names) if name.strip().casefold() == column.strip().casefold()), None)
    if table is None or at is None:
        seen = f"the columns {list_names(list(names))}" if names else "no table"
        raise FileFormatError("there is no such column", str(path), "", seen, wanted, "Name one of its columns.")
    found = tuple(dict.fromkeys(filter(None, (text.strip() for text in table.texts(at)))))
    if not found:
        raise FileFormatError("the column is empty", str(path), f"column '{shorten(column)}'", "", "names of people")
    return found


def _of_everybody(
    folder: Path,
    found: Sequence[_File],
    layouts: Mapping[str, Layout],
    references: Sequence[_File],
    known: frozenset[str] | None,
) -> tuple[list[_File], tuple[str, ...]]:
    """Return files of several people once for each night of each of them, and a sentence for who has no reference."""
    made, unscored = [], []
    for file in found:
        layout = layouts.get(file.maker) or layouts.get("")
        if layout is None or not _is_of_many(layout):
            problem, expected = "nothing says whose file it is", "{participant} in its pattern, or a column of people"
            remedy = f"Name the column in the layout of {shorten(file.maker)}: person_column."
            raise InputError(problem, str(folder), file.path, "", expected, remedy)
        paths = [folder / part for part in file.files]
        people = dict.fromkeys(who for path in paths for who in column_values(path, str(layout.person_column), layout))
        for who in people if known is None else [who for who in people if who in known]:
            night = (who, *file.night[1:])
            nights = dict.fromkeys(f.night for f in references if f.night[: len(night)] == night)
            made += [file._replace(night=one) for one in nights]
            if not nights:
                unscored.append(who)
    if not unscored:
        return made, ()
    told = (
        f"No reference for {counted(len(unscored), 'participant')} in the device files: {first_of(unscored, _SHOWN)}."
    )
    return made, (told,)


def _is_of_many(layout: Layout) -> bool:
    """Whether a layout reads rows of several people, of which none is named."""
    return layout.person_column is not None and not layout.person


def _refuse_layouts_of_nothing(layouts: Mapping[str, Layout], devices: set[str]) -> None:
    if strange := sorted(set(layouts) - devices - {""}):
        expected = "one of " + ", ".join(map(shorten, sorted(devices)))
        raise InputError("a layout is of no device", "", f"{Option.LAYOUT}", shorten(strange[0]), expected)


def _strangers(files: Sequence[str], matched: set[str], patterns: Sequence[FilePattern]) -> tuple[str, ...]:
    """Return a sentence for files that fit a pattern but for who takes part, and one for who has no file."""
    people = patterns[0].people
    if people is None:
        return ()
    open_patterns = [replace(pattern, people=None) for pattern in patterns]
    others = [f for f in files if f not in matched and any(pattern.readings(f) for pattern in open_patterns)]
    named = {reading.get(PARTICIPANT) for f in matched for pattern in patterns for reading in pattern.readings(f)}
    absent = sorted(people - named, key=_natural)
    out = []
    if others:
        files_of = "file is" if len(others) == 1 else "files are"
        out.append(f"{len(others)} {files_of} of nobody in the table of participants, such as {others[0]}.")
    if absent:
        out.append(f"No file is named after {len(absent)} of the table of participants: {first_of(absent, _SHOWN)}.")
    return tuple(out)


def _refuse_shared_files(folder: Path, patterns: Sequence[FilePattern], found: Sequence[Sequence[_File]]) -> None:
    """Refuse a file that fits two patterns."""
    for (one, first), (other, second) in combinations(zip(patterns, found, strict=True), 2):
        both = {part for file in first for part in file.files} & {part for file in second for part in file.files}
        if both:
            told = f"{one.text} and {other.text}"
            expected = "a file of one side" if one is patterns[0] else "a file of one device"
            remedy = "Make one of the patterns narrower."
            raise InputError("a file fits both patterns", str(folder), min(both), told, expected, remedy)


def _refuse_second_files(folder: Path, pattern: FilePattern, devices: Sequence[_File]) -> None:
    """Refuse two files of one device for one night, which only patterns of their own can bring."""
    seen: dict[tuple[tuple[str, ...], str], str] = {}
    for file in devices:
        other = seen.setdefault((file.night, file.maker), file.path)
        if other != file.path:
            claimed = f"{other} and {file.path}, both {', '.join((*file.night, file.maker))}"
            remedy = for_page(
                f"Give each pattern a {Option.DEVICE_NAME} of its own, or make one narrower.",
                "Say of each device what it is called, or make a pattern narrower.",
            )
            raise _two_files(folder, pattern, claimed, remedy)


def _two_files(folder: Path, pattern: FilePattern, claimed: str, remedy: str) -> InputError:
    return InputError("two files claim the same night", str(folder), pattern.called, claimed, "one file each", remedy)


def _device_names(patterns: Sequence[FilePattern], names: Sequence[str]) -> list[str]:
    """Return the name of the device of each pattern, "" where the file names tell it."""
    without = [pattern for pattern in patterns if DEVICE not in pattern.fields]
    if names and not without:
        problem = "the device's name is given twice"
        expected = f"{{device}} in the pattern, or {Option.DEVICE_NAME}"
        raise InputError(problem, "", f"{Option.DEVICE_NAME}", names[0], expected, "Leave one of them out.")
    if len(names) != len(without) and (names or len(without) > 1):
        problem = "the names of devices are not as many as the patterns without {device}"
        expected = f"{len(without)}, in the order of the patterns"
        remedy = f"Give {Option.DEVICE_NAME:NAME} once for each of them, or write {{device}} where file names tell it."
        raise InputError(problem, "", f"{Option.DEVICE_NAME}", ", ".join(names) or "none", expected, remedy)
    given = iter(names or ("device",) * len(without))
    return ["" if DEVICE in pattern.fields else next(given) for pattern in patterns]


def matched_files(found: FolderNights) -> Iterator[str]:
    """Yield the files that fit a pattern, relative to the folder, those whose other side is missing included."""
    rows = ((*row.reference, row.device_file) for row in found.rows)
    for file in (*chain.from_iterable(rows), *found.references_alone, *found.devices_alone):
        yield from part_files(file)


#: Field that only one of two patterns has -> what is wrong, what was expected, and why.
_ON_ONE_SIDE: Final = {
    NIGHT: (
        "only one of the two patterns says which night a file is",
        "{night} in both patterns or in none",
        "Two nights of one person could not be told apart.",
    ),
    PARTICIPANT: (
        "only one of the two patterns says whose file it is",
        "{participant} in both patterns or, for the nights of one person, in none",
        "Nights of two people could not be told apart. If rows of several people stand in one file, name the column "
        "of people in a layout: person_column.",
    ),
}


def _refuse_mismatch(
    reference: FilePattern, devices: Sequence[FilePattern], names: Sequence[str], *, of_many: bool
) -> tuple[str, ...]:
    for device, (field, (problem, expected, remedy)) in product(devices, _ON_ONE_SIDE.items()):
        # one file of several people is laid beside each of their nights
        excused = of_many and PARTICIPANT not in device.fields and (field == PARTICIPANT or field in reference.fields)
        if (field in reference.fields) != (field in device.fields) and not excused:
            without = device if field in reference.fields else reference
            without.refuse(problem, without.text, expected, remedy)
    if PARTICIPANT not in reference.fields and (of_many or reference.people is not None):
        told = "the layout names a column of people" if of_many else "a table of participants is given"
        remedy = f"Write it where names differ: {told}."
        reference.refuse(NOBODYS, reference.text, "{participant} somewhere in it", remedy)
    notes = []
    if PARTICIPANT not in reference.fields:
        notes.append(f"The patterns have no {{participant}}: all nights are of one person, called {ONLY_PARTICIPANT}.")
    if NIGHT not in reference.fields:
        notes.append(f"The patterns have no {{night}}: every participant has one night, called {ONLY_NIGHT}.")
    if not names and any(DEVICE not in device.fields for device in devices):
        notes.append("The pattern has no {device}: all device files are taken for one device, called 'device'.")
    return tuple(notes)


def files_and_links(folder: Path) -> tuple[list[str], list[str]]:
    """Return the files below a folder, and the folders there that are links, as paths relative to it with ``/``.

    What is hidden is left out; links to folders are not followed, for they may lead in circles.
    """
    if not folder.is_dir():
        raise InputError(
            "this is no folder" if folder.exists() else "the folder does not exist",
            str(folder),
            remedy=f"Check the path, seen from {Option.FOLDER:{Path.cwd()}}.",
        )
    files: list[str] = []
    links: list[str] = []

    def refuse(error: OSError) -> NoReturn:
        raise InputError(
            "a folder cannot be read", str(error.filename), "", error.strerror or "", "", "Check who may read it."
        )

    for here, folders, names in os.walk(folder, onerror=refuse):
        # what an interrupted study keeps for --resume is no night
        folders[:] = sorted(name for name in folders if not name.startswith(".") and not name.endswith(".unfinished"))
        below = Path(here).relative_to(folder)
        files += [(below / name).as_posix() for name in sorted(names) if not name.startswith(".")]
        links += [(below / name).as_posix() for name in folders if (Path(here) / name).is_symlink()]
    return files, links


def tell_links(links: Sequence[str]) -> tuple[str, ...]:
    """Return a sentence for the folders below a folder that are links, where there are any."""
    if not links:
        return ()
    told = "A folder that is a link is" if len(links) == 1 else f"{len(links)} folders that are links are"
    return (f"{told} not looked into: {first_of(links, _SHOWN)}.",)


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
                f"one reading of {pattern.called} {pattern.text}",
                "Put more of the fixed text of the names into the pattern.",
            )
        for reading in readings:
            told = {PARTICIPANT: ONLY_PARTICIPANT, **reading}
            night = tuple(told[name] for name in (PARTICIPANT, NIGHT) if name in told)
            parts = found.setdefault((night, reading.get(DEVICE) or reading.get(SCORER, "")), {})
            part = reading.get(PART, "")
            if part in parts:
                claimed = f"{parts[part]} and {file}, both {_show(reading)}"
                raise _two_files(folder, pattern, claimed, _second_file_remedy(pattern))
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


def _nothing_fits(folder: Path, pattern: FilePattern, files: Sequence[str], links: Sequence[str]) -> InputError:
    like = [f for f in files if Path(f).suffix == Path(pattern.text).suffix] or files
    held = f"The folder holds {first_of(like, _SHOWN)}." if files else "The folder holds no file."
    expected = "the path of a file below the folder, with braces where names differ"
    remedy = " ".join((held, *tell_links(links)))
    return InputError("no file fits the pattern", str(folder), pattern.called, pattern.text, expected, remedy)


def first_of(names: Sequence[str], most: int) -> str:
    """Return the first of many names, and how many more there are."""
    return ", ".join(map(shorten, names[:most])) + (f" and {len(names) - most} more" if len(names) > most else "")


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
    layouts: Mapping[str, Path] | None = None,
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
    layouts : mapping of str to Path, optional
        How to read the files of a device, or of all others (""): a column.
    reference_layout : Path, optional
        How to read the references; a column for all rows.
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
        "reference_layout": None if reference_layout is None else _relative(reference_layout, table_folder),
        "reference_zone": reference_zone,
        "device_zone": device_zone,
    }
    given = {name: value for name, value in extra.items() if value is not None}
    told = {device: _relative(path, table_folder) for device, path in (layouts or {}).items()}
    rows = [[PARTICIPANT, NIGHT, DEVICE, "reference", "device_file", *(["layout"] if told else []), *given]]
    for row in found.rows:
        for file in row.reference:
            if ";" in file:
                problem = "a semicolon separates several references in the table, so it cannot stand in a name"
                raise InputError(problem, str(found.folder), file, "';'", "a file name without it", "Rename the file.")
        for file in (*row.reference, row.device_file):
            _refuse_other_than_utf8(file)
        references, device = (
            ";".join(
                "+".join(_relative(found.folder / part, table_folder) for part in part_files(file)) for file in files
            )
            for files in (row.reference, (row.device_file,))
        )
        layout = [told.get(row.device, told.get("", ""))] if told else []
        rows.append([row.participant, row.night, row.device, references, device, *layout, *given.values()])
    return csv_text(rows)


def _refuse_other_than_utf8(file: str) -> None:
    try:
        file.encode()
    except UnicodeEncodeError:
        problem = "a file name is not UTF-8, so no table can hold it"
        found = "bytes of another encoding"
        raise InputError(problem, printable(file), "", found, "a name in UTF-8", "Rename the file.") from None


def _relative(file: Path, table_folder: Path) -> str:
    """Return a path relative to the table, with ``/``; absolute where there is no way (another drive)."""
    # only the folder is resolved: a file that is a link keeps its own name, whose ending chooses the reader
    file = file.parent.resolve() / file.name
    try:
        path = Path(os.path.relpath(file, table_folder.resolve())).as_posix()
    except ValueError:
        return file.as_posix()
    # "./" keeps a spreadsheet from taking the path for a formula, and names the same file
    return path if escape_formula(path) == path else f"./{path}"
