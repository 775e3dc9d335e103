"""What one side can report: its native labels, the stage of each, and the stages that it could have told."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from sleepagree.errors import Option, UnknownStageError, asked, for_page, shorten
from sleepagree.mapping.words import AASM_STAGES, NOT_A_STAGE, STAGE_WORDS, UNSCORED, canonical_stage


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


def take_reports(given: Iterable[str] | None) -> tuple[str, ...] | None:
    """Return what a side can report, as it was declared; a text would be taken for its letters.

    Raises
    ------
    TypeError
        When it is no list of texts.

    Examples
    --------
    >>> take_reports(["wake", "asleep"]), take_reports(None)
    (('wake', 'asleep'), None)
    """
    if given is None:
        return None
    is_list = isinstance(given, Iterable) and not isinstance(given, str)
    words = tuple(given) if is_list else ()
    wrong = [word for word in words if not isinstance(word, str)] if is_list else [given]
    if wrong:
        raise TypeError(f"reports must list stages, such as ['wake', 'light', 'deep'], not {shorten(wrong[0])!r}")
    return words


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
                for_page(f"Correct {Option.REPORTS}, or 'reports' in the layout.", f"Correct {asked('reports')}."),
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
            for_page(
                f"Add it to {Option.REPORTS} (or 'reports' in the layout), or", f"Add it to {asked('reports')}, or"
            )
            + " map the label to another stage.",
        )
    return StageSet(tuple(labels), tuple(stages), tuple(dict.fromkeys(declared)), declared=True)


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
