"""What somebody works on in the page: one night, a study, or a night to correct. Commands do it; files come of it."""

from __future__ import annotations

import itertools
import os
import posixpath
import secrets
import shutil
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from sleepagree.errors import Front, InputError, SleepAgreeError, shorten
from sleepagree.files.writing import csv_text
from sleepagree.hypnogram.zones import add_seconds
from sleepagree.page.jobs import SHOWN, Job
from sleepagree.page.questions import Given, Look, Typed, typed_moment
from sleepagree.readers.any_file import part_files
from sleepagree.study.chunks import UNFINISHED
from sleepagree.study.table import OPTIONAL, REQUIRED, read_cells

if TYPE_CHECKING:
    from sleepagree.hypnogram.align import PairedNight
    from sleepagree.mapping.mapping import StageMapping
    from sleepagree.study.from_folder import FolderNights
    from sleepagree.study.proposed_patterns import ProposedPatterns

#: Files of one study.
MOST_FILES: Final = 500
#: Rows of its nights table: a form of more fields than it then has is refused.
MOST_NIGHTS: Final = MOST_FILES
RESULTS: Final = "results"
NIGHTS: Final = "nights.csv"
#: The nights table of the results that are there, whatever was answered since; patterns of names pass it over.
NIGHTS_RUN: Final = f".{RESULTS}-{NIGHTS}"
#: Names in the folder of a study that are the page's own.
RESERVED: Final = (RESULTS, f"{RESULTS}{UNFINISHED}", SHOWN, NIGHTS_RUN)
CORRECTION: Final = "correction.json"
COLUMNS: Final = (*REQUIRED, *OPTIONAL)
#: Columns of the nights table whose cells name files.
_FILES: Final = ("reference", "device_file", "layout", "reference_layout")
#: Side -> option of its layout, and its file.
_LAYOUTS: Final = {"device": "layout", "reference": "reference-layout"}
#: What may be chosen for a night beside its files: key, what is asked, answers ("": as the command does).
CHOICES: Final = (
    ("window", "Window", ("", "lights", "reference", "overlap")),
    ("outside", "Where the device is silent", ("missing", "wake")),
)
#: What is asked of the time in bed of a night without a reference: key, and what is asked.
IN_BED: Final = (("in_bed_from", "In bed from, such as 2026-03-01 22:30"), ("in_bed_until", "In bed until"))
#: How far a clock offset may go to either side (s).
FURTHEST_OFFSET_S: Final = 86_400


class WorkKind(StrEnum):
    """What is worked on."""

    NIGHT = "night"
    STUDY = "study"
    CORRECTION = "correction"


_TITLES: Final = {WorkKind.NIGHT: "night", WorkKind.STUDY: "study", WorkKind.CORRECTION: "corrected-night"}
_WANTED: Final = {WorkKind.NIGHT: ("reference", "device"), WorkKind.STUDY: (), WorkKind.CORRECTION: ("device",)}


class Asked(NamedTuple):
    """What a command is run on; two of them are equal where nothing was changed between them.

    Parameters
    ----------
    files : int
        How many files had been taken by then; one may have the name of one before it.
    answers : dict of str to (dict, dict)
        Side -> answers and stages.
    chosen : dict of str to str
        What was chosen, where it is not what the command does anyway.
    rows : list of dict of str to str
        Rows of a study's nights table.
    """

    files: int
    answers: dict[str, tuple[dict[str, str], dict[str, str]]]
    chosen: dict[str, str]
    rows: list[dict[str, str]]


