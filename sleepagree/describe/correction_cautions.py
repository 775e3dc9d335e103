"""The sentences of cautions about corrections, and about nights that were corrected."""

from __future__ import annotations

from typing import Final

from sleepagree.caution import Caution, CautionKind
from sleepagree.describe.facts import Sentence
from sleepagree.describe.words import figure, minutes
from sleepagree.errors import Option, for_page


def _window_of_reference(c: Caution) -> str:
    is_one = c["count"] == 1
    those, were = ("The window in the table is", "was") if is_one else (f"The windows of {c['count']} rows are", "were")
    return (
        f"{those} by the clock of the reference that stands beside, and {were} not looked at. Give the time in bed by "
        f"the device's clock: with {Option.WINDOW:FROM/TO}, or in the column window of a table without references."
    )


def _window_silent(c: Caution) -> str:
    where, up_to = (f"On {c['count']} nights the", "up to ") if c["count"] > 1 else ("The", "")
    return (
        f"{where} device gave no stage to {up_to}{minutes(c['epochs'])} of the window. They count as time in bed "
        "without sleep, in its own values and in what is corrected from them."
    )


def _epochs_not_helped(c: Caution) -> str:
    by_third = c["beside"] == "label_and_third"
    beside = "its label and the third of the night" if by_third else "its label"
    alone = "by label and third of the night" if by_third else "by the label alone"
    losses = f"log loss {figure(c['log_loss'], 3)}, {figure(c['log_loss_beside'], 3)} {alone}"
    all_the_same = "the probabilities of epochs are made of it all the same"
    if c["verdict"] == "cannot_be_told":
        return (
            f"Whether what surrounds an epoch tells more of it than {beside} could not be told in people who were not "
            f"learnt from ({losses}); {all_the_same}."
        )
    applied = "the probabilities of epochs are those of the label alone" if c["applied"] == "label" else all_the_same
    return (
        f"What surrounds an epoch told no more of it than {beside} in people who were not learnt from ({losses}); "
        f"{applied}."
    )


#: All of the same weight.
CORRECTION_SENTENCES: Final[dict[CautionKind, Sentence]] = {
    CautionKind.LEARNT_FROM_FEW: (
        "The correction was learnt from {people:# participant}: below {enough} its intervals rest on the normal "
        "distribution, its choice of method on luck, and its verdicts are weak."
    ),
    CautionKind.MEASURES_NOT_LEARNT: (
        "Not learnt, with fewer than {fewest} participants who have it on both sides: {measures:measures}."
    ),
    CautionKind.EPOCHS_NOT_LEARNT: (
        "Single epochs were not learnt: the nights hold no labels of epochs, or the reference's are all of one class."
    ),
    CautionKind.EXTRAPOLATED: (
        "Outside the range of the nights learnt from, marked with a star: {measures:measures}. Those values are "
        "extrapolated, and their intervals hold for the range learnt only."
    ),
    CautionKind.EPOCHS_NOT_HELPED: _epochs_not_helped,
    CautionKind.NO_INTERVAL: (
        "Without an interval: {measures:measures}. Nobody learnt from, or hardly anybody, had an error there, so "
        "nothing tells how far off a new night may be."
    ),
    CautionKind.WINDOW_BY_DEVICE: (
        "The window lasts from the device's first to its last stage, while the correction was learnt in windows by "
        "{learnt:listed}: SOL, WASO, SE and wake depend on it. Give the time in bed"
        + for_page(
            " with {Option.WINDOW:FROM/TO}, in a table without references in its column window.", " where you can."
        )
    ),
    CautionKind.WINDOW_OF_REFERENCE: _window_of_reference,
    CautionKind.WINDOW_SILENT: _window_silent,
    CautionKind.PULLED_TO_USUAL: (
        "Corrected values are pulled to what was usual in the study (regression to the mean): they are no test of a "
        "person who sleeps unusually, and no diagnosis."
    ),
    CautionKind.LIKE_THE_STUDY: (
        "Verdicts and intervals hold for people and nights like those of the study ({people:# participant}, "
        "{nights:# night}) and for the same device and software."
    ),
}
