"""Which column of a table holds what: by the names that a layout gives, or by plain names."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from functools import lru_cache
from itertools import pairwise
from typing import Final, NamedTuple

from sleepagree.errors import LONGEST_FOUND, FileFormatError, Option, asked, for_page, shorten
from sleepagree.files.toml import toml_text
from sleepagree.readers.layout import COLUMNS, Layout, Marks, Shape, for_layout
from sleepagree.readers.times.words import unit_in_name

_TIME_WORD: Final = r"(_?(date_?)?time)?"
_MOMENT_WORD: Final = r"(_?((date_?)?time|timestamp|at))?"

#: Plain words of the trade, and ``trial_type`` of the Brain Imaging Data Structure. What only the files of one maker
#: call a column is named in a layout.
#: role -> tiers of names; a tier counts only where the ones before it found nothing.
_PLAIN_NAMES: Final[Mapping[str, tuple[re.Pattern[str], ...]]] = {
    "start": (
        re.compile(rf"time|timestamp|date_?time|from|beginning|epoch_time|(epoch_)?(start|begin|onset)s?{_TIME_WORD}"),
        re.compile(rf"((epoch|stage)_)?(start|begin|onset|from)s?{_MOMENT_WORD}|(date_?)?time_(start|begin|from)"),
    ),
    "stage": (
        re.compile(r"(sleep_)?(stage|state)s?(_label|_name)?|labels?|staging|scoring|hypnogram|trial_type"),
        re.compile(r".+_sleep_stage"),
        re.compile(r".+_stage"),
    ),
    "end": (
        re.compile(rf"to|until|(epoch_)?(end|stop|finish)s?{_TIME_WORD}"),
        re.compile(rf"((epoch|stage)_)?(end|stop|finish|to|until|till)s?{_MOMENT_WORD}|(date_?)?time_(end|stop|to)"),
    ),
    "duration": (re.compile(r"(stage_)?(duration|dur|length)(_in)?"),),
    "date": (re.compile(r"date|night_date|date_of_night"),),
    "step": (re.compile(r"step|epoch_(length|seconds|duration)"),),
}
_SECONDS: Final = frozenset(("s", "sec", "secs", "second", "seconds"))
_MINUTES: Final = frozenset(("min", "mins", "minute", "minutes"))
_MILLISECONDS: Final = frozenset(("ms", "msec", "millisecond", "milliseconds"))
_HOURS: Final = frozenset(("h", "hr", "hrs", "hour", "hours"))
_UNITS: Final = _SECONDS | _MINUTES | _MILLISECONDS
#: What columns of times are called that name the end or the middle of their rows, in some languages.
_ENDS: Final = re.compile(
    "end(s|ed|ing)?|stop(s|ped)?|finish(ed)?|until|till|to|ende|bis|fin|hasta|fine|fino|einde|tot|slut|loppu|koniec"
    "|konec|kraj|конец|終了|終わり|结束"
)
_MIDDLES: Final = re.compile("mid(dle|point|time)?|cent(re|er)|mitte|milieu|medio|metà|midden")
_PARTS_OF_ROWS: Final = ((_ENDS, Marks.END), (_MIDDLES, Marks.MIDDLE))
_CLOCK_WORDS: Final = frozenset(("utc", "local", "iso"))
_WHAT: Final = {role: f"the {role}s" for role in _PLAIN_NAMES} | {"start": "the times", "step": "the step"}
_SHOWN: Final = 12
#: Characters that a list of names has in a message, behind "the columns".
_ROOM: Final = LONGEST_FOUND - len("the columns ")
#: Names of columns that tell when, such as "+35", "t35", "35 min" and "23:05".
_TIME_NAME: Final = re.compile(
    r"(?:t|min)?[ _.]?\+?(?:(?P<hour>[0-9]{1,2})[:.](?P<clock>[0-5][0-9])(?::(?P<second>[0-5][0-9]))?"
    r"|(?P<number>[0-9]{1,5}(?:[.,][0-9])?)) ?[^\W\d_]{0,6}\.?"
)
#: A night in epochs of ten minutes has more columns.
_FEWEST_TIMES: Final = 20
_FEWEST_MINUTES: Final = 4
_HOUR_MIN: Final = 60
_DAY_MIN: Final = 1440


class Columns(NamedTuple):
    """Positions of the columns of a table.

    Parameters
    ----------
    start, stage : int
        Position of the times and of the labels.
    end, duration, date, step, epoch_number, person, night, zone, am_pm : int or None
        Position of other columns, where the table has them.
    counted : bool
        Whether rows are counted rather than timed: ``start`` is then the column of numbers of epochs, or that of the
        labels where rows follow each other.
    seconds : bool
        Whether the name of the column of times says that plain numbers are seconds from a start.
    utc : bool
        Whether it says that the times are UTC.
    duration_unit : float or None
        Seconds in the unit that the name of the column of durations tells.
    rechtschaffen_kales : str
        Where the name of the column of stages says that they are R&K stages, else "".
    marks : tuple of int
        Positions of columns that have a mark each for a stage; ``stage`` is then the first of them.
    """

    start: int
    stage: int
    end: int | None = None
    duration: int | None = None
    date: int | None = None
    step: int | None = None
    epoch_number: int | None = None
    person: int | None = None
    night: int | None = None
    zone: int | None = None
    am_pm: int | None = None
    counted: bool = False
    seconds: bool = False
    utc: bool = False
    duration_unit: float | None = None
    rechtschaffen_kales: str = ""
    marks: tuple[int, ...] = ()

    @property
    def used(self) -> set[int]:
        """Positions of all columns that are read."""
        may_be = (self.end, self.duration, self.date, self.step, self.epoch_number, self.zone, self.am_pm)
        positions = {position for position in (*may_be, self.person, self.night) if position is not None}
        return {self.start, self.stage, *self.marks, *positions}


def find_columns(names: tuple[str, ...], layout: Layout, *, path: str, where: str = "line 1") -> Columns:
    """Return the positions of the columns.

    Parameters
    ----------
    names : tuple of str
        Names of the columns.
    layout : Layout
        Columns it names go first.
    path, where : str
        For messages.

    Raises
    ------
    FileFormatError
        When the times or the stages are not found, a column that the layout names is missing, or more than one
        column may be meant.
    """
    asked = tuple((role, name) for role in COLUMNS if (name := getattr(layout, role)) is not None)
    times = times_of_columns(names)
    if any(layout.stage == names[time.position] for time in times):
        raise _across(names, times).in_file(path, where)
    marks = layout.stage_columns or ()
    if not layout.header and len(names) == 1 and layout.stage is None and not marks:
        asked = (*asked, ("stage", names[0]))
    are_intervals = layout.shape is Shape.INTERVALS
    timeless = layout.start is None and layout.shape is not None
    timeless = timeless and (are_intervals or layout.epoch_seconds is not None)
    has_lengths = not are_intervals or (bool(marks) and layout.duration_unit is not None)
    try:
        return _find(names, asked, marks, timeless=timeless, has_lengths=has_lengths)
    except FileFormatError as error:
        raise error.in_file(path, where) from None


def are_told(names: tuple[str, ...], layout: Layout) -> bool:
    """Whether a table with these names has the columns that are needed."""
    try:
        find_columns(names, layout, path="")
    except FileFormatError:
        return False
    return True


@lru_cache(maxsize=256)
def _find(
    names: tuple[str, ...],
    asked: tuple[tuple[str, str], ...],
    marks: tuple[str, ...],
    *,
    timeless: bool,
    has_lengths: bool,
) -> Columns:
    """Find the columns once for all files of a study; errors do not know their file yet.

    ``timeless`` is whether rows may go without times, and ``has_lengths`` whether it is then known how long they last.
    """
    found = {role.removesuffix("_column"): _named(names, name, role) for role, name in asked}
    marked = tuple(_named(names, name, "stage_columns") for name in marks)
    if marked:
        found["stage"] = marked[0]
    taken = {*found.values(), *marked}
    for role, positions in plain_columns(names):
        free = [i for i in positions if i not in taken]
        if role in found or not free:
            continue
        if len(free) > 1:
            raise _ambiguous(names, free, role)
        found[role] = free[0]
        taken.add(free[0])
    is_told = timeless and (has_lengths or "duration" in found)
    by_count = "start" not in found and ("epoch_number" in found or is_told)
    if by_count and "stage" in found:
        found["start"] = found.get("epoch_number", found["stage"])
    missing = [role for role in ("start", "stage") if role not in found]
    if missing:
        raise _missing(names, missing)
    start, stage = _words(names[found["start"]]), names[found["stage"]]
    return Columns(
        **found,
        counted=by_count,
        seconds=bool(_SECONDS.intersection(start)) or "onset" in start,
        utc="utc" in start,
        duration_unit=told_unit(names[found["duration"]]) if "duration" in found else None,
        rechtschaffen_kales=f"column '{shorten(stage)}'" if _says_rechtschaffen_kales(stage) and not marked else "",
        marks=marked,
    )


def marks_in_name(name: str) -> Marks | None:
    """Return which part of a row the name of a column of times says that they mark, None where it says none."""
    words = re.findall(r"[^\W\d_]+", re.sub(r"(?<=[a-z])(?=[A-Z])", "_", name).casefold())
    return next((part for said, part in _PARTS_OF_ROWS if any(map(said.fullmatch, words))), None)


def told_unit(name: str) -> float | None:
    """Return the seconds of the unit that the name of a column tells, such as ``duration_min`` or "Süre (dk)"."""
    words = _words(name)
    for unit, seconds in ((_SECONDS, 1.0), (_MINUTES, 60.0), (_MILLISECONDS, 0.001), (_HOURS, 3600.0)):
        if unit.intersection(words):
            return seconds
    return unit_in_name(name)


@lru_cache(maxsize=1024)
def _words(name: str) -> tuple[str, ...]:
    """Return the English words and the numbers in a name; letters beside others, such as the s of "Süre", are none."""
    return tuple(re.findall(r"(?<![^\W\d_])[a-z]+(?![^\W\d_])|\d+", re.sub(r"r\s*&\s*k", "rk", name.casefold())))


def _says_rechtschaffen_kales(name: str) -> bool:
    words = _words(name)
    return "rk" in words or "rechtschaffen" in words


@lru_cache(maxsize=256)
def plain_columns(names: tuple[str, ...]) -> tuple[tuple[str, tuple[int, ...]], ...]:
    """Return the columns whose plain names fit each role."""
    plain = ["_".join(_without_hints(_words(name))) for name in names]
    return tuple((role, _fitting(plain, role)) for role in _PLAIN_NAMES)


def _without_hints(words: tuple[str, ...]) -> tuple[str, ...]:
    """Return the words of a name without units, R&K, UTC and the like at its end."""
    hints = _UNITS | _CLOCK_WORDS | {"rk"}
    while len(words) > 1 and words[-1] in hints:
        words = words[:-1]
    return words[1:] if len(words) > 1 and words[0] == "rk" else words


def _fitting(plain: Sequence[str], role: str) -> tuple[int, ...]:
    for tier in _PLAIN_NAMES[role]:
        found = tuple(i for i, name in enumerate(plain) if tier.fullmatch(name))
        if found:
            return found
    return ()


class TimeOfColumn(NamedTuple):
    """A column whose name is a time: where it stands, that name without its words, its number or minutes of a day."""

    position: int
    text: str
    minutes: float
    is_clock: bool
    says_minutes: bool


@lru_cache(maxsize=256)
def times_of_columns(names: tuple[str, ...]) -> tuple[TimeOfColumn, ...]:
    """Return the columns whose names are times at even steps: each row of such a table is a night, or one hour of it.

    The columns of an hour are its minutes from 0 to 60.
    """
    read = [time for position, name in enumerate(names) if (time := _time_in_name(position, name)) is not None]
    steps = {round((b.minutes - a.minutes) % _DAY_MIN, 6) for a, b in pairwise(read)}
    if len(steps) != 1 or len({time[3:] for time in read}) > 1 or not 0 < (step := next(iter(steps))) <= _HOUR_MIN:
        return ()
    is_hour = len(read) >= _FEWEST_MINUTES and read[0].minutes == 0 and step * len(read) == _HOUR_MIN
    is_night = len(read) >= _FEWEST_TIMES and step * len(read) > _HOUR_MIN
    return tuple(read) if is_hour or is_night else ()


def are_minutes_of_an_hour(times: Sequence[TimeOfColumn]) -> bool:
    """Whether columns are the minutes of the hour that their row is about."""
    return bool(times) and times[-1].minutes < _HOUR_MIN and not times[0].is_clock


def _time_in_name(position: int, name: str) -> TimeOfColumn | None:
    """Return the time that is the name of a column, which holds nothing else but a sign or a unit."""
    match = _TIME_NAME.fullmatch(name.strip())
    if match is None:
        return None
    if match["clock"] is None:
        words = _MINUTES.intersection(_words(name))
        text = match["number"].replace(",", ".")
        return TimeOfColumn(position, text, float(text), is_clock=False, says_minutes=bool(words))
    hour, minute, second = int(match["hour"]), int(match["clock"]), int(match["second"] or 0)
    text = f"{hour:02}:{minute:02}:{second:02}"
    return TimeOfColumn(position, text, 60 * hour + minute + second / 60, is_clock=True, says_minutes=False)


# --- what to say when a column is not found --------------------------------------------------------------


def list_names(names: Sequence[str]) -> str:
    """Return names as a message shows them: the first that it has room for, whole, and how many more there are.

    Examples
    --------
    >>> list_names(["time", "pulse in the evening", "movements in the morning", "said by the crew of the ferry"])
    "'time', 'pulse in the evening' and 2 more"
    """
    shown = [f"'{shorten(name)}'" for name in names[:_SHOWN]]
    if len(shown) == len(names) and len(", ".join(shown)) <= _ROOM:
        return ", ".join(shown)
    while len(shown) > 1 and len(", ".join(shown)) > _ROOM - len(" and 99 more"):
        shown.pop()
    more = len(names) - len(shown)
    return ", ".join(shown) + (f" and {more} more" if more else "")


def _columns_found(names: Sequence[str]) -> str:
    return f"{'the column' if len(names) == 1 else 'the columns'} {list_names(names)}"


def _named(names: Sequence[str], name: str, role: str) -> int:
    positions = [i for i, candidate in enumerate(names) if candidate == name]
    if len(positions) == 1:
        return positions[0]
    if positions:
        given = for_page(f"that the layout gives for '{role}'", "of one that was chosen")
        problem = f"{len(positions)} columns have the name {given}"
        found, expected = _columns_found(names), f"one column '{shorten(name)}'"
        raise FileFormatError(problem, found=found, expected=expected, remedy="Give every column a name of its own.")
    import difflib

    near = difflib.get_close_matches(name[:80], [candidate for candidate in names if len(candidate) <= 80], 1, 0.6)
    named = for_page(f"that the layout names for '{role}'", f"that was chosen for '{role}'")
    problem = f"the column {named} is missing"
    correct = for_page("Correct the layout, or check that this is its file.", "Check that this is the right file.")
    remedy = f"Did you mean '{shorten(near[0])}'?" if near else correct
    raise FileFormatError(problem, found=_columns_found(names), expected=f"a column '{shorten(name)}'", remedy=remedy)


def _ambiguous(names: Sequence[str], positions: Sequence[int], role: str) -> FileFormatError:
    candidates = [names[i] for i in positions]
    lines = "\n".join(f"    {role} = {toml_text(name)}" for name in candidates)
    remedy = for_page(
        f"Say which in a layout ({Option.LAYOUT:FILE.toml}), with one of the lines\n    [file]\n{lines}",
        "Say which at the head of the columns.",
    )
    if role == "step":
        step = for_page("the step in a layout: epoch_seconds = 30.", f"{asked('epoch_seconds', 30)}.")
        remedy = f"Keep one of them, or give {step}"
    elif len(set(candidates)) < len(candidates):
        remedy = "Give every column a name of its own."
    problem = f"more than one column may hold {_WHAT[role]}"
    return FileFormatError(problem, "", "", list_names(candidates), "one column", remedy)


def _across(names: Sequence[str], times: Sequence[TimeOfColumn]) -> FileFormatError:
    """Return the error about a table in which each row is a night and each column a time."""
    row = "an hour" if are_minutes_of_an_hour(times) else "a night"
    problem = f"each row seems to be {row}, and each column a time"
    first, last = (shorten(names[times[i].position]) for i in (0, -1))
    shown = f"{len(times)} columns from '{first}' to '{last}'"
    remedy = for_layout(f"Say so in a layout ({Option.LAYOUT:FILE.toml}) with", "shape", "across")
    return FileFormatError(problem, found=shown, expected="a row for every epoch", remedy=remedy)


def _missing(names: Sequence[str], missing: Sequence[str]) -> FileFormatError:
    if "stage" in missing and (times := times_of_columns(tuple(names))):
        return _across(names, times)
    lines = "\n".join(f'    {role} = "..."' for role in missing)
    plain = {"start": "time, timestamp, start or onset", "stage": "stage, label or state"}
    head = "Say at the head of the columns which it is."
    remedy = for_page(f"Give a layout ({Option.LAYOUT:FILE.toml}) that names it\n    [file]\n{lines}", head)
    if any(re.fullmatch(r"[\d.,:TZ+ -]+", name) for name in names if name):
        header = "If the first row holds data, put a row with the names of the columns above it; if it holds names, "
        named = for_page(f"give a layout ({Option.LAYOUT:FILE.toml})\n    [file]\n{lines}", head[:1].lower() + head[1:])
        remedy = header + named
    problem = "no column holds " + " and none ".join(_WHAT[role] for role in missing)
    expected = " and ".join(f"a column called {plain[role]}" for role in missing)
    return FileFormatError(problem, found=_columns_found(names), expected=expected, remedy=remedy)
