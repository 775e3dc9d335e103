"""How long rows last: the step between epochs, what all times are multiples of, inclusive ends, units of duration."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sleepagree.caution import Caution, CautionKind, Note, NoteKind
from sleepagree.errors import EpochGridError, Option, asked, for_page
from sleepagree.hypnogram.spans import NIGHT_BREAK_S, EpochLengthFrom
from sleepagree.readers.layout import Ends, for_layout
from sleepagree.readers.times.clock import SECOND_US, Microseconds, show_number

#: Times in files are rounded, to half a second at most.
_ROUNDED_US: Final = SECOND_US // 2
_COARSE_S: Final = 30.0


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


_SHORTEST_STEP_US: Final = SECOND_US
_LONGEST_STEP_US: Final = 3600 * SECOND_US
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
        differs = steps.size > 1 and abs(step - declared) > _ROUNDED_US
        if differs and (share > _SAME_STEP_SHARE or step < declared):
            raise _not_declared_step(step, declared_s, path)
        step = declared
    if not _SHORTEST_STEP_US <= step <= _LONGEST_STEP_US:
        raise _odd_step(step, path)
    missing = steps != step
    notes: tuple[Note, ...] = ()
    if missing.any():
        multiples = np.rint(steps / step).astype(np.int64)
        within = steps < NIGHT_BREAK_US  # another night has another first second
        off = np.flatnonzero(within & ((np.abs(steps - multiples * step) > _ROUNDED_US) | (multiples < 1)))
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
    if epoch_s <= _COARSE_S:
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


# --- ends and durations ----------------------------------------------------------------------------------


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
