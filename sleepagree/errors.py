"""Every error this package raises on purpose, with one shape of message.

A message tells where (file, then row, byte or field), what is wrong, what was found, what was expected
and how to mend it. The fields travel positionally so that an error survives a process pool unchanged.
"""

from __future__ import annotations

import math
import re
import unicodedata
from datetime import datetime
from enum import Enum
from numbers import Integral, Real
from pathlib import Path
from typing import Any, Final, NamedTuple, Self, TypeVar

Kind = TypeVar("Kind")
Choice = TypeVar("Choice", bound=Enum)

LONGEST_FOUND = 80
_LONGEST_PATH = 240
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ufeff]")


def printable(text: str) -> str:
    r"""Return text that a terminal shows as it stands.

    Control and bidirectional characters are written as escapes, so that a hostile label cannot move the cursor
    of a terminal or turn a line of text around; half a surrogate pair becomes the replacement character.

    Examples
    --------
    >>> print(printable("N2" + chr(27) + "[2J"))
    N2\x1b[2J
    """
    shown = _CONTROL.sub(lambda match: f"\\x{ord(match.group()):02x}", text)
    return shown if shown.isascii() else "".join(c if unicodedata.category(c) != "Cs" else "\ufffd" for c in shown)


def shorten(found: object) -> str:
    """Return ``found`` as :func:`printable` text of at most 80 characters."""
    text = printable(str(found))
    return text if len(text) <= LONGEST_FOUND else text[: LONGEST_FOUND - 1] + "…"


def is_number(given: object, *, whole: bool = False) -> bool:
    """Whether an argument is a finite number, or a whole one; True and texts are none.

    Examples
    --------
    >>> is_number(0.5), is_number(0.5, whole=True), is_number(True), is_number("3"), is_number(float("nan"))
    (True, False, False, False, False)
    """
    kind = Integral if whole else Real
    return not isinstance(given, bool) and isinstance(given, kind) and math.isfinite(given)


def is_missing(given: object) -> bool:
    """Whether an argument is nothing: None, or what does not equal itself, as nan, pandas' NA and a masked entry."""
    try:
        return given is None or not bool(given == given)  # noqa: PLR0124
    except (TypeError, ValueError):  # whether NA, or an array, equals itself nobody can tell
        return True


def is_nameless(given: object) -> bool:
    """Whether an argument is no name: missing, or a text of spaces.

    Examples
    --------
    >>> is_nameless(None), is_nameless(float("nan")), is_nameless(" "), is_nameless(0)
    (True, True, True, False)
    """
    return is_missing(given) or not str(given).strip()


def take_name(what: str, given: object) -> str:
    """Return a name as a text; raise a ValueError for what is none."""
    if is_nameless(given):
        raise ValueError(f"{what} must be a name, not {given!r}")
    return str(given).strip()


def check_whole(name: str, given: Any, *, least: int) -> None:
    """Raise a ValueError unless an argument is a whole number that is large enough."""
    if not is_number(given, whole=True) or given < least:
        raise ValueError(f"{name} must be a whole number from {least} on, not {given!r}")


def check_flag(name: str, given: Any) -> None:
    """Raise a ValueError unless an argument is True or False; a text such as "no" would be taken for yes."""
    if given not in (True, False) or isinstance(given, str):
        raise ValueError(f"{name} must be True or False, not {given!r}")


def check_level(given: Any, name: str = "level") -> None:
    """Raise a ValueError unless an argument is the level of an interval, or another probability by its name."""
    if not is_number(given) or not 0 < given < 1:
        raise ValueError(f"{name} must lie between 0 and 1, such as 0.95, not {given!r}")


def take_options(given: Kind | None, kind: type[Kind]) -> Kind:
    """Return options as they are given, or the default ones; refuse what is none of the kind."""
    if given is not None and not isinstance(given, kind):
        raise TypeError(f"options must be {kind.__name__}(...), not {shorten(repr(given))}")
    return kind() if given is None else given


