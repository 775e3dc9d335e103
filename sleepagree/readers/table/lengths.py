"""How long the rows of a table last: until their ends, for their durations, until the next row, or for an epoch."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sleepagree.caution import Caution, CautionKind, Note, NoteKind, OwnWord
from sleepagree.errors import EpochGridError, Option, SleepAgreeError, asked, for_page, shorten
from sleepagree.files.toml import toml_text
from sleepagree.hypnogram.spans import EPOCH_S, NIGHT_BREAK_S, EpochLengthFrom
from sleepagree.readers.layout import DURATION_UNITS, Ends, Marks, Shape, for_layout
from sleepagree.readers.rows import ROUNDED_US, Rows
from sleepagree.readers.table.table import TableReading
from sleepagree.readers.table.times import RowTimes
from sleepagree.readers.times.clock import SECOND_US, Clock, FileClock, Microseconds, microseconds_of, show_number
from sleepagree.readers.times.reading import read_durations

LONGEST_STEP_S: Final = 3600.0
#: No stage lasts longer: what follows is another night.
_LONGEST_STAGE_S: Final = 6 * 3600.0
_SHORTEST_STEP_S: Final = 10.0
_LONGEST_DURATION: Final = 1e9
_FIT: Final = 0.02
_MINUTE_US: Final = 60 * SECOND_US
#: Parts of a unit that durations may be told in, rounded or cut: wholes, tenths, sixtieths as behind a colon.
_PARTS: Final = (1.0, 0.1, 1 / 60, 0.01)


class Extent(NamedTuple):
    """From when to when each staged row lasts, and the epoch length if the source has one."""

    onset_us: Microseconds
    end_us: Microseconds
    epoch_s: float | None = None
    epoch_from: EpochLengthFrom = EpochLengthFrom.UNKNOWN


def find_extent(reading: TableReading, times: RowTimes, staged: Rows, codes: NDArray[np.intp]) -> Extent:
    """Return how long rows last.

    Parameters
    ----------
    reading : TableReading
        The table.
    times : RowTimes
        When its rows begin, and end if it tells that.
    staged : int array, shape (n,)
        Rows that hold a stage.
    codes : int array, shape (n,)
        Their labels, as numbers.

    Raises
    ------
    FileFormatError, EpochGridError
        As :func:`sleepagree.readers.table.reader.spans_of_table`.
    """
    layout = reading.layout
    if layout.shape is Shape.EPOCHS and (layout.end or layout.duration):
        reason = 'shape = "epochs" takes the length of a row from the step between rows'
        raise reading.contradiction("end" if layout.end else "duration", reason)
    onset = times.starts.us[staged]
    if times.ends is not None:
        return _until_ends(reading, onset, times.ends.us, staged)
    if reading.columns.duration is not None and layout.shape is not Shape.EPOCHS:
        duration_s = _durations(reading, reading.columns.duration, onset, staged)
        if duration_s is not None:
            return _for_durations(reading, onset, duration_s)
        if layout.shape is not Shape.INTERVALS:
            reading.cautions.append(Caution.of(CautionKind.ZERO_DURATIONS))
    if layout.shape is Shape.INTERVALS:
        is_by_ends = layout.marks is Marks.END
        return _since_last(reading, times, staged) if is_by_ends else _until_next(reading, times.starts.us, staged)
    step = find_epoch_step(
        onset,
        declared_s=layout.epoch_seconds,
        shape_declared=layout.shape is Shape.EPOCHS,
        changes=codes[1:] != codes[:-1],
        told=lambda row: (reading.places.at(int(staged[row])), times.clock.show(int(times.starts.us[staged[row]]))),
        path=reading.path,
    )
    reading.notes += step.notes
    reading.cautions += step.cautions
    onset = marked_starts(reading, onset, step.step_us)
    return Extent(onset, onset + step.step_us, step.step_us / SECOND_US, step.found)


def marked_starts(reading: TableReading, onset: Microseconds, length_us: Microseconds | int) -> Microseconds:
    """Return beginnings of rows whose times name their middle or their end."""
    marks = reading.layout.marks
    if marks is Marks.START:
        return onset
    reading.notes.append(Note.of(NoteKind.TIMES_MARK, mark=marks.value))
    before: Microseconds = onset - (length_us if marks is Marks.END else length_us // 2)
    return before


def _until_ends(reading: TableReading, onset: Microseconds, end: Microseconds, staged: Rows) -> Extent:
    if reading.layout.marks is not Marks.START:
        raise reading.contradiction("marks", "rows with a beginning and an end say both themselves")
    listing = reading.places.listing(staged[:2])
    end, notes = settle_inclusive_ends(onset, end, ends=reading.layout.ends, path=reading.path, listing=listing)
    reading.notes += notes
    _tell_other_lengths(reading, onset, end, staged)
    return _with_common_step(reading, onset, end)


def _tell_other_lengths(reading: TableReading, onset: Microseconds, end: Microseconds, staged: Rows) -> None:
    """Warn of a column of durations that contradicts the ends: both cannot be right, unless it tells something else."""
    position = reading.columns.duration
    if position is None:
        return
    cells = reading.table.cells(position)
    kept = np.flatnonzero([bool(cells[row]) for row in staged.tolist()])
    rows = staged[kept]
    try:
        column = reading.column(position, rows)
        numbers, unit = read_durations([cells[row] for row in rows.tolist()], column, reading.duration_unit)
    except SleepAgreeError:
        return
    if not (numbers < _LONGEST_DURATION).all():
        return
    onset, end = onset[kept], end[kept]
    told = unit or reading.duration_unit
    units = DURATION_UNITS.values() if told is None else (told,)
    contradicts = min((_contradict(numbers, unit, onset, end) for unit in units), key=np.count_nonzero)
    if contradicts.any():
        first = int(np.flatnonzero(contradicts)[0])
        row = int(rows[first])
        reading.cautions.append(
            Caution.of(
                CautionKind.LENGTHS_CONTRADICT,
                column=OwnWord(reading.table.names[position]),
                count=int(np.count_nonzero(contradicts)),
                place=reading.places.at(row),
                told=cells[row],
                lasts_s=int(end[first] - onset[first]) / SECOND_US,
            )
        )


def _contradict(numbers: NDArray[np.float64], unit: float, onset: Microseconds, end: Microseconds) -> NDArray[np.bool_]:
    """Return which durations are off by more than half an epoch, and than was lost where all were rounded or cut."""
    part = next((part for part in _PARTS if np.allclose(numbers / part, np.rint(numbers / part), atol=1e-6)), 0.0)
    are_minutes = not (onset % _MINUTE_US).any() and not (end % _MINUTE_US).any()
    lost_us = max(part * unit * SECOND_US, _MINUTE_US * are_minutes)
    off_us = np.abs(np.rint(numbers * unit * SECOND_US) - (end - onset))
    wrong: NDArray[np.bool_] = (numbers > 0) & (off_us > EPOCH_S * SECOND_US / 2) & (off_us >= np.rint(lost_us))
    return wrong


def _until_next(reading: TableReading, starts_us: Microseconds, staged: Rows) -> Extent:
    """Return rows that last until the next one; the last needs another row, of whatever kind, after it."""
    if reading.layout.marks is not Marks.START:
        raise reading.contradiction("marks", "rows that last until the next one are marked by their start")
    onset = starts_us[staged]
    stops, last_us = np.unique(onset), onset.max()
    if reading.columns.marks:  # a row without a mark ends the one before it
        texts = reading.table.texts(reading.columns.stage)
        stops = np.union1d(stops, starts_us[[row for row, text in enumerate(texts) if not text]])
    after = starts_us[starts_us > last_us]
    if after.size == 0:
        problem = "the last row has no end"
        where = reading.places.at(int(staged[np.flatnonzero(onset == last_us)[0]]))
        remedy = _unused_first(reading) + (
            "Add a closing row with the end of the night and the label 'Lights on' (or one that "
            + for_page('[stages] of a layout maps to "not-a-stage"', "is said to be no stage")
            + "), or export the ends too."
        )
        # a label that nobody has explained yet may be that of the closing row
        raise EpochGridError(problem, reading.path, where, "", "a time at which it ends", remedy, facts="stages")
    closings = np.unique(after) if reading.columns.marks else _closings(reading, starts_us, stops)
    if closings.size == 0 or closings[-1] <= last_us:
        reading.notes.append(Note.of(NoteKind.LAST_ROW_ENDED, count=int(np.unique(after).size)))
        closings = np.unique(starts_us)
    stops = np.union1d(stops, closings[closings > last_us][:1])
    end = stops[np.searchsorted(stops, onset, side="right")]
    return _with_common_step(reading, onset, _within_a_night(reading, onset, end, closings))


def _since_last(reading: TableReading, times: RowTimes, staged: Rows) -> Extent:
    """Return rows that last since the end of the one before; the layout says when the first of them begins."""
    ends = times.starts.us[staged]
    unique, rows = np.unique(ends, return_index=True)
    begin = _first_beginning(reading, times.clock)
    lasting = np.diff(unique, prepend=unique[0] if begin is None else begin)
    wrong = np.flatnonzero((lasting <= 0) | (lasting > _LONGEST_STAGE_S * SECOND_US))
    if wrong.size:
        where = reading.places.at(int(staged[rows[wrong[0]]]))
        found = "" if begin is None else f"{show_number(lasting[wrong[0]] / SECOND_US)} s since the moment before it"
        first = for_layout("Tell that of the first row in a layout with", "begins", "2026-03-01T22:30:00")
        remedy = f"Export the beginnings too. {first}"
        expected = "more than 0 s and 6 h at most since the moment before it"
        raise EpochGridError("nothing tells when this row begins", reading.path, where, found, expected, remedy)
    reading.notes.append(Note.of(NoteKind.TIMES_MARK, mark=Marks.END.value))
    return _with_common_step(reading, ends - lasting[np.searchsorted(unique, ends)], ends)


def _first_beginning(reading: TableReading, clock: FileClock) -> int | None:
    """Return when the first row begins, second 0 of elapsed times, else as the layout says; None where it does not."""
    begins = reading.layout.begins
    if clock.kind is Clock.ELAPSED:
        return 0
    if not isinstance(begins, datetime):
        return None
    if clock.kind is Clock.UTC:
        return microseconds_of(begins.replace(tzinfo=begins.tzinfo or clock.zone).astimezone(UTC))
    if begins.tzinfo is not None:
        raise reading.contradiction("begins", "the times of the rows tell no offset")
    return microseconds_of(begins)


def _closings(reading: TableReading, starts_us: Microseconds, stops: Microseconds) -> Microseconds:
    """Return when rows begin that may close a night: those of kinds that nowhere stand between two stages of one."""
    texts = reading.table.texts(reading.columns.stage)
    following = np.searchsorted(stops, starts_us, side="right")
    within = (following > 0) & (following < stops.size)
    within[within] = np.diff(stops)[following[within] - 1] <= _LONGEST_STAGE_S * SECOND_US
    passing = {texts[row] for row in np.flatnonzero(within).tolist()}
    closings: Microseconds = np.unique(starts_us[[text not in passing for text in texts]])
    return closings


def _within_a_night(
    reading: TableReading, onset: Microseconds, end: Microseconds, closings: Microseconds
) -> Microseconds:
    """Return ends of rows, those of a night's last ones before the next night: the row that closes it, if there is."""
    following = np.append(closings, end.max())[np.searchsorted(closings, onset, side="right")]
    ended = (end - onset > _LONGEST_STAGE_S * SECOND_US) & (following < end)
    if ended.any():
        reading.notes.append(Note.of(NoteKind.ROWS_ENDED, count=int(np.count_nonzero(ended))))
    within: Microseconds = np.where(ended, following, end)
    return within


