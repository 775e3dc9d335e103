"""Invented nights: a seeded simulator of hypnograms and of devices that watch them.

Nothing here describes a real person, a real device or measured data. The values are made up so that a night
looks like a night (deep sleep early, REM late, short wakes with a heavy tail) and a device errs like a device
(errors come in runs, some people and some nights fit it badly). What makes the simulator useful is that the
truth is known: where REM goes, how many nights a participant has.

How a device errs
-----------------
Every epoch has a latent value, standard normal over the population, made of a part of the participant, a part
of the night and a part that stays constant through a run of epochs:

    ``z = sqrt(p) * participant + sqrt(n) * night + sqrt(1 - p - n) * run``

A row of shares (what the device says while the reference says N2, say) is cut out of the normal distribution,
and ``z`` falls into one of its pieces. The shares therefore hold exactly in expectation, whatever the length
of the runs and however much participants differ. REM has a latent value of its own, drawn anew at the start
of every REM bout, so that most bouts go to one class as a whole.

Only uniform numbers are drawn from the generator, and everything else is made from them here: those are the
numbers whose stream has stayed the same over the releases of numpy.

References
----------
.. [1] Lo C-C, Amaral LAN, Havlin S, Ivanov PCh, Penzel T, Peter J-H, Stanley HE. Dynamics of sleep-wake
   transitions during sleep. Europhys Lett 2002;57:625-631 (wakes within sleep have a power-law tail; the
   shape is taken from there, the figures are invented).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sleepagree.hypnogram.spans import EPOCH_S, GAP, Frozen, frozen_array
from sleepagree.mapping.words import AASM_STAGES

StageCodes = NDArray[np.int8]
Positions = NDArray[np.int64]
Reals = NDArray[np.float64]

_W, _N1, _N2, _N3, _R = range(5)
_LIGHT_PART, _DEEP_PART, _REM_PART = range(3)
_CYCLES: Final = 7
_QUANTILES: Final = 1024
_EPOCHS_PER_MIN: Final = 60.0 / EPOCH_S


@dataclass(frozen=True, slots=True)
class SleeperTraits:
    """How an invented person sleeps.

    All values are invented. Standard deviations are on a logarithmic scale unless the unit says otherwise;
    "between" varies from participant to participant, "within" from night to night of one participant.

    Parameters
    ----------
    hours, hours_between_sd, hours_within_sd : float
        Hours from lights off to lights on; kept within ``hours_range``.
    hours_range : (float, float)
        Shortest and longest night, hours.
    latency_min, latency_sd : float
        Median minutes of wake before sleep, and its spread.
    final_wake_min, final_wake_sd : float
        Median minutes of wake before lights on, and its spread.
    cycle_min, cycle_sd_min : float
        Length of a cycle of non-REM and REM sleep, minutes.
    deep_by_cycle_min, rem_by_cycle_min : tuple of float
        Minutes of each cycle in which deep sleep or REM prevails: deep early, REM late. The last value holds
        for all further cycles.
    between_sd, within_sd : float
        Spread of the amounts of deep sleep and REM.
    wake_between_sd, wake_within_sd : float
        Spread of how easily the person wakes.
    wake_shares : tuple of float
        Share of N1, N2, N3 and R bouts that end in wake.
    wake_tail : float
        Exponent of the power law of wake lengths (smaller = heavier tail).
    wake_longest_min : float
        No wake within sleep lasts longer than this, minutes.
    n1_mean_epochs : float
        Mean length of an N1 bout (geometric).
    bout_median_epochs, bout_sd : tuple of float
        Median length of N2, N3 and R bouts and the spread (lognormal).
    """

    hours: float = 7.75
    hours_between_sd: float = 0.25
    hours_within_sd: float = 0.30
    hours_range: tuple[float, float] = (7.0, 8.5)
    latency_min: float = 13.0
    latency_sd: float = 0.55
    final_wake_min: float = 6.0
    final_wake_sd: float = 0.6
    cycle_min: float = 94.0
    cycle_sd_min: float = 10.0
    deep_by_cycle_min: tuple[float, ...] = (46.0, 36.0, 20.0, 9.0, 4.0)
    rem_by_cycle_min: tuple[float, ...] = (12.0, 22.0, 28.0, 33.0, 35.0)
    between_sd: float = 0.20
    within_sd: float = 0.15
    wake_between_sd: float = 0.30
    wake_within_sd: float = 0.25
    wake_shares: tuple[float, float, float, float] = (0.22, 0.30, 0.10, 0.30)
    wake_tail: float = 1.25
    wake_longest_min: float = 40.0
    n1_mean_epochs: float = 2.4
    bout_median_epochs: tuple[float, float, float] = (8.0, 13.0, 14.0)
    bout_sd: tuple[float, float, float] = (0.8, 0.9, 0.8)


@dataclass(frozen=True, slots=True)
class DeviceTraits:
    """How an invented device, or a second scorer, sees a night.

    All values of the traits that this module ships are invented.

    Parameters
    ----------
    name : str
        Name of the device.
    labels : tuple of str
        Stages the device can say, in the words of :mod:`sleepagree.mapping.words`; position = code in its arrays.
    shares : tuple of four tuples of float
        For reference W, N1, N2 and N3 (rows), the share of epochs that the device calls each label. Each row
        adds up to 1. Runs are cut out of a row from left to right, so the order of ``labels`` tells which
        labels change places when a participant fits the device badly.
    rem_shares : tuple of float
        The same for reference REM. For a device without REM these are the known shares of its destinations.
    run_epochs : float
        Mean length of a run of constant error (geometric), epochs of 30 s.
    rem_run_epochs : float
        Mean length of a run within a REM bout; each bout starts a new one.
    participant_share, night_share : float
        Parts of the variance of the latent value that belong to the participant and to the night.
    moved_share : float
        Share of stage changes that the device sees too early or too late, equally often.
    moved_mean_epochs : float
        Mean distance of those (geometric, at least one epoch).
    epoch_s : float
        The device's own epoch, a multiple of 30 s; it says what most of its epoch was, ties at random.

    Notes
    -----
    Changes into and out of REM are moved only for a device that can say REM. For one that cannot, the
    expected share of REM epochs that goes to each label is therefore exactly ``rem_shares``, as long as its
    epoch is 30 s.
    """

    name: str
    labels: tuple[str, ...]
    shares: tuple[tuple[float, ...], ...]
    rem_shares: tuple[float, ...]
    run_epochs: float = 6.0
    rem_run_epochs: float = 40.0
    participant_share: float = 0.04
    night_share: float = 0.03
    moved_share: float = 0.25
    moved_mean_epochs: float = 2.5
    epoch_s: float = EPOCH_S

    def __post_init__(self) -> None:
        if len(self.shares) != 4:
            raise ValueError(f"shares must hold four rows (W, N1, N2, N3), got {len(self.shares)}")
        labels = len(self.labels)
        for stage, row in zip(AASM_STAGES, (*self.shares, self.rem_shares), strict=True):
            if len(row) != labels or any(share < 0 for share in row) or abs(sum(row) - 1.0) > 1e-9:
                raise ValueError(f"the shares of {stage} must hold {labels} shares that add up to 1, got {tuple(row)}")
        held = self.participant_share + self.night_share
        if not 0 <= held < 1:
            raise ValueError(f"participant_share + night_share must lie in [0, 1), got {held}")
        if self.epoch_s <= 0 or self.epoch_s % EPOCH_S:
            raise ValueError(f"epoch_s must be a positive multiple of {EPOCH_S:g} s, got {self.epoch_s}")
        if min(self.run_epochs, self.rem_run_epochs, self.moved_mean_epochs) < 1:
            raise ValueError("mean lengths of runs and moves must be at least one epoch")

    @property
    def reports_rem(self) -> bool:
        """Whether the device can say REM."""
        return "R" in self.labels


#: The invented band: no REM; most of its surplus of deep sleep is REM, the rest light sleep.
BAND_A: Final = DeviceTraits(
    name="band A",
    labels=("W", "light", "N3"),
    shares=((0.70, 0.28, 0.02), (0.12, 0.83, 0.05), (0.02, 0.84, 0.14), (0.00, 0.22, 0.78)),
    rem_shares=(0.05, 0.42, 0.53),
)

#: The invented pad: all four classes, in epochs of one minute.
PAD_B: Final = DeviceTraits(
    name="pad B",
    labels=("W", "light", "N3", "R"),
    shares=((0.74, 0.22, 0.00, 0.04), (0.14, 0.70, 0.01, 0.15), (0.02, 0.83, 0.08, 0.07), (0.00, 0.21, 0.79, 0.00)),
    rem_shares=(0.03, 0.17, 0.01, 0.79),
    rem_run_epochs=10.0,
    epoch_s=60.0,
)

#: An invented second scorer of the reference.
SECOND_SCORER: Final = DeviceTraits(
    name="second scorer",
    labels=AASM_STAGES,
    shares=(
        (0.93, 0.05, 0.02, 0.00, 0.00),
        (0.10, 0.66, 0.20, 0.00, 0.04),
        (0.01, 0.04, 0.90, 0.04, 0.01),
        (0.00, 0.00, 0.14, 0.86, 0.00),
    ),
    rem_shares=(0.01, 0.03, 0.03, 0.00, 0.93),
    run_epochs=6.0,
    rem_run_epochs=12.0,
    moved_share=0.25,
    moved_mean_epochs=1.5,
)


@dataclass(frozen=True, slots=True, eq=False)
class SimulatedStudy(Frozen):
    """Nights of a simulated study, one row per night; write-protected.

    Parameters
    ----------
    reference : int8 array, shape (n_nights, n_epochs)
        Codes of ``AASM_STAGES``; ``GAP`` (-1) after the end of a night. Lights off = first epoch, lights on =
        end of the night.
    devices : tuple of int8 arrays, shape (n_nights, n_epochs)
        Codes of each device's ``labels``; ``GAP`` where it says nothing.
    epochs : int array, shape (n_nights,)
        Length of each night in epochs of 30 s.
    participant, night : int array, shape (n_nights,)
        Numbers from 0.
    """

    reference: StageCodes
    devices: tuple[StageCodes, ...]
    epochs: Positions
    participant: Positions
    night: Positions

    def __post_init__(self) -> None:
        self._freeze(reference=np.int8, epochs=np.int64, participant=np.int64, night=np.int64)
        object.__setattr__(self, "devices", tuple(frozen_array(codes, np.int8) for codes in self.devices))
        nights = self.reference.shape[0]
        if any(codes.shape != self.reference.shape for codes in self.devices):
            raise ValueError("every device array must have the shape of the reference array")
        if not self.epochs.shape == self.participant.shape == self.night.shape == (nights,):
            raise ValueError("epochs, participant and night must hold one value per night")


# --- random numbers ---------------------------------------------------------------------------------------


def generator(seed: int) -> np.random.Generator:
    """Return the generator that this package's simulations are seeded with.

    The bit generator is named, so that a later numpy with another default gives the same nights.
    """
    return np.random.Generator(np.random.PCG64(seed))


def _normals(rng: np.random.Generator, count: int) -> Reals:
    """Return ``count`` standard normal numbers, from uniform ones by Box and Muller's transform."""
    half = (count + 1) // 2
    radius = np.sqrt(-2.0 * np.log1p(-rng.random(half)))
    angle = 2.0 * np.pi * rng.random(half)
    return np.concatenate((radius * np.cos(angle), radius * np.sin(angle)))[:count]