@dataclass
class Work:
    """One thing that is worked on.

    Parameters
    ----------
    kind : WorkKind
        What it is.
    folder : Path
        Where its files are, those that were given and those that come of it.
    name : str
        By which it is asked for.
    sides : dict of str to Given
        "reference", "device" -> the file.
    looks : dict of str to Look
        What each of them looks like.
    between : str
        What stands in the way between two files that can be read, or of using the correction.
    correction : str
        What the correction file is called by who gave it; "" where none was given.
    chosen : dict of str to str
        Key of `CHOICES` or `IN_BED`, or "clock_offset" -> what was chosen.
    typed : dict of str to Typed
        Key of `chosen` -> an answer of which more is to be said; one that is not used is not among `chosen`.
    table : dict of int to dict of str to str
        Number -> row of a study's nights table. A row keeps its number, and none gets that of another.
    renamed : dict of str to str
        Path of a study's file -> what it is called by who gave it, where that is another name.
    reference, devices : str and list of (str, str)
        Patterns of file names: the reference's, and of each device with its name.
    found : FolderNights or None
        What they found.
    choices : tuple of ProposedPatterns
        Where names fit in several ways, those to choose from.
    job : Job or None
        The command that runs or has run.
    ran : Asked or None
        What it was run on.
    """

    kind: WorkKind
    folder: Path
    name: str = field(default_factory=lambda: secrets.token_hex(6))
    sides: dict[str, Given] = field(default_factory=dict)
    looks: dict[str, Look] = field(default_factory=dict)
    between: str = ""
    correction: str = ""
    chosen: dict[str, str] = field(default_factory=dict)
    typed: dict[str, Typed] = field(default_factory=dict)
    table: dict[int, dict[str, str]] = field(default_factory=dict)
    renamed: dict[str, str] = field(default_factory=dict)
    reference: str = ""
    devices: Sequence[tuple[str, str]] = ()
    found: FolderNights | None = None
    choices: tuple[ProposedPatterns, ...] = ()
    message: str = ""
    job: Job | None = None
    ran: Asked | None = None
    _files_taken: int = 0
    _looked_at: dict[str, Given] = field(default_factory=dict)
    _numbers: Iterator[int] = field(default_factory=itertools.count)

    @property
    def title(self) -> str:
        """What its results are and when they were made; no name of a file, which may tell whose they are."""
        made = datetime.fromtimestamp((self.folder / RESULTS).stat().st_mtime).astimezone()
        return f"sleepagree-{_TITLES[self.kind]}-{made:%Y-%m-%d-%H%M%S}"

    @property
    def running(self) -> bool:
        """Whether a command runs for it."""
        return self.job is not None and self.job.running

    @property
    def results(self) -> dict[str, Path]:
        """Name -> file of everything that may be kept, once it is there whole."""
        made = self.folder / RESULTS
        found = {} if self.running else {str(p.relative_to(made)): p for p in sorted(made.rglob("*")) if p.is_file()}
        paths = {f"{layout}.toml": self.folder / f"{layout}.toml" for layout in _LAYOUTS.values()}
        # a study makes a nights.csv of its own
        paths["given/nights.csv"] = self.folder / NIGHTS_RUN
        return found | {name: path for name, path in paths.items() if path.is_file()} if found else {}

    @property
    def asked(self) -> Asked:
        """What a command would be run on now."""
        answers = {side: (dict(given.answers), dict(given.stages)) for side, given in self.sides.items()}
        chosen = {key: text for key, text in self.chosen.items() if text and (key, text) != ("outside", "missing")}
        rows = [{column: cell for column in COLUMNS if (cell := row.get(column))} for row in self.table.values()]
        return Asked(self._files_taken, answers, chosen, rows)

    @property
    def is_outdated(self) -> bool:
        """Whether files or answers were changed after the command was run."""
        return self.ran is not None and self.ran != self.asked

    def look(self) -> None:
        """Look at every file as its answers say, where something changed, and at what they are used with."""
        for side, given in self.sides.items():
            if self._looked_at.get(side) != given:
                self.looks[side] = given.look()
        self._looked_at = dict(self.sides)
        self.between = self._look_at_correction() if self.kind is WorkKind.CORRECTION else self._look_at_both()

    def _look_at_both(self) -> str:
        try:
            if self.has_both:
                self.paired(clock_offset_s=float(self.chosen.get("clock_offset", 0)))
        except SleepAgreeError as error:
            return error.told(Front.PAGE)
        return ""

    def _look_at_correction(self) -> str:
        from sleepagree.study.correction_file import read_correction

        if not self.correction:
            return "No correction was given."
        try:
            read_correction(self.folder / CORRECTION)
        except SleepAgreeError as error:
            return error.in_file(self.correction).told(Front.PAGE)
        return ""

    @property
    def has_both(self) -> bool:
        """Whether two files were given and both can be read."""
        return len(self.looks) == 2 and all(look.spans is not None for look in self.looks.values())

    def paired(self, *, clock_offset_s: float) -> tuple[PairedNight, StageMapping]:
        """Return both files laid beside each other as was chosen, and the mapping they are compared under."""
        from sleepagree.hypnogram.align import align
        from sleepagree.mapping.mapping import default_mapping

        spans: dict[str, Any] = {side: look.spans for side, look in self.looks.items()}
        paired = align(
            **spans,
            clock_offset_s=clock_offset_s,
            window=self.chosen.get("window") or None,
            outside=self.chosen.get("outside", "missing"),
        )
        return paired, default_mapping(paired.reference_set, paired.device_set)

    def answer(self, form: Mapping[str, str]) -> None:
        """Take the answers of a form."""
        for side, given in self.sides.items():
            others = (look.spans for other, look in self.looks.items() if other != side and look.spans is not None)
            near = next((spans.start for spans in others), None)
            self.sides[side] = given.answered(form, side, self.looks.get(side, Look()), near)
        if self.kind is WorkKind.CORRECTION:
            self._answer_in_bed(form)
            return
        for key, _, answers in CHOICES:
            if form.get(key) in answers:
                self.chosen[key] = form[key]
        if "clock_offset" in form:
            self.take("clock_offset", _read_offset(form["clock_offset"].strip()))

    def _answer_in_bed(self, form: Mapping[str, str]) -> None:
        for (key, _), near, happens in zip(IN_BED, self._ends_of_device(), ("begins", "ends"), strict=True):
            text = form.get(key, "").strip()
            typed = self.typed.get(key, Typed(text))
            if key in form and (typed.wrong or not text or text != self.chosen.get(key)):
                self.take(key, _read_end(text, near, happens))
        given = {key for key, _ in IN_BED if self.chosen.get(key) or key in self.typed}
        if len(given) == 1:
            (other,) = {key for key, _ in IN_BED} - given
            self.typed[other] = Typed("", "Give both ends, or neither.")

    def _ends_of_device(self) -> tuple[datetime | None, datetime | None]:
        """Return when the device's file begins and ends, None where it has no clock or cannot be read."""
        spans = self.looks["device"].spans if "device" in self.looks else None
        if spans is None or spans.start is None:
            return None, None
        return spans.start, add_seconds(spans.start, spans.end_s)

    def take(self, key: str, typed: Typed) -> None:
        """Take an answer that was typed; the place of one that cannot be used is kept by the one before it."""
        self.typed.pop(key, None)
        if typed.wrong:
            self.typed[key] = typed
            return
        self.chosen.pop(key, None)
        if typed.text:
            self.chosen[key] = typed.text
        if typed.taken:
            self.typed[key] = typed

    def take_offset(self, text: str) -> None:
        """Take a clock offset; raise an InputError for what is none."""
        typed = _read_offset(text)
        if typed.wrong:
            raise InputError("this is no clock offset", found=shorten(text), remedy=typed.wrong)
        self.take("clock_offset", typed)

    @property
    def wanted(self) -> tuple[str, ...]:
        """Sides of which a file is wanted."""
        return _WANTED[self.kind]

    @property
    def is_ready(self) -> bool:
        """Whether nothing that the page knows of stands in the way of the command."""
        found = [(self.looks.get(side), self.sides.get(side)) for side in self.wanted]
        read = all(
            look is not None and not look.problems and given is not None and given.is_clear for look, given in found
        )
        return read and not self.between and not any(typed.wrong for typed in self.typed.values())

    def give(self, side: str, given: Given) -> None:
        """Take a file; it is new even where one of this name was given before."""
        self.sides[side] = given
        self._looked_at.pop(side, None)
        self._files_taken += 1

    def give_correction(self, name: str) -> None:
        """Take the correction file, which is stored, by the name that it was given under."""
        self.correction = name
        self._files_taken += 1

    def start(self) -> None:
        """Run the command that does it, unless it runs already."""
        if self.running:
            return
        shutil.rmtree(self.folder / RESULTS, ignore_errors=True)
        if self.kind is WorkKind.STUDY:
            shutil.copyfile(self.folder / NIGHTS, self.folder / NIGHTS_RUN)
        self.ran = self.asked
        self.job = Job(self.command(), self.folder)

    def command(self) -> list[str]:
        """Return the command, and write the layouts that it names."""
        if self.kind is WorkKind.STUDY:
            return ["study", NIGHTS, "--out", RESULTS, "--count"]
        paths = {side: f"{side}/{given.path.name}" for side, given in self.sides.items()}
        layouts: list[str] = []
        for side in self.sides:
            written = self.folder / f"{_LAYOUTS[side]}.toml"
            written.unlink(missing_ok=True)
            if text := self.looks[side].layout_text:
                written.write_text(text, encoding="utf-8")
                layouts += [f"--{_LAYOUTS[side]}", written.name]
        if self.kind is WorkKind.CORRECTION:
            ends = [self.chosen[key].replace(" ", "T") for key, _ in IN_BED if self.chosen.get(key)]
            window = ["--window", "/".join(ends)] if ends else []
            return ["correct", CORRECTION, paths["device"], *layouts, *window, "--out", RESULTS]
        options = [word for key, text in self.asked.chosen.items() for word in (f"--{key.replace('_', '-')}", text)]
        return ["night", paths["reference"], paths["device"], *layouts, *options, "--out", RESULTS]

    # --- studies ------------------------------------------------------------------------------------------

    @property
    def files(self) -> list[str]:
        """Paths of a study's files below its folder."""
        found = (p.relative_to(self.folder) for p in sorted(self.folder.rglob("*")) if p.is_file())
        return [path.as_posix() for path in found if path.parts[0] not in RESERVED and path.as_posix() != NIGHTS]

    @property
    def used_columns(self) -> list[str]:
        """Columns of a study's table that have to be there, or hold anything."""
        return [c for c in COLUMNS if c in REQUIRED or any(row.get(c) for row in self.table.values())]

    def find_nights(self, reference: str = "", devices: Sequence[tuple[str, str]] = ()) -> None:
        """Fill the nights table from patterns of file names, those of devices with a name, or from what names show.

        Where they show several ways, these are kept to be chosen from, and the table stays as it is.
        """
        from sleepagree.study.from_folder import nights_from_folder
        from sleepagree.study.proposed_patterns import propose_patterns

        self.reference, self.devices, self.choices = reference, devices, ()
        if bool(reference) != bool(devices):
            problem = f"the names of the {'device' if reference else 'reference'}'s files are not said"
            raise InputError(problem, remedy="Say those of both sides, or leave both empty.")
        if not reference:
            proposed = propose_patterns(self.folder)
            if proposed.others:
                self.choices = proposed, *proposed.others
                return
            self.reference, self.devices, found = proposed.reference, proposed.named_devices, proposed.found
        else:
            found = nights_from_folder(
                self.folder,
                reference_pattern=reference,
                device_pattern=[pattern for pattern, _ in devices],
                device_name=[name for _, name in devices if name],
            )
        files = self.files
        self.found = replace(found, others=tuple(file for file in found.others if file in files))
        layouts = [path for path in files if path.endswith(".toml")]
        self._fill(
            {**asdict(row), "reference": ";".join(row.reference), "layout": self._layout_for(row.device_file, layouts)}
            for row in found.rows
        )

    def _fill(self, rows: Iterable[dict[str, str]]) -> None:
        self.table = {next(self._numbers): row for row in rows}

    def _layout_for(self, file: str, layouts: list[str]) -> str:
        """Return the one layout among those given that reads a file; "" where none is needed, or several do."""
        parts = part_files(file, str(self.folder))
        if _reads(parts, None):
            return ""
        fitting = [path for path in layouts if _reads(parts, self.folder / path)]
        return fitting[0] if len(fitting) == 1 else ""

    @property
    def given_table(self) -> str:
        """Path of the nights table that was given: on top, or the only one below; "" where there is none."""
        if (self.folder / NIGHTS).is_file():
            return NIGHTS
        below = [file for file in self.files if f"/{file}".endswith(f"/{NIGHTS}") and "/." not in f"/{file}"]
        return below[0] if len(below) == 1 else ""

    def read_table(self, table: str) -> None:
        """Fill the nights table from the one that was given, which names files from the folder that it lies in."""
        rows = read_cells(self.folder / table)
        if len(rows) > MOST_NIGHTS:
            problem, expected = "the table has more rows than the page takes", f"{MOST_NIGHTS} at most"
            remedy = "Give a table of fewer nights; the command line takes any number."
            raise InputError(problem, NIGHTS, "", f"{len(rows)} rows", expected, remedy)
        files, above = self.files, posixpath.dirname(self.renamed.get(table, table))
        # every name that a cell may have for a file -> where the file is stored; one that is stored as given goes first
        stored = {posixpath.relpath(given, above or "."): path for path, given in self.renamed.items()}
        stored = {name: path for name, path in stored.items() if posixpath.join(above, name) not in files}
        if above:
            inside = posixpath.dirname(table)
            stored = {posixpath.relpath(file, inside): file for file in files} | stored
        self._fill({column: _named_anew(column, row.get(column, ""), stored) for column in COLUMNS} for row in rows)

    def write_table(self, form: Mapping[str, str]) -> None:
        """Take the cells of a form, ``N.column``, and write the nights table; a cell may name given files only.

        A form of other rows than the table has was shown before these were left out or found anew.
        """
        numbers = (name.partition(".")[0] for name in form)
        if {int(number) for number in numbers if number.isdecimal()} != set(self.table):
            remedy = "Nothing of it was taken: look at the nights as they are now."
            raise InputError("the rows have changed since this form was shown", remedy=remedy)
        self.table = {
            number: {column: form.get(f"{number}.{column}", "").strip() for column in COLUMNS}
            for number in self.table
            if not form.get(f"{number}.leave")
        }
        known = {str(self.folder / file) for file in self.files}
        for i, row in enumerate(self.table.values(), start=2):
            for column in _FILES:
                # as the command takes them: several references, and each of them or the device's file in parts
                cells = row[column].split(";") if column == "reference" else [row[column]]
                for written in filter(None, map(str.strip, cells)):
                    if not known.issuperset(map(os.path.normpath, part_files(written, str(self.folder)))):
                        where = f"line {i}, column '{column}'"
                        expected = "one of the files that were given"
                        raise InputError("no such file", NIGHTS, where, f"'{shorten(written)}'", expected)
        used = self.used_columns
        text = csv_text([used, *([row[column] for column in used] for row in self.table.values())])
        (self.folder / NIGHTS).write_text(text, encoding="utf-8")


