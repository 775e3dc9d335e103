"""From rows with a beginning, an end and a label to scored spans: order, duplicates, overlaps, epoch length.

Shared by the readers. A file in good order passes two comparisons of arrays; only one that is not is looked at
row by row, settled by the declared rule with a line in the ledger, or refused with the rows named.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from types import MappingProxyType
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sleepagree.caution import Caution, Note, NoteKind
from sleepagree.errors import EpochGridError, FileFormatError, Option, UnknownStageError, asked, for_page, shorten
from sleepagree.hypnogram.spans import EpochLengthFrom, Origin, ScoredSpans
from sleepagree.mapping.words import NOT_A_STAGE, assign_stages
from sleepagree.readers.layout import NO_LAYOUT, Layout, Overlaps
from sleepagree.readers.times.clock import HOUR_US, SECOND_US, Clock, FileClock, Microseconds

Rows = NDArray[np.intp]

#: Times in files are rounded: to milliseconds without a word, to half a second with a line in the ledger.
_ROUNDED_SILENTLY_US: Final = 1_000
ROUNDED_US: Final = SECOND_US // 2
_SHOWN_ROWS: Final = 3


class Places(NamedTuple):
    """Where the rows of a file stand.

    Parameters
    ----------
    numbers : sequence
        What names each row: a line number, or the path of a record.
    one, several : str
        Templates for one row and for a list of rows.
    shown : callable
        How a number is shown.
    """

    numbers: Sequence[object]
    one: str = "line {}"
    several: str = "lines {}"
    shown: Callable[[object], str] = str

    def at(self, row: int) -> str:
        """Return the place of a row."""
        return self.one.format(self.shown(self.numbers[row]))

    def listing(self, rows: Sequence[int] | Rows) -> str:
        """Return the places of rows: the first three and how many more there are."""
        shown = [self.shown(self.numbers[int(row)]) for row in rows[:_SHOWN_ROWS]]
        if len(rows) == 1:
            return self.one.format(shown[0])
        more = len(rows) - len(shown)
        if more:
            return self.several.format(", ".join(shown)) + f" and {more} more"
        return self.several.format(", ".join(shown[:-1]) + " and " + shown[-1])


class LabelledRows(NamedTuple):
    """Rows of a file: half-open intervals with labels.

    Parameters
    ----------
    onset_us, end_us : int array, shape (n,)
        Microseconds; what they count from is ``clock``'s to say.
    codes : int array, shape (n,)
        Position of each row's label in ``labels``.
    file_row : int array, shape (n,)
        Position of each row in the file, as ``places`` counts them.
    labels, stages : tuple of str
        Distinct labels and the stage of each; rows of a label that is "not-a-stage" are dropped and counted.
    places : Places
        Where each row of the file stands.
    clock : FileClock
        What the microseconds count from.
    path : str
        File, for messages.
    """

    onset_us: Microseconds
    end_us: Microseconds
    codes: NDArray[np.intp]
    file_row: Rows
    labels: tuple[str, ...]
    stages: tuple[str, ...]
    places: Places
    clock: FileClock
    path: str

    def taking(self, rows: Rows) -> LabelledRows:
        """Return some of the rows, in the order given."""
        onset_us, end_us, codes, file_row = (a[rows] for a in (self.onset_us, self.end_us, self.codes, self.file_row))
        return self._replace(onset_us=onset_us, end_us=end_us, codes=codes, file_row=file_row)

    def at(self, row: int) -> str:
        """Return the place of a row."""
        return self.places.at(int(self.file_row[row]))

    def listing(self, rows: Rows) -> str:
        """Return the places of rows."""
        return self.places.listing(self.file_row[rows])

    def show(self, row: int, *, after: int | None = None) -> str:
        """Return a row as a person would write it; without the date where that is the date of row ``after``."""
        onset = self.clock.show(int(self.onset_us[row]))
        if after is not None and onset[:11] == self.clock.show(int(self.onset_us[after]))[:11]:
            onset = self.clock.show_time(int(self.onset_us[row]))
        return f"'{self.labels[self.codes[row]][:20]}' {onset} to {self.clock.show_time(int(self.end_us[row]))}"


class SourceFacts(NamedTuple):
    """What a reader knows of a source besides its rows; every field may be left out."""

    epoch_s: float | None = None
    epoch_from: EpochLengthFrom = EpochLengthFrom.UNKNOWN
    lights_off_us: int | None = None
    lights_on_us: int | None = None
    ignored: Mapping[str, int] = MappingProxyType({})
    notes: tuple[Note, ...] = ()
    cautions: tuple[Caution, ...] = ()


def make_spans(rows: LabelledRows, *, origin: Origin, facts: SourceFacts, layout: Layout = NO_LAYOUT) -> ScoredSpans:
    """Settle rows and return them as scored spans.

    Parameters
    ----------
    rows : LabelledRows
        In file order.
    origin : Origin
        Where they came from.
    facts : SourceFacts
        What else the reader knows.
    layout : Layout
        Its ``overlaps`` says what to do where rows overlap: refuse, let the shorter row win, or let the row that
        stands later in the file win; ``reports`` goes into the result.

    Returns
    -------
    ScoredSpans
        Sorted and free of overlap; gaps stay gaps. Exact duplicates are dropped, overlapping rows of one
        label merged, and both told in the notes.

    Raises
    ------
    EpochGridError
        When a row does not end after it begins, or rows overlap or contradict each other against the rule.
    FileFormatError
        When no row holds a stage.
    """
    ignored = dict(facts.ignored)
    if NOT_A_STAGE in rows.stages:
        rows = _drop_no_stages(rows, ignored)
    notes = list(facts.notes)
    if rows.onset_us.size == 0:
        raise no_stage_rows(rows.path, ignored)
    onset, end = rows.onset_us, rows.end_us
    if not np.logical_and.reduce(onset < end):
        raise _ends_too_early(rows)
    if np.logical_or.reduce(onset[1:] < end[:-1]):
        rows = _settle(rows, layout.overlaps, notes)
        onset, end = rows.onset_us, rows.end_us
    zero = rows.clock.zero_us(int(onset[0]))
    return ScoredSpans(
        onset_s=(onset - zero) / SECOND_US,
        duration_s=(end - onset) / SECOND_US,
        codes=rows.codes.astype(np.int16),
        labels=rows.labels,
        stages=rows.stages,
        start=rows.clock.start(zero),
        wall_clock=rows.clock.kind is Clock.LOCAL,
        lights_off_s=None if facts.lights_off_us is None else (facts.lights_off_us - zero) / SECOND_US,
        lights_on_s=None if facts.lights_on_us is None else (facts.lights_on_us - zero) / SECOND_US,
        epoch_s=facts.epoch_s,
        epoch_from=facts.epoch_from,
        reports=layout.reports,
        ignored=tuple(ignored.items()),
        notes=tuple(notes),
        cautions=facts.cautions,
        origin=origin,
    )


# --- labels ----------------------------------------------------------------------------------------------


def number_labels(texts: Sequence[str]) -> tuple[tuple[str, ...], NDArray[np.intp]]:
    """Return the distinct labels of a column, without the space around them, and each row's position."""
    raw = dict.fromkeys(texts, 0)
    position: dict[str, int] = {}
    for text in raw:
        raw[text] = position.setdefault(text.strip(), len(position))
    codes = np.fromiter(map(raw.__getitem__, texts), np.intp, len(texts))
    return tuple(position), codes