def _unused_first(reading: TableReading) -> str:
    """Return how to name a column of lengths or ends that nobody used: it goes before rows written by hand."""
    unused = (c for c in reading.cautions if c.kind is CautionKind.LENGTHS_UNUSED)
    return "".join(
        f"Column '{shorten(c['column'])}' holds {'ends' if c['role'] == 'end' else 'lengths'}: "
        + for_page(
            f"say in a layout [file] {c['role']} = {toml_text(str(c['column']))}. If it tells something else: ",
            "say so at its head. If it tells something else: ",
        )
        for c in unused
    )


def _with_common_step(reading: TableReading, onset: Microseconds, end: Microseconds) -> Extent:
    """Add the step of which all times are multiples, where it is as long as an epoch."""
    declared = reading.layout.epoch_seconds
    step_s = common_step_us(onset, end) / SECOND_US
    if onset.size >= 5 and step_s <= LONGEST_STEP_S:
        reading.cautions += coarse_grid_caution(step_s)
    if declared is not None:
        return Extent(onset, end, declared, EpochLengthFrom.LAYOUT)
    if onset.size >= 5 and _SHORTEST_STEP_S <= step_s <= LONGEST_STEP_S:
        return Extent(onset, end, step_s, EpochLengthFrom.INFERRED)
    return Extent(onset, end)