def check_moment(name: str, given: Any) -> None:
    """Raise a TypeError unless an argument is a date with a time."""
    is_moment = isinstance(given, datetime) and given == given  # noqa: PLR0124 - pandas' NaT is a datetime
    if not is_moment:
        raise TypeError(f"{name} must be a date with a time, such as datetime(2026, 3, 1, 22, 30), not {given!r}")


def take_choice(name: str, given: Any, choices: type[Choice]) -> Choice:
    """Return what an argument chooses, as such or by its text; raise a ValueError for what is no choice.

    Examples
    --------
    >>> take_choice("told_by", "options of the command line", Front)
    <Front.COMMAND: 'options of the command line'>
    """
    try:
        return choices(given)
    except (TypeError, ValueError):  # pandas' NA equals nothing, and says so with a TypeError
        listed = ", ".join(repr(choice.value) for choice in choices)
        raise ValueError(f"{name} must be one of {listed}, not {shorten(repr(given))}") from None


def counted(count: int, word: str) -> str:
    """Return a count with its word.

    Examples
    --------
    >>> counted(1, "epoch"), counted(0, "epoch")
    ('1 epoch', '0 epochs')
    """
    return f"{count} {word}" if count == 1 else f"{count} {word}s"


def _cut_path(path: str) -> str:
    """Return a path whose file name stays whole: a long one loses its beginning."""
    shown = printable(path)
    return shown if len(shown) <= _LONGEST_PATH else "…" + shown[1 - _LONGEST_PATH :]


def _path_seen_from(folder: Path, path: Path) -> str:
    """Return the path of a file inside a folder as seen from there, else its name."""
    inside = path.is_relative_to(folder) and ".." not in path.parts
    return path.relative_to(folder).as_posix() if inside else path.name


class Front(Enum):
    """Who shows a message, and so how it names what can be set."""

    PYTHON = "arguments of functions"
    COMMAND = "options of the command line"
    TABLE = "columns of the nights table"
    PAGE = "questions of the local page"


class Option(Enum):
    """What a caller can set, or a folder: in a text of an error it keeps a place that whoever shows the error fills in.

    Examples
    --------
    >>> name_options(f"Give another {Option.WINDOW:FROM/TO}.", Front.COMMAND)
    'Give another --window FROM/TO.'
    >>> name_options(f"Give another {Option.WINDOW:FROM/TO}.", Front.PYTHON)
    "Give another window='FROM/TO'."
    """

    BY = "by"
    CLOCK_OFFSET = "clock_offset_s"
    DECLARED = "declared"
    DEVICE = "device"
    DEVICE_NAME = "device_name"
    DEVICE_ZONE = "zone (of the device)"
    EXTRA = "extra"
    FOLDER = "folder of this machine"
    LAYOUT = "layout"
    LOG_RATIO = "log_ratio"
    MAPPING = "mappings"
    MARGIN = "margins"
    OUTSIDE = "outside"
    OVERWRITE = "overwrite"
    REFERENCE_ZONE = "zone (of the reference)"
    REPORTS = "reports"
    RESUME = "resume"
    SCHEDULER = "scheduler"
    WIDTH = "width"
    WINDOW = "window"
    WORKERS = "workers"
    ZONE = "zone"

    def __format__(self, value: str) -> str:
        return f"\x02{self.name}={value}\x03"


class Step(Enum):
    """What a reader of a message can do: a command with its options, or what does the same in Python.

    A number given to it stands in the words: minutes, which Python takes as seconds.

    Examples
    --------
    >>> for front in (Front.COMMAND, Front.PYTHON):
    ...     print(name_options(f"{Step.SCAN_CLOCK:180} looks further.", front))
    'sleepagree clock --range 180' looks further.
    scan_clock(paired, range_s=10800) looks further.
    """

    CALIBRATE = "'sleepagree calibrate'", "learn_correction()"
    COMPARE_MAPPINGS = "'sleepagree mappings'", "compare_mappings()"
    FIND_SPARSE = "'scored_percent' in nights.csv", "'scored_percent' in to_frame(\"nights\")"
    JOIN_PARTS = "FIRST+SECOND in place of a file", "a list of paths in place of one"
    LOOK_AT_FILE = "'sleepagree inspect'", "read_hypnogram()"
    SCAN_CLOCK = "'sleepagree clock'", "scan_clock()"
    SCORE_NIGHT = "'sleepagree night'", "compare()"
    STUDY = "'sleepagree study'", "summarise_study()"

    def __format__(self, value: str) -> str:
        return f"\x02{self.name}={value}\x03"

    def told(self, front: Front, value: str) -> str:
        """Return the step in the words of ``front``."""
        command, python = self.value
        if not value:
            return python if front is Front.PYTHON else command
        if front is Front.PYTHON:
            return f"{python[:-1]}paired, range_s={60 * int(value)})"
        return f"{command[:-1]} --range {value}'"


