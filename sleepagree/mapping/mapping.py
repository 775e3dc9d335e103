"""How stages form the classes that are compared, and the built-in ways of doing so (``built_in.toml``).

A stage is defined by the AASM stages it may stand for: ``light`` covers N1 and N2, ``sleep`` covers all four sleep
stages. A built-in mapping takes a stage into a class only if everything the stage may stand for belongs to that class,
so no mapping ever guesses.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any, Final

from sleepagree.errors import MappingError, Option, asked, for_page, shorten
from sleepagree.files.toml import toml_text
from sleepagree.mapping.checks import CheckedMapping, check_classes, check_entries, check_name
from sleepagree.mapping.sets import StageSet, reference_reportable
from sleepagree.mapping.words import (
    AASM_STAGES,
    COVERAGE,
    GENERIC_STAGES,
    LEAVE_OUT,
    UNSCORED,
    canonical_stage,
    read_data,
    recognise_label,
    speak,
)

#: Classes that a mapping may have: codes of classes fit into 8 bits in the clock scan.
MOST_CLASSES: Final = 100


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
    reference, device : mapping of str to str, or tuple of (str, str)
        Stage -> class or ``"leave-out"``, kept as pairs; never looked up by a label, however it is spelt. An entry
        given here that is spelt like no stage word is moved to the labels, and other spellings of a stage ("awake")
        become the stage.
    assumption : str
        One plain sentence: what one takes for granted by using it.
    from_file : str
        Name of the file it came from, "" for a built-in one.
    reference_labels, device_labels : tuple of (str, str)
        Native label -> class or ``"leave-out"``, as mapping files may say. None is spelt like a stage word. A label
        that stands here goes before its stage.
    label_stages : tuple of (str, str)
        Native label of the reference -> its stage on the nights that are spoken of, as :meth:`read_with` has it.

    Raises
    ------
    MappingError
        When a name is no printable text, a class stands twice, is called leave-out or has nothing taken into it, fewer
        than two or more than 100 classes are left, or two spellings of a stage are taken into two classes.
    TypeError
        When classes or entries are none of the forms above.

    Examples
    --------
    >>> from sleepagree import find_mapping
    >>> mapping = find_mapping("rem-left-out")
    >>> mapping.reference_classes, dict(mapping.device)["light"]
    (('wake', 'light', 'deep'), 'light')

    One of your own:

    >>> own = StageMapping(
    ...     "deep or not",
    ...     reference_classes=["wake", "deep", "other sleep"],
    ...     device_classes=["wake", "deep", "other sleep"],
    ...     reference={"W": "wake", "N3": "deep", "N1": "other sleep", "N2": "other sleep", "R": "other sleep"},
    ...     device={"wake": "wake", "deep": "deep", "light": "other sleep", "rem": "other sleep"},
    ... )
    >>> own.is_square
    True
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
    label_stages: tuple[tuple[str, str], ...] = field(default=(), compare=False, repr=False)

    def __post_init__(self) -> None:
        check_name(self.name, self.from_file)
        checked = CheckedMapping(self.name, self.from_file)
        entries = {}
        for side in ("reference", "device"):
            classes = self._take_classes(side + "_classes")
            check_classes(classes, checked)
            entries[side] = (*self._take_entries(side, classes), *self._take_entries(side + "_labels", classes))
        if (many := len(self.reference_classes)) > MOST_CLASSES:
            expected = f"at most {MOST_CLASSES}"
            self._refuse("has too many classes", "classes", f"{many} classes", expected, "Merge some of them.")
        unknown = [name for name in self.device_classes if name not in self.reference_classes]
        if unknown:
            problem = "has a device class that no reference label is taken into"
            expected = "one of " + ", ".join(self.reference_classes)
            remedy = "A class must exist on the reference side to be compared."
            self._refuse(problem, "[device]", unknown[0], expected, remedy)
        for side, given in entries.items():
            check_entries(side, given, getattr(self, side + "_classes"), checked)
            by_stage, by_label = _split_entries(given)
            object.__setattr__(self, side, by_stage)
            object.__setattr__(self, side + "_labels", by_label)

    def _take_classes(self, field: str) -> tuple[str, ...]:
        """Return classes as they are kept."""
        given: Any = getattr(self, field)
        is_list = isinstance(given, Iterable) and not isinstance(given, str)
        classes = tuple(given) if is_list else ()
        wrong = [name for name in classes if not isinstance(name, str)] if is_list else [given]
        if wrong:
            raise TypeError(f"{field} must list classes, such as ['wake', 'sleep'], not {shorten(wrong[0])!r}")
        object.__setattr__(self, field, classes)
        return classes

    def _take_entries(self, field: str, classes: tuple[str, ...]) -> tuple[tuple[str, str], ...]:
        """Return entries of one side as pairs."""
        given: Any = getattr(self, field)
        told = f"{field} must tell the class of each stage, such as {{'W': 'wake', 'N2': 'sleep'}}"
        if isinstance(given, str) or not isinstance(given, Iterable):
            raise TypeError(f"{told}, not {shorten(given)!r}")
        pairs = tuple(given.items() if isinstance(given, Mapping) else given)
        for pair in pairs:
            if not isinstance(pair, (tuple, list)) or len(pair) != 2 or not all(isinstance(part, str) for part in pair):
                raise TypeError(f"{told}, not {shorten(pair)!r}")
            if pair[1] not in (*classes, LEAVE_OUT):
                self._refuse(
                    f"takes {shorten(pair[0])!r} into an unknown class",
                    field,
                    pair[1],
                    f"one of {', '.join((*classes, LEAVE_OUT))}",
                    f"Correct it, or add the class to {field.partition('_')[0]}_classes.",
                )
        return tuple((key, target) for key, target in pairs)

    def _refuse(self, problem: str, *told: str) -> None:
        raise MappingError(f"mapping '{self.name}' {problem}", self.from_file, *told)

    @property
    def is_square(self) -> bool:
        """Whether the device can say every class, so that chance-corrected agreement is defined."""
        return len(self.device_classes) == len(self.reference_classes)

    @property
    def device_index(self) -> tuple[int, ...]:
        """Position of each device class among the reference classes."""
        return tuple(self.reference_classes.index(name) for name in self.device_classes)

    def read_with(self, reference: StageSet) -> StageMapping:
        """Return the mapping with what the labels of a reference mean, where it takes labels into classes."""
        if not self.reference_labels:
            return self
        return replace(self, label_stages=tuple(zip(reference.labels, reference.stages, strict=True)))

    @property
    def stage_classes(self) -> tuple[tuple[str, str], ...]:
        """Stage -> class (or ``"leave-out"``) of the reference, also where lines name its labels.

        A stage that the nights hold which the mapping was read with goes where their labels go, any other where its
        line does, or that of a label whose text says it. One that goes into several classes is in none of them.
        """
        if not self.reference_labels:
            return self.reference
        held = {stage for _, stage in self.label_stages}
        lines = [(label, stage) for label, _ in self.reference_labels if (stage := recognise_label(label))]
        lines += [(stage, stage) for stage, _ in self.reference]
        of: dict[str, set[str | None]] = {}
        for label, stage in (*self.label_stages, *(line for line in lines if line[1] not in held)):
            if stage in COVERAGE:
                of.setdefault(stage, set()).add(self.target("reference", label, stage))
        return tuple((stage, target) for stage, (target, *more) in of.items() if target and not more)

    @property
    def left_out_stages(self) -> tuple[str, ...]:
        """AASM stages of the reference that are in no class."""
        of = dict(self.stage_classes)
        return tuple(stage for stage in AASM_STAGES if of.get(stage) == LEAVE_OUT)

    def added_stages(self, name: str) -> tuple[str, ...]:
        """Return the AASM stages that a class holds beside those that its name stands for: REM in light.

        Parameters
        ----------
        name : str
            Class; one whose name is no stage word holds nothing beside.
        """
        own = COVERAGE.get(canonical_stage(name) or "")
        of = dict(self.stage_classes)
        return tuple(stage for stage in AASM_STAGES if own and of.get(stage) == name and stage not in own)

    def speak(self, name: str) -> str:
        """Return a class as people read it, named for what it holds.

        Examples
        --------
        >>> mapping_named("rem-as-light").speak("light"), mapping_named("rem-apart").speak("rem")
        ('light+REM', 'REM')
        """
        return "+".join((speak(shorten(name)), *map(speak, self.added_stages(name))))

    def reference_codes(self, stage_set: StageSet) -> tuple[int, ...]:
        """Return the class position of each native reference label, -1 where it is left out."""
        return _class_codes(self, "reference", stage_set)

    def device_codes(self, stage_set: StageSet) -> tuple[int, ...]:
        """Return the class position of each native device label, -1 where it is left out."""
        return _class_codes(self, "device", stage_set)

    def device_rows(self, stage_set: StageSet) -> tuple[int, ...]:
        """Return the position among ``reference_classes`` of each of a device's labels; -1 leaves a label out."""
        return tuple(self.device_index[c] if c >= 0 else -1 for c in self.device_codes(stage_set))

    def target(self, side: str, label: str, stage: str) -> str | None:
        """Return the class (or ``"leave-out"``) of a side's label of that stage; None where nothing is said."""
        return _target(label, stage, *_entries(self, side))