def _geometric(rng: np.random.Generator, count: int, mean: float, *, least: int) -> Positions:
    """Return ``count`` geometric whole numbers from ``least`` with the given mean."""
    stop = 1.0 / (mean - least + 1.0)
    if stop >= 1.0:
        return np.full(count, least, np.int64)
    beyond: Positions = np.floor(np.log1p(-rng.random(count)) / np.log1p(-stop)).astype(np.int64)
    return least + beyond


def _standard_normal_quantiles(probabilities: Sequence[float]) -> Reals:
    from statistics import NormalDist

    inverse = NormalDist().inv_cdf
    return np.array([-np.inf if p < 1e-12 else np.inf if p > 1 - 1e-12 else inverse(p) for p in probabilities])


# --- hypnograms -------------------------------------------------------------------------------------------

# Which stage follows which while light sleep, deep sleep or REM prevails (blocks), when the sleeper does not wake.
# Rows: W, N1, N2, N3, R; columns: N1, N2, N3, R. Invented.
_NEXT: Final = (
    ((0.55, 0.45, 0, 0), (0, 1, 0, 0), (0.85, 0, 0.15, 0), (0.05, 0.95, 0, 0), (0.3, 0.7, 0, 0)),
    ((0.50, 0.50, 0, 0), (0, 1, 0, 0), (0.06, 0, 0.94, 0), (0.05, 0.95, 0, 0), (0.3, 0.7, 0, 0)),
    ((0.40, 0.15, 0, 0.45), (0, 0.3, 0, 0.7), (0.15, 0, 0, 0.85), (0.05, 0.95, 0, 0), (0.7, 0.3, 0, 0)),
)  # fmt: skip