#: Key of a layout -> how the page asks for it.
ASKED: Final = {
    "begins": "When it began",
    "zone": "Zone of its clock",
    "person": "Whose rows",
    "night": "Rows of which night",
    "epoch_seconds": "Seconds of an epoch",
    "reports": "All that the device can report",
    "time": "How times are written",
    "duration_unit": "Unit of durations",
    "shape": "What a row is",
    "marks": "Which moment of an epoch a time is",
    "ends": "Which moment the end of a row is",
    "night_of": "Which day a date is",
    "overlaps": "Where rows overlap",
    "silence": "What it means where nothing is written",
    "first_epoch": "Number of the first epoch",
    "skip_lines": "Lines above the table",
    "foot": "How the first line below the table begins",
    "stage_form": "Where the stage stands in a text",
    "delimiter": "What stands between cells",
    "encoding": "Encoding of the text",
    "records": "Path of the records in JSON",
    "source": "Which of the file's sources, by number",
    "sheet": "Sheet of the spreadsheet",
}


def asked(key: str, value: object = "") -> str:
    """Return a question of the page, with an answer to it, as its messages name them.

    Examples
    --------
    >>> print(asked("skip_lines"), asked("epoch_seconds", 30), sep="; ")
    "Lines above the table"; "Seconds of an epoch": 30
    """
    return f'"{ASKED[key]}"' + (f": {value}" if value != "" else "")


def for_page(text: str, page: str) -> str:
    """Return a text of an error that the page says in other words, as it asks what a layout tells.

    Examples
    --------
    >>> text = for_page("Correct 'time' in the layout.", f"Correct {asked('time')}.")
    >>> name_options(text, Front.COMMAND), name_options(text, Front.PAGE)
    ("Correct 'time' in the layout.", 'Correct "How times are written".')
    """
    return f"\x04{text}\x05{page}\x06"


_EITHER: Final = re.compile("\x04([^\x05]*)\x05([^\x06]*)\x06")
_PLACE: Final = re.compile(f"\x02({'|'.join([*Option.__members__, *Step.__members__])})=([^\x03]*)\x03")

#: Where the command line has another word than the name of the option in Python.
_ON_COMMAND_LINE: Final = {
    Option.CLOCK_OFFSET: "--clock-offset",
    Option.DECLARED: "--declare",
    Option.EXTRA: "--mapping",
    Option.MAPPING: "--mapping",
    Option.MARGIN: "--margin",
    Option.REFERENCE_ZONE: "--reference-zone",
    Option.DEVICE_ZONE: "--device-zone",
}
#: What is named by the side that a file is on: "" where nobody knows, "file" where there is one file only.
_BY_SIDE: Final = {
    Option.LAYOUT: {"reference": "--reference-layout"},
    Option.ZONE: {"": "--device-zone or --reference-zone", "reference": "--reference-zone", "device": "--device-zone"},
}
_IN_TABLE: Final = {
    Option.LAYOUT: "column layout or reference_layout of the nights table",
    Option.ZONE: "column device_zone or reference_zone of the nights table",
    Option.REFERENCE_ZONE: "reference_zone (a column of the nights table)",
    Option.DEVICE_ZONE: "device_zone (a column of the nights table)",
    Option.CLOCK_OFFSET: "clock_offset (a column of the nights table)",
    Option.WINDOW: "column window of the nights table or --window",
}
#: Options of one night, as the page asks for them.
_ON_PAGE: Final = {
    Option.LAYOUT: "the questions about the file",
    Option.ZONE: "the zone of its clock",
    Option.REFERENCE_ZONE: "the zone of the reference's clock",
    Option.DEVICE_ZONE: "the zone of the device's clock",
    Option.REPORTS: "all that the device can report:",
    Option.WINDOW: "the window",
    Option.OUTSIDE: "where the device is silent:",
    Option.EXTRA: "the mapping",
    Option.MAPPING: "the mapping",
    Option.CLOCK_OFFSET: "the clock offset",
    Option.DEVICE_NAME: '"What that device is called"',
}


