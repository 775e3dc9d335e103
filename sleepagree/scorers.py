"""Several human scorers of one night: their consensus, and agreement among them and with the device."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import combinations
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sleepagree import coefficients
from sleepagree.epochs import lay_on_epochs
from sleepagree.hypnogram import EPOCH_S, EpochLengthFrom, Origin, ScoredSpans
from sleepagree.night import fold_counts
from sleepagree.night_summary import ScorerPair
from sleepagree.pairing import NO_MAJORITY, PairedNight, Window, WindowRule, align
from sleepagree.stages import UNSCORED, StageMapping, StageSet, fitting_mappings, mapping_named
from sleepagree.zones import seconds_between

CONSENSUS: Final = "consensus"
DEVICE: Final = "device"
_FIVE: Final = "w-n1-n2-n3-r"


def build_consensus(scorings: Sequence[ScoredSpans]) -> ScoredSpans:
    """Return the majority scoring of one night.

    An epoch takes the stage that more than half of the scorers gave it; where no stage has that, it is
    labelled "(no majority)" and is not scored. "Unscored" and a gap are votes like any other.

    Parameters
    ----------
    scorings : sequence of ScoredSpans
        One per scorer, at least two, of the same night.

    Returns
    -------
    ScoredSpans
        On the grid and the clock of the first scorer.
    """
    if len(scorings) < 2:
        raise ValueError("a consensus needs at least two scorings")
    first = scorings[0]
    words, votes, begin = _votes(scorings)
    chosen = _majority(votes, len(words))
    labels = (*words, NO_MAJORITY)
    edges = np.flatnonzero(np.diff(chosen, prepend=-2, append=-2))
    start, length = edges[:-1], np.diff(edges)
    kept = chosen[start] >= 0
    names = ", ".join(s.origin.name for s in scorings)
    return ScoredSpans(
        np.asarray(begin + start[kept] * EPOCH_S, np.float64),
        np.asarray(length[kept] * EPOCH_S, np.float64),
        chosen[start[kept]],
        labels,
        (*words, UNSCORED),
        start=first.start,
        lights_off_s=first.lights_off_s,
        lights_on_s=first.lights_on_s,
        epoch_s=EPOCH_S,
        epoch_from=EpochLengthFrom.FILE,
        notes=(f"reference: consensus (more than half) of {len(scorings)} scorers: {names}",),
        origin=Origin(f"{CONSENSUS} of {names}", CONSENSUS),
    )


def _votes(scorings: Sequence[ScoredSpans]) -> tuple[tuple[str, ...], NDArray[np.int16], float]:
    """Return stage words, votes (scorers, epochs) with -1 for a gap, and where the first epoch begins."""
    first = scorings[0]
    scored = np.array([s != UNSCORED for s in first.stages])[first.codes]
    origin_s = float(first.onset_s[int(scored.argmax())])
    words = tuple(dict.fromkeys(stage for s in scorings for stage in s.stages))
    laid = [lay_on_epochs(s, origin_s=origin_s - seconds_between(first, s)) for s in scorings]
    begin = min(epochs.first for epochs in laid)
    end = max(epochs.first + epochs.codes.size for epochs in laid)
    rows = []
    for spans, epochs in zip(scorings, laid, strict=True):
        rank = np.array([*(words.index(stage) for stage in spans.stages), -1], np.int16)
        rows.append(rank[epochs.window(begin, end - begin)])
    return words, np.stack(rows), origin_s + begin * EPOCH_S


def _majority(votes: NDArray[np.int16], n_words: int) -> NDArray[np.int16]:
    counts = np.stack([(votes == word).sum(axis=0) for word in range(-1, n_words)])
    chosen: NDArray[np.int16] = (counts.argmax(axis=0) - 1).astype(np.int16)
    chosen[2 * counts.max(axis=0) <= votes.shape[0]] = n_words
    return chosen


def compare_scorers(
    scorings: Sequence[ScoredSpans], device: PairedNight, *, device_spans: ScoredSpans, clock_offset_s: float
) -> tuple[ScorerPair, ...]:
    """Return agreement of every two scorers, of the device with each scorer, and with the consensus.

    Parameters
    ----------
    scorings : sequence of ScoredSpans
        One per scorer.
    device : PairedNight
        The device against the consensus.
    device_spans : ScoredSpans
        The device alone.
    clock_offset_s : float
        Seconds added to device times.

    Returns
    -------
    tuple of ScorerPair
        Scorers among themselves under all five stages and under the device's first square mapping, so that
        the device's agreement can be read as a share of theirs.
    """
    fitting = fitting_mappings(device.reference_set, device.device_set)
    square = next((m for m in fitting if m.is_square), None)
    out: list[ScorerPair] = []
    for one, other in combinations(scorings, 2):
        paired = align(reference=one, device=other, window=Window(WindowRule.OVERLAP))
        names = one.origin.name, other.origin.name
        for mapping in {_FIVE: mapping_named(_FIVE), **({square.name: square} if square else {})}.values():
            out.append(_score_pair(paired, mapping, names, mapping.reference_codes))
    if square is None:
        return tuple(out)
    for one in scorings:
        paired = align(
            reference=one, device=device_spans, clock_offset_s=clock_offset_s, reports=device.device_set.reportable
        )
        out.append(_score_pair(paired, square, (one.origin.name, DEVICE), square.device_codes))
    out.append(_score_pair(device, square, (CONSENSUS, DEVICE), square.device_codes))
    return tuple(out)


def _score_pair(
    paired: PairedNight,
    mapping: StageMapping,
    names: tuple[str, str],
    column_codes: Callable[[StageSet], tuple[int, ...]],
) -> ScorerPair:
    rows, columns = mapping.reference_codes(paired.reference_set), column_codes(paired.device_set)
    size = len(mapping.reference_classes)
    counts = fold_counts(paired.count_native(), rows, columns, (size, size))
    return ScorerPair(
        *names, int(counts.sum()), float(coefficients.accuracy(counts)), float(coefficients.kappa(counts)), mapping.name
    )
