"""Tables: one row an epoch, one row an interval, or a text of codes; columns found by plain names or a layout."""

from __future__ import annotations

import hashlib
import os
import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, tzinfo
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sleepagree.caution import Caution, CautionKind, Note, NoteKind, OwnWord, ZoneName
from sleepagree.errors import ClockError, EpochGridError, FileFormatError, shorten
from sleepagree.files.reading import read_bytes
from sleepagree.hypnogram.spans import EpochLengthFrom, Origin, ScoredSpans
from sleepagree.mapping.words import NOT_A_STAGE, UNSCORED, fold_label, fold_table, recognise_label
from sleepagree.readers.columns import find_columns
from sleepagree.readers.csv_rows import read_cells
from sleepagree.readers.layout import (
    DURATION_UNITS,
    NO_LAYOUT,
    Layout,
    Marks,
    Overlaps,
    Shape,
    TimeForm,
    strptime_has_date,
)
from sleepagree.readers.rows import (
    LabelledRows,
    Places,
    Rows,
    SourceFacts,
    coarse_grid_caution,
    common_step_us,
    duration_ratio,
    find_epoch_step,
    lights_mark,
    make_spans,
    no_stage_rows,
    number_labels,
    settle_inclusive_ends,
    stages_of_labels,
)
from sleepagree.readers.table.unused import unused_lengths
from sleepagree.readers.times import (
    DAY_US,
    SECOND_US,
    Clock,
    Column,
    FileClock,
    Microseconds,
    Moments,
    ends_after_starts,
    fixed_zone,
    naive_datetime,
    place_after,
    place_in_nights,
    read_dates,
    read_numbers,
    read_plain_pairs,
    read_times,
    resolve_each,
    resolve_wall_clock,
    says_24,
    show_number,
)

#: A column: texts, or times that the file stores as such.
ColumnData = Sequence[str] | Moments


def read_table(
    path: str | os.PathLike[str],
    *,
    layout: Layout | None = None,
    zone: str | None = None,
    own_words: Iterable[str] = frozenset(),
) -> ScoredSpans:
    """Read a text table (CSV, TSV and the like).

    Parameters
    ----------
    path : path-like
        The table; its first row names the columns.
    layout : Layout, optional
        How to read it; what it leaves open is found by plain names, or sniffed.
    zone : str, optional
        IANA zone of times without one. It must not contradict the layout's.
    own_words : iterable of str
        Labels that a mapping file explains.

    Returns
    -------
    ScoredSpans
        With an aware start where the file tells offsets or Unix time, or a zone is given; a naive one with
        ``wall_clock`` where it tells local times only; None where it tells elapsed seconds and the layout does
        not say when they begin.

    Raises
    ------
    FileFormatError
        When the file is no table, lacks a column, or a cell cannot be read.
    EpochGridError
        When rows overlap, contradict each other, end before they begin, or their step varies.
    ClockError
        When times and zone do not go together, or a time names two moments or none.
    UnknownStageError
        When a label is not plain and no layout explains it.
    InputError
        When the file cannot be read.
    """
    name = os.fspath(path)
    layout = layout or NO_LAYOUT
    data = read_bytes(path)
    cells = read_cells(data, path=name, delimiter=layout.delimiter, encoding=layout.encoding)
    source = Table(
        cells.names,
        {i: cells.column(i) for i in range(len(cells.names))},
        Places(cells.lines),
        Origin(os.path.basename(name), "table", hashlib.sha256(data).hexdigest()),  # noqa: PTH119 - speed
        name,
        cells.notes,
        header_place=f"line {cells.header_line}",
    )
    return spans_of_table(source, layout=layout, zone=zone, own_words=own_words)


@dataclass(frozen=True, eq=False)
class Table:
    """Columns of a table of any origin.

    Parameters
    ----------
    names : tuple of str
        Names of the columns.
    columns : mapping
        Position of a column -> its cells as texts, or its times.
    places : Places
        Where each row stands.
    origin : Origin
        Where it came from.
    path : str
        File, for messages.
    notes : tuple of Note
        Ledger lines of the reader.
    levels : mapping of str to str
        What codes of the stage column mean, where the file's own description tells it.
    elapsed : bool
        Whether plain numbers in the column of beginnings are elapsed seconds by the standard of the format.
    duration_unit : float or None
        Seconds in a unit of duration by the standard of the format.
    missing : frozenset of str
        Labels that stand for a missing value by the standard of the format.
    header_place : str
        Where the names of the columns stand.
    decimal_point : bool
        Whether a point parts decimals by the standard of the format, and never thousands.
    """

    names: tuple[str, ...]
    columns: Mapping[int, ColumnData]
    places: Places
    origin: Origin
    path: str
    notes: tuple[Note, ...] = ()
    levels: Mapping[str, str] = field(default_factory=dict)
    elapsed: bool = False
    duration_unit: float | None = None
    missing: frozenset[str] = frozenset()
    header_place: str = "line 1"
    decimal_point: bool = False

    def texts(self, position: int) -> Sequence[str]:
        """Return a column as texts."""
        data = self.columns[position]
        if isinstance(data, Moments):
            raise FileFormatError(
                "the column holds times, not texts",
                self.path,
                f"column '{shorten(self.names[position])}'",
                "",
                "labels or numbers",
                "Name another column in the layout.",
            )
        return data