def name_options(text: str, front: Front, side: str = "") -> str:
    """Return a text with each :class:`Option` and :class:`Step` named as ``front`` names it, in the words for it.

    Parameters
    ----------
    text : str
        Text of an error or a caution.
    front : Front
        Who shows it.
    side : str
        Of the file that the error is about: ``reference``, ``device``, ``file`` where a command takes but one, or "".
    """

    def named(match: re.Match[str]) -> str:
        if match[1] in Step.__members__:
            return Step[match[1]].told(front, match[2])
        option, value = Option[match[1]], match[2]
        if option is Option.FOLDER:
            return "the study's folder" if front is Front.TABLE else value
        if front is Front.PYTHON:
            return _as_argument(option, value)
        if front is Front.PAGE and option in _ON_PAGE:
            return _ON_PAGE[option] + (f" {value}" if value and not value[:1].isupper() else "")  # ZONE, FILE.toml
        if front is Front.TABLE and option in _IN_TABLE:
            is_told = option is Option.WINDOW or value[-1:].isdigit()
            return _IN_TABLE[option] + (f" {value}" if value and is_told else "")
        by_side = _BY_SIDE.get(option, {})
        word = by_side.get(side) or _ON_COMMAND_LINE.get(option) or "--" + option.value.replace("_", "-")
        return f"{word} {value}" if value and value != "True" else word

    chosen = _EITHER.sub(r"\2" if front is Front.PAGE else r"\1", text)
    return _PLACE.sub(named, chosen)


def _as_argument(option: Option, value: str) -> str:
    """Return an argument of a function with its value, or its bare name."""
    name, _, which = option.value.partition(" ")
    if not value:
        return option.value
    if value.isalpha() and value.isupper():  # NAME, COLUMN: the command line's word for what is to be filled in
        return f"{name}=..." + (f" {which}" if which else "")
    is_plain = value == "True" or option is Option.CLOCK_OFFSET
    is_list = "," in value or option is Option.MAPPING
    shown = value if is_plain else repr(value.split(",") if is_list else value)
    return f"{name}={shown}" + (f" {which}" if which else "")


class Message(NamedTuple):
    """What an error tells, part by part, each as it is shown; as a text it is the whole message."""

    place: str
    problem: str
    found: str
    expected: str
    remedy: str

    def __str__(self) -> str:
        head = f"{self.place}: {self.problem}" if self.place else self.problem
        clauses = [f"{word} {told}" for word, told in (("found", self.found), ("expected", self.expected)) if told]
        joined = "; ".join(clauses)
        sentences = (head.rstrip(".") + ".", joined and f"{joined[0].upper()}{joined[1:]}.", self.remedy)
        return " ".join(filter(None, sentences))


