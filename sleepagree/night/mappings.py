"""One night under every mapping that fits, side by side."""

from __future__ import annotations

from dataclasses import dataclass

from sleepagree.caution import Caution, CautionKind
from sleepagree.errors import MappingError, Option
from sleepagree.hypnogram.align import PairedNight, refuse_unpaired
from sleepagree.mapping.files import Mappings, take_mappings
from sleepagree.mapping.mapping import fitting_mappings, reported_classes
from sleepagree.mapping.sets import StageSet
from sleepagree.night.compare import MappingAgreement, NightAgreement, bias_of_reported, compare
from sleepagree.scoring.ceiling import share_of_ceiling
from sleepagree.scoring.redistribution import BiasSource
from sleepagree.shown import Result


@dataclass(frozen=True)
class ComparedMapping:
    """One mapping of the comparison.

    Parameters
    ----------
    scored : MappingAgreement
        Agreement under it.
    commonest_accuracy : float
        Accuracy of always saying the reference's commonest class that the device can say; its kappa is 0 by
        definition.
    bias : tuple of BiasSource
        Bias of each class that both sides have a label for.
    declared : bool
        Whether this mapping was named beforehand.
    """

    scored: MappingAgreement
    commonest_accuracy: float
    bias: tuple[BiasSource, ...]
    declared: bool

    @property
    def share_of_ceiling(self) -> tuple[float, float]:
        """Accuracy and kappa as shares of what the labels allow; nan where undefined."""
        ceiling, table = self.scored.ceiling, self.scored.table
        accuracy, kappa = share_of_ceiling(
            [table.accuracy, table.kappa.value], [ceiling.accuracy, ceiling.kappa]
        ).tolist()
        return accuracy, kappa


@dataclass(frozen=True, repr=False)
class MappingComparison(Result):
    """A night under several mappings.

    Parameters
    ----------
    night : NightAgreement
        The night under all of them.
    mappings : tuple of ComparedMapping
        In the order of fineness, those from files last.
    cautions : tuple of Caution
        What may mislead a reader; among them that choosing a mapping after seeing kappa inflates it.
    """

    night: NightAgreement
    mappings: tuple[ComparedMapping, ...]
    cautions: tuple[Caution, ...]


def compare_mappings(
    paired: PairedNight, *, extra: Mappings = (), declared: str = "", level: float = 0.95
) -> MappingComparison:
    """Score one night under every built-in mapping that fits, and under those given.

    Parameters
    ----------
    paired : PairedNight
        The two sides.
    extra : StageMapping, name or path, or several
        Mappings from files, or built-in ones that would not be listed.
    declared : str
        Name of the mapping chosen before the data were seen, "" for none.
    level
        As for :func:`sleepagree.night.compare.compare`.

    Raises
    ------
    MappingError
        When no mapping fits, two have one name, or ``declared`` is none of them.
    TypeError
        When ``paired`` is no paired night.

    Examples
    --------
    >>> from sleepagree import align
    >>> found = compare_mappings(align(reference=["W", "N1", "N2", "R"], device=["wake", "light", "light", "rem"]))
    >>> found.to_frame()["accuracy"].round(2).to_dict()
    {'wake-nrem-rem': 1.0, 'wake-sleep': 1.0}
    """
    refuse_unpaired(paired)
    fitting = fitting_mappings(paired.reference_set, paired.device_set)
    mappings = (*fitting, *(m for m in take_mappings(extra) if m not in fitting))
    names = [m.name for m in mappings]
    if declared and declared not in names:
        problem = "the declared mapping is not among those compared"
        remedy = f"Give its file with {Option.EXTRA}, or another name."
        raise MappingError(problem, "", f"{Option.DECLARED}", declared, "one of " + ", ".join(names), remedy)
    night = compare(paired, mappings=mappings, level=level)
    compared = tuple(_compared(scored, declared, paired.device_set) for scored in night.mappings)
    warnings = [Caution.of(CautionKind.NO_MAPPING_DECLARED)] if len(compared) > 1 and not declared else []
    return MappingComparison(night, compared, (*night.cautions, *warnings))


def _compared(scored: MappingAgreement, declared: str, device_set: StageSet) -> ComparedMapping:
    rows = dict(zip(scored.mapping.reference_classes, scored.counts.sum(axis=1).tolist(), strict=True))
    reported = reported_classes(scored.mapping, device_set.reportable)
    compared = sum(rows.values())
    commonest = max(rows[name] for name in reported) / compared if compared else float("nan")
    return ComparedMapping(scored, commonest, bias_of_reported(scored, device_set), scored.mapping.name == declared)
