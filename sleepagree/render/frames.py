"""Results as pandas DataFrames, units in the column names, no new numbers."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from sleepagree.night.compare import NightAgreement
from sleepagree.night.mappings import MappingComparison
from sleepagree.render import night_json as documents
from sleepagree.render import study_json as study_documents
from sleepagree.render.correction_json import corrected_epoch_rows, corrected_rows, correction_rows
from sleepagree.render.json_text import number
from sleepagree.study.correction import CorrectedNight, Correction
from sleepagree.study.results import StudyAgreement

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    import pandas as pd

#: Column -> field of the document of a mapping.
_OF_MAPPINGS: Final = {"mapping": "name", "epochs": "n", "left_out_epochs": "left_out", "accuracy": "accuracy"}
_BIAS_IN_SHORT: Final = (
    "device", "measure", "unit", "participants", "nights", "reference_mean", "device_mean", "bias", "bias_low",
    "bias_high", "lower", "upper",
)  # fmt: skip
_OF_REDISTRIBUTION: Final = (
    "stage", "class", "epochs", "minutes", "share", "low", "high", "primary_low", "primary_high", "share_of_class",
)  # fmt: skip
_LABELS: Final = tuple(f"{side}_{kind}" for side in ("reference", "device") for kind in ("label", "stage", "class"))


def _frame(rows: Iterable[Sequence[str]], *names: str, index: str = "") -> pd.DataFrame:
    """Return rows of text, header first, as a DataFrame whose number columns are numbers.

    The columns ``names`` stay text whatever they hold: participant "007" is no number, nor is label "2".
    """
    import pandas as pd

    head, *body = map(list, rows)
    frame = pd.DataFrame(body, columns=head, dtype=object).replace("", None)
    for column in frame.columns.difference(list(names)):
        numbers = pd.to_numeric(frame[column], errors="coerce")
        if (numbers.notna() == frame[column].notna()).all():
            frame[column] = numbers
    return frame.set_index(index) if index else frame


def tabulate_confusion(night: NightAgreement, *, mapping: int = 0) -> pd.DataFrame:
    """Return the counts under one mapping: rows reference classes, columns device classes, epochs.

    Parameters
    ----------
    night : NightAgreement
        The night.
    mapping : int
        Position among ``night.mappings``.
    """
    import pandas as pd

    scored = night.mappings[mapping]
    rows = pd.Index(scored.mapping.reference_classes, name="reference")
    return pd.DataFrame(scored.counts, rows, pd.Index(scored.mapping.device_classes, name="device"))


def tabulate_classes(night: NightAgreement, *, mapping: int = 0) -> pd.DataFrame:
    """Return agreement by class: sensitivity, specificity, PPV, NPV, F1 and kappa."""
    import pandas as pd

    rows = [documents.class_document(c) for c in night.mappings[mapping].table.classes]
    return pd.DataFrame([{k: v for k, v in row.items() if k != "reasons"} for row in rows]).set_index("class")


def tabulate_measures(night: NightAgreement) -> pd.DataFrame:
    """Return the sleep measures of both sides; ``unit`` names the unit of each row."""
    return _frame(documents.measure_rows(night), "measure", "unit", "reason", index="measure")


def tabulate_epochs(night: NightAgreement) -> pd.DataFrame:
    """Return one row per epoch of the window: labels, stages and classes of both sides, and the status."""
    return _frame(documents.epoch_rows(night), *_LABELS, index="epoch")


def tabulate_redistribution(night: NightAgreement) -> pd.DataFrame:
    """Return where the epochs of unreported stages went, one row per stage and device class."""
    import pandas as pd

    traced = ((one.stage, to) for one in night.redistribution for to in one.to)
    rows = [{"stage": stage, **documents.destination_document(to)} for stage, to in traced]
    frame = pd.DataFrame(rows, columns=list(_OF_REDISTRIBUTION))
    # None, where a stage has no epoch, makes a column one of objects
    numbers = frame.columns.difference(["stage", "class", "epochs"])
    return frame.astype(dict.fromkeys(numbers, float))


def tabulate_bias_sources(night: NightAgreement) -> pd.DataFrame:
    """Return the account of each class's bias in signed minutes: one row per class and flow."""
    import pandas as pd

    rows = []
    for source in night.bias_sources:
        rows += [{"class": source.name, "flow": f"from {n}", "minutes": m} for n, m in source.gained]
        rows += [{"class": source.name, "flow": f"to {n}", "minutes": -m} for n, m in source.lost]
    return pd.DataFrame(rows)


