"""One night reduced to what a study needs: small tables and a few numbers.

Everything that is said of one device is a sum of the native count table or one of the measures kept here, so a study of
any size holds a few hundred numbers per night. Two devices on one night are compared on the epochs that both scored;
which those are no table tells, so the label of every epoch is kept beside the table, packed into a few hundred bytes.
"""

from __future__ import annotations

import base64
import hashlib
import math
import zlib
from collections.abc import Sequence
from dataclasses import dataclass, field, fields, is_dataclass
from functools import lru_cache
from itertools import compress
from operator import attrgetter
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sleepagree.caution import Caution, Fact, Note
from sleepagree.errors import InputError, MappingError, Message, take_name
from sleepagree.hypnogram.align import PairedNight, refuse_unpaired
from sleepagree.hypnogram.ledger import CONSENSUS, Status, cross_labels
from sleepagree.hypnogram.spans import Counts, Frozen, LabelCodes
from sleepagree.inference.estimate import NAN
from sleepagree.mapping.mapping import StageMapping, default_mapping
from sleepagree.mapping.sets import StageSet
from sleepagree.night.cautions import (
    contradiction_caution,
    counting_cautions,
    left_over_caution,
    swapped_caution,
    untold_sleep_cautions,
)
from sleepagree.night.measures import measure_sides
from sleepagree.scoring.class_sequences import joint_classes
from sleepagree.scoring.following import shifts_of_night
from sleepagree.scoring.measures import SleepMeasures
from sleepagree.scoring.runs import CHANGES, compare_bouts
from sleepagree.scoring.states import STATES
from sleepagree.shown import Brief

MEASURE_NAMES: Final = tuple(f.name for f in fields(SleepMeasures))
#: Window rule of a night of a table of paired epochs: from its first number to its last.
PAIRED_RULE: Final = "table"
#: What the device is called where scorers are compared with it.
DEVICE: Final = "device"
_VALUES: Final = attrgetter(*MEASURE_NAMES)


@dataclass(frozen=True, slots=True)
class SourceFile:
    """One input file of a night: its name (no folder) and the hash of its bytes."""

    name: str
    sha256: str


@dataclass(frozen=True, slots=True)
class NightEpochs:
    """The labels of a night's window, packed.

    Parameters
    ----------
    begin_s : float
        Start of the window's first epoch in seconds after the start of the reference, or after epoch 0 of a table of
        paired epochs. Two rows with one reference have one grid, so these differ by whole epochs.
    packed : bytes
        Codes of the reference, then of the device, as :func:`pack_epochs` writes them.
    """

    begin_s: float
    packed: bytes

    def unpack(self) -> tuple[LabelCodes, LabelCodes]:
        """Return the label codes of reference and device, each of shape (n_epochs,); -1 for a gap."""
        codes = np.frombuffer(zlib.decompress(self.packed), "<i2").astype(np.int16)
        half = codes.size // 2
        return codes[:half], codes[half:]


def pack_epochs(reference: LabelCodes, device: LabelCodes, *, begin_s: float) -> NightEpochs:
    """Return the labels of a window in little room.

    Parameters
    ----------
    reference, device : int array, shape (n_epochs,)
        Position of each epoch's native label in the side's stage set, -1 for a gap.
    begin_s : float
        As in :class:`NightEpochs`.

    Examples
    --------
    >>> pack_epochs(np.array([0, 1, -1]), np.array([2, 2, 0]), begin_s=30.0).unpack()
    (array([ 0,  1, -1], dtype=int16), array([2, 2, 0], dtype=int16))
    """
    codes = np.concatenate((reference, device)).astype("<i2")
    # the first level is three times as quick as the usual one, for a third more bytes
    return NightEpochs(begin_s, zlib.compress(codes.tobytes(), 1))


def _whole_epochs(begin_s: float, text: str, window_epochs: int) -> NightEpochs:
    """Return labels that were written as text; a ValueError where they are damaged or those of another window."""
    kept = NightEpochs(begin_s, base64.b64decode(text, validate=True))
    try:
        sizes = {codes.size for codes in kept.unpack()}
    except zlib.error as error:
        raise ValueError("the labels of the epochs are damaged") from error
    if sizes != {window_epochs}:
        raise ValueError(f"{window_epochs} epochs were expected, not {sizes}")
    return kept