# --- durations -------------------------------------------------------------------------------------------


def _for_durations(reading: TableReading, onset: Microseconds, duration_s: NDArray[np.float64]) -> Extent:
    length = np.rint(duration_s * SECOND_US).astype(np.int64)
    onset = marked_starts(reading, onset, length)
    same = length.size > 1 and int(length.min()) == int(length.max())
    if same and reading.layout.epoch_seconds is None:
        epoch_s = int(length[0]) / SECOND_US
        reading.cautions += coarse_grid_caution(epoch_s)
        return Extent(onset, onset + length, epoch_s, EpochLengthFrom.FILE)
    return _with_common_step(reading, onset, onset + length)


def _durations(reading: TableReading, position: int, onset: Microseconds, staged: Rows) -> NDArray[np.float64] | None:
    """Return the durations of the staged rows in seconds, or None where all of them are 0 or missing."""
    column = reading.column(position, staged)
    data = reading.table.texts(position)
    texts = [data[row] for row in staged.tolist()]
    if reading.table.missing.issuperset(texts):
        return None
    numbers, unit = read_durations(texts, column, reading.duration_unit)
    if not numbers.any():
        return None
    wrong = ~((numbers > 0) & (numbers < _LONGEST_DURATION))
    if wrong.any() and numbers[wrong][0] == 0:
        expected = "a positive duration in every row, or 0 in all of them"
        remedy = "Complete the row; if it is a mark and no stage, " + for_page(
            'give its label "not-a-stage" in a layout.', "say that its label is no stage."
        )
        problem = "this row has duration 0 and others have not"
        raise column.error(EpochGridError, int(wrong.argmax()), problem, "0", expected, remedy)
    column.refuse_numbers(EpochGridError, numbers, wrong, "this is no duration of a stage", "a positive number")
    return numbers * (unit or _duration_unit(reading, onset, numbers, f"column '{shorten(column.name)}'"))


