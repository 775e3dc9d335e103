"""Silence inside a recording of a device that writes only sleep: it is wake where the layout says so."""

from __future__ import annotations

from typing import Final

import numpy as np

from sleepagree.caution import Caution, CautionKind
from sleepagree.hypnogram.spans import NIGHT_BREAK_S, ScoredSpans, label_of_our_own

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
    told = {
        "count": int(at.size),
        "minutes": float(silent_s[at].sum()) / 60.0,
        "longest_min": float(silent_s[at].max()) / 60.0,
    }
    return spans.with_changes(
        onset_s=np.insert(spans.onset_s, at + 1, begin[at]),
        duration_s=np.insert(spans.duration_s, at + 1, silent_s[at]),
        codes=np.insert(spans.codes, at + 1, len(spans.labels)),
        labels=(*spans.labels, label_of_our_own(_LABEL, spans.labels)),
        stages=(*spans.stages, "W"),
        reports=None if spans.reports is None else tuple(dict.fromkeys((*spans.reports, "wake"))),
        cautions=(*spans.cautions, Caution.of(CautionKind.SILENCE_IS_WAKE, **told)),
    )