def stages_of_labels(labels: Sequence[str], codes: NDArray[np.intp], places: Places, **told: Any) -> tuple[str, ...]:
    """Return the stage of each label by what :func:`~sleepagree.mapping.words.assign_stages` is told.

    Where one is unknown, say at which rows it stands.

    Raises
    ------
    UnknownStageError
        When a label is neither plain, nor in the table, nor explained by a mapping.
    """
    try:
        return assign_stages(labels, **told)
    except UnknownStageError:
        counts = {label: places.listing(np.flatnonzero(codes == code)) for code, label in enumerate(labels)}
        return assign_stages(labels, counts=counts, **told)


_LIGHTS: Final = {"lights off": "off", "lights out": "off", "lights on": "on"}


@lru_cache(maxsize=1024)
def lights_mark(label: str) -> str:
    """Return "off" or "on" where a label is a lights mark, else ""."""
    return _LIGHTS.get(" ".join(label.replace("_", " ").replace("-", " ").split()).casefold(), "")


def _drop_no_stages(rows: LabelledRows, ignored: dict[str, int]) -> LabelledRows:
    counts = np.bincount(rows.codes, minlength=len(rows.labels))
    kept = [code for code, stage in enumerate(rows.stages) if stage != NOT_A_STAGE]
    for code, stage in enumerate(rows.stages):
        if stage == NOT_A_STAGE and counts[code]:
            ignored[rows.labels[code]] = ignored.get(rows.labels[code], 0) + int(counts[code])
    new_code = np.full(len(rows.labels), -1, np.intp)
    new_code[kept] = np.arange(len(kept))
    left = rows.taking(np.flatnonzero(new_code[rows.codes] >= 0))
    labels, stages = (tuple(words[code] for code in kept) for words in (rows.labels, rows.stages))
    return left._replace(codes=new_code[left.codes], labels=labels, stages=stages)


