"""What a study says: its settings and the containers of its results."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sleepagree.caution import Caution
from sleepagree.errors import check_flag, check_level, check_whole, is_number, shorten
from sleepagree.hypnogram.spans import Counts
from sleepagree.inference.equivalence import ContainmentTest, EquivalenceTest
from sleepagree.inference.error_sizes import ErrorSizes
from sleepagree.inference.estimate import NAN
from sleepagree.inference.group_means import GroupMeans
from sleepagree.inference.limits import LimitsOfAgreement, RegressionLimits, Scale
from sleepagree.inference.planning import VarianceComponents
from sleepagree.inference.reliability import Reliability, WithinPeople
from sleepagree.inference.resampling import BootstrapIntervals
from sleepagree.mapping.files import take_mappings
from sleepagree.mapping.mapping import StageMapping
from sleepagree.night.compare import refuse_same_names
from sleepagree.scoring.ceiling import Ceiling
from sleepagree.scoring.measures import say_measure
from sleepagree.scoring.redistribution import BiasSource
from sleepagree.scoring.table_agreement import kappa_never_found
from sleepagree.shown import Brief, Result
from sleepagree.study.clocks import DeviceClock
from sleepagree.study.night_summary import EpochsStaged, NightSummary, Refusal

Values = NDArray[np.float64]


@dataclass(frozen=True)
class StudyOptions:
    """Settings of the statistics of a study.

    Parameters
    ----------
    mappings : tuple of StageMapping
        Mappings asked for, as objects, names of built-in ones or paths of files; () for the default of each device
        and, where that is not square, the square ones. Given here they go before those that nights were compared under.
    resamples, seed : int
        Of the cluster bootstrap.
    level : float
        Confidence level of every interval.
    margins : tuple of (str, float), or mapping
        Measure -> margin of an equivalence test.
    log_ratio : bool
        Whether the limits of agreement are of log ratios.
    by : str
        What the groups of the nights are called, such as "age group"; "" for no groups. Nights must carry a group.

    Raises
    ------
    ValueError
        When ``resamples`` or ``seed`` is no whole number from 0 on, ``level`` does not lie between 0 and 1, a margin is
        no positive number, or ``log_ratio`` is neither True nor False.
    MappingError
        When two mappings have one name.

    Examples
    --------
    >>> options = StudyOptions(mappings=["wake-sleep"], resamples=500, margins={"TST": 30})
    >>> options.mappings[0].name, options.margins
    ('wake-sleep', (('TST', 30),))
    """

    mappings: tuple[StageMapping, ...] = ()
    resamples: int = 2000
    seed: int = 0
    level: float = 0.95
    margins: tuple[tuple[str, float], ...] = ()
    log_ratio: bool = False
    by: str = ""

    def __post_init__(self) -> None:
        check_whole("resamples", self.resamples, least=0)
        check_whole("seed", self.seed, least=0)
        check_level(self.level)
        check_flag("log_ratio", self.log_ratio)
        # numbers of numpy are none that JSON can hold
        plain = {"resamples": int(self.resamples), "seed": int(self.seed), "level": float(self.level)}
        for name, value in (plain | {"log_ratio": bool(self.log_ratio)}).items():
            object.__setattr__(self, name, value)
        object.__setattr__(self, "mappings", take_mappings(self.mappings))
        refuse_same_names(self.mappings)
        object.__setattr__(self, "margins", _take_margins(self.margins))


def _take_margins(given: Any) -> tuple[tuple[str, float], ...]:
    pairs = tuple(given.items() if isinstance(given, Mapping) else given) if isinstance(given, Iterable) else (given,)
    for pair in pairs:
        is_pair = isinstance(pair, (tuple, list)) and len(pair) == 2 and isinstance(pair[0], str)
        if not (is_pair and is_number(pair[1]) and pair[1] > 0):
            expected = "a positive number for each measure, such as {'TST': 30}"
            raise ValueError(f"margins must tell {expected}, not {shorten(pair)!r}")
    return tuple((measure, _plain(margin)) for measure, margin in pairs)


def _plain(number: Any) -> float:
    """Return a number as one of Python, a whole one whole."""
    return int(number) if is_number(number, whole=True) else float(number)


@dataclass(frozen=True)
class PooledStatistic:
    """One statistic of a device under one mapping.

    Parameters
    ----------
    name : str
        Key of the statistic.
    class_name : str
        Class it speaks of, "" for the whole table.
    pooled : BootstrapIntervals
        Of all epochs together, participants resampled.
    averaged : BootstrapIntervals
        Mean of the participants' means over nights.
    averaged_sd : float
        Standard deviation between participants of those means.
    """

    name: str
    class_name: str
    pooled: BootstrapIntervals
    averaged: BootstrapIntervals
    averaged_sd: float


@dataclass(frozen=True, eq=False, repr=False)
class StudyMapping(Brief):
    """A device under one mapping over all its nights.

    Parameters
    ----------
    mapping : StageMapping
        How stages form classes.
    counts : int array, shape (reference classes, device classes)
        Pooled epochs.
    left_out : int
        Jointly staged epochs that the mapping leaves out.
    night_counts : int array, shape (nights, reference classes, device classes)
        The same by night.
    statistics : tuple of PooledStatistic
        Of the table and of its classes.
    night_kappa : float array, shape (nights,)
        Kappa of each night; nan where undefined.
    night_accuracy : float array, shape (nights,)
        Accuracy of each night.
    ceiling : Ceiling
        Design ceiling of the pooled epochs.
    kappa_components : VarianceComponents or None
        SD of a night's kappa between and within participants; None with one participant or without kappa.
    """

    mapping: StageMapping
    counts: Counts
    left_out: int
    night_counts: Counts
    statistics: tuple[PooledStatistic, ...]
    night_kappa: Values
    night_accuracy: Values
    ceiling: Ceiling
    kappa_components: VarianceComponents | None

    @property
    def kappa_beside_ceiling(self) -> float:
        """Pooled kappa on the table that the ceiling is of: classes without a label are never found there."""
        return kappa_never_found(self.counts, device_index=self.mapping.device_index)

    def find(self, name: str, class_name: str = "") -> PooledStatistic | None:
        """Return one statistic, None where the mapping has none of that name."""
        return next((s for s in self.statistics if (s.name, s.class_name) == (name, class_name)), None)


def find_measure(asked: str, measures: Iterable[str]) -> str | None:
    """Return the measure that somebody means, whatever the case of its letters and either spelling of its class.

    Examples
    --------
    >>> find_measure("Minutes REM", ["TST", "minutes rem"]), find_measure("tst", ["TST"]), find_measure("naps", ["TST"])
    ('minutes rem', 'TST', None)
    """
    folded = " ".join(asked.split()).casefold()
    return next((m for m in measures if folded in (m.casefold(), say_measure(m).casefold())), None)


@dataclass(frozen=True, eq=False, repr=False)
class BiasRow(Brief):
    """Bias of one measure of a device over nights.

    Parameters
    ----------
    measure, unit : str
        Name, and unit of its values.
    limits : LimitsOfAgreement
        Bias, limits, slopes, errors; of log ratios where these were asked for.
    reliability : Reliability
        ICC and CCC.
    bootstrap : BootstrapIntervals
        Interval of the bias from resampled participants, on the scale of ``limits``.
    equivalence : EquivalenceTest or None
        Where a margin was stated.
    reference, device : float array, shape (nights,)
        Values of each night.
    lines : RegressionLimits or None
        Limits as straight lines in the level, where the spread is known to change with it.
    components : VarianceComponents or None
        Spread of the differences between and within participants, on the scale of ``limits``; None for fewer than two
        participants.
    containment : ContainmentTest or None
        Whether both limits lie within the margin, where one was stated.
    equivalence_adjusted, containment_adjusted : float
        P values of the two tests by Holm's method over all measures of the device with a margin; nan without.
    sizes : ErrorSizes or None
        What holds of the differences without a normal law.
    sloped : RegressionLimits or None
        The difference as a straight line in the level, where its slope is known not to be 0 and there are no ``lines``.
    changes : WithinPeople or None
        Whether the device follows changes between nights of a person; None where nobody has two nights.
    by_group : GroupMeans or None
        Bias of each group of nights, on the scale of ``limits``; None where there are no two groups.
    by_group_adjusted : float
        P value of its difference between groups by Holm's method over all measures of the device; nan without.
    mapping : StageMapping or None
        Names the class of a measure for what it holds.
    """

    measure: str
    unit: str
    limits: LimitsOfAgreement
    reliability: Reliability
    bootstrap: BootstrapIntervals
    equivalence: EquivalenceTest | None
    reference: Values
    device: Values
    lines: RegressionLimits | None = None
    components: VarianceComponents | None = None
    containment: ContainmentTest | None = None
    equivalence_adjusted: float = NAN
    containment_adjusted: float = NAN
    sizes: ErrorSizes | None = None
    sloped: RegressionLimits | None = None
    changes: WithinPeople | None = None
    by_group: GroupMeans | None = None
    by_group_adjusted: float = NAN
    mapping: StageMapping | None = None

    @property
    def name(self) -> str:
        """The measure as people read it: classes as in tables (``minutes REM``, ``minutes light+REM``)."""
        return say_measure(self.measure, self.mapping)

    @property
    def is_drawn(self) -> bool:
        """Whether a report draws its differences."""
        return self.measure == "TST" or self.measure.startswith("minutes ")

    @property
    def printed(self) -> LimitsOfAgreement:
        """Limits as tables, texts and files give them: ratios where limits are of log ratios."""
        return self.limits.as_printed()

    @property
    def of_ratios(self) -> bool:
        """Whether bias and limits are ratios device / reference."""
        return self.limits.scale is Scale.LOG_RATIO

    @property
    def difference_unit(self) -> str:
        """Unit of bias and limits: "ratio", or that of the values."""
        return "ratio" if self.of_ratios else self.unit


@dataclass(frozen=True)
class SilenceCounted:
    """Agreement of a device with its silence counted as disagreement.

    Parameters
    ----------
    agreement : BootstrapIntervals
        Share of the epochs to which the reference gave a class in which the device says the same.
    asked, silent : int
        Those epochs, and how many of them the device gave no stage.
    without_reference : int
        Epochs to which the device gave a stage and the reference none; they count on neither side.
    without_class : int
        Epochs to which the reference gave a class and the device a stage that is in none; they are not asked.
    """

    agreement: BootstrapIntervals
    asked: int
    silent: int
    without_reference: int
    without_class: int


@dataclass(frozen=True)
class WholeTotal:
    """A figure of a night as each side has it, over nights: a total of the window, or of bouts.

    Parameters
    ----------
    measure : str
        ``TST`` or ``minutes CLASS``; ``changes an hour`` or ``bout CLASS``.
    limits : LimitsOfAgreement
        Of device minus reference.
    unit : str
        Of its values.
    """

    measure: str
    limits: LimitsOfAgreement
    unit: str = "min"

    @property
    def name(self) -> str:
        """The measure as people read it."""
        return say_measure(self.measure)


@dataclass(frozen=True)
class StudyDestination:
    """Where part of an unreported stage went, over nights.

    Parameters
    ----------
    name : str
        Device class.
    epochs : int
        Pooled epochs.
    share : BootstrapIntervals
        Pooled share of the stage's epochs.
    minutes : BootstrapIntervals
        Minutes a night: mean over participants of their mean night.
    share_of_class : float
        What part of the device class it makes up.
    """

    name: str
    epochs: int
    share: BootstrapIntervals
    minutes: BootstrapIntervals
    share_of_class: float


@dataclass(frozen=True)
class StudyRedistribution:
    """Where an unreported stage went, over nights."""

    stage: str
    epochs: int
    to: tuple[StudyDestination, ...]


class FlowInterval(NamedTuple):
    """Interval of the mean minutes a night that one class gained "from" another or lost "to" it, or of its "bias"."""

    way: str
    other: str
    low: float
    high: float


@dataclass(frozen=True)
class StudyBiasSource:
    """The account of one class's bias, over nights.

    Parameters
    ----------
    pooled : BiasSource
        Of all epochs together, in minutes of the whole study.
    per_night : BiasSource
        Mean over participants of their mean night; adds up like the pooled one.
    intervals : tuple of FlowInterval
        Of the bias, and of each flow.
    """

    pooled: BiasSource
    per_night: BiasSource
    intervals: tuple[FlowInterval, ...]

    def ends(self, way: str, other: str = "") -> tuple[float, float]:
        """Return one of the intervals, by default that of no other class."""
        return next((found.low, found.high) for found in self.intervals if (found.way, found.other) == (way, other))


@dataclass(frozen=True)
class StudyShift:
    """How late a device says that one state begins, or ends, over the people of a study.

    Parameters
    ----------
    state, edge : str
        "sleep", "wake", "rem" or "deep"; "begins" or "ends".
    participants, nights : int
        Those with a moment that the device told.
    moments, told, missed : int
        Over all nights; the rest had no moment of the device to go with.
    low_quartile_min, median_min, high_quartile_min : float
        Over participants, of the median over their nights of the night's median (device minus reference).
    """

    state: str
    edge: str
    participants: int
    nights: int
    moments: int
    told: int
    missed: int
    low_quartile_min: float
    median_min: float
    high_quartile_min: float


@dataclass(frozen=True, eq=False, repr=False)
class DeviceStudy(Brief):
    """All that is said about one device.

    Parameters
    ----------
    device : str
        Name.
    nights : tuple of NightSummary
        Its scored nights, in the order of the table.
    participants : tuple of str
        Its participants, in order of appearance.
    mappings : tuple of StudyMapping
        The first one names the classes of bias and redistribution.
    bias : tuple of BiasRow
        Every measure.
    redistribution : tuple of StudyRedistribution
        Where unreported stages went.
    bias_sources : tuple of StudyBiasSource
        What each class's bias is made of.
    reports : tuple of str
        What the device can say, over all its nights.
    clock : DeviceClock
        Whether its clock is right.
    silence : SilenceCounted or None
        Agreement under the first mapping with silence counted as disagreement.
    several : tuple of SeveralScorers
        Agreement of all scorers at once, where nights had several.
    totals : tuple of WholeTotal
        Totals of the whole window, of each side's own epochs.
    bouts : tuple of WholeTotal
        Changes of class an hour and mean bouts of each class, on the epochs that both sides scored.
    shifts : tuple of StudyShift
        How late it says that states begin and end, over people.
    """

    device: str
    nights: tuple[NightSummary, ...]
    participants: tuple[str, ...]
    mappings: tuple[StudyMapping, ...]
    bias: tuple[BiasRow, ...]
    redistribution: tuple[StudyRedistribution, ...]
    bias_sources: tuple[StudyBiasSource, ...]
    reports: tuple[str, ...]
    clock: DeviceClock
    silence: SilenceCounted | None = None
    several: tuple[SeveralScorers, ...] = ()
    totals: tuple[WholeTotal, ...] = ()
    bouts: tuple[WholeTotal, ...] = ()
    shifts: tuple[StudyShift, ...] = ()

    @property
    def first_square(self) -> StudyMapping | None:
        """The first mapping that has a kappa; None where none has one."""
        return next((studied for studied in self.mappings if studied.mapping.is_square), None)


@dataclass(frozen=True)
class PairedDifference:
    """Difference of two devices in one statistic, on the epochs that the reference and both devices scored.

    Parameters
    ----------
    statistic, of : str
        What is compared; the class or the measure it speaks of, "" for the whole table.
    first, second : float
        Value of either device on the joint epochs.
    difference : BootstrapIntervals
        Second minus first.
    own_first, own_second : float
        Value of either device on all epochs that it scored itself on the same nights; nan where it is not asked.
    """

    statistic: str
    of: str
    first: float
    second: float
    difference: BootstrapIntervals
    own_first: float = NAN
    own_second: float = NAN


@dataclass(frozen=True)
class DeviceComparison:
    """Two devices on the same nights and the same epochs.

    Parameters
    ----------
    first, second : str
        Devices.
    participants, nights : int
        That both have, and that are compared.
    mapping : str
        Mapping that both label sets allow.
    differences : tuple of PairedDifference
        Second minus first, on the joint epochs.
    window_epochs : int
        Epochs that lie in the windows of both rows of a night.
    epochs : int
        Joint epochs: those of them to which the reference and both devices gave a stage.
    counted : int
        Joint epochs that the mapping leaves out for neither device.
    silent : tuple of two int
        Epochs of the windows to which each device gave no stage.
    own_epochs : tuple of two int
        Epochs of the same nights that the reference and each device scored and the mapping leaves in, whatever the
        other device did.
    with_silence : PairedDifference
        Share of the epochs that the reference gave a class in which a device says the same; silence is not the same.
    asked : int
        Epochs that ``with_silence`` is a share of.
    left_out : tuple of (str, int)
        Nights of both that are not compared, by a word of :class:`sleepagree.study.comparison.LeftOut`.
    """

    first: str
    second: str
    participants: int
    nights: int
    mapping: str
    differences: tuple[PairedDifference, ...]
    window_epochs: int
    epochs: int
    counted: int
    silent: tuple[int, int]
    own_epochs: tuple[int, int]
    with_silence: PairedDifference
    asked: int
    left_out: tuple[tuple[str, int], ...] = ()

    @property
    def silent_shares(self) -> tuple[float, float]:
        """Share of the windows' epochs to which each device gave no stage."""
        return self.silent[0] / self.window_epochs, self.silent[1] / self.window_epochs