class SleepAgreeError(Exception):
    """Root of all errors raised on purpose.

    Parameters
    ----------
    problem : str
        What is wrong, as a clause without a full stop.
    path : str
        File concerned, or "".
    where : str
        Place in the file: ``"line 812, column 'stage'"``, ``"byte 236, field 'number of records'"``.
    found, expected : str
        What stood there and what would have been right.
    remedy : str
        A full sentence that tells how to mend it. What the caller can set stands in it as an :class:`Option`.
    facts
        What a program may want to know of it; its class says what that is.

    Attributes
    ----------
    side : str
        Side of the file, as of :func:`name_options`; a reader does not know it, whoever asked it to read does.

    Examples
    --------
    >>> from sleepagree import find_mapping
    >>> try:
    ...     find_mapping("naps")
    ... except SleepAgreeError as error:
    ...     error.problem, error.found
    ('no built-in mapping has this name', 'naps')
    """

    side = ""

    def __init__(
        self,
        problem: str,
        path: str = "",
        where: str = "",
        found: str = "",
        expected: str = "",
        remedy: str = "",
        facts: Any = (),
    ) -> None:
        super().__init__(problem, path, where, found, expected, remedy, facts)
        self.problem = problem
        self.path = path
        self.where = where
        self.found = found
        self.expected = expected
        self.remedy = remedy
        self.facts = facts

    @classmethod
    def of_library(cls, what: str, library: str, extra: str, path: str = "") -> Self:
        """Return the error for what needs a library that is not installed."""
        remedy = f"Install it with: pip install 'sleepagree[{extra}]'"
        return cls(f"{what} needs {library}, which is not installed", path, remedy=remedy)

    def in_file(self, path: str, where: str = "") -> Self:
        """Return the same error with its file, and its place there, for what was raised without knowing them."""
        return self._copied(self.problem, path, where or self.where, *self.args[3:])

    def _copied(self, *args: Any) -> Self:
        again = type(self)(*args)
        again.side = self.side
        return again

    def __str__(self) -> str:
        return self.told(Front.PYTHON)

    def told(self, front: Front, folder: Path | None = None) -> str:
        """Return the message, its options named as ``front`` names them.

        With ``folder`` it tells nothing about the folders of this machine: a file inside is named from there, any
        other one by its name alone. Results are passed on, and are the same bytes wherever a study lies.
        """
        return str(self.parts(front, folder))

    def parts(self, front: Front, folder: Path | None = None) -> Message:
        """Return the parts of the message, told as by :meth:`told`."""
        path = self.path if folder is None or not self.path else _path_seen_from(folder, Path(self.path))
        place = ": ".join(part for part in (_cut_path(path), self.where) if part)
        texts = place, self.problem, shorten(self.found), self.expected, self.remedy
        # remedies hold lines to paste; whatever else came from a file must not move the cursor
        named = (name_options(text, front, self.side).split("\n") for text in texts)
        return Message(*("\n".join(map(printable, lines)) for lines in named))


class InputError(SleepAgreeError, ValueError):
    """The input cannot be used as it is.

    Examples
    --------
    >>> from sleepagree import read_hypnogram
    >>> try:
    ...     read_hypnogram("nowhere.csv")
    ... except InputError as error:
    ...     error.path
    'nowhere.csv'
    """


class FileFormatError(InputError):
    """Bytes or rows of a file break its format."""

    @property
    def forms(self) -> tuple[tuple[str, str], ...]:
        """Forms that a layout can declare for times which do not tell their own, and when each holds ("" for one)."""
        return tuple(self.facts)


class UnknownStageError(InputError):
    """A label that no table of stages explains."""

    @property
    def labels(self) -> tuple[str, ...]:
        """The labels that want a stage, all of them, in order; () where something else is no stage."""
        return tuple(self.facts)


class EpochGridError(InputError):
    """Times that cannot be laid on epochs: overlaps, ends before starts, steps that vary."""

    @property
    def settled_by(self) -> str:
        """Part of a layout that settles it: "overlaps", "stages" (what labels mean), or ""."""
        return str(self.facts or "")


class ClockError(InputError):
    """Clocks or zones that cannot be compared, or a time that names two moments or none."""


class MappingError(InputError):
    """A mapping of stages to classes that does not fit the two label sets."""


class PairingError(InputError):
    """Two sides that share no usable epoch."""


class OutputError(SleepAgreeError, OSError):
    """A result that cannot be written where it was asked for."""


def typed_path(path: str) -> str:
    """Return a path as it is typed in a command, where one that begins like an option would be taken for one."""
    return f"./{path}" if path.startswith("-") else path