def _bout_lengths(sleeper: SleeperTraits) -> Reals:
    """Return quantiles of the bout lengths, shape (5 stages, quantiles), in epochs and not yet rounded."""
    p = (np.arange(_QUANTILES) + 0.5) / _QUANTILES
    z = _standard_normal_quantiles(p.tolist())
    table = np.empty((5, _QUANTILES))
    longest = sleeper.wake_longest_min * _EPOCHS_PER_MIN
    table[_W] = np.minimum((1.0 - p) ** (-1.0 / sleeper.wake_tail), longest)
    table[_N1] = 1.0 + np.floor(np.log1p(-p) / np.log1p(-1.0 / sleeper.n1_mean_epochs))
    for row, median, spread in zip((_N2, _N3, _R), sleeper.bout_median_epochs, sleeper.bout_sd, strict=True):
        table[row] = median * np.exp(spread * z)
    return table


def _by_participant(rng: np.random.Generator, participant: Positions, between_sd: float, within_sd: float) -> Reals:
    """Return one deviation per night: its participant's plus its own, normal with mean 0."""
    of_people = _normals(rng, int(participant.max()) + 1)
    own = _normals(rng, participant.size)
    return between_sd * of_people[participant] + within_sd * own


def _night_plan(
    rng: np.random.Generator, sleeper: SleeperTraits, participant: Positions
) -> tuple[Positions, Positions, Positions, Reals, NDArray[np.int8]]:
    """Return length, latency and final wake in epochs, wakefulness, and the prevailing part per epoch."""
    nights = participant.size
    hours = sleeper.hours + _by_participant(rng, participant, sleeper.hours_between_sd, sleeper.hours_within_sd)
    length = np.rint(np.clip(hours, *sleeper.hours_range) * 3600.0 / EPOCH_S).astype(np.int64)
    latency = sleeper.latency_min * np.exp(sleeper.latency_sd * _normals(rng, nights))
    final = sleeper.final_wake_min * np.exp(sleeper.final_wake_sd * _normals(rng, nights))
    latency_epochs = np.clip(np.rint(latency * _EPOCHS_PER_MIN), 2, 120).astype(np.int64)
    final_epochs = np.clip(np.rint(final * _EPOCHS_PER_MIN), 1, 80).astype(np.int64)
    deep_scale = np.exp(_by_participant(rng, participant, sleeper.between_sd, sleeper.within_sd))
    rem_scale = np.exp(_by_participant(rng, participant, sleeper.between_sd, sleeper.within_sd))
    wakefulness = np.exp(_by_participant(rng, participant, sleeper.wake_between_sd, sleeper.wake_within_sd))

    def by_cycle(minutes: tuple[float, ...]) -> Reals:
        return np.array([*minutes, *[minutes[-1]] * _CYCLES][:_CYCLES])

    shape = (nights, _CYCLES)
    cycle = sleeper.cycle_min + sleeper.cycle_sd_min * _normals(rng, nights * _CYCLES).reshape(shape)
    cycle = np.clip(cycle, 0.6 * sleeper.cycle_min, 1.4 * sleeper.cycle_min)
    deep = by_cycle(sleeper.deep_by_cycle_min) * deep_scale[:, None] * (0.7 + 0.6 * rng.random(shape))
    rem = by_cycle(sleeper.rem_by_cycle_min) * rem_scale[:, None] * (0.7 + 0.6 * rng.random(shape))
    squeeze = np.minimum(1.0, 0.8 * cycle / (deep + rem))
    deep, rem = deep * squeeze, rem * squeeze
    light = cycle - deep - rem
    before = light * (0.2 + 0.3 * rng.random(shape))
    parts_min = np.stack((before, deep, light - before, rem), axis=2).reshape(nights, -1)
    total = int(length.max())
    ends = np.rint(np.cumsum(parts_min, axis=1) * _EPOCHS_PER_MIN).astype(np.int64) + latency_epochs[:, None]
    ends = np.minimum(ends, total)
    ends[:, -1] = total
    # the first part also covers the latency, during which nothing is drawn
    part_lengths = np.diff(ends, axis=1, prepend=0)
    kinds = np.tile(np.array([_LIGHT_PART, _DEEP_PART, _LIGHT_PART, _REM_PART], np.int8), _CYCLES)
    prevailing = np.repeat(np.tile(kinds, nights), part_lengths.ravel()).reshape(nights, total)
    return length, latency_epochs, final_epochs, wakefulness, prevailing


