"""Sleep measures of one side of a night, over the window, from epochs scored on both sides.

Definitions follow the parameters that the AASM manual asks to be reported: total sleep time is every epoch
of N1, N2, N3 or R; sleep latency runs to the first epoch of any sleep; wake after sleep onset includes the
wake after the final awakening. Here WASO counts scored wake epochs from sleep onset to the end of the window,
so that an epoch without a stage is never taken as wake.

References
----------
.. [1] Iber C, Ancoli-Israel S, Chesson A, Quan SF. The AASM Manual for the Scoring of Sleep and Associated
   Events. American Academy of Sleep Medicine, 2007.
.. [2] A second published set of definitions with latencies counted from lights out: BMC Psychology 2016;4:3,
   Table 1. Here REM and deep latency count from sleep onset.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass
from typing import Final, NamedTuple

from sleepagree.inference.estimate import NAN
from sleepagree.mapping.mapping import StageMapping
from sleepagree.mapping.words import speak

#: What an epoch is, as one byte: one of the first three; sleep with the bit of REM or of N3.
WAKE, SLEEP, SILENT, REM_BIT, DEEP_BIT = 0, 1, 2, 4, 8

_WAKE_BYTE, _SLEEP_BYTE, _SILENT_BYTE = bytes([WAKE]), bytes([SLEEP]), bytes([SILENT])
_REM_BYTE, _DEEP_BYTE = bytes([SLEEP | REM_BIT]), bytes([SLEEP | DEEP_BIT])
_SLEEP_OF_KIND = bytes(kind & 3 for kind in range(256))


def say_measure(name: str, mapping: StageMapping | None = None) -> str:
    """Return a measure's name with its class as people read it, the other spelling in which it may be asked for.

    Parameters
    ----------
    name : str
        The measure.
    mapping : StageMapping, optional
        Names the class for what it holds.

    Examples
    --------
    >>> from sleepagree.mapping.mapping import mapping_named
    >>> say_measure("minutes rem"), say_measure("TST"), say_measure("minutes light", mapping_named("rem-as-light"))
    ('minutes REM', 'TST', 'minutes light+REM')
    """
    head, _, tail = name.partition(" ")
    say = speak if mapping is None else mapping.speak
    return f"{head} {say(tail)}" if head in ("minutes", "percent") else name


@dataclass(frozen=True)
class SleepMeasures:
    """Measures of one side; minutes unless said; nan where undefined.

    Parameters
    ----------
    tib_min : float
        Time in bed: the window.
    tst_min : float
        Total sleep time.
    sol_min : float
        From the window's start to the first sleep epoch; nan without sleep.
    waso_min : float
        Wake from sleep onset to the window's end; nan without sleep.
    se_percent : float
        Sleep efficiency, 100 TST / TIB.
    awakenings : float
        Wake runs after sleep onset that sleep follows; nan without sleep.
    rem_latency_min, deep_latency_min : float
        From sleep onset to the first epoch of REM or N3; nan without one.
    """

    tib_min: float
    tst_min: float
    sol_min: float
    waso_min: float
    se_percent: float
    awakenings: float
    rem_latency_min: float
    deep_latency_min: float


def measure_kinds(kinds: bytes, *, reports_rem: bool, reports_deep: bool, epoch_min: float = 0.5) -> SleepMeasures:
    """Return the measures of one side from one byte for each epoch.

    Parameters
    ----------
    kinds : bytes, length n_epochs
        ``WAKE``, ``SLEEP`` or ``SILENT`` (no stage) for every epoch of the window, ``REM_BIT`` or ``DEEP_BIT`` added to
        ``SLEEP``.
    reports_rem, reports_deep : bool
        Whether this side can report that stage.
    epoch_min : float
        Length of an epoch in minutes.

    Examples
    --------
    >>> night = bytes([0, 0, 1, 1, 1, 0, 1, 1, 1, 1, 0, 0])
    >>> m = measure_kinds(night, reports_rem=False, reports_deep=False)
    >>> m.tst_min, m.sol_min, m.waso_min, m.awakenings
    (3.5, 1.0, 1.5, 1.0)
    """
    # searched as bytes: a night is a thousand epochs, and each array operation costs more than the search
    tib = len(kinds) * epoch_min
    sleep = kinds.translate(_SLEEP_OF_KIND)
    onset = sleep.find(_SLEEP_BYTE)
    if onset < 0:
        efficiency = 0.0 if tib else NAN
        return SleepMeasures(tib, 0.0, NAN, NAN, efficiency, NAN, NAN, NAN)
    tst = sleep.count(_SLEEP_BYTE) * epoch_min
    # wake and then sleep is an awakening; epochs without a stage between the two do not matter
    awakenings = sleep[onset:].translate(None, _SILENT_BYTE).count(_WAKE_BYTE + _SLEEP_BYTE)
    return SleepMeasures(
        tib,
        tst,
        onset * epoch_min,
        sleep.count(_WAKE_BYTE, onset) * epoch_min,
        100.0 * tst / tib,
        float(awakenings),
        _latency(kinds.find(_REM_BYTE) if reports_rem else -1, onset, epoch_min),
        _latency(kinds.find(_DEEP_BYTE) if reports_deep else -1, onset, epoch_min),
    )


def _latency(first: int, onset: int, epoch_min: float) -> float:
    return NAN if first < 0 else (first - onset) * epoch_min


class MeasurePair(NamedTuple):
    """One measure on both sides.

    Parameters
    ----------
    measure, unit : str
        Name as it stands in tables, and unit.
    reference, device : float
        Values, nan where undefined.
    undefined_because : str
        Why a side has none, else "".
    """

    measure: str
    unit: str
    reference: float
    device: float
    undefined_because: str = ""

    @property
    def difference(self) -> float:
        """Device minus reference; nan where a side has no value."""
        return self.device - self.reference


#: Latencies that count from each side's own sleep onset.
FROM_ONSET: Final = ("REM latency", "deep latency")
LATENCIES: Final = ("SOL", *FROM_ONSET)


def difference_from_start(onset: MeasurePair, latency: MeasurePair) -> float:
    """Return what a latency from sleep onset differs by when it is counted from the window's start, in minutes.

    Parameters
    ----------
    onset, latency : MeasurePair
        SOL, and the latency from sleep onset.
    """
    return onset.difference + latency.difference


_FIXED = (
    ("TIB", "min", "tib_min"),
    ("TST", "min", "tst_min"),
    ("SOL", "min", "sol_min"),
    ("WASO", "min", "waso_min"),
    ("SE", "%", "se_percent"),
    ("awakenings", "count", "awakenings"),
    ("REM latency", "min", "rem_latency_min"),
    ("deep latency", "min", "deep_latency_min"),
)


def pair_measures(
    reference: SleepMeasures,
    device: SleepMeasures,
    *,
    class_minutes: tuple[tuple[str, float, float], ...],
    general_min: tuple[float, float] = (0.0, 0.0),
    not_reported: tuple[str, ...] = (),
    of_wake: Collection[str] = (),
) -> tuple[MeasurePair, ...]:
    """Return all measures of both sides in the order of tables.

    Parameters
    ----------
    reference, device : SleepMeasures
        The two sides; of one whose labels do not tell sleep from wake all but the time in bed is nan.
    class_minutes : tuple of (class, reference minutes, device minutes)
        Minutes of each class under the first mapping; nan where the device cannot report the class.
    general_min : tuple of (float, float)
        Minutes asleep, by reference and by device, that are no part of what classes were counted in; no percentage is
        of them.
    not_reported : tuple of str
        Names of the measures that the device cannot give.
    of_wake : collection of str
        Classes that hold wake, which are no part of sleep.
    """
    pairs = []
    mixed = [side for side, one in (("reference", reference), ("device", device)) if math.isnan(one.tst_min)]
    which = "either side" if len(mixed) == 2 else f"the {'/'.join(mixed)}"
    untold = f"it is not known which labels of {which} are sleep" if mixed else ""
    for name, unit, attribute in _FIXED:
        values = getattr(reference, attribute), getattr(device, attribute)
        why = untold if name != "TIB" else ""
        pairs.append(MeasurePair(name, unit, *values, why or _reason(name, values, not_reported)))
    for name, *minutes in class_minutes:
        values = (minutes[0], minutes[1])
        why = _reason(f"minutes {name}", values, ("minutes " + name,))
        pairs.append(MeasurePair(f"minutes {name}", "min", *values, why))
    for name, *minutes in class_minutes:
        if name in of_wake:
            continue
        shares = (
            _percent(minutes[0], reference.tst_min - general_min[0]),
            _percent(minutes[1], device.tst_min - general_min[1]),
        )
        why = _reason(f"percent {name}", shares, ("percent " + name,) if math.isnan(minutes[1]) else ())
        pairs.append(MeasurePair(f"percent {name}", "% of TST", *shares, untold or why))
    return tuple(pairs)


def _percent(minutes: float, tst_min: float) -> float:
    return 100.0 * minutes / tst_min if tst_min > 0 else NAN


def _reason(name: str, values: tuple[float, float], not_reported: tuple[str, ...]) -> str:
    missing = [side for side, value in zip(("reference", "device"), values, strict=True) if math.isnan(value)]
    if not missing:
        return ""
    if name in not_reported and "device" in missing:
        return "the device has no label for it"
    what = "sleep" if name in ("SOL", "WASO", "awakenings") or name.startswith("percent ") else "such epoch"
    return f"no {what} on " + ("either side" if len(missing) == 2 else f"the {missing[0]} side")