@dataclass(frozen=True, slots=True)
class ScorerPair:
    """Agreement of two sides of one night, of which at least one is a human scorer.

    Parameters
    ----------
    first, second : str
        Who is compared: a scorer's file name, "consensus", or "device". ``first`` has the rows.
    n : int
        Epochs with a stage on both sides.
    accuracy, kappa : float
        Under ``mapping``; nan where undefined.
    mapping : str
        Name of the mapping.
    """

    first: str
    second: str
    n: int
    accuracy: float
    kappa: float
    mapping: str

    @property
    def with_device(self) -> bool:
        """Whether the device is compared, with a scorer or with the consensus; else two scorers are."""
        return self.second == DEVICE

    @property
    def with_consensus(self) -> bool:
        """Whether it is compared with the consensus."""
        return self.first == CONSENSUS


class EpochsStaged(NamedTuple):
    """Epochs to which all scorers of their night gave a class, and those to which two or more did."""

    by_all: int
    by_several: int


class Undecided(NamedTuple):
    """Epochs without a majority to which a scorer gave no stage, and those that all called N1 or N2."""

    unstaged: int = 0
    n1_or_n2: int = 0


@dataclass(frozen=True, slots=True)
class ScorerTable:
    """What all scorers of a night said together, under one mapping.

    Parameters
    ----------
    mapping : str
        Name of the mapping.
    scorers : int
        How many there were.
    epochs : EpochsStaged
        Epochs that these tables are of.
    complete, shared : tuple of tuple of float
        Tables of coincidences of epochs staged by all, and by several, as `count_coincidences` makes them.
    """

    mapping: str
    scorers: int
    epochs: EpochsStaged
    complete: tuple[tuple[float, ...], ...]
    shared: tuple[tuple[float, ...], ...]