def simulate_hypnograms(
    participant: Sequence[int] | Positions, *, rng: np.random.Generator, sleeper: SleeperTraits | None = None
) -> tuple[StageCodes, Positions]:
    """Return one simulated hypnogram per entry of ``participant``.

    Parameters
    ----------
    participant : sequence of int, shape (n_nights,)
        Number of the participant that each night belongs to; nights of one participant resemble each other.
    rng : numpy Generator
        Source of randomness, see :func:`generator`.
    sleeper : SleeperTraits, optional
        How the people sleep.

    Returns
    -------
    stages : int8 array, shape (n_nights, longest night)
        Codes of ``AASM_STAGES`` by epochs of 30 s from lights off; ``GAP`` after the end of the night.
    epochs : int array, shape (n_nights,)
        Length of each night, epochs.

    Examples
    --------
    >>> stages, epochs = simulate_hypnograms([0, 0, 1], rng=generator(1))
    >>> stages.shape[0], bool((epochs >= 840).all()), int(stages[0, 0])
    (3, True, 0)
    """
    sleeper = sleeper or SleeperTraits()
    people = np.asarray(participant, dtype=np.int64)
    if people.ndim != 1 or people.size == 0 or people.min() < 0:
        raise ValueError("participant must be a sequence of whole numbers from 0, one per night")
    length, latency, final, wakefulness, prevailing = _night_plan(rng, sleeper, people)
    starts, stages = _draw_bouts(rng, sleeper, wakefulness, prevailing, latency, length - final)
    total = prevailing.shape[1]
    bout_lengths = np.diff(np.minimum(starts, total), axis=1, append=total)
    codes = np.repeat(stages.ravel(), bout_lengths.ravel()).reshape(people.size, total)
    epoch = np.arange(total)
    codes[epoch >= (length - final)[:, None]] = _W
    codes[epoch >= length[:, None]] = GAP
    return codes, length


