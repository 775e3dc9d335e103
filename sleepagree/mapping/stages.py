"""What stage names mean, which label texts are plain enough to need no layout, and how stages form classes.

Three vocabularies meet here and are kept apart:

* a *label* is the text a file uses (``"Sleep stage N2"``, ``"Light"``, ``"4"``);
* a *stage* is what the label says in the words of the trade (``N2``, ``light``, ``unscored``);
* a *class* is what a mapping compares (``wake``, ``light``, ``deep``, ``rem``).

A reader turns each label into a stage once, through a layout or the plain words. From there on only the stage counts,
and the label is shown beside it: a label that is spelt like a stage ("R" for what a layout says is wake) says nothing
more. The one exception is asked for by name: an entry of a mapping file that is spelt like no stage word explains a
native label (``StageMapping.reference_labels`` and ``device_labels``).

A stage is defined by the AASM stages it may stand for: ``light`` covers N1 and N2, ``sleep`` covers all four
sleep stages. A built-in mapping takes a stage into a class only if everything the stage may stand for belongs
to that class, so no mapping ever guesses.

References
----------
.. [1] Iber C, Ancoli-Israel S, Chesson A, Quan SF. The AASM Manual for the Scoring of Sleep and Associated
   Events. American Academy of Sleep Medicine, 2007 (stages W, N1, N2, N3, R).
.. [2] Rechtschaffen A, Kales A, editors. A manual of standardized terminology, techniques and scoring system
   for sleep stages of human subjects. 1968 (stages 1-4; 3 and 4 form N3 in [1]_).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from sleepagree.errors import FileFormatError, MappingError, UnknownStageError, shorten
from sleepagree.files.toml import toml_text

UNSCORED: Final = "unscored"
NOT_A_STAGE: Final = "not-a-stage"
LEAVE_OUT: Final = "leave-out"

AASM_STAGES: Final = ("W", "N1", "N2", "N3", "R")

#: stage -> the AASM stages it may stand for.
COVERAGE: Final[Mapping[str, frozenset[str]]] = {
    "W": frozenset({"W"}),
    "N1": frozenset({"N1"}),
    "N2": frozenset({"N2"}),
    "N3": frozenset({"N3"}),
    "R": frozenset({"R"}),
    "light": frozenset({"N1", "N2"}),
    "nrem": frozenset({"N1", "N2", "N3"}),
    "light-or-rem": frozenset({"N1", "N2", "R"}),
    "sleep": frozenset({"N1", "N2", "N3", "R"}),
    "wake-or-sleep": frozenset(AASM_STAGES),
}

#: Other spellings of a stage that layouts, mappings and ``--reports`` may use.
ALIASES: Final[Mapping[str, str]] = {
    "wake": "W",
    "awake": "W",
    "rem": "R",
    "deep": "N3",
    "asleep": "sleep",
    "w": "W",
    "r": "R",
    "n1": "N1",
    "n2": "N2",
    "n3": "N3",
}

STAGE_WORDS: Final = ("wake", "light", "deep", "rem", "sleep", "nrem", "W", "N1", "N2", "N3", "R")

#: Distinct labels that one side may hold: a hypnogram has a dozen, a column of measured values has no end of them.
#: Codes of labels fit into 16 bits everywhere, and a table of both sides' labels into memory.
MOST_LABELS: Final = 1000

#: Classes that a mapping may have: codes of classes fit into 8 bits in the clock scan.
MOST_CLASSES: Final = 100

#: Stages that say no more than that sleep of some kind, or something unclear, was seen.
GENERIC_STAGES: Final = frozenset({"sleep", "nrem", "wake-or-sleep"})


def canonical_stage(word: str) -> str | None:
    """Return the stage that ``word`` names (any case), ``"unscored"``, or None."""
    text = word.strip()
    if text in COVERAGE or text in (UNSCORED, NOT_A_STAGE):
        return text
    folded = text.casefold()
    return ALIASES.get(folded) or (folded if folded in COVERAGE or folded in (UNSCORED, NOT_A_STAGE) else None)


def is_sleep(stage: str) -> bool | None:
    """Whether a stage is sleep; None where the stage alone does not tell (wake-or-sleep, a word of one's own)."""
    covers = COVERAGE.get(stage)
    if covers is None or ("W" in covers and len(covers) > 1):
        return None
    return "W" not in covers


# --- plain label texts ------------------------------------------------------------------------------------

_PLAIN: Final[Mapping[str, str]] = {
    "w": "W",
    "wake": "W",
    "awake": "W",
    "wakefulness": "W",
    "stage w": "W",
    "n1": "N1",
    "n2": "N2",
    "n3": "N3",
    "stage n1": "N1",
    "stage n2": "N2",
    "stage n3": "N3",
    "nrem1": "N1",
    "nrem2": "N2",
    "nrem3": "N3",
    "nrem 1": "N1",
    "nrem 2": "N2",
    "nrem 3": "N3",
    "s1": "N1",
    "s2": "N2",
    "s3": "N3",
    "s4": "N3",
    "stage s1": "N1",
    "stage s2": "N2",
    "stage s3": "N3",
    "stage s4": "N3",
    "r": "R",
    "rem": "R",
    "stage r": "R",
    "rem sleep": "R",
    "light": "light",
    "light sleep": "light",
    "deep": "N3",
    "deep sleep": "N3",
    "asleep": "sleep",
    "sleep": "sleep",
    "sleeping": "sleep",
    "nrem": "nrem",
    "non-rem": "nrem",
    "light-or-rem": "light-or-rem",
    "wake-or-sleep": "wake-or-sleep",
    "unknown": UNSCORED,
    "unscored": UNSCORED,
    "unscorable": UNSCORED,
    "undefined": UNSCORED,
    "?": UNSCORED,
    "movement": UNSCORED,
    "movement time": UNSCORED,
    "artefact": UNSCORED,
    "artifact": UNSCORED,
    "invalid": UNSCORED,
    "disconnected": UNSCORED,
    "off body": UNSCORED,
    "off-body": UNSCORED,
    "not worn": UNSCORED,
}

#: EDF+ standard texts after "sleep stage " (Kemp & Olivan 2003), case and spacing tolerated.
_EDF_STAGE: Final[Mapping[str, str]] = {
    "w": "W",
    "1": "N1",
    "2": "N2",
    "3": "N3",
    "4": "N3",
    "n1": "N1",
    "n2": "N2",
    "n3": "N3",
    "n": "nrem",
    "r": "R",
    "?": UNSCORED,
}

_RK_DIGITS: Final[Mapping[str, str]] = {"1": "N1", "2": "N2", "3": "N3", "4": "N3"}


def fold_label(label: str) -> str:
    """Return a label without differences of case and spacing, as the lines of a layout are matched."""
    return " ".join(label.split()).casefold()


def fold_table(table: Mapping[str, str]) -> dict[str, str]:
    """Return the ``[stages]`` of a layout by folded label."""
    return {fold_label(label): word for label, word in table.items()}


def put_layout_first(defaults: Mapping[str, str], layout_stages: Mapping[str, str]) -> dict[str, str]:
    """Return what a format says of its labels, without those that a layout explains, and the lines of the layout."""
    explained = fold_table(layout_stages)
    return {label: word for label, word in defaults.items() if fold_label(label) not in explained} | dict(layout_stages)


@lru_cache(maxsize=4096)
def recognise_label(label: str) -> str | None:
    """Return the stage that a plain label text names, or None.

    Case, surrounding space and doubled spaces are forgiven. Bare numbers are never recognised: the same digit
    means different stages in different files.

    Examples
    --------
    >>> recognise_label("Sleep stage 4"), recognise_label(" WAKE "), recognise_label("4")
    ('N3', 'W', None)
    """
    folded = fold_label(label)
    if folded.startswith("sleep stage "):
        return _EDF_STAGE.get(folded[12:])
    return _PLAIN.get(folded)


@lru_cache(maxsize=1024)
def is_edf_stage_text(label: str) -> bool:
    """Whether an annotation text is one of the EDF+ standard texts for a stage or for movement time."""
    folded = fold_label(label)
    if folded.startswith("sleep stage "):
        return folded[12:] in _EDF_STAGE
    return folded == "movement time"


@dataclass(frozen=True)
class StageSet:
    """The native labels of one side of one night and the stage each one names.

    Parameters
    ----------
    labels : tuple of str
        Native label texts; position = code in the arrays that use this set.
    stages : tuple of str
        The stage of each label (``COVERAGE`` keys, ``"unscored"``, or a word that a mapping file explains).
    reportable : tuple of str
        The stages this side can say, declared or taken from the labels.
    declared : bool
        Whether ``reportable`` was declared rather than taken from the labels.
    """

    labels: tuple[str, ...]
    stages: tuple[str, ...]
    reportable: tuple[str, ...]
    declared: bool = False

    def __post_init__(self) -> None:
        if len(self.labels) != len(self.stages):
            raise ValueError(f"{len(self.labels)} labels but {len(self.stages)} stages")
        if len(set(self.labels)) != len(self.labels):
            raise ValueError("labels must be distinct")

    @property
    def scored(self) -> tuple[bool, ...]:
        """For each label, whether it names a stage at all."""
        return tuple(stage != UNSCORED for stage in self.stages)


def assign_stages(
    labels: Sequence[str],
    *,
    counts: Mapping[str, str] | None = None,
    table: Mapping[str, str] | None = None,
    own_words: Iterable[str] = (),
    rechtschaffen_kales: str = "",
    path: str = "",
) -> tuple[str, ...]:
    """Return the stage of each native label.

    Parameters
    ----------
    labels : sequence of str
        Distinct native labels.
    counts : mapping, optional
        Label -> where and how often it stands ("rows 12, 13, 14 and 20 more"), for the message.
    table : mapping, optional
        The ``[stages]`` table of a layout: label -> stage word. It comes first.
    own_words : iterable of str
        Labels that a mapping file explains; they become stages of their own.
    rechtschaffen_kales : str
        Where the file says that its digits are R&K stages ("column name 'R&K'"), else "".
    path : str
        File, for the message.

    Raises
    ------
    UnknownStageError
        When a label is neither plain, nor in the table, nor explained by a mapping.
    FileFormatError
        When there are more than a thousand labels of stages.
    """
    table = table or {}
    folded = fold_table(table)
    own = frozenset(own_words)
    stages: list[str] = []
    unknown: list[str] = []
    for label in labels:
        key = fold_label(label)
        word = table.get(label) or folded.get(key)
        stage = canonical_stage(word) if word is not None else None
        if word is not None and stage is None and word in own:
            stage = word
        if word is not None and stage is None:
            raise UnknownStageError(
                f"the layout maps label '{shorten(label)}' to a word that is no stage",
                path,
                "[stages]",
                word,
                "one of " + ", ".join((*STAGE_WORDS, "light-or-rem", "wake-or-sleep", UNSCORED, NOT_A_STAGE)),
                "Correct that line of the layout.",
            )
        if stage is None and label in own:
            stage = label
        if stage is None:
            stage = recognise_label(label)
        if stage is None and rechtschaffen_kales:
            stage = _RK_DIGITS.get(key)
        if stage is None:
            unknown.append(label)
            stage = UNSCORED
        stages.append(stage)
    if unknown:
        raise _unknown_labels(unknown, counts or {}, path)
    refuse_many_labels(len(labels) - stages.count(NOT_A_STAGE), path)
    return tuple(stages)


def refuse_many_labels(count: int, path: str) -> None:
    """Raise a FileFormatError where one side holds more distinct labels than stages could have."""
    if count > MOST_LABELS:
        raise FileFormatError(
            "too many distinct stage labels for a scoring of sleep",
            path,
            "",
            f"{count:,} distinct labels",
            f"at most {MOST_LABELS:,}",
            ("Look whether the labels are stages or measured values: a layout (", ") names the column of stages."),
        )


def _unknown_labels(unknown: list[str], counts: Mapping[str, str], path: str) -> UnknownStageError:
    first = unknown[0]
    where = counts.get(first, "")
    lines = "\n".join(f'    {toml_text(label)} = "..."' for label in unknown[:20])
    listing = ", ".join(f"'{shorten(u)}'" + (f" ({counts[u]})" if u in counts else "") for u in unknown[:6])
    more = f" and {len(unknown) - 6} more" if len(unknown) > 6 else ""
    return UnknownStageError(
        "unknown stage label" if len(unknown) == 1 else f"{len(unknown)} unknown stage labels",
        path,
        where if len(unknown) == 1 else "",
        listing + more,
        "a plain stage name, or a line for it in the layout",
        (
            "Give a layout (",
            f") with\n    [stages]\n{lines}\n  and for each one of {', '.join((*STAGE_WORDS, UNSCORED, NOT_A_STAGE))}.",
        ),
        unknown,
    )


def make_stage_set(
    labels: Sequence[str], stages: Sequence[str], *, reports: Sequence[str] | None = None, path: str = ""
) -> StageSet:
    """Return the stage set of one side, with what it can report declared or taken from its labels.

    Raises
    ------
    UnknownStageError
        When ``reports`` holds a word that is no stage, or the labels hold a stage that ``reports`` rules out.
    """
    held = tuple(dict.fromkeys(stage for stage in stages if stage not in (UNSCORED, NOT_A_STAGE)))
    if reports is None:
        return StageSet(tuple(labels), tuple(stages), held)
    declared: list[str] = []
    for word in reports:
        stage = canonical_stage(word) or (word if word in held else None)
        if stage is None or stage in (UNSCORED, NOT_A_STAGE):
            raise UnknownStageError(
                "the declared stages hold a word that is no stage",
                path,
                "reports",
                word,
                "words out of " + ", ".join((*STAGE_WORDS, "light-or-rem", "wake-or-sleep")),
                "Correct --reports, or 'reports' in the layout.",
            )
        declared.append(stage)
    extra = [stage for stage in held if stage not in declared]
    if extra:
        shown = next(label for label, stage in zip(labels, stages, strict=True) if stage == extra[0])
        raise UnknownStageError(
            f"the file holds a stage ({extra[0]}) that the declared stages rule out",
            path,
            "reports",
            f"label '{shown}' in the file, declared {', '.join(reports)}",
            "every stage of the file among the declared",
            "Add it to --reports (or 'reports' in the layout), or map the label to another stage.",
        )
    return StageSet(tuple(labels), tuple(stages), tuple(dict.fromkeys(declared)), declared=True)


# --- mappings ---------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class StageMapping:
    """How the stages of both sides form the classes that are compared.

    Parameters
    ----------
    name : str
        Name of the mapping.
    reference_classes, device_classes : tuple of str
        Classes in the order of rows and columns. The device's are a subset of the reference's; where it is a
        proper one the table is rectangular and has no kappa.
    reference, device : tuple of (str, str)
        Stage -> class or ``"leave-out"``; never looked up by a label, however it is spelt. An entry given here that is
        spelt like no stage word is moved to the labels, and other spellings of a stage ("awake") become the stage.
    assumption : str
        One plain sentence: what one takes for granted by using it.
    from_file : str
        Name of the file it came from, "" for a built-in one.
    reference_labels, device_labels : tuple of (str, str)
        Native label -> class or ``"leave-out"``, as mapping files may say. None is spelt like a stage word. A label
        that stands here goes before its stage.
    """

    name: str
    reference_classes: tuple[str, ...]
    device_classes: tuple[str, ...]
    reference: tuple[tuple[str, str], ...]
    device: tuple[tuple[str, str], ...]
    assumption: str = ""
    from_file: str = ""
    reference_labels: tuple[tuple[str, str], ...] = ()
    device_labels: tuple[tuple[str, str], ...] = ()

    def __post_init__(self) -> None:
        for side in ("reference", "device"):
            by_stage, by_label = _split_entries(getattr(self, side))
            object.__setattr__(self, side, by_stage)
            object.__setattr__(self, side + "_labels", (*getattr(self, side + "_labels"), *by_label))
        if len(self.reference_classes) < 2 or len(self.device_classes) < 2:
            raise MappingError(
                f"mapping '{self.name}' has fewer than two classes",
                self.from_file,
                "classes",
                ", ".join(self.device_classes if len(self.device_classes) < 2 else self.reference_classes) or "none",
                "at least two classes on both sides",
                "Agreement needs something to tell apart.",
            )
        if len(self.reference_classes) > MOST_CLASSES:
            raise MappingError(
                f"mapping '{self.name}' has too many classes",
                self.from_file,
                "classes",
                f"{len(self.reference_classes)} classes",
                f"at most {MOST_CLASSES}",
                "Merge some of them.",
            )
        unknown = [name for name in self.device_classes if name not in self.reference_classes]
        if unknown:
            raise MappingError(
                f"mapping '{self.name}' has a device class that no reference label is taken into",
                self.from_file,
                "[device]",
                unknown[0],
                "one of " + ", ".join(self.reference_classes),
                "A class must exist on the reference side to be compared.",
            )

    @property
    def is_square(self) -> bool:
        """Whether the device can say every class, so that chance-corrected agreement is defined."""
        return len(self.device_classes) == len(self.reference_classes)

    @property
    def device_index(self) -> tuple[int, ...]:
        """Position of each device class among the reference classes."""
        return tuple(self.reference_classes.index(name) for name in self.device_classes)

    def reference_codes(self, stage_set: StageSet) -> tuple[int, ...]:
        """Return the class position of each native reference label, -1 where it is left out."""
        return _class_codes(
            stage_set, dict(self.reference), dict(self.reference_labels), self.reference_classes, self, "reference"
        )

    def device_codes(self, stage_set: StageSet) -> tuple[int, ...]:
        """Return the class position of each native device label, -1 where it is left out."""
        return _class_codes(stage_set, dict(self.device), dict(self.device_labels), self.device_classes, self, "device")

    def reference_target(self, label: str, stage: str) -> str | None:
        """Return the class (or ``"leave-out"``) of a reference label of that stage; None where nothing is said."""
        return _target(label, stage, dict(self.reference), dict(self.reference_labels))

    def device_target(self, label: str, stage: str) -> str | None:
        """Return the class (or ``"leave-out"``) of a device label of that stage; None where nothing is said."""
        return _target(label, stage, dict(self.device), dict(self.device_labels))


def _split_entries(
    entries: Iterable[tuple[str, str]],
) -> tuple[tuple[tuple[str, str], ...], tuple[tuple[str, str], ...]]:
    """Return stage -> class and native label -> class: an entry spelt like a stage word is about the stage."""
    named = [(canonical_stage(key), key, target) for key, target in entries]
    by_stage = tuple((stage, target) for stage, _, target in named if stage is not None)
    return by_stage, tuple((key, target) for stage, key, target in named if stage is None)


def _target(label: str, stage: str, by_stage: Mapping[str, str], by_label: Mapping[str, str]) -> str | None:
    # the last look-up is for a layout that calls a label by another label, which a mapping file explains
    return by_label.get(label, by_stage.get(stage, by_label.get(stage)))


def _class_codes(
    stage_set: StageSet,
    by_stage: Mapping[str, str],
    by_label: Mapping[str, str],
    classes: tuple[str, ...],
    mapping: StageMapping,
    side: str,
) -> tuple[int, ...]:
    position = {class_name: i for i, class_name in enumerate(classes)}
    codes: list[int] = []
    missing: dict[str, str] = {}
    for label, stage in zip(stage_set.labels, stage_set.stages, strict=True):
        if stage == UNSCORED:
            codes.append(-1)
            continue
        target = _target(label, stage, by_stage, by_label)
        if target is None:
            # a line that is spelt like a stage word would not reach the label
            missing[label] = label if canonical_stage(label) is None else stage
            continue
        codes.append(-1 if target == LEAVE_OUT else position[target])
    if missing:
        lines = "\n".join(f'    {toml_text(key)} = "..."' for key in dict.fromkeys(missing.values()))
        raise MappingError(
            f"mapping '{mapping.name}' says nothing about {len(missing)} of the {side}'s labels",
            mapping.from_file,
            f"[{side}]",
            ", ".join(
                f"'{shorten(label)}'" + ("" if key == label else f" (stage {key})") for label, key in missing.items()
            ),
            f"a class ({', '.join(classes)}) or {LEAVE_OUT} for every label",
            f"Add to the mapping file\n    [{side}]\n{lines}"
            if mapping.from_file
            else f"Say in a layout which stages they are\n    [stages]\n{lines}",
        )
    return tuple(codes)


def _built_in(
    name: str,
    classes: tuple[str, ...],
    reference: Mapping[str, str],
    assumption: str,
    *,
    unsayable: tuple[str, ...] = (),
    device_overrides: Mapping[str, str] | None = None,
) -> StageMapping:
    """Build a mapping from the class of each AASM stage, by the rule that a stage must fit a class whole."""
    overrides = device_overrides or {}

    def target(stage: str) -> str:
        goals = {reference[covered] for covered in COVERAGE[stage]}
        return goals.pop() if len(goals) == 1 else LEAVE_OUT

    device_classes = tuple(c for c in classes if c not in unsayable)
    device = {stage: overrides.get(stage, target(stage)) for stage in COVERAGE}
    device = {stage: LEAVE_OUT if c in unsayable else c for stage, c in device.items()}
    return StageMapping(
        name,
        classes,
        device_classes,
        tuple((stage, target(stage)) for stage in COVERAGE),
        tuple(device.items()),
        assumption,
    )


def _classes(w: str, n1: str, n2: str, n3: str, r: str) -> dict[str, str]:
    return {"W": w, "N1": n1, "N2": n2, "N3": n3, "R": r}


_WLD = ("wake", "light", "deep")
_WLDR = ("wake", "light", "deep", "rem")

#: Finest first: this is the order in which a default is chosen.
BUILT_IN_MAPPINGS: Final[tuple[StageMapping, ...]] = (
    _built_in("w-n1-n2-n3-r", AASM_STAGES, _classes("W", "N1", "N2", "N3", "R"), "Both sides tell all five stages."),
    _built_in(
        "wake-light-deep-rem",
        _WLDR,
        _classes("wake", "light", "light", "deep", "rem"),
        "The device's light sleep is N1 and N2 together, its deep sleep is N3.",
    ),
    _built_in(
        "rem-apart",
        _WLDR,
        _classes("wake", "light", "light", "deep", "rem"),
        "REM stays a row of its own that the device has no column for: nothing is assumed, and no kappa exists.",
        unsayable=("rem",),
    ),
    _built_in(
        "rem-left-out",
        _WLD,
        _classes("wake", "light", "light", "deep", LEAVE_OUT),
        "Only epochs that the reference does not score REM count: how well the device does where it can be right.",
    ),
    _built_in(
        "rem-as-light",
        _WLD,
        _classes("wake", "light", "light", "deep", "light"),
        "Calling REM light counts as right, calling it anything else as wrong.",
    ),
    _built_in(
        "rem-as-deep",
        _WLD,
        _classes("wake", "light", "light", "deep", "deep"),
        "Calling REM deep counts as right, calling it anything else as wrong.",
    ),
    _built_in(
        "rem-as-wake",
        _WLD,
        _classes("wake", "light", "light", "deep", "wake"),
        "Calling REM wake counts as right, calling it anything else as wrong.",
    ),
    _built_in(
        "n1-as-wake",
        _WLDR,
        _classes("wake", "wake", "light", "deep", "rem"),
        "The device takes N1 for wake, so that N1 called wake counts as right and its light is N2.",
        device_overrides={"light": "light"},
    ),
    _built_in(
        "wake-nrem-rem",
        ("wake", "nrem", "rem"),
        _classes("wake", "nrem", "nrem", "nrem", "rem"),
        "Depth of non-REM sleep does not matter.",
    ),
    _built_in(
        "wake-sleep",
        ("wake", "sleep"),
        _classes("wake", "sleep", "sleep", "sleep", "sleep"),
        "Only sleep against wake matters.",
    ),
    _built_in(
        "either-as-wake",
        ("wake", "sleep"),
        _classes("wake", "sleep", "sleep", "sleep", "sleep"),
        "What may be wake or sleep by the device's word counts as wake.",
        device_overrides={"wake-or-sleep": "wake"},
    ),
    _built_in(
        "either-as-sleep",
        ("wake", "sleep"),
        _classes("wake", "sleep", "sleep", "sleep", "sleep"),
        "What may be wake or sleep by the device's word counts as sleep.",
        device_overrides={"wake-or-sleep": "sleep"},
    ),
)

_REM_RULES: Final = frozenset({"rem-apart", "rem-left-out", "rem-as-light", "rem-as-deep", "rem-as-wake"})
_EITHER_RULES: Final = frozenset({"either-as-wake", "either-as-sleep"})


def reference_reportable(stage_set: StageSet) -> tuple[str, ...]:
    """Return what a reference can say: the five AASM stages as soon as it tells N1 or N2, or nothing but AASM stages.

    A night without N3 or REM is an ordinary night of a scorer who could have scored them, and so is a night awake.
    """
    if stage_set.declared:
        return stage_set.reportable
    says = set(stage_set.reportable)
    if says & {"N1", "N2"} or (says and says <= set(AASM_STAGES)):
        return tuple(dict.fromkeys((*AASM_STAGES, *stage_set.reportable)))
    return stage_set.reportable


def mapping_fits(mapping: StageMapping, reference: StageSet, device: StageSet) -> bool:
    """Whether a built-in mapping can be used: both sides can say every class they should be able to say."""
    can_say = set(device.reportable)
    if mapping.name in _REM_RULES and "R" in can_say:
        return False
    if (mapping.name in _EITHER_RULES) != ("wake-or-sleep" in can_say) and mapping.name != "wake-sleep":
        return mapping.name not in _EITHER_RULES and _reached(mapping, reference, device)
    return _reached(mapping, reference, device)


def _reached(mapping: StageMapping, reference: StageSet, device: StageSet) -> bool:
    rows = dict(mapping.reference)
    columns = dict(mapping.device)
    reference_says = {rows.get(stage, LEAVE_OUT) for stage in reference_reportable(reference)}
    device_says = {columns.get(stage, LEAVE_OUT) for stage in device.reportable}
    # A definite stage (light, N2, ...) that a mapping would drop means that the mapping is not made for it.
    dropped = [s for s in device.reportable if columns.get(s, LEAVE_OUT) == LEAVE_OUT and s not in GENERIC_STAGES]
    return (
        reference_says >= set(mapping.reference_classes) and device_says >= set(mapping.device_classes) and not dropped
    )


def fitting_mappings(reference: StageSet, device: StageSet) -> tuple[StageMapping, ...]:
    """Return the built-in mappings that the two label sets allow, finest first."""
    return tuple(m for m in BUILT_IN_MAPPINGS if mapping_fits(m, reference, device))


def default_mapping(reference: StageSet, device: StageSet) -> StageMapping:
    """Return the finest built-in mapping that the two label sets allow.

    Raises
    ------
    MappingError
        When not even wake against sleep can be told on both sides.
    """
    fitting = fitting_mappings(reference, device)
    if not fitting:
        raise MappingError(
            "no built-in mapping fits the two label sets",
            "",
            "",
            f"the reference can say {', '.join(reference_reportable(reference)) or 'nothing'}; the device "
            f"{', '.join(device.reportable) or 'nothing'}",
            "at least wake and some sleep on both sides",
            "Declare what the device can report (--reports wake,light,deep), or give a mapping of your own "
            "(--mapping FILE.toml).",
        )
    return fitting[0]


def mapping_named(name: str) -> StageMapping:
    """Return the built-in mapping of that name.

    Raises
    ------
    MappingError
        When there is none.
    """
    for mapping in BUILT_IN_MAPPINGS:
        if mapping.name == name:
            return mapping
    raise MappingError(
        "no built-in mapping has this name",
        "",
        "--mapping",
        name,
        "one of " + ", ".join(m.name for m in BUILT_IN_MAPPINGS),
        "Give one of these names, or the path of a mapping file ending in .toml.",
    )