def spans_of_table(
    table: Table, *, layout: Layout = NO_LAYOUT, zone: str | None = None, own_words: Iterable[str] = frozenset()
) -> ScoredSpans:
    """Return the scored spans of a table; see :func:`read_table`."""
    return _Reading(table, layout, _one_zone(zone, layout, table.path), frozenset(own_words)).read()


def _one_zone(zone: str | None, layout: Layout, path: str) -> str | None:
    if zone is not None and layout.zone is not None and zone != layout.zone:
        raise ClockError(
            "the layout names one zone, the command another",
            path,
            "zone",
            f"{layout.zone} in {layout.name or 'the layout'}, {zone} on the command line or in the nights table",
            "one zone",
            "Take one of them out.",
        )
    return zone or layout.zone


# --- labels ----------------------------------------------------------------------------------------------


class _Labels(NamedTuple):
    """The labels of all rows, before any row is taken out."""

    labels: tuple[str, ...]
    stages: tuple[str, ...]
    codes: NDArray[np.intp]
    lights: tuple[str, ...]  # of each label: "off", "on" or ""


class _Extent(NamedTuple):
    """From when to when each staged row lasts, and the epoch length if the source has one."""

    onset_us: Microseconds
    end_us: Microseconds
    epoch_s: float | None = None
    epoch_from: EpochLengthFrom = EpochLengthFrom.UNKNOWN