@dataclass(frozen=True, eq=False, slots=True, repr=False)
class NightSummary(Brief, Frozen):
    """One device on one night, reduced.

    Parameters
    ----------
    row : int
        Line of the nights table.
    participant, night, device : str
        Names.
    references : tuple of SourceFile
        Reference files.
    device_source : SourceFile
        Device file.
    begin : str
        ISO start of the window, "" for elapsed time.
    window_rule : str
        How the window was found.
    window_epochs, scored, outside_reference, outside_device : int
        Of the ledger.
    excluded : tuple of (str, int)
        Status -> epochs.
    reference_set, device_set : StageSet
        Native labels, their stages, and what each side can report.
    crossed : int array, shape (1 + reference labels, 1 + device labels)
        All epochs of the window by label of both sides; the first row and column are gaps.
    reference_measures, device_measures : tuple of float
        In the order of ``MEASURE_NAMES``; nan where undefined.
    clock_hint : str
        What the cheap look at the clock says, a value of :class:`sleepagree.scoring.offsets.ClockHint`.
    best_offset_s, offset_gain : float
        Clock offset at which agreement peaks and the kappa it would gain; nan where not looked at.
    shifts : bytes
        How late the device says that states begin and end, as `read_shifts` reads it; empty where not looked at.
    scorers : tuple of ScorerPair
        Where several scorers scored the night.
    coincidences : tuple of ScorerTable
        What all of them said together.
    notes, cautions : tuple of Note, tuple of Caution
        Of this night.
    sequences : tuple of (str, str)
        Hashes of the stage sequences of reference and device, to find one night under two names.
    epochs : NightEpochs or None
        Labels of the window's epochs, to compare devices on the epochs that both scored; None where nothing else was
        worn on the night, or nothing is to be compared.
    device_step_s : float
        The device file's own epoch length in seconds; nan where it has none.
    group : str
        Group of nights that bias is told by; "" for none.
    bout_classes : tuple of str
        ``CHANGES``, and the classes that both sides can have; empty where no mapping fits this night alone.
    staged_outside : int
        Epochs outside the window to which any of several scorers gave a stage; 0 with one.
    undecided : Undecided
        Of the epochs without a majority.
    bouts : float array, shape (bout_classes, 2)
        Changes of class an hour and mean bouts of both sides, as `compare_bouts` returns them.

    Examples
    --------
    >>> from sleepagree import score_table
    >>> night = score_table("fixtures/ferry/nights.csv")[0]
    >>> night.participant, night.night, night.device, night.scored, dict(night.excluded)
    ('crew-1', '1', 'band A', 925, {'reference_gap': 0, 'reference_unscored': 0, 'device_gap': 0, 'device_unscored': 0})
    """

    row: int
    participant: str
    night: str
    device: str
    references: tuple[SourceFile, ...]
    device_source: SourceFile
    begin: str
    window_rule: str
    window_epochs: int
    scored: int
    outside_reference: int
    outside_device: int
    excluded: tuple[tuple[str, int], ...]
    reference_set: StageSet
    device_set: StageSet
    crossed: NDArray[np.integer]
    reference_measures: tuple[float, ...]
    device_measures: tuple[float, ...]
    best_offset_s: float = NAN
    offset_gain: float = NAN
    shifts: bytes = b""
    scorers: tuple[ScorerPair, ...] = ()
    notes: tuple[Note, ...] = ()
    cautions: tuple[Caution, ...] = ()
    sequences: tuple[str, str] = ("", "")
    clock_hint: str = "none"
    peak_score: float = NAN
    zone_s: float = NAN
    clock_profile: bytes = b""
    epochs: NightEpochs | None = None
    device_step_s: float = NAN
    coincidences: tuple[ScorerTable, ...] = ()
    group: str = ""
    staged_outside: int = 0
    undecided: Undecided = field(default_factory=Undecided)
    bout_classes: tuple[str, ...] = ()
    bouts: NDArray[np.float64] = field(default_factory=lambda: np.zeros((0, 2)))

    def __post_init__(self) -> None:
        self._freeze(crossed=np.int32, bouts=np.float64)

    @property
    def no_majority(self) -> int:
        """Epochs of the window to which no stage was given by more than half of the scorers."""
        return dict(self.excluded).get(Status.REFERENCE_NO_MAJORITY.word, 0)

    @property
    def native(self) -> Counts:
        """Jointly scored epochs, shape (reference labels, device labels)."""
        counts = self.crossed[1:, 1:].astype(np.int64)
        counts[~np.array(self.reference_set.scored)] = 0
        counts[:, ~np.array(self.device_set.scored)] = 0
        return counts

    def to_document(self) -> dict[str, Any]:
        """Return a plain structure that JSON can hold."""
        return {f.name: _plain(getattr(self, f.name)) for f in fields(self)}

    @classmethod
    def from_document(cls, document: dict[str, Any]) -> NightSummary:
        """Return the summary that :meth:`to_document` wrote."""
        told = {name: _read(value) for name, value in dict(document).items()}
        sets = {side: StageSet(**told[side]) for side in ("reference_set", "device_set")}
        kept = document["epochs"]
        told |= {
            **sets,
            "references": tuple(SourceFile(**source) for source in told["references"]),
            "device_source": SourceFile(**told["device_source"]),
            "crossed": np.array(told["crossed"], np.int32).reshape(len(sets["reference_set"].labels) + 1, -1),
            "scorers": tuple(ScorerPair(**pair) for pair in told["scorers"]),
            "notes": tuple(share_equal(Note.from_document(note)) for note in document["notes"]),
            "cautions": tuple(share_equal(Caution.from_document(caution)) for caution in document["cautions"]),
            "epochs": None if kept is None else _whole_epochs(kept["begin_s"], kept["packed"], told["window_epochs"]),
            "coincidences": tuple(
                ScorerTable(**{**table, "epochs": EpochsStaged(*table["epochs"])}) for table in told["coincidences"]
            ),
            "undecided": Undecided(*told["undecided"]),
            "bout_classes": share_equal(told["bout_classes"]),
            "bouts": np.array(told["bouts"], np.float64).reshape(-1, 2),
        }
        told |= {name: base64.b64decode(told[name], validate=True) for name in ("clock_profile", "shifts")}
        return cls(**told)


def _plain(value: Any) -> Any:
    """Return a value as JSON can hold it: nan as null, bytes as text."""
    if isinstance(value, bytes):
        return base64.b64encode(value).decode("ascii")
    if isinstance(value, float):
        return None if math.isnan(value) else value
    if isinstance(value, Fact):
        return value.to_document()
    if is_dataclass(value):
        return {f.name: _plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, np.ndarray):
        value = value.tolist()
    return list(map(_plain, value)) if isinstance(value, (tuple, list)) else value


def _read(value: Any) -> Any:
    """Return a value that `_plain` wrote, but for what it was an instance of."""
    if isinstance(value, dict):
        return {name: _read(item) for name, item in value.items()}
    return tuple(map(_read, value)) if isinstance(value, list) else NAN if value is None else value