def _read_end(text: str, near: datetime | None, happens: str) -> Typed:
    """Return an end of the time in bed, "" for none; of one without a date the nearest to when the file ends so."""
    if not text:
        return Typed("")
    typed = typed_moment(text, near, "the file", happens)
    return Typed(text, f"{typed.taken} A time is wanted as well.") if typed.taken and ":" not in typed.text else typed


def _read_offset(text: str) -> Typed:
    """Return a clock offset as a command takes it, "" for none, or what is wrong with it."""
    try:
        offset_s = float(text or 0)
    except ValueError:
        offset_s = float("nan")
    if not abs(offset_s) <= FURTHEST_OFFSET_S:
        return Typed(text, f"Give a number of seconds from -{FURTHEST_OFFSET_S} to {FURTHEST_OFFSET_S}.")
    return Typed(str(offset_s).removesuffix(".0") if offset_s else "")


def _named_anew(column: str, cell: str, stored: Mapping[str, str]) -> str:
    """Return a cell; files in it, several or in parts, are named as they are stored."""
    if column not in _FILES:
        return cell
    if cell in stored:  # its name may hold what joins files
        return stored[cell]
    if column == "reference" and ";" in cell:
        return ";".join(_named_anew(column, file, stored) for file in cell.split(";"))
    return "+".join(stored.get(posixpath.normpath(part.strip()), part) for part in cell.split("+"))


def _reads(parts: Sequence[str], layout: Path | None) -> bool:
    """Whether the parts of a recording are read, with a layout or as they are."""
    from sleepagree.readers.any_file import read_spans
    from sleepagree.readers.layout import read_layout

    try:
        read_spans(parts, layout=None if layout is None else read_layout(layout))
    except SleepAgreeError:
        return False
    return True