def _duration_unit(reading: TableReading, onset: Microseconds, numbers: NDArray[np.float64], where: str) -> float:
    """Return the seconds in a unit of the durations: as told, or as rows that end where the next begins prove it."""
    ratio, told = duration_ratio(onset, numbers), reading.duration_unit
    units = DURATION_UNITS.values()
    proven = None if ratio is None else next((unit for unit in units if abs(ratio / unit - 1.0) <= _FIT), None)
    if told is not None and proven is not None and told != proven:
        problem = "the durations do not have the unit that is told"
        expected = "rows that end about where the next begins"
        unit = _unit_name(proven)
        remedy = for_page(
            f'Write in a layout: [file] duration_unit = "{unit}".', f"Answer {asked('duration_unit', unit)}."
        )
        found = f"durations in {_unit_name(told)} that would fit the steps between rows in {_unit_name(proven)}"
        raise EpochGridError(problem, reading.path, where, found, expected, remedy)
    if told is not None:
        return told
    if proven is None:
        found = "numbers that do not lead from one row to the next in s, min, ms or h"
        lead = f"Give a layout ({Option.LAYOUT:FILE.toml}) with"
        remedy = for_layout(lead, "duration_unit", "s", "min", "ms", "h")
        raise EpochGridError("the unit of the durations is not told", reading.path, where, found, "a unit", remedy)
    reading.notes.append(Note.of(NoteKind.DURATION_UNIT, unit=_unit_name(proven)))
    return proven


def _unit_name(seconds: float) -> str:
    return next((name for name, unit in DURATION_UNITS.items() if unit == seconds), f"{seconds} s")


# --- rows of any origin: the step between epochs, and what all times are multiples of -----------------------


class EpochStep(NamedTuple):
    """The length of the epochs of a table with one row an epoch.

    Parameters
    ----------
    step_us : int
        Microseconds.
    found : EpochLengthFrom
        How it is known.
    notes, cautions : tuple of Note, tuple of Caution
        Ledger lines and warnings.
    """

    step_us: int
    found: EpochLengthFrom
    notes: tuple[Note, ...] = ()
    cautions: tuple[Caution, ...] = ()


_SAME_STEP_SHARE: Final = 0.5
NIGHT_BREAK_US: Final = round(NIGHT_BREAK_S * SECOND_US)