@dataclass(frozen=True, slots=True)
class Refusal:
    """A night that could not be scored, and why.

    Parameters
    ----------
    row : int
        Line of the nights table.
    participant, night, device : str
        Names.
    reason : str
        The message.
    has_line : bool
        Whether ``row`` is a line; of a table of paired epochs, which has one for each epoch, it counts the nights.
    parts : Message, optional
        The parts of the reason: what nights share of it is told once.

    Examples
    --------
    >>> Refusal(4, "crew-1", "2", "band A", "band-a.csv: the file is empty.").reason
    'band-a.csv: the file is empty.'
    """

    row: int
    participant: str
    night: str
    device: str
    reason: str
    has_line: bool = True
    parts: Message | None = None


def refuse_own_reference(night: NightSummary) -> None:
    """Refuse a night on which the device's file holds the bytes of the reference's, or of one of its scorers'.

    A file with both sides in columns of their own passes: there a label of the reference meets several of the device.

    Raises
    ------
    InputError
        It tells both files. What came from no file has no hash, and passes.
    """
    own = night.device_source
    same = [source.name for source in night.references if source.sha256 and source.sha256 == own.sha256]
    says_otherwise = len(night.references) == 1 and bool((np.count_nonzero(night.native, axis=1) > 1).any())
    if same and not says_otherwise:
        problem = "the device's file is the reference's, byte for byte"
        remedy = (
            "Name the device's own file, or take this night out: a reference agrees with itself whatever the device "
            "does."
        )
        raise InputError(problem, own.name, "", f"the bytes of {same[0]}", "a file that the device wrote", remedy)


def summarise_night(
    paired: PairedNight,
    *,
    participant: str,
    night: str,
    device: str,
    row: int = 0,
    mapping: StageMapping | None = None,
    references: Sequence[SourceFile] = (),
    device_source: SourceFile | None = None,
    scorers: tuple[ScorerPair, ...] = (),
    coincidences: tuple[ScorerTable, ...] = (),
    group: str = "",
    staged_outside: int = 0,
    undecided: tuple[int, int] = (0, 0),
) -> NightSummary:
    """Reduce one night to what a study needs of it.

    Parameters
    ----------
    paired : PairedNight
        The two sides on one grid, as :func:`sleepagree.align` returns them.
    participant, night, device : str
        Names; numbers are taken as texts.
    row : int
        Line of the nights table, 0 where there is none.
    mapping : StageMapping, optional
        The first mapping asked for: it says whether a stage that does not tell (wake-or-sleep) is sleep.
    references : sequence of SourceFile, optional
        Reference files; default: the one of ``paired``.
    device_source : SourceFile, optional
        Device file; default: that of ``paired``.
    scorers : tuple of ScorerPair
        Agreement of scorers on this night.
    coincidences : tuple of ScorerTable
        What all scorers of this night said together.
    group : str
        Group of nights that bias is told by, such as an age group; "" for none.
    staged_outside : int
        Epochs outside the window to which any of several scorers gave a stage.
    undecided : tuple of (int, int)
        As in :class:`NightSummary`.

    Raises
    ------
    MappingError
        When ``mapping`` says nothing about a label.
    ValueError
        When one of the names is missing or empty.

    Examples
    --------
    >>> from sleepagree import align
    >>> paired = align(reference=["W", "N1", "N2", "R"], device=["wake", "light", "light", "rem"])
    >>> night = summarise_night(paired, participant="crew-1", night="1", device="pad B")
    >>> night.scored, night.native.shape
    (4, (4, 3))
    """
    refuse_unpaired(paired)
    reference, measured = measure_sides(paired, mapping)
    sequences = (hash_sequence(paired.reference, paired.reference_set), hash_sequence(paired.device, paired.device_set))
    ledger = paired.ledger
    bout_classes, bouts = _bouts_of(paired, mapping)
    own, other = paired.reference_spans.origin, paired.device_spans.origin
    return NightSummary(
        row=row,
        participant=take_name("participant", participant),
        night=take_name("night", night),
        device=take_name("device", device),
        references=tuple(references) or (SourceFile(own.name, own.sha256),),
        device_source=device_source or SourceFile(other.name, other.sha256),
        begin="" if paired.begin is None else paired.begin.isoformat(),
        window_rule=paired.rule.value,
        window_epochs=ledger.window_epochs,
        scored=ledger.scored,
        outside_reference=ledger.outside_reference,
        outside_device=ledger.outside_device,
        excluded=share_equal(ledger.excluded),
        reference_set=paired.reference_set,
        device_set=paired.device_set,
        crossed=cross_labels(paired.reference, paired.device, paired.reference_set, paired.device_set).counts,
        reference_measures=tuple(map(share_equal, _VALUES(reference))),
        device_measures=tuple(map(share_equal, _VALUES(measured))),
        scorers=scorers,
        coincidences=coincidences,
        group=share_equal(group),
        staged_outside=staged_outside,
        undecided=Undecided(*undecided),
        bout_classes=bout_classes,
        bouts=bouts,
        notes=tuple(map(share_equal, ledger.notes)),
        cautions=share_equal(_cautions_of(paired, mapping)),
        sequences=sequences,
        shifts=_look_at_shifts(paired, mapping),
        epochs=pack_epochs(paired.reference, paired.device, begin_s=paired.begin_s),
        device_step_s=NAN if paired.device_spans.epoch_s is None else paired.device_spans.epoch_s,
    )