def no_stage_rows(path: str, ignored: Mapping[str, int]) -> FileFormatError:
    """Return the error for a file in which no row holds a stage."""
    held = ", ".join(f"'{shorten(text)}' ({count})" for text, count in list(ignored.items())[:6])
    problem, expected = "no row holds a stage", "rows with sleep stages"
    remedy = "Check that this is the scoring, and that its labels are not all mapped to not-a-stage."
    found = held + (" and others" if len(ignored) > 6 else "")
    return FileFormatError(problem, path, found=found, expected=expected, remedy=remedy)


# --- order, duplicates, overlaps -------------------------------------------------------------------------


def _ends_too_early(rows: LabelledRows) -> EpochGridError:
    row = int(np.flatnonzero(rows.onset_us >= rows.end_us)[0])
    back = int(rows.onset_us[row] - rows.end_us[row])
    remedy = "Correct the row."
    if rows.clock.kind is Clock.LOCAL and 0 < back < HOUR_US:
        remedy += " " + _ZONE_HINT
    problem = "the row ends before it begins" if back else "the row lasts no time"
    expected = "an end after the beginning"
    return EpochGridError(problem, rows.path, rows.at(row), rows.show(row), expected, remedy)


_ZONE_HINT: Final = (
    f"If the clock was put back that night, name its zone ({Option.ZONE:ZONE}"
    + for_page(", or 'zone' in the layout", "")
    + "): then "
    "the order of the rows tells the two hours apart."
)


#: Ends of remedies for rows that overlap.
WHICH_ROW_HOLDS: Final = for_page(
    'say in a layout which of two rows holds: [file] overlaps = "shorter-wins" or "later-wins".',
    f"say which of two rows holds: answer {asked('overlaps', 'shorter-wins')} or later-wins.",
)
_LATER_WINS: Final = "let the row that stands later win: " + for_page(
    '[file] overlaps = "later-wins" in a layout.', f"answer {asked('overlaps', 'later-wins')}."
)


def _settle(rows: LabelledRows, overlaps: Overlaps, notes: list[Note]) -> LabelledRows:
    file_order = rows
    rows = _sort(rows, notes)
    rows = _drop_duplicates(rows, file_order, overlaps, notes)
    rows = _trim_rounding(rows, notes)
    if not (rows.onset_us[1:] < rows.end_us[:-1]).any():
        return rows
    if overlaps is Overlaps.REFUSE:
        return _merge_or_refuse(rows, file_order, notes)
    return _paint(rows, overlaps, notes)


def _sort(rows: LabelledRows, notes: list[Note]) -> LabelledRows:
    """Sort by onset, the longer row first; rows that agree in both stay in file order."""
    back = np.flatnonzero(rows.onset_us[1:] < rows.onset_us[:-1])
    if back.size == 0 and not (rows.onset_us[1:] == rows.onset_us[:-1]).any():
        return rows
    if back.size == rows.onset_us.size - 1:
        notes.append(Note.of(NoteKind.ROWS_REVERSED))
    elif back.size:
        notes.append(Note.of(NoteKind.ROWS_UNSORTED, places=rows.listing(back + 1)))
    return rows.taking(np.lexsort((-rows.end_us, rows.onset_us)))