def _draw_bouts(
    rng: np.random.Generator,
    sleeper: SleeperTraits,
    wakefulness: Reals,
    prevailing: NDArray[np.int8],
    latency: Positions,
    until: Positions,
) -> tuple[Positions, StageCodes]:
    """Return starts (first column 0) and stages of the bouts of all nights, one bout of each at a time."""
    nights, total = prevailing.shape
    lengths = _bout_lengths(sleeper)
    following = np.cumsum(np.array(_NEXT), axis=2)[:, :, :-1]
    wake_share = np.array([0.0, *sleeper.wake_shares])
    rows = np.arange(nights)
    now = latency.copy()
    stage = np.full(nights, _N1, np.int8)
    starts = [np.zeros(nights, np.int64), now.copy()]
    stages = [np.full(nights, _W, np.int8), stage]
    while True:
        uniform = rng.random((3, nights))
        part = prevailing[rows, np.minimum(now, total - 1)]
        length = lengths[stage, (uniform[0] * _QUANTILES).astype(np.int64)]
        # deep sleep and REM last long only where they prevail
        out_of_place = ((stage == _N3) & (part != _DEEP_PART)) | ((stage == _R) & (part != _REM_PART))
        length = np.where(out_of_place, 0.35 * length, length)
        now = np.minimum(now + np.maximum(np.rint(length).astype(np.int64), 1), total)
        if (now >= until).all():
            break
        part = prevailing[rows, np.minimum(now, total - 1)]
        wakes = uniform[1] < wake_share[stage] * wakefulness
        asleep = 1 + (uniform[2][:, None] >= following[part, stage]).sum(axis=1)
        stage = np.where(wakes, _W, asleep).astype(np.int8)
        starts.append(now)
        stages.append(stage)
    return np.stack(starts, axis=1), np.stack(stages, axis=1)