def _cautions_of(paired: PairedNight, mapping: StageMapping | None) -> tuple[Caution, ...]:
    return (
        *paired.cautions,
        *swapped_caution(paired),
        *contradiction_caution(paired),
        *untold_sleep_cautions(paired, mapping),
        *left_over_caution(paired),
        # lengths that differ a little stand in the ledger of each night
        *(caution for caution in counting_cautions(paired) if caution.get("times") != 0),
    )


def own_mapping(paired: PairedNight) -> StageMapping | None:
    """Return the default mapping of a night; None where none fits it alone, as one may fit all nights of the device."""
    try:
        return default_mapping(paired.reference_set, paired.device_set)
    except MappingError:
        return None


def _bouts_of(paired: PairedNight, mapping: StageMapping | None) -> tuple[tuple[str, ...], NDArray[np.float64]]:
    chosen = mapping or own_mapping(paired)
    if chosen is None:
        return (), np.zeros((0, 2))
    names = (CHANGES, *chosen.reference_classes)
    both = [name == CHANGES or name in chosen.device_classes for name in names]
    found = compare_bouts(*joint_classes(paired, chosen), len(chosen.reference_classes))
    return share_equal(tuple(compress(names, both))), found[both]


def _look_at_shifts(paired: PairedNight, mapping: StageMapping | None) -> bytes:
    """Return the figures of `read_shifts` of one night."""
    found = shifts_of_night(paired, mapping or own_mapping(paired))
    figures = np.full((len(STATES), 2, 4), np.nan, np.float32)
    for told in found:
        for side, part in enumerate((told.starts, told.ends)):
            figures[STATES.index(told.state), side] = part.moments, part.followed, part.missed, part.median_min
    return figures.tobytes()


def read_shifts(nights: Sequence[NightSummary]) -> NDArray[np.float32]:
    """Return moments, those told, those missed and the median delay (min) of every night.

    Returns
    -------
    float array of shape (nights, states, 2, 4)
        States as in :data:`sleepagree.scoring.states.STATES`; starts, then ends; nan where a night tells nothing.
    """
    nothing = np.full((len(STATES), 2, 4), np.nan, np.float32).tobytes()
    kept = b"".join(night.shifts or nothing for night in nights)
    return np.frombuffer(kept, np.float32).reshape(len(nights), len(STATES), 2, 4)


@lru_cache(maxsize=8192)
def share_equal(value: Any) -> Any:
    """Return one object for all equal ones of a type: most nights leave out the same few epochs, and minutes recur."""
    return value


def hash_sequence(codes: Any, stage_set: StageSet) -> str:
    """Return a hash of a stage sequence that does not depend on the order of labels; "" for a dull one.

    A night with fewer than ten changes of stage can happen twice by chance.
    """
    names, rank = _ranks(stage_set)
    ranks = rank[codes]
    if np.count_nonzero(ranks[1:] != ranks[:-1]) < 10:
        return ""
    return hashlib.sha256(names + ranks.tobytes()).hexdigest()[:16]


@lru_cache(maxsize=256)
def _ranks(stage_set: StageSet) -> tuple[bytes, NDArray[np.integer]]:
    names = sorted(set(stage_set.stages))
    kind = np.int8 if len(names) <= 1 << 7 else np.int16  # words that a mapping file explains can be many
    return "/".join(names).encode(), np.array([*(names.index(s) for s in stage_set.stages), -1], kind)