class _Reading:
    """A table being read."""

    def __init__(self, table: Table, layout: Layout, zone: str | None, own_words: frozenset[str]) -> None:
        self.table = table
        self.layout = layout
        self.zone = zone
        self.own_words = own_words
        self.path = table.path
        self.places = table.places
        self.columns = find_columns(table.names, layout, path=table.path, where=table.header_place)
        self.notes = list(table.notes)
        self.cautions: list[Caution] = []
        self.shown_in: tzinfo = UTC

    def read(self) -> ScoredSpans:
        """Read the table."""
        if self.layout.shape is Shape.RUNS:
            return self._runs()
        said = self._labels(self.table.texts(self.columns.stage))
        staged, ignored = self._staged_rows(said)
        starts, ends = self._plain_times(staged) or self._times(staged)
        self._tell_unused_lengths(starts)
        starts, ends = self._in_zone(starts, ends, staged)
        clock = self._clock(starts)
        extent = self._extent(starts.us, ends, staged, said.codes, clock)
        off_us, on_us = self._lights(said, starts.us)
        rows = LabelledRows(
            extent.onset_us,
            extent.end_us,
            said.codes if staged.size == said.codes.size else said.codes[staged],
            staged,
            said.labels,
            said.stages,
            self.places,
            clock,
            self.path,
        )
        if self.layout.overlaps is Overlaps.REFUSE and (rows.onset_us[1:] < rows.onset_us[:-1]).any():
            self._refuse_several_recordings(rows)
        facts = SourceFacts(
            self.layout.reports,
            extent.epoch_s,
            extent.epoch_from,
            off_us,
            on_us,
            ignored,
            tuple(self.notes),
            tuple(self.cautions),
        )
        return make_spans(rows, origin=self.table.origin, facts=facts, overlaps=self.layout.overlaps)

    # --- labels ---

    def _labels(self, texts: Sequence[str]) -> _Labels:
        labels, codes = number_labels(texts)
        known: Mapping[str, str] = self.layout.stages
        if self.table.levels:
            labels, codes, known = self._through_levels(labels, codes)
        explained = fold_table(known)
        lights = tuple("" if fold_label(label) in explained else lights_mark(label) for label in labels)
        own = {label: NOT_A_STAGE for label, mark in zip(labels, lights, strict=True) if mark}
        missing = [label for label in labels if label in self.table.missing and fold_label(label) not in explained]
        own |= dict.fromkeys(missing, UNSCORED)
        stages = stages_of_labels(
            labels,
            codes,
            self.places,
            table={**known, **own} if own else known,
            own_words=self.own_words,
            rechtschaffen_kales=self.columns.rechtschaffen_kales,
            path=self.path,
        )
        if self.columns.rechtschaffen_kales and any(
            label.isdigit() and fold_label(label) not in explained for label in labels
        ):
            self.notes.append(Note.of(NoteKind.DIGITS_AS_RK, told_by=OwnWord(self.columns.rechtschaffen_kales)))
        for label in missing:
            count = int(np.count_nonzero(codes == labels.index(label)))
            self.notes.append(Note.of(NoteKind.MISSING_AS_UNSCORED, label=label, count=count))
        return _Labels(labels, stages, codes, lights)

    def _through_levels(
        self, labels: tuple[str, ...], codes: NDArray[np.intp]
    ) -> tuple[tuple[str, ...], NDArray[np.intp], Mapping[str, str]]:
        """Return labels in which codes are replaced by what the file's own description says they mean."""
        explained = fold_table(self.layout.stages)
        known = dict(self.layout.stages)
        texts = [self._text_of_level(label) for label in labels]
        count = Counter(map(fold_label, texts))
        codes_of_layout = explained.keys() & set(map(fold_label, labels))
        position: dict[str, int] = {}
        new_codes = np.empty(len(labels), np.intp)
        for code, (label, meaning) in enumerate(zip(labels, texts, strict=True)):
            text, folded = meaning, fold_label(meaning)
            word = explained.get(fold_label(label))
            # a line of the layout for a code is about that code alone: where its meaning is not, the code is shown
            if word is not None:
                if count[folded] > 1 or explained.get(folded, word) != word:
                    text = label
                known.setdefault(text, word)
            elif folded in codes_of_layout and (stage := recognise_label(meaning)) is not None:
                text = label
                known[label] = stage
            new_codes[code] = position.setdefault(text, len(position))
        return tuple(position), new_codes[codes], known

    def _text_of_level(self, label: str) -> str:
        """Return the label that stands for a code: its description where that says more about its stage."""
        meaning = self.table.levels.get(label, label).strip()
        if _NUMBER.fullmatch(label) is not None:
            return meaning  # a number never speaks for itself
        # a text keeps its own words unless its description is plain and says something else
        return label if recognise_label(meaning) in (None, recognise_label(label)) else meaning

    def _staged_rows(self, said: _Labels) -> tuple[Rows, dict[str, int]]:
        """Return the rows that hold a stage, and how often each label that is none stands there."""
        n = said.codes.size
        if NOT_A_STAGE not in said.stages:
            return np.arange(n), {}
        left_out = np.array([stage == NOT_A_STAGE for stage in said.stages])
        counts = np.bincount(said.codes, minlength=left_out.size)
        ignored = {
            label: int(counts[code])
            for code, label in enumerate(said.labels)
            if left_out[code] and not said.lights[code]
        }
        staged = np.flatnonzero(~left_out[said.codes])
        if staged.size == 0:
            marks = {label: int(counts[i]) for i, label in enumerate(said.labels) if said.lights[i]}
            raise no_stage_rows(self.path, ignored | marks)
        return staged, ignored

    def _lights(self, said: _Labels, starts_us: Microseconds) -> tuple[int | None, int | None]:
        if not any(said.lights):
            return None, None
        off, on = (self._one_mark(said, starts_us, mark) for mark in ("off", "on"))
        if off is not None and on is not None and on <= off:
            raise FileFormatError(
                "lights on stands before lights off",
                self.path,
                "",
                "",
                "lights off first",
                "Correct the rows of the two marks.",
            )
        return off, on

    def _one_mark(self, said: _Labels, starts_us: Microseconds, mark: str) -> int | None:
        wanted = np.array([light == mark for light in said.lights])
        rows = np.flatnonzero(wanted[said.codes])
        if np.unique(starts_us[rows]).size > 1:
            raise FileFormatError(
                f"lights {mark} stands more than once",
                self.path,
                self.places.listing(rows),
                f"{rows.size} rows",
                "one",
                "Take the wrong ones out, or give the window by hand (--window).",
            )
        return int(starts_us[rows[0]]) if rows.size else None

    # --- times ---

    def _column(self, position: int, rows: Rows | None = None) -> Column:
        at = self.places.at if rows is None else lambda row: self.places.at(int(rows[row]))
        return Column(self.table.names[position], self.path, at, self.table.decimal_point)

    def _plain_times(self, staged: Rows) -> tuple[Moments, Moments] | None:
        """Return beginnings and ends where both are ISO dates and times and every row holds a stage, else None."""
        columns, layout = self.columns, self.layout
        if columns.end is None or not self._has_ends or layout.time not in (None, TimeForm.ISO):
            return None
        first, second = self.table.columns[columns.start], self.table.columns[columns.end]
        if layout.date is not None or layout.night_of is not None:
            return None
        if isinstance(first, Moments) or isinstance(second, Moments) or staged.size != len(first):
            return None
        return read_plain_pairs(first, second)

    def _times(self, staged: Rows) -> tuple[Moments, Moments | None]:
        """Return the beginnings of all rows, and the ends of the staged ones where the table has ends."""
        starts = self._beginnings()
        return starts, self._ends(starts, staged) if self._has_ends else None

    def _beginnings(self) -> Moments:
        """Return the times of all rows."""
        position, form = self.columns.start, self.layout.time
        data = self.table.columns[position]
        column = self._column(position)
        date_position = self.columns.date
        date_and_time = form is not None and "%" in form and strptime_has_date(form)
        if isinstance(data, Moments):
            moments = data
        else:
            if self.layout.date is not None and date_position is not None and date_and_time:
                data = self._beside_dates(data, date_position)
            moments = read_times(data, column, form=form, elapsed=self.columns.seconds or self.table.elapsed)
        self.notes += moments.notes
        if moments.clock is Clock.DAY:
            return self._on_days(moments, column)
        if self.layout.date is not None and date_position is not None:
            if not date_and_time or moments.clock is not Clock.LOCAL:
                raise self._contradiction("date", "the times tell their dates themselves")
            if self.layout.night_of is not None:
                us = place_in_nights(
                    moments.us - moments.us % DAY_US, moments.us % DAY_US, self.layout.night_of, column
                )
                return Moments(us, Clock.LOCAL)
        elif self.layout.night_of is not None:
            self.notes.append(Note.of(NoteKind.NIGHT_OF_UNUSED))
        return moments

    def _beside_dates(self, texts: Sequence[str], date_position: int) -> list[str]:
        dates = self.table.texts(date_position)
        return [f"{day.strip()} {time.strip()}" for day, time in zip(dates, texts, strict=True)]

    def _on_days(self, moments: Moments, column: Column) -> Moments:
        """Return times of day on the days that a column of dates or the layout tells."""
        night_of, begins = self.layout.night_of, self.layout.begins
        if self.columns.date is not None:
            dates_column = self._column(self.columns.date)
            data = self.table.columns[self.columns.date]
            times = self.table.columns[self.columns.start]
            beside = None if isinstance(times, Moments) else times
            dates = data.us if isinstance(data, Moments) else read_dates(data, dates_column, beside=beside)
            if night_of is not None:
                return Moments(place_in_nights(dates, moments.us, night_of, column), Clock.LOCAL)
            us = dates + moments.us
            self._refuse_evening_dates(us, dates, dates_column)
            self.notes.append(Note.of(NoteKind.DATES_FROM_COLUMN, column=OwnWord(dates_column.name)))
            return Moments(us, Clock.LOCAL)
        if isinstance(begins, datetime):
            if begins.tzinfo is not None:
                raise self._contradiction("begins", "an offset does not go with times of day; give 'zone' instead")
            return Moments(place_after(begins, moments.us, column), Clock.LOCAL)
        if begins is not None and night_of is not None:
            dates = np.full(moments.us.size, (begins - date(1970, 1, 1)).days * DAY_US, np.int64)
            return Moments(place_in_nights(dates, moments.us, night_of, column), Clock.LOCAL)
        raise ClockError(
            "the times tell no date",
            self.path,
            column.where(0),
            "times of day only",
            "dates and times, a column of dates, or a date in a layout",
            "Give a layout (--layout FILE.toml) that names the column of dates, or the date,\n    [file]\n"
            '    date = "..."\n  or\n    begins = 2026-03-01\n  and says which day a night\'s date names\n'
            '    night_of = "wake-day"',
        )

    def _refuse_evening_dates(self, us: Microseconds, dates: Microseconds, column: Column) -> None:
        """Refuse dates that stay the same over midnight: they are those of a night, and the layout must say so."""
        back = np.flatnonzero((us[1:] < us[:-1] - DAY_US // 2) & (dates[1:] == dates[:-1]))
        if back.size:
            raise ClockError(
                "the clock passes midnight and the date stays the same",
                self.path,
                column.where(int(back[0]) + 1),
                f"{naive_datetime(int(us[back[0] + 1]))}, after {naive_datetime(int(us[back[0]]))}",
                "the date of the next day, or to be told which day of a night the date names",
                'Say in a layout: [file] night_of = "wake-day" (the date is that of waking up) or "bed-day" (that of '
                "going to bed).",
            )

    def _ends(self, starts: Moments, staged: Rows) -> Moments:
        """Return the ends of the staged rows."""
        position = self.columns.end
        if position is None:
            raise ValueError("there is no column of ends")
        data = self.table.columns[position]
        column = self._column(position, staged)
        if isinstance(data, Moments):
            ends = Moments(data.us[staged], data.clock, data.offset_s)
        else:
            form = self.layout.time
            texts = data if staged.size == len(data) else [data[row] for row in staged.tolist()]
            if not texts[-1].strip():
                raise EpochGridError(
                    "the last row has no end",
                    self.path,
                    column.where(len(texts) - 1),
                    "",
                    "a time at which it ends",
                    "Complete the row or take it out.",
                )
            if self.layout.date is not None and self.columns.date is not None and form and strptime_has_date(form):
                dates = self.table.texts(self.columns.date)
                texts = [f"{dates[row].strip()} {text.strip()}" for row, text in zip(staged, texts, strict=True)]
            ends = read_times(texts, column, form=form, elapsed=starts.clock is Clock.ELAPSED)
            told = any(note.kind in _OFFSET_CHANGES for note in starts.notes)
            self.notes += [
                note for note in ends.notes if note not in self.notes and not (told and note.kind in _OFFSET_CHANGES)
            ]
            beside = self.columns.date is not None and self.layout.date is not None
            if ends.clock is Clock.DAY or (beside and starts.clock is Clock.LOCAL):
                us = ends_after_starts(starts.us[staged], ends.us % DAY_US)
                self._close_days(us, starts.us[staged], texts, staged)
                ends = Moments(us, Clock.LOCAL)
        if ends.clock is not starts.clock:
            first = column.where(0)
            raise ClockError(
                "beginnings and ends do not tell time in the same way",
                self.path,
                first,
                f"beginnings: {_CLOCK_WORDS[starts.clock]}; ends: {_CLOCK_WORDS[ends.clock]}",
                "one way",
                "Export both columns in one form.",
            )
        return ends

    def _close_days(self, ends_us: Microseconds, starts_us: Microseconds, texts: Sequence[str], staged: Rows) -> None:
        """Put ends at 24:00 of rows that begin at 00:00 at the end of that day."""
        began = self.table.columns[self.columns.start]
        for row in np.flatnonzero(ends_us == starts_us).tolist():
            first = None if isinstance(began, Moments) else began[int(staged[row])]
            if says_24(texts[row]) and not (first is not None and says_24(first)):
                ends_us[row] += DAY_US

    def _in_zone(self, starts: Moments, ends: Moments | None, staged: Rows) -> tuple[Moments, Moments | None]:
        """Return local times as moments in UTC where a zone is known."""
        zone = self.zone
        if starts.clock is not Clock.LOCAL:
            if zone is not None and starts.clock is Clock.UTC:
                self.notes.append(Note.of(NoteKind.ZONE_BESIDE_TIMES, zone=ZoneName(zone)))
            self.shown_in = fixed_zone(starts.offset_s)
            return starts, ends
        if zone is None:
            if not self.columns.utc:
                return starts, ends
            zone = "UTC"
            column = OwnWord(self.table.names[self.columns.start])
            self.notes.append(Note.of(NoteKind.UTC_BY_COLUMN, column=column))
        if ends is None or self.layout.overlaps is not Overlaps.REFUSE:
            resolved = resolve_wall_clock(starts.us, zone, path=self.path, where=self.places.at)
            starts_utc = resolved.us
            ends_utc = None if ends is None else self._ends_beside(starts_utc[staged], ends.us, zone, staged)
        else:
            readings, row_of = _in_turn(starts.us, ends.us, staged)
            resolved = resolve_wall_clock(
                readings, zone, path=self.path, where=lambda i: self.places.at(int(row_of[i]))
            )
            starts_utc, ends_utc = _out_of_turn(resolved.us, starts.us.size, staged)
        self.notes += resolved.notes
        self.shown_in = resolved.zone
        return Moments(starts_utc, Clock.UTC), None if ends_utc is None else Moments(ends_utc, Clock.UTC)

    def _ends_beside(self, starts_utc: Microseconds, ends_local: Microseconds, zone: str, staged: Rows) -> Microseconds:
        """Return ends of rows that may overlap, each resolved from its own beginning."""
        ends = np.empty(ends_local.size, np.int64)
        resolved = resolve_each(ends_local, zone, path=self.path, where=lambda i: self.places.at(int(staged[i])))
        ends[:] = np.where(resolved.first > starts_utc, resolved.first, resolved.second)
        return ends

    def _clock(self, starts: Moments) -> FileClock:
        begins = self.layout.begins
        if starts.clock is not Clock.ELAPSED:
            return FileClock(starts.clock, self.shown_in if starts.clock is Clock.UTC else None)
        if begins is None:
            return FileClock(Clock.ELAPSED)
        if not isinstance(begins, datetime):
            raise self._contradiction("begins", "elapsed seconds need a date and a time to count from")
        if begins.tzinfo is None and self.zone is not None:
            from sleepagree.hypnogram.zones import place_in_zone

            begins = place_in_zone(begins, self.zone, path=self.layout.name, where="[file], key 'begins'")
        return FileClock(Clock.ELAPSED, None, begins)

    # --- how long rows last ---

    def _tell_unused_lengths(self, starts: Moments) -> None:
        columns = self.columns
        if self._has_ends or columns.duration is not None or self.layout.shape is Shape.EPOCHS:
            return
        used = {columns.start, columns.stage, columns.end, columns.date, columns.step}
        names, data = self.table.names, self.table.columns
        self.cautions += unused_lengths(names, data, used, starts, form=self.layout.time)

    @property
    def _has_ends(self) -> bool:
        return self.columns.end is not None and self.layout.shape is not Shape.EPOCHS

    def _extent(
        self,
        starts_us: Microseconds,
        ends: Moments | None,
        staged: Rows,
        codes: NDArray[np.intp],
        clock: FileClock,
    ) -> _Extent:
        layout = self.layout
        if layout.shape is Shape.EPOCHS and (layout.end or layout.duration):
            named = "end" if layout.end else "duration"
            raise self._contradiction(named, 'shape = "epochs" takes the length of a row from the step between rows')
        onset = starts_us if staged.size == starts_us.size else starts_us[staged]
        if ends is not None:
            return self._until_ends(onset, ends.us, staged)
        if self.columns.duration is not None and layout.shape is not Shape.EPOCHS:
            duration_s = self._durations(onset, staged)
            if duration_s is not None:
                return self._for_durations(onset, duration_s)
            self.cautions.append(Caution.of(CautionKind.ZERO_DURATIONS))
        elif layout.shape is Shape.INTERVALS:
            return self._until_next(starts_us, staged)
        return self._as_epochs(onset, staged, codes, clock)

    def _as_epochs(self, onset: Microseconds, staged: Rows, codes: NDArray[np.intp], clock: FileClock) -> _Extent:
        own = codes if staged.size == codes.size else codes[staged]
        step = find_epoch_step(
            onset,
            declared_s=self.layout.epoch_seconds,
            shape_declared=self.layout.shape is Shape.EPOCHS,
            changes=own[1:] != own[:-1],
            places=self.places,
            file_row=staged,
            clock=clock,
            path=self.path,
        )
        self.notes += step.notes
        self.cautions += step.cautions
        onset = self._marked_onsets(onset, step.step_us)
        return _Extent(onset, onset + step.step_us, step.step_us / SECOND_US, step.found)

    def _marked_onsets(self, onset: Microseconds, length_us: Microseconds | int) -> Microseconds:
        """Return beginnings of rows whose times name their middle or their end."""
        if self.layout.marks is Marks.START:
            return onset
        self.notes.append(Note.of(NoteKind.TIMES_MARK, mark=self.layout.marks.value))
        before: Microseconds = onset - (length_us if self.layout.marks is Marks.END else length_us // 2)
        return before

    def _until_ends(self, onset: Microseconds, end: Microseconds, staged: Rows) -> _Extent:
        if self.layout.marks is not Marks.START:
            raise self._contradiction("marks", "rows with a beginning and an end say both themselves")
        if self.layout.ends is not None or (onset[1:] > end[:-1]).any():
            listing = self.places.listing(staged[:2])
            end, notes = settle_inclusive_ends(onset, end, ends=self.layout.ends, path=self.path, listing=listing)
            self.notes += notes
        return self._with_common_step(onset, end)

    def _durations(self, onset: Microseconds, staged: Rows) -> NDArray[np.float64] | None:
        """Return the durations of the staged rows in seconds, or None where all of them are 0."""
        position = self.columns.duration
        if position is None:
            return None
        column = self._column(position, staged)
        data = self.table.texts(position)
        texts = data if staged.size == len(data) else [data[row] for row in staged.tolist()]
        numbers = read_numbers(texts, column, expected="a duration in numbers")
        if not numbers.any():
            return None
        wrong = np.flatnonzero(~(numbers > 0) | ~(numbers < _LONGEST_DURATION))
        if wrong.size:
            raise self._wrong_duration(numbers, int(wrong[0]), column)
        unit = self._duration_unit(onset, numbers, column)
        return numbers * unit

    def _duration_unit(self, onset: Microseconds, numbers: NDArray[np.float64], column: Column) -> float:
        told = self.layout.duration_unit or self.columns.duration_unit or self.table.duration_unit
        ratio = duration_ratio(onset, numbers)
        proven = None if ratio is None else _unit_that_fits(ratio)
        if told is not None and proven is not None and told != proven:
            raise self._wrong_unit(told, proven, column)
        unit = told or proven
        if unit is None:
            raise self._unknown_unit(column)
        if told is None:
            self.notes.append(Note.of(NoteKind.DURATION_UNIT, unit=_unit_name(unit)))
        return unit

    def _for_durations(self, onset: Microseconds, duration_s: NDArray[np.float64]) -> _Extent:
        length = np.rint(duration_s * SECOND_US).astype(np.int64)
        onset = self._marked_onsets(onset, length)
        same = length.size > 1 and int(length.min()) == int(length.max())
        if same and self.layout.epoch_seconds is None:
            epoch_s = int(length[0]) / SECOND_US
            self.cautions += coarse_grid_caution(epoch_s)
            return _Extent(onset, onset + length, epoch_s, EpochLengthFrom.FILE)
        return self._with_common_step(onset, onset + length)

    def _until_next(self, starts_us: Microseconds, staged: Rows) -> _Extent:
        """Return rows that last until the next one; the last needs another row, of whatever kind, after it."""
        if self.layout.marks is not Marks.START:
            raise self._contradiction("marks", "rows that last until the next one are marked by their start")
        onset = starts_us[staged]
        stops = np.unique(onset)
        last = int(stops[-1])
        after = starts_us[starts_us > last]
        if after.size == 0:
            row = int(staged[np.flatnonzero(onset == last)[0]])
            raise self._last_end_missing(self.places.at(row))
        stops = np.append(stops, after.min())
        end = stops[np.searchsorted(stops, onset, side="right")]
        return self._with_common_step(onset, end)

    def _with_common_step(self, onset: Microseconds, end: Microseconds) -> _Extent:
        """Add the step of which all times are multiples, where it is as long as an epoch."""
        declared = self.layout.epoch_seconds
        step_s = common_step_us(onset, end) / SECOND_US
        if onset.size >= 5 and step_s <= _LONGEST_STEP_S:
            self.cautions += coarse_grid_caution(step_s)
        if declared is not None:
            return _Extent(onset, end, declared, EpochLengthFrom.LAYOUT)
        if onset.size >= 5 and _SHORTEST_STEP_S <= step_s <= _LONGEST_STEP_S:
            return _Extent(onset, end, step_s, EpochLengthFrom.INFERRED)
        return _Extent(onset, end)

    def _refuse_several_recordings(self, rows: LabelledRows) -> None:
        """Refuse rows whose times start again where another column changes: blocks that each tell a time of its own.

        Without this, blocks that happen to agree would pass as rows that were exported twice.
        """
        order = np.lexsort((rows.end_us, rows.onset_us))
        if not (rows.onset_us[order][1:] < rows.end_us[order][:-1]).any():
            return
        falls = np.flatnonzero(rows.onset_us[1:] < rows.onset_us[:-1]) + 1
        used = {self.columns.start, self.columns.stage, self.columns.end, self.columns.duration, self.columns.date}
        for position in range(len(self.table.names)):
            data = self.table.columns[position]
            if position in used or isinstance(data, Moments):
                continue
            values = [data[row].strip() for row in rows.file_row.tolist()]
            blocks = 1 + sum(1 for row in range(1, len(values)) if values[row] != values[row - 1])
            if blocks != len(set(values)) or any(values[row] == values[row - 1] for row in falls.tolist()):
                continue
            row = int(falls[0])
            raise EpochGridError(
                "the times start again where another column changes, so the file holds more than one recording",
                self.path,
                f"{rows.at(row)}, column '{shorten(self.table.names[position])}'",
                f"'{shorten(values[row])}' after '{shorten(values[row - 1])}', and "
                f"{rows.clock.show(int(rows.onset_us[row]))} after {rows.clock.show(int(rows.onset_us[row - 1]))}",
                "one recording a file",
                "Write each recording into a file of its own. If these are layers of one recording, say in a layout "
                'which of two rows holds: [file] overlaps = "shorter-wins" or "later-wins".',
            )

    # --- runs ---

    def _runs(self) -> ScoredSpans:
        """Read rows that hold the codes of many epochs each."""
        texts = self.table.texts(self.columns.stage)
        starts = self._beginnings()
        ends = self._ends(starts, np.arange(len(texts))) if self.columns.end is not None else None
        starts, ends = self._in_zone(starts, ends, np.arange(len(texts)))
        clock = self._clock(starts)
        steps_us, epoch_from = self._run_steps(len(texts))
        codes: list[str] = []
        row_of: list[int] = []
        onset: list[Microseconds] = []
        for row, text in enumerate(texts):
            run = self._run_codes(text, row)
            if ends is not None:
                self._check_length(len(run), int(steps_us[row]), int(ends.us[row] - starts.us[row]), row)
            codes += run
            row_of += [row] * len(run)
            onset.append(starts.us[row] + steps_us[row] * np.arange(len(run)))
        file_row = np.array(row_of, np.intp)
        labels, label_codes = number_labels(codes)
        stages = stages_of_labels(
            labels,
            label_codes,
            Places([self.places.numbers[row] for row in row_of], self.places.one, self.places.several),
            table=self.layout.stages,
            own_words=self.own_words,
            rechtschaffen_kales=self.columns.rechtschaffen_kales,
            path=self.path,
        )
        onset_us = self._marked_onsets(np.concatenate(onset), steps_us[file_row])
        same = int(steps_us.min()) == int(steps_us.max())
        epoch_s = int(steps_us[0]) / SECOND_US if same else None
        self.cautions += coarse_grid_caution(epoch_s or 0.0)
        rows = LabelledRows(
            onset_us,
            onset_us + steps_us[file_row],
            label_codes,
            file_row,
            labels,
            stages,
            self.places,
            clock,
            self.path,
        )
        facts = SourceFacts(
            self.layout.reports,
            epoch_s,
            epoch_from if same else EpochLengthFrom.UNKNOWN,
            notes=tuple(self.notes),
            cautions=tuple(self.cautions),
        )
        return make_spans(rows, origin=self.table.origin, facts=facts, overlaps=self.layout.overlaps)

    def _run_steps(self, n: int) -> tuple[Microseconds, EpochLengthFrom]:
        declared = self.layout.epoch_seconds
        if declared is not None:
            return np.full(n, round(declared * SECOND_US), np.int64), EpochLengthFrom.LAYOUT
        if self.columns.step is None:
            raise EpochGridError(
                "a text of codes does not tell how long a code lasts",
                self.path,
                "",
                "no column 'step'",
                "the length of an epoch",
                "Give it in the layout, above [file]:\n    epoch_seconds = 30",
            )
        column = self._column(self.columns.step)
        numbers = read_numbers(self.table.texts(self.columns.step), column, expected="a step in seconds")
        wrong = np.flatnonzero(~((numbers >= 1) & (numbers <= _LONGEST_STEP_S)))
        if wrong.size:
            row = int(wrong[0])
            raise EpochGridError(
                "this is no length of an epoch",
                self.path,
                column.where(row),
                show_number(float(numbers[row])),
                "seconds from 1 to 3600",
                "Correct the row.",
            )
        return np.rint(numbers * SECOND_US).astype(np.int64), EpochLengthFrom.FILE

    def _run_codes(self, text: str, row: int) -> list[str]:
        """Return the codes of one cell: its characters, or its words where space or a comma parts them."""
        text = text.strip()
        column = self._column(self.columns.stage)
        if not text:
            raise FileFormatError(
                "the text of codes is empty", self.path, column.where(row), "", "a code for each epoch", ""
            )
        if re.fullmatch(r"\d+([.,]\d+)?[eE][+-]?\d+", text, re.ASCII):
            raise FileFormatError(
                "a spreadsheet has turned the text of codes into a number",
                self.path,
                column.where(row),
                f"'{text}'",
                "a code for each epoch",
                "Export the file again without opening it in a spreadsheet.",
            )
        parts = re.split(r"[\s,;|]+", text)
        return [part for part in parts if part] if len(parts) > 1 else list(text)

    def _check_length(self, codes: int, step_us: int, span_us: int, row: int) -> None:
        if codes * step_us == span_us:
            return
        step, span = show_number(step_us / SECOND_US), show_number(span_us / SECOND_US)
        raise EpochGridError(
            "the text of codes does not fill its time",
            self.path,
            self.places.at(row),
            f"{codes} codes of {step} s, which is {show_number(codes * step_us / SECOND_US)} s",
            f"{span} s from beginning to end",
            "A spreadsheet that drops leading zeros does this; export the file again, or correct the step.",
        )

    # --- errors ---

    def _contradiction(self, key: str, reason: str) -> FileFormatError:
        return FileFormatError(
            f"the layout does not go with this file: {reason}",
            self.path,
            f"[file], key '{key}' of {self.layout.name or 'the layout'}",
            "",
            "",
            f"Take '{key}' out of the layout, or correct it.",
        )

    def _last_end_missing(self, where: str) -> EpochGridError:
        return EpochGridError(
            "the last row has no end",
            self.path,
            where,
            "",
            "a time at which it ends",
            "Add a closing row with the end of the night and the label 'Lights on' (or one that [stages] of a layout "
            'maps to "not-a-stage"), or export the ends too.',
        )

    def _wrong_duration(self, numbers: NDArray[np.float64], row: int, column: Column) -> EpochGridError:
        value = float(numbers[row])
        if value == 0:
            return EpochGridError(
                "this row has duration 0 and others have not",
                self.path,
                column.where(row),
                "0",
                "a positive duration in every row, or 0 in all of them",
                'Complete the row; if it is a mark and no stage, give its label "not-a-stage" in a layout.',
            )
        return EpochGridError(
            "this is no duration of a stage",
            self.path,
            column.where(row),
            show_number(value),
            "a positive number",
            "Correct the row.",
        )

    def _unknown_unit(self, column: Column) -> EpochGridError:
        return EpochGridError(
            "the unit of the durations is not told",
            self.path,
            f"column '{shorten(column.name)}'",
            "numbers that do not lead from one row to the next in s, min or ms",
            "a unit",
            'Give a layout (--layout FILE.toml) with\n    [file]\n    duration_unit = "s"\n  or "min" or "ms".',
        )

    def _wrong_unit(self, told: float, proven: float, column: Column) -> EpochGridError:
        return EpochGridError(
            "the durations do not have the unit that is told",
            self.path,
            f"column '{shorten(column.name)}'",
            f"durations in {_unit_name(told)} that would fit the steps between rows in {_unit_name(proven)}",
            "rows that end about where the next begins",
            f'Write in a layout: [file] duration_unit = "{_unit_name(proven)}".',
        )


_NUMBER: Final = re.compile(r"-?\d+(\.\d+)?", re.ASCII)
_CLOCK_WORDS: Final = {
    Clock.UTC: "with an offset from UTC, or Unix time",
    Clock.LOCAL: "local time without an offset",
    Clock.ELAPSED: "elapsed seconds",
    Clock.DAY: "times of day",
}
_OFFSET_CHANGES: Final = (NoteKind.OFFSET_CHANGES, NoteKind.OFFSET_CHANGES_MORE)
_LONGEST_DURATION: Final = 1e9
_SHORTEST_STEP_S: Final = 10.0
_LONGEST_STEP_S: Final = 3600.0
_FIT: Final = 0.02


def _unit_name(seconds: float) -> str:
    return next((name for name, unit in DURATION_UNITS.items() if unit == seconds), f"{seconds} s")


def _unit_that_fits(ratio: float) -> float | None:
    return next((unit for unit in DURATION_UNITS.values() if abs(ratio / unit - 1.0) <= _FIT), None)


def _in_turn(starts: Microseconds, ends: Microseconds, staged: Rows) -> tuple[Microseconds, Rows]:
    """Return beginnings and ends in the order in which the file tells them, and the row of each."""
    order = np.concatenate((2 * np.arange(starts.size), 2 * staged + 1))
    readings = np.concatenate((starts, ends))
    turn = np.argsort(order, kind="stable")
    return readings[turn], (order[turn] // 2).astype(np.intp)


def _out_of_turn(us: Microseconds, n_starts: int, staged: Rows) -> tuple[Microseconds, Microseconds]:
    order = np.concatenate((2 * np.arange(n_starts), 2 * staged + 1))
    turn = np.argsort(order, kind="stable")
    back = np.empty(us.size, np.int64)
    back[turn] = us
    return back[:n_starts], back[n_starts:]