def _drop_duplicates(
    rows: LabelledRows, file_order: LabelledRows, overlaps: Overlaps, notes: list[Note]
) -> LabelledRows:
    # the one to keep comes first: the last in the file where later rows win, since another may lie between
    preference = -rows.file_row if overlaps is Overlaps.LATER_WINS else rows.file_row
    key = np.lexsort((preference, rows.codes, -rows.end_us, rows.onset_us))
    ordered = rows.taking(key)
    same_time = (ordered.onset_us[1:] == ordered.onset_us[:-1]) & (ordered.end_us[1:] == ordered.end_us[:-1])
    repeated = np.flatnonzero(same_time & (ordered.codes[1:] == ordered.codes[:-1])) + 1
    if repeated.size == 0:
        return rows
    _refuse_repeated_hour(file_order)
    notes.append(Note.of(NoteKind.ROWS_REPEATED, count=int(repeated.size), places=ordered.listing(repeated)))
    return rows.taking(np.delete(np.arange(rows.onset_us.size), key[repeated]))


def _refuse_repeated_hour(rows: LabelledRows) -> None:
    """Refuse local times that go back by one hour: what looks repeated may be the second of two hours."""
    if rows.clock.kind is not Clock.LOCAL:
        return
    back = rows.end_us[:-1] - rows.onset_us[1:]
    steps = np.flatnonzero(np.abs(back - HOUR_US) <= 60 * SECOND_US)
    falls = np.flatnonzero(rows.onset_us[1:] < rows.onset_us[:-1])
    if steps.size == 1 and falls.size == 1 and steps[0] == falls[0]:
        row = int(steps[0]) + 1
        problem, expected = "the clock goes back by an hour", "times in order"
        found = f"{rows.show(row - 1)}, then {rows.show(row, after=row - 1)}"
        raise EpochGridError(problem, rows.path, rows.at(row), found, expected, _ZONE_HINT)


def _trim_rounding(rows: LabelledRows, notes: list[Note]) -> LabelledRows:
    """Cut ends that reach into the next row by no more than rounding does."""
    overlap = rows.end_us[:-1] - rows.onset_us[1:]
    rounded = (overlap > 0) & (overlap <= ROUNDED_US) & (rows.onset_us[:-1] < rows.onset_us[1:])
    if not rounded.any():
        return rows
    end = rows.end_us.copy()
    end[:-1][rounded] = rows.onset_us[1:][rounded]
    told = int(np.count_nonzero(rounded & (overlap > _ROUNDED_SILENTLY_US)))
    if told:
        most_s = int(overlap[rounded].max()) / SECOND_US
        notes.append(Note.of(NoteKind.ENDS_ROUNDED, count=told, most_s=most_s))
    return rows._replace(end_us=end)


def _merge_or_refuse(rows: LabelledRows, file_order: LabelledRows, notes: list[Note]) -> LabelledRows:
    """Merge overlapping rows of one label; refuse overlapping rows of different labels."""
    kept: list[int] = []
    end = rows.end_us.copy()
    merged, overlaid, reaching = 0, 0, 0
    for row in range(rows.onset_us.size):
        if not kept or rows.onset_us[row] >= end[kept[-1]]:
            kept.append(row)
            reaching = row
            continue
        last = kept[-1]
        if rows.codes[row] != rows.codes[last]:
            raise _overlap(rows, reaching, row, file_order)
        merged += 1
        overlaid += int(min(end[row], end[last]) - rows.onset_us[row])
        if end[row] > end[last]:
            end[last], reaching = end[row], row
    notes.append(Note.of(NoteKind.ROWS_MERGED, count=merged, twice_s=overlaid / SECOND_US))
    return rows.taking(np.array(kept, np.intp))._replace(end_us=end[kept])