def _split_entries(
    entries: Iterable[tuple[str, str]],
) -> tuple[tuple[tuple[str, str], ...], tuple[tuple[str, str], ...]]:
    """Return stage -> class and native label -> class: an entry spelt like a stage word is about the stage."""
    named = [(canonical_stage(key), key, target) for key, target in entries]
    by_stage = {stage: target for stage, _, target in named if stage is not None}
    return tuple(by_stage.items()), tuple({key: target for stage, key, target in named if stage is None}.items())


def _entries(mapping: StageMapping, side: str) -> tuple[dict[str, str], dict[str, str]]:
    """Return stage -> class and native label -> class of one side."""
    return dict(getattr(mapping, side)), dict(getattr(mapping, side + "_labels"))


def _target(label: str, stage: str, by_stage: Mapping[str, str], by_label: Mapping[str, str]) -> str | None:
    # the last look-up is for a layout that calls a label by another label, which a mapping file explains
    return by_label.get(label, by_stage.get(stage, by_label.get(stage)))


def _class_codes(mapping: StageMapping, side: str, stage_set: StageSet) -> tuple[int, ...]:
    """Return the class position of each label of a side; refuse labels that the mapping says nothing about."""
    entries, classes = _entries(mapping, side), getattr(mapping, side + "_classes")
    codes: list[int] = []
    missing: dict[str, str] = {}
    for label, stage in zip(stage_set.labels, stage_set.stages, strict=True):
        target = LEAVE_OUT if stage == UNSCORED else _target(label, stage, *entries)
        if target is None:
            # a line that is spelt like a stage word would not reach the label
            missing[label] = label if canonical_stage(label) is None else stage
        else:
            codes.append(-1 if target == LEAVE_OUT else classes.index(target))
    if missing:
        own = not mapping.from_file and mapping not in BUILT_IN_MAPPINGS
        entries_told = ", ".join(f"{key!r}: ..." for key in dict.fromkeys(missing.values()))
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
            else f"Add to the mapping {side}={{{entries_told}}}."
            if own
            else for_page(
                f"Say in a layout which stages they are\n    [stages]\n{lines}", "Say which stages they are."
            ),
        )
    return tuple(codes)