# --- devices ----------------------------------------------------------------------------------------------


def _moved_boundaries(rng: np.random.Generator, reference: StageCodes, device: DeviceTraits) -> StageCodes:
    """Return the reference with its stage changes where the device sees them."""
    if device.moved_share == 0:
        return reference
    flat = reference.ravel()
    new_night = np.arange(flat.size) % reference.shape[1] == 0
    starts = np.flatnonzero(new_night | (flat != np.concatenate((flat[:1], flat[:-1]))))
    stages = flat[starts]
    lengths = np.diff(starts, append=flat.size)
    uniform = rng.random((2, starts.size))
    distance = _geometric(rng, starts.size, device.moved_mean_epochs, least=1)
    shift = np.where(uniform[0] < device.moved_share, np.where(uniform[1] < 0.5, -distance, distance), 0)
    before = np.concatenate((stages[:1], stages[:-1]))
    fixed = new_night[starts] | (stages == GAP) | (before == GAP)
    if not device.reports_rem:
        fixed |= (stages == _R) | (before == _R)
    shift[fixed] = 0
    # no change leaves the two bouts that it parts; where two changes cross, the bout between them is missed
    shift = np.clip(shift, -np.concatenate(([0], lengths[:-1])), lengths)
    moved = np.minimum.accumulate((starts + shift)[::-1])[::-1]
    moved[0] = 0
    return np.repeat(stages, np.diff(moved, append=flat.size)).reshape(reference.shape)


def _latent(
    rng: np.random.Generator, device: DeviceTraits, participant: Positions, new_run: NDArray[np.bool_]
) -> Reals:
    """Return the latent value of every epoch, shape of ``new_run``; constant in a run."""
    new_run[:, 0] = True
    run = np.cumsum(new_run.ravel()).reshape(new_run.shape) - 1
    own = np.sqrt(1.0 - device.participant_share - device.night_share)
    level = _by_participant(rng, participant, math.sqrt(device.participant_share), math.sqrt(device.night_share))
    latent: Reals = own * _normals(rng, int(run[-1, -1]) + 1)[run] + level[:, None]
    return latent


def _say(stages: StageCodes, latent: Reals, rem_latent: Reals, device: DeviceTraits) -> StageCodes:
    """Return the label of every epoch: the piece of the stage's row of shares that the latent falls in."""
    cuts = np.array(
        [_standard_normal_quantiles(np.cumsum(row)[:-1].tolist()) for row in (*device.shares, device.rem_shares)]
    )
    value = np.where(stages == _R, rem_latent, latent)
    row = np.where(stages == GAP, _W, stages)
    said = sum((value >= cut[row] for cut in cuts.T), start=np.zeros(stages.shape, np.int8))
    return np.where(stages == GAP, np.int8(GAP), said).astype(np.int8)