def _overlap(rows: LabelledRows, first: int, second: int, file_order: LabelledRows) -> EpochGridError:
    _refuse_repeated_hour(file_order)
    where = f"{rows.at(first)} and {rows.at(second)}"
    if rows.onset_us[first] == rows.onset_us[second] and rows.end_us[first] == rows.end_us[second]:
        problem, expected = "two rows give the same time different labels", "one label for a time"
        found = f"{rows.show(first)} and '{rows.labels[rows.codes[second]][:20]}'"
        remedy = f"Take one of the rows out, or {_LATER_WINS}"
    else:
        problem, expected = "two rows with different labels overlap", "rows that do not overlap"
        found = f"{rows.show(first)}, {rows.show(second, after=first)}"
        remedy = f"Correct the rows, or {WHICH_ROW_HOLDS}"
    return EpochGridError(problem, rows.path, where, found, expected, remedy, "overlaps")


def _paint(rows: LabelledRows, overlaps: Overlaps, notes: list[Note]) -> LabelledRows:
    """Lay rows over each other: the one that wins is painted last."""
    n = rows.onset_us.size
    if overlaps is Overlaps.SHORTER_WINS:
        _refuse_ties(rows)
        order = np.argsort(rows.onset_us - rows.end_us, kind="stable")
    else:
        order = np.argsort(rows.file_row)
    edges = np.unique(np.concatenate((rows.onset_us, rows.end_us)))
    rank = np.empty(n, np.intp)
    rank[order] = np.arange(n)
    owner = np.array(_owners(rows.onset_us.tolist(), rows.end_us.tolist(), rank.tolist(), edges.tolist()), np.intp)
    begins = np.ones(owner.size, bool)
    begins[1:] = owner[1:] != owner[:-1]
    starts = np.flatnonzero(begins)
    stops = np.append(starts[1:], owner.size)
    held = owner[starts] >= 0
    starts, stops = starts[held], stops[held]
    settled = rows.taking(owner[starts])
    told = int((rows.end_us - rows.onset_us).sum())
    covered = int((edges[stops] - edges[starts]).sum())
    told_s, covered_s, overlaid_s = told / SECOND_US, covered / SECOND_US, (told - covered) / SECOND_US
    seconds = {"overlaid_s": overlaid_s, "told_s": told_s, "covered_s": covered_s}
    notes.append(Note.of(NoteKind.ROWS_OVERLAID, rule=overlaps.value, rows=n, **seconds))
    return settled._replace(onset_us=edges[starts], end_us=edges[stops])


def _refuse_ties(rows: LabelledRows) -> None:
    """Refuse overlapping rows of one length and different labels: neither is the shorter one."""
    length = rows.end_us - rows.onset_us
    by_length = np.lexsort((rows.onset_us, length))
    first, second = by_length[:-1], by_length[1:]
    tie = (length[first] == length[second]) & (rows.onset_us[second] < rows.end_us[first])
    tie &= rows.codes[first] != rows.codes[second]
    if not tie.any():
        return
    at = int(np.flatnonzero(tie)[0])
    pair = int(first[at]), int(second[at])
    problem = "two rows of one length with different labels overlap, so neither is the shorter"
    where = f"{rows.at(pair[0])} and {rows.at(pair[1])}"
    found = f"{rows.show(pair[0])}, {rows.show(pair[1], after=pair[0])}"
    remedy = f"Correct the rows, or {_LATER_WINS}"
    raise EpochGridError(problem, rows.path, where, found, "a shorter row where rows overlap", remedy, "overlaps")


def _owners(onset: list[int], end: list[int], rank: list[int], edges: list[int]) -> list[int]:
    """Return the row that holds each piece of time between two edges: of those that cover it, the highest in rank."""
    import heapq  # for overlapping rows only

    covering: list[tuple[int, int]] = []
    owners: list[int] = []
    row = 0
    for edge in edges[:-1]:
        while row < len(onset) and onset[row] == edge:
            heapq.heappush(covering, (-rank[row], row))
            row += 1
        while covering and end[covering[0][1]] <= edge:
            heapq.heappop(covering)
        owners.append(covering[0][1] if covering else -1)
    return owners