def _built_in(entry: Mapping[str, Any]) -> StageMapping:
    """Build a mapping from the class of each AASM stage, by the rule that a stage must fit a class whole."""
    classes, not_reported = tuple(entry["classes"]), entry.get("not_reported", ())
    targets = {stage: {entry["stages"][covered] for covered in covers} for stage, covers in COVERAGE.items()}
    reference = {stage: goals.pop() if len(goals) == 1 else LEAVE_OUT for stage, goals in targets.items()}
    device = {
        stage: LEAVE_OUT if target in not_reported else target
        for stage, target in (reference | entry.get("device", {})).items()
    }
    device_classes = tuple(c for c in classes if c not in not_reported)
    return StageMapping(
        entry["name"], classes, device_classes, tuple(reference.items()), tuple(device.items()), entry["assumption"]
    )


_ENTRIES: Final = read_data("built_in.toml")["mapping"]

#: Finest first: this is the order in which a default is chosen.
BUILT_IN_MAPPINGS: Final[tuple[StageMapping, ...]] = tuple(map(_built_in, _ENTRIES))

#: Mappings for devices without REM, and those that take sides where a device cannot tell wake from sleep.
_WITHOUT_REM: Final = frozenset(entry["name"] for entry in _ENTRIES if entry.get("without_rem"))
_TAKE_SIDES: Final = frozenset(entry["name"] for entry in _ENTRIES if "wake-or-sleep" in entry.get("device", {}))