@dataclass(frozen=True)
class SeveralScorers:
    """Agreement of all scorers at once, over the nights of a device that have several.

    Parameters
    ----------
    mapping : str
        Mapping of their stages.
    scorers : tuple of (int, int)
        Fewest and most scorers of a night.
    nights : int
        Nights.
    epochs : EpochsStaged
        Epochs to which all scorers of their night gave a class, and to which two or more did.
    fleiss, alpha : BootstrapIntervals
        Fleiss' kappa of the former, Krippendorff's alpha of the latter, pooled; participants resampled.
    """

    mapping: str
    scorers: tuple[int, int]
    nights: int
    epochs: EpochsStaged
    fleiss: BootstrapIntervals
    alpha: BootstrapIntervals


@dataclass(frozen=True)
class ScorerSummary:
    """Agreement of human scorers, and of a device with them, over the same nights with several scorers.

    Parameters
    ----------
    device : str
        Device whose mapping sets the classes.
    mapping : str
        That mapping.
    nights, of_nights : int
        Nights that have all three kappas under the mapping, of the device's nights with several scorers. Every figure
        below is of these nights.
    participants : int
        Whose nights they are.
    between_scorers, with_scorers, with_consensus : float
        Kappa of scorer pairs, of the device with each scorer, and of the device with the consensus: the mean over
        participants of the mean of their nights' means over pairs (with one participant the mean of the nights).
    share_intervals : BootstrapIntervals
        ``with_scorers / between_scorers``, participants resampled with all their nights.
    """

    device: str
    mapping: str
    nights: int
    of_nights: int
    participants: int
    between_scorers: float
    with_scorers: float
    with_consensus: float
    share_intervals: BootstrapIntervals

    @property
    def share(self) -> float:
        """``with_scorers / between_scorers``; nan where scorers agree no better than by chance."""
        return self.share_intervals.value

    @property
    def consensus_flatters(self) -> bool:
        """Whether the device agrees better with the consensus than with single scorers."""
        return self.with_consensus > self.with_scorers

    @property
    def nights_told(self) -> str:
        """How many nights the figures are of, in words."""
        if self.nights == self.of_nights:
            return str(self.nights)
        return f"{self.nights} of {self.of_nights}"


@dataclass(frozen=True, repr=False)
class StudyAgreement(Result):
    """A whole study.

    Parameters
    ----------
    devices : tuple of DeviceStudy
        In order of appearance.
    refused : tuple of Refusal
        Nights that were not scored.
    given : int
        Rows of the nights table.
    comparisons : tuple of DeviceComparison
        Every two devices that share nights.
    scorers : tuple of ScorerSummary
        Where nights had several scorers.
    options : StudyOptions
        Settings.
    cautions : tuple of Caution
        What may mislead a reader.

    Examples
    --------
    >>> from sleepagree import align, summarise_study
    >>> paired = align(reference=["W", "N2", "N3", "R"] * 30, device=["wake", "light", "deep", "light"] * 30)
    >>> study = summarise_study([(f"crew-{i}", "1", "band A", paired) for i in range(4)])
    >>> study.given, [device.device for device in study.devices], study.to_frame("nights").shape[0]
    (4, ['band A'], 4)
    """

    devices: tuple[DeviceStudy, ...]
    refused: tuple[Refusal, ...]
    given: int
    comparisons: tuple[DeviceComparison, ...]
    scorers: tuple[ScorerSummary, ...]
    options: StudyOptions
    cautions: tuple[Caution, ...]