def find_epoch_step(
    onset_us: Microseconds,
    *,
    declared_s: float | None,
    shape_declared: bool,
    changes: NDArray[np.bool_],
    told: Callable[[int], tuple[str, str]],
    path: str,
) -> EpochStep:
    """Return the epoch length of rows that stand for one epoch each: the commonest step between them.

    Parameters
    ----------
    onset_us : int array, shape (n,)
        Beginnings in file order.
    declared_s : float or None
        Epoch length that the layout declares.
    shape_declared : bool
        Whether the layout says that a row is an epoch; if not, rows that look like changes of stage only are
        refused rather than taken for epochs with gaps between them.
    changes : bool array, shape (n - 1,)
        Whether each row's label differs from the one before it.
    told, path
        For messages: the place of a row and its time, and the file.

    Raises
    ------
    EpochGridError
        When the steps vary, there is but one row and nothing declared, or the declared length is not theirs.
    """
    moments, first_row = np.unique(onset_us, return_index=True)
    steps = np.diff(moments)
    if steps.size == 0:
        if declared_s is None:
            raise _one_row(path)
        return EpochStep(round(declared_s * SECOND_US), EpochLengthFrom.LAYOUT)
    step, share = _commonest(steps)
    if declared_s is not None:
        declared = round(declared_s * SECOND_US)
        differs = steps.size > 1 and abs(step - declared) > ROUNDED_US
        if differs and (share > _SAME_STEP_SHARE or step < declared):
            raise _not_declared_step(step, declared_s, path)
        step = declared
    if not SECOND_US <= step <= LONGEST_STEP_S * SECOND_US:
        raise _odd_step(step, path)
    missing = steps != step
    notes: tuple[Note, ...] = ()
    if missing.any():
        multiples = np.rint(steps / step).astype(np.int64)
        within = steps < NIGHT_BREAK_US  # another night has another first second
        off = np.flatnonzero(within & ((np.abs(steps - multiples * step) > ROUNDED_US) | (multiples < 1)))
        changing_only = changes.size >= 5 and bool(changes.all())
        unclear = declared_s is None and not shape_declared and (share < _SAME_STEP_SHARE or changing_only)
        if off.size or unclear:
            row = int(off[0]) if off.size else int(np.flatnonzero(missing)[0])
            later_row = int(first_row[row + 1])
            raise _varying_step(told(later_row), int(steps[row]), step, path, are_epochs=shape_declared)
        gaps = int(np.count_nonzero(within & (multiples > 1)))
        if gaps:
            epochs = int((multiples - 1)[within].sum())
            notes = (Note.of(NoteKind.EPOCHS_WITHOUT_ROW, epochs=epochs, gaps=gaps),)
    seconds = step / SECOND_US
    found = EpochLengthFrom.INFERRED if declared_s is None else EpochLengthFrom.LAYOUT
    return EpochStep(step, found, notes, coarse_grid_caution(seconds))


def _commonest(steps: Microseconds) -> tuple[int, float]:
    """Return the commonest step and its share; steps that jitter are rounded to seconds first."""
    low = int(steps.min())
    if low == int(steps.max()):
        return low, 1.0
    values, counts = np.unique(steps, return_counts=True)
    best = int(counts.argmax())
    if counts[best] * 2 <= steps.size:
        rounded = np.rint(steps / SECOND_US).astype(np.int64) * SECOND_US
        values, counts = np.unique(rounded, return_counts=True)
        best = int(counts.argmax())
    return int(values[best]), float(counts[best]) / steps.size


def coarse_grid_caution(epoch_s: float) -> tuple[Caution, ...]:
    """Return the warning for rows that are longer than an epoch of a reference, or nothing."""
    if epoch_s <= EPOCH_S:
        return ()
    return (Caution.of(CautionKind.LONG_STEP, seconds=epoch_s),)


def common_step_us(onset_us: Microseconds, end_us: Microseconds) -> int:
    """Return the longest step of which all beginnings and ends are multiples apart, in microseconds."""
    return int(np.gcd.reduce(np.concatenate((onset_us - onset_us[0], end_us - onset_us[0]))))


def _one_row(path: str) -> EpochGridError:
    problem, expected = "one row alone does not tell how long an epoch is", "two rows, or a declared length"
    remedy = for_layout(f"Give a layout ({Option.LAYOUT:FILE.toml}) with", "epoch_seconds", 30)
    return EpochGridError(problem, path, found="1 row with a time", expected=expected, remedy=remedy)


def _not_declared_step(step: int, declared_s: float, path: str) -> EpochGridError:
    problem = "the rows do not have the declared step"
    expected = f"{show_number(declared_s)} s ({for_page('epoch_seconds in the layout', 'as answered')})"
    remedy = for_page(
        "Correct 'epoch_seconds', or check that this is the file the layout was written for.",
        f"Correct {asked('epoch_seconds')}, or check that this is the right file.",
    )
    found = f"rows {show_number(step / SECOND_US)} s apart"
    return EpochGridError(problem, path, found=found, expected=expected, remedy=remedy)