def mapping_fits(mapping: StageMapping, reference: StageSet, device: StageSet) -> bool:
    """Whether a built-in mapping can be used: both sides can say every class they should be able to say."""
    if mapping.name in _WITHOUT_REM and "R" in device.reportable:
        return False
    if mapping.name in _TAKE_SIDES and "wake-or-sleep" not in device.reportable:
        return False
    rows, columns = dict(mapping.reference), dict(mapping.device)
    reference_reports = {rows.get(stage, LEAVE_OUT) for stage in reference_reportable(reference)}
    device_reports = {columns.get(stage, LEAVE_OUT) for stage in device.reportable}
    # A definite stage (light, N2, ...) that a mapping would drop means that the mapping is not made for it.
    dropped = [s for s in device.reportable if columns.get(s, LEAVE_OUT) == LEAVE_OUT and s not in GENERIC_STAGES]
    return (
        reference_reports >= set(mapping.reference_classes)
        and device_reports >= set(mapping.device_classes)
        and not dropped
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
    finest = next((m for m in BUILT_IN_MAPPINGS if mapping_fits(m, reference, device)), None)
    if finest is None:
        remedy = for_page(
            f"Declare what the device can report ({Option.REPORTS:wake,light,deep}), or give a mapping of your own "
            f"({Option.MAPPING:FILE.toml}).",
            f"Look at what its labels mean, or answer {asked('reports')}.",
        )
        if "W" not in device.reportable and "wake-or-sleep" not in device.reportable:
            remedy = (
                "If the device writes only sleep, and nothing where it sees wake, "
                + for_page('say so in its layout ([file], silence = "wake")', f"answer {asked('silence', 'wake')}")
                + f" and give {Option.OUTSIDE:wake} for the time before and after. {remedy}"
            )
        raise MappingError(
            "no built-in mapping fits the two label sets",
            found=f"the reference can say {', '.join(reference_reportable(reference)) or 'nothing'}; the device "
            f"{', '.join(device.reportable) or 'nothing'}",
            expected="at least wake and some sleep on both sides",
            remedy=remedy,
        )
    return finest


@lru_cache(maxsize=256)
def reported_classes(mapping: StageMapping, reportable: tuple[str, ...]) -> tuple[str, ...]:
    """Return the classes of a mapping that a device can report: something it can say is taken into them.

    Parameters
    ----------
    mapping : StageMapping
        How stages form classes; a built-in one may be asked for though it does not fit.
    reportable : tuple of str
        The stages that the device can say.
    """
    said = {target for stage, target in mapping.device if stage in reportable}
    said |= {target for _, target in mapping.device_labels}  # the mapping file says that the device has these labels
    return tuple(name for name in mapping.device_classes if name in said)


def refuse_unheard(mapping: StageMapping, device_set: StageSet) -> None:
    """Refuse a mapping that compares a class and passes over the device's own word for it.

    Raises
    ------
    MappingError
        When the device can report such a stage: what is said of devices without a label for it would be false.
    """
    of_reference = dict(mapping.stage_classes)
    for stage, target in mapping.device:
        asked = of_reference.get(stage, LEAVE_OUT)
        passed_over = target == LEAVE_OUT and asked != LEAVE_OUT and asked not in mapping.device_classes
        if passed_over and stage in device_set.reportable:
            raise MappingError(
                f"the mapping compares {speak(asked)} and leaves out what the device calls so",
                "",
                f"{Option.MAPPING}",
                mapping.name,
                f"a device that cannot report {speak(asked)}; this one can report {', '.join(device_set.reportable)}",
                "Give a mapping that fits this device.",
            )


def mapping_named(name: str) -> StageMapping:
    """Return the built-in mapping of that name.

    Raises
    ------
    MappingError
        When there is none.
    """
    by_name = {mapping.name: mapping for mapping in BUILT_IN_MAPPINGS}
    if name not in by_name:
        remedy = "Give one of these names" + for_page(", or the path of a mapping file ending in .toml.", ".")
        expected = "one of " + ", ".join(by_name)
        raise MappingError("no built-in mapping has this name", "", f"{Option.MAPPING}", name, expected, remedy)
    return by_name[name]