def tabulate_mappings(comparison: MappingComparison) -> pd.DataFrame:
    """Return one row per mapping: epochs, accuracy, kappa with intervals, ceiling."""
    import pandas as pd

    rows = []
    for compared in comparison.mappings:
        document = documents.mapping_document(compared.scored)
        kappa, ceiling = document["kappa"], document["ceiling"]
        rows.append(
            {
                **{name: document[key] for name, key in _OF_MAPPINGS.items()},
                "commonest_accuracy": number(compared.commonest_accuracy),
                "kappa": kappa["value"],
                **{f"kappa_{end}": kappa[end] for end in ("low", "high", "block_low", "block_high")},
                **{f"ceiling_{what}": ceiling[what] for what in ("accuracy", "kappa")},
                "declared": compared.declared,
            }
        )
    return pd.DataFrame(rows).set_index("mapping")


def tabulate_night_mappings(night: NightAgreement) -> pd.DataFrame:
    """Return one row per mapping: epochs, accuracy, kappa and the interval that is told first."""
    import pandas as pd

    rows = []
    for scored in night.mappings:
        document, interval = documents.mapping_document(scored), scored.intervals.kappa
        figures = {"kappa": document["kappa"]["value"], "low": interval.low, "high": interval.high}
        rows.append({**{name: document[key] for name, key in _OF_MAPPINGS.items()}, **figures})
    return pd.DataFrame(rows).set_index("mapping")


def tabulate_bias_in_short(study: StudyAgreement) -> pd.DataFrame:
    """Return what is read first of the bias table of every device, under the names of bias.csv."""
    return tabulate_bias(study)[list(_BIAS_IN_SHORT)]


def tabulate_bias(study: StudyAgreement) -> pd.DataFrame:
    """Return the bias table of every device, as in bias.csv."""
    return _frame(study_documents.bias_rows(study), "device", "measure", "unit", "method")


def tabulate_nights(study: StudyAgreement) -> pd.DataFrame:
    """Return one row per row of the nights table, as in nights.csv."""
    names = ("participant", "night", "device", "reason", "mapping", "square_mapping")
    return _frame(study_documents.night_rows(study), *names)


def tabulate_study_confusion(study: StudyAgreement) -> pd.DataFrame:
    """Return pooled counts of every device and mapping in long form, as in confusion.csv."""
    return _frame(study_documents.confusion_rows(study), "device", "mapping", "reference", "device_class")


def tabulate_correction(correction: Correction) -> pd.DataFrame:
    """Return what is learnt of each measure, as in correction.csv."""
    names = ("measure", "unit", "method", "verdict", "interval_kind")
    return _frame(correction_rows(correction), *names, index="measure")


def tabulate_device_classes(correction: Correction) -> pd.DataFrame:
    """Return what each class of the device was, one row per class, third and class of the reference."""
    import pandas as pd

    shares = () if correction.epochs is None else correction.epochs.shares
    rows = [
        {"device": one.label, "third": one.third or "whole", "epochs": one.epochs, "reference": share.name}
        | {"share": share.share, "low": share.low, "high": share.high}
        for one in shares
        for share in one.shares
    ]
    return pd.DataFrame(rows)


def tabulate_corrected(night: CorrectedNight) -> pd.DataFrame:
    """Return the measures of a night as the device says them and corrected, as in corrected.csv."""
    names = ("measure", "unit", "method", "verdict", "extrapolated")
    frame = _frame(corrected_rows([night]), *names, index="measure")
    return frame.assign(extrapolated=frame["extrapolated"] == "yes")


def tabulate_probabilities(night: CorrectedNight) -> pd.DataFrame:
    """Return one row per epoch with the probability of each class, as in epochs.csv."""
    return _frame(corrected_epoch_rows([night]), "start", "label", "class", index="epoch")