def _coarser(rng: np.random.Generator, said: StageCodes, device: DeviceTraits) -> StageCodes:
    """Return the labels on the device's own epochs: the commonest of each, ties at random."""
    step = round(device.epoch_s / EPOCH_S)
    if step == 1:
        return said
    nights, total = said.shape
    blocks = -(-total // step)
    padded = np.full((nights, blocks * step), GAP, np.int8)
    padded[:, :total] = said
    grouped = padded.reshape(nights, blocks, step)
    votes = np.stack([(grouped == code).sum(axis=2) for code in range(len(device.labels))], axis=2)
    most = (votes + 0.5 * rng.random(votes.shape)).argmax(axis=2).astype(np.int8)
    most[votes.sum(axis=2) == 0] = GAP
    return np.where(said == GAP, np.int8(GAP), np.repeat(most, step, axis=1)[:, :total]).astype(np.int8)


def simulate_device(
    reference: StageCodes, participant: Sequence[int] | Positions, *, device: DeviceTraits, rng: np.random.Generator
) -> StageCodes:
    """Return what a device says about simulated nights, on the epochs of the reference.

    Parameters
    ----------
    reference : int8 array, shape (n_nights, n_epochs)
        Codes of ``AASM_STAGES``, ``GAP`` where there is no night.
    participant : sequence of int, shape (n_nights,)
        Number of the participant of each night.
    device : DeviceTraits
        How the device errs.
    rng : numpy Generator
        Source of randomness.

    Returns
    -------
    int8 array, shape (n_nights, n_epochs)
        Codes of ``device.labels``; ``GAP`` where there is no night.
    """
    people = np.asarray(participant, dtype=np.int64)
    if reference.ndim != 2 or people.shape != reference.shape[:1]:
        raise ValueError("reference must have one row per entry of participant")
    seen = _moved_boundaries(rng, reference, device)
    new_run = rng.random(seen.shape) * device.run_epochs < 1.0
    latent = _latent(rng, device, people, new_run)
    rem_starts = np.zeros(seen.shape, bool)
    rem_starts[:, 1:] = (seen[:, 1:] == _R) & (seen[:, :-1] != _R)
    rem_run = rem_starts | (rng.random(seen.shape) * device.rem_run_epochs < 1.0)
    rem_latent = _latent(rng, device, people, rem_run)
    return _coarser(rng, _say(seen, latent, rem_latent, device), device)


# --- studies ----------------------------------------------------------------------------------------------


def simulate_study(
    *,
    rng: np.random.Generator,
    participants: int = 20,
    nights: int = 2,
    devices: Sequence[DeviceTraits] = (BAND_A,),
    sleeper: SleeperTraits | None = None,
) -> SimulatedStudy:
    """Return a simulated study: every participant sleeps ``nights`` nights, watched by every device.

    Many studies at once are cheaper than one after the other: simulate ``k * participants`` people and take
    their nights in ``k`` groups; participants are independent of each other.

    Parameters
    ----------
    rng : numpy Generator
        Source of randomness.
    participants, nights : int
        How many participants, and nights of each.
    devices : sequence of DeviceTraits
        The devices.
    sleeper : SleeperTraits, optional
        How the participants sleep.

    Examples
    --------
    >>> study = simulate_study(rng=generator(3), participants=4, nights=3, devices=(BAND_A, PAD_B))
    >>> study.reference.shape[0], len(study.devices), study.participant.tolist()[:4]
    (12, 2, [0, 0, 0, 1])
    """
    if participants < 1 or nights < 1:
        raise ValueError(f"participants and nights must be at least 1, got {participants} and {nights}")
    participant = np.repeat(np.arange(participants), nights)
    reference, epochs = simulate_hypnograms(participant, rng=rng, sleeper=sleeper)
    said = tuple(simulate_device(reference, participant, device=device, rng=rng) for device in devices)
    return SimulatedStudy(reference, said, epochs, participant, np.tile(np.arange(nights), participants))