def _odd_step(step: int, path: str) -> EpochGridError:
    problem = "the step between rows is no length of an epoch"
    remedy = (
        "If the column counts epochs rather than seconds, export their times; if each row lasts until the next, "
        + for_layout("say so in a layout", "shape", "intervals")
    )
    found = f"rows {show_number(step / SECOND_US)} s apart"
    return EpochGridError(problem, path, found=found, expected="1 s to 1 h", remedy=remedy)


def _varying_step(told: tuple[str, str], step: int, commonest: int, path: str, *, are_epochs: bool) -> EpochGridError:
    where, shown = told
    problem = "the step between rows varies"
    expected = f"{show_number(commonest / SECOND_US)} s, the commonest step, or a multiple of it where rows are missing"
    if are_epochs:
        say = for_page('say so in the layout: [file] shape = "intervals".', f"answer {asked('shape', 'intervals')}.")
        remedy = f"Correct the row. If each row lasts until the next one, {say}"
    else:
        say = for_page('say so in a layout: [file] shape = "epochs"; ', f"answer {asked('shape', 'epochs')}; ")
        remedy = f"Correct the row. If rows are epochs and some are missing, {say}"
        remedy += "if each row lasts until the next one, " + for_page('shape = "intervals".', "intervals.")
    found = f"{shown}, {show_number(step / SECOND_US)} s after the row before it"
    return EpochGridError(problem, path, where, found, expected, remedy)


# --- rows of any origin: ends and durations ----------------------------------------------------------------


def settle_inclusive_ends(
    onset_us: Microseconds, end_us: Microseconds, *, ends: Ends | None, path: str, listing: str
) -> tuple[Microseconds, tuple[Note, ...]]:
    """Return ends that are the first moment after each row, adding the unit where they are declared inclusive.

    Parameters
    ----------
    onset_us, end_us : int array, shape (n,)
        Microseconds.
    ends : Ends or None
        As declared.
    path, listing : str
        For messages.

    Returns
    -------
    tuple of (int array, tuple of Note)
        Ends, and a note where they were moved.

    Raises
    ------
    EpochGridError
        When nothing is declared and at least four fifths of the ends lie one unit before the next beginning.
    """
    if ends is Ends.EXCLUSIVE or (ends is None and onset_us.size < 4):
        return end_us, ()
    order = np.argsort(onset_us, kind="stable")  # rows may stand in any
    gaps = onset_us[order][1:] - end_us[order][:-1]
    if ends is None and not (gaps > 0).any():
        return end_us, ()
    unit = _unit_of_times(onset_us, end_us)
    shown = "1 min" if unit == 60 * SECOND_US else f"{show_number(unit / SECOND_US)} s"
    if ends is Ends.INCLUSIVE:
        return end_us + unit, (Note.of(NoteKind.ENDS_INCLUSIVE, unit_s=unit / SECOND_US),)
    if np.count_nonzero(gaps == unit) < 0.8 * gaps.size:
        return end_us, ()
    problem, expected = f"the ends lie {shown} before the next beginning", "to be told whether ends are inclusive"
    remedy = (
        for_page('Say in a layout: [file] ends = "inclusive"', f"Answer {asked('ends', 'inclusive')},")
        + " if an end is the last moment of its row, "
        + for_page('"exclusive" if ', "exclusive if ")
        + "the gaps are real."
    )
    found = f"{int(np.count_nonzero(gaps == unit))} of {gaps.size} rows with this gap"
    raise EpochGridError(problem, path, listing, found, expected, remedy)


def _unit_of_times(onset_us: Microseconds, end_us: Microseconds) -> int:
    for unit in (60 * SECOND_US, SECOND_US):
        if not (onset_us % unit).any() and not (end_us % unit).any():
            return unit
    return 1_000


def duration_ratio(onset_us: Microseconds, duration_s: NDArray[np.float64]) -> float | None:
    """Return the median of (step to the next row in time) / duration, or None where fewer than three rows tell it."""
    order = np.argsort(onset_us, kind="stable")
    steps, lengths_s = np.diff(onset_us[order]) / SECOND_US, duration_s[order][:-1]
    told = (steps > 0) & (lengths_s > 0)
    if np.count_nonzero(told) < 3:
        return None
    return float(np.median(steps[told] / lengths_s[told]))
