"""A layout tells how to read a device's file: columns, times, zone, labels, and what the device can say."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum


class Shape(StrEnum):
    """What one row of a table stands for."""

    EPOCHS = "epochs"
    INTERVALS = "intervals"
    RUNS = "runs"


class Marks(StrEnum):
    """Which moment of its epoch the time of a row names."""

    START = "start"
    MIDDLE = "middle"
    END = "end"


class NightOf(StrEnum):
    """Which day a date beside a clock time names."""

    WAKE_DAY = "wake-day"
    BED_DAY = "bed-day"


class Overlaps(StrEnum):
    """What to do where rows overlap."""

    REFUSE = "refuse"
    SHORTER_WINS = "shorter-wins"
    LATER_WINS = "later-wins"


@dataclass(frozen=True)
class Layout:
    """How to read one kind of file; every field that is None is found by plain names or sniffed.

    Parameters
    ----------
    name : str
        File name of the layout, for messages.
    reports : tuple of str or None
        What the device can report, in stage words.
    epoch_seconds : float or None
        Length of an epoch.
    shape : Shape or None
        What a row stands for.
    start, end, duration, stage, date : str or None
        Names of columns.
    duration_unit : float or None
        Seconds in one unit of the duration column (1, 60 or 0.001).
    marks : Marks
        Which moment of an epoch a row's time names.
    time : str or None
        "iso", "unix-s", "unix-ms", "elapsed-s" or a strptime text.
    night_of : NightOf or None
        Meaning of a date beside times that cross midnight, or of times without dates.
    begins : datetime or None
        Clock time of elapsed second 0, for files that hold elapsed time only.
    zone : str or None
        IANA name of the zone of naive times.
    overlaps : Overlaps
        What to do where rows overlap.
    delimiter, encoding : str or None
        Of the table.
    stages : dict of str to str
        Label -> stage word, "unscored" or "not-a-stage".
    """

    name: str = ""
    reports: tuple[str, ...] | None = None
    epoch_seconds: float | None = None
    shape: Shape | None = None
    start: str | None = None
    end: str | None = None
    duration: str | None = None
    stage: str | None = None
    date: str | None = None
    duration_unit: float | None = None
    marks: Marks = Marks.START
    time: str | None = None
    night_of: NightOf | None = None
    begins: datetime | None = None
    zone: str | None = None
    overlaps: Overlaps = Overlaps.REFUSE
    delimiter: str | None = None
    encoding: str | None = None
    stages: dict[str, str] = field(default_factory=dict)
