"""What readers return: scored spans with native labels and times, nothing mapped and nothing rounded."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, fields, replace
from datetime import datetime
from enum import StrEnum
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from sleepagree.caution import Caution, Note
from sleepagree.errors import EpochGridError
from sleepagree.mapping.words import refuse_many_labels
from sleepagree.shown import Brief

Seconds = NDArray[np.float64]
LabelCodes = NDArray[np.int16]
Counts = NDArray[np.int64]

EPOCH_S: Final = 30.0
#: Silence of a source after which it is another night to it.
NIGHT_BREAK_S: Final = 3 * 3600.0
GAP: Final = -1


class EpochLengthFrom(StrEnum):
    """How a reader came to know the length of an epoch."""

    FILE = "file"
    LAYOUT = "layout"
    INFERRED = "inferred"
    UNKNOWN = ""


@dataclass(frozen=True)
class Origin:
    """Where spans came from; carried into messages and reports.

    Parameters
    ----------
    name : str
        File name without its folder, or a word for data that came from memory. Holds no patient field.
    reader : str
        The reader that read it ("edf", "table", ...).
    sha256 : str
        Hash of the file's bytes, or "". EDF: the patient and recording fields are masked before hashing.
    """

    name: str = ""
    reader: str = ""
    sha256: str = ""


def frozen_array(values: Any, dtype: Any) -> NDArray[Any]:
    """Return a write-protected array of ``values``: a copy, unless it is one that nobody can write to."""
    if isinstance(values, np.ndarray) and values.dtype == dtype and not values.flags.writeable and values.base is None:
        return values
    array = np.array(values, dtype=dtype)
    array.flags.writeable = False
    return array


def label_of_our_own(text: str, labels: Sequence[str]) -> str:
    """Return a label that is none of a device's, which may use our very words: a table of an earlier run does."""
    while text in labels:
        text += "*"
    return text


class Frozen:
    """A dataclass whose arrays nobody can write to, here or in another process."""

    __slots__ = ()

    def _freeze(self, **dtypes: Any) -> None:
        """Put write-protected arrays of the given types into the fields of these names."""
        for name, dtype in dtypes.items():
            object.__setattr__(self, name, frozen_array(getattr(self, name), dtype))

    def __reduce__(self) -> tuple[Any, ...]:
        # a plain pickle would bring the arrays back writable
        return (type(self), tuple(getattr(self, f.name) for f in fields(self)))  # type: ignore[arg-type]


@dataclass(frozen=True, eq=False, repr=False)
class ScoredSpans(Brief, Frozen):
    """Spans of one recording in file order of time, with native labels.

    Parameters
    ----------
    onset_s, duration_s : float array, shape (n_spans,)
        Seconds after ``start``; sorted by onset, no two spans overlap, every duration is positive.
    codes : int array, shape (n_spans,)
        Position of each span's label in ``labels``.
    labels : tuple of str
        Distinct native label texts.
    stages : tuple of str
        Stage of each label (see :mod:`sleepagree.mapping.words`); "unscored" where the label names no stage.
    start : datetime or None
        Instant that onset 0 stands for: aware, naive local clock, or None when the file tells no clock.
    wall_clock : bool
        Whether onsets are differences of clock readings (a table of local times) rather than elapsed
        seconds; they differ across a change of the clock once a zone is known.
    lights_off_s, lights_on_s : float or None
        Marks, seconds after ``start``.
    epoch_s : float or None
        The source's own epoch length where it has one.
    epoch_from : EpochLengthFrom
        How that length is known.
    reports : tuple of str or None
        What the source declares to be able to report (layout), else None.
    ignored : tuple of (str, int)
        Texts that are no stages (other annotations) and how often each stood there.
    notes, cautions : tuple of Note, tuple of Caution
        What the reader did, and what it warns of.
    origin : Origin
        Where it came from.
    scored_part_s : (float, float) or None
        Where the part that was scored begins and ends, in seconds after ``start``, where labels do not tell: scorers
        may have given an epoch stages without agreeing on one. None: from the first to the last stage.
    counted : (int, int) or None
        Number of the first epoch and how many there are, gaps included, where epochs are counted and not timed.

    Examples
    --------
    >>> from sleepagree import read_hypnogram
    >>> spans = read_hypnogram(["W", "N2", "N2", "R"])
    >>> spans.onset_s.tolist(), spans.duration_s.tolist(), [spans.stages[code] for code in spans.codes]
    ([0.0, 30.0, 90.0], [30.0, 60.0, 30.0], ['W', 'N2', 'R'])
    """

    onset_s: Seconds
    duration_s: Seconds
    codes: LabelCodes
    labels: tuple[str, ...]
    stages: tuple[str, ...]
    start: datetime | None = None
    wall_clock: bool = False
    lights_off_s: float | None = None
    lights_on_s: float | None = None
    epoch_s: float | None = None
    epoch_from: EpochLengthFrom = EpochLengthFrom.UNKNOWN
    reports: tuple[str, ...] | None = None
    ignored: tuple[tuple[str, int], ...] = ()
    notes: tuple[Note, ...] = ()
    cautions: tuple[Caution, ...] = ()
    origin: Origin = field(default_factory=Origin)
    scored_part_s: tuple[float, float] | None = None
    counted: tuple[int, int] | None = None

    def __post_init__(self) -> None:
        refuse_many_labels(len(self.labels), self.origin.name)
        self._freeze(onset_s=np.float64, duration_s=np.float64, codes=np.int16)
        onset, duration = self.onset_s, self.duration_s
        if not onset.shape == duration.shape == self.codes.shape or onset.ndim != 1:
            raise ValueError("onset_s, duration_s and codes must be one-dimensional and of one length")
        if len(self.labels) != len(self.stages):
            raise ValueError("labels and stages must have one length")
        if onset.size and not self._is_in_order():
            raise EpochGridError(self._fault(), self.origin.name)

    def _is_in_order(self) -> bool:
        """Whether every span lasts some time and none begins before the one before it ends."""
        onset, duration = self.onset_s, self.duration_s
        end = onset + duration
        # A comparison with nan is false, and nothing can follow an endless span, so only the two ends are left to
        # be looked at. 1 ms of slack: times in files are decimal, their differences are not exact in binary.
        return bool(
            np.minimum.reduce(duration) > 0
            and np.logical_and.reduce(onset[1:] >= end[:-1] - 1e-3)
            and -math.inf < onset[0]
            and end[-1] < math.inf
        )

    def _fault(self) -> str:
        if not (np.isfinite(self.onset_s).all() and np.isfinite(self.duration_s).all()):
            return "a time is missing or no finite number"
        if not (self.duration_s > 0).all():
            return "a span ends before it starts or lasts no time"
        return "spans overlap or are not in order of time"

    @property
    def end_s(self) -> float:
        """Seconds after ``start`` at which the last span ends; 0 without spans."""
        return float(self.onset_s[-1] + self.duration_s[-1]) if self.onset_s.size else 0.0

    @property
    def nights_s(self) -> Seconds:
        """Where each night of the file begins and ends, shape (n_nights, 2); ``NIGHT_BREAK_S`` of silence part two."""
        ends_s = self.onset_s + self.duration_s
        breaks = np.flatnonzero(self.onset_s[1:] - ends_s[:-1] >= NIGHT_BREAK_S)
        begins, ends = np.append(0, breaks + 1), np.append(breaks, self.onset_s.size - 1)
        return np.column_stack((self.onset_s[begins], ends_s[ends]))

    def with_changes(self, **changes: Any) -> ScoredSpans:
        """Return a copy with some fields replaced."""
        return replace(self, **changes)
