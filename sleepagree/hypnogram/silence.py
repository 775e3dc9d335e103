"""Silence inside a recording of a device that writes only sleep: it is wake where the layout says so."""

from __future__ import annotations

from typing import Final

import numpy as np

from sleepagree.caution import Caution, CautionKind
from sleepagree.hypnogram.spans import NIGHT_BREAK_S, ScoredSpans, Seconds, label_of_our_own

_LABEL: Final = "(device silent between: taken as wake)"
_SLACK_S: Final = 1e-3


def silence_as_wake(spans: ScoredSpans) -> ScoredSpans:
    """Return spans with a label of wake where nothing is written between two of them.

    Parameters
    ----------
    spans : ScoredSpans
        One file. What lies before its first and after its last span stays silent, and what lies between two nights.

    Returns
    -------
    ScoredSpans
        With a caution that tells how much was filled; the same spans where there is no silence.
    """
    begin = spans.onset_s[:-1] + spans.duration_s[:-1]
    silent_s = spans.onset_s[1:] - begin
    at = np.flatnonzero((silent_s > _SLACK_S) & (silent_s < NIGHT_BREAK_S))
    if not at.size:
        return spans
    return spans.with_changes(
        onset_s=np.insert(spans.onset_s, at + 1, begin[at]),
        duration_s=np.insert(spans.duration_s, at + 1, silent_s[at]),
        codes=np.insert(spans.codes, at + 1, len(spans.labels)),
        labels=(*spans.labels, label_of_our_own(_LABEL, spans.labels)),
        stages=(*spans.stages, "W"),
        reports=None if spans.reports is None else tuple(dict.fromkeys((*spans.reports, "wake"))),
        cautions=(*spans.cautions, *_filled(silent_s[at])),
    )


def cautions_within(spans: ScoredSpans, begin_s: float, end_s: float) -> tuple[Caution, ...]:
    """Return the cautions of spans; that on silence tells what was filled from one second to another of their time.

    A file of several nights has the silence of all of them, and its caution stands with each.
    """
    others = tuple(caution for caution in spans.cautions if caution.kind is not CautionKind.SILENCE_IS_WAKE)
    if len(others) == len(spans.cautions):
        return others
    ours = max((label for label in spans.labels if label.rstrip("*") == _LABEL), key=len, default=None)
    if ours is None:  # whoever made the spans anew may have renamed it
        return spans.cautions
    is_ours = spans.codes == spans.labels.index(ours)
    onset_s = spans.onset_s[is_ours]
    silent_s = np.minimum(onset_s + spans.duration_s[is_ours], end_s) - np.maximum(onset_s, begin_s)
    return (*others, *_filled(silent_s[silent_s > _SLACK_S]))


def _filled(silent_s: Seconds) -> tuple[Caution, ...]:
    """Return the caution on stretches that were filled, none without any."""
    if not silent_s.size:
        return ()
    minutes, longest_min = float(silent_s.sum()) / 60.0, float(silent_s.max()) / 60.0
    values = {"count": int(silent_s.size), "minutes": minutes, "longest_min": longest_min}
    return (Caution.of(CautionKind.SILENCE_IS_WAKE, **values),)
