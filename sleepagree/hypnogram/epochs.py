"""The one rule that puts spans of any length on 30-s epochs.

An epoch takes the label that covers most of it; at a tie the label that comes earlier in the epoch; with less
than half of it covered it is a gap. All arithmetic is in whole milliseconds, so a tie is a tie.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from sleepagree.errors import EpochGridError
from sleepagree.hypnogram.spans import EPOCH_S, GAP, LabelCodes, ScoredSpans, frozen_array

_MS: Final = 1000.0
MOST_EPOCHS: Final = 2_000_000
# the whole calendar is 3e11 s; milliseconds of this still fit exactly in a float
_FARTHEST_S: Final = 1e12


@dataclass(frozen=True, eq=False)
class EpochLabels:
    """Labels of consecutive epochs of a grid.

    Parameters
    ----------
    first : int
        Grid index of the first epoch in ``codes``; epoch i of the grid covers [i, i + 1) * epoch length
        after the grid's origin.
    codes : int array, shape (n_epochs,)
        Position of each epoch's label in the source's labels, -1 for a gap.
    split_epochs : int
        Epochs that more than one label shares.
    """

    first: int
    codes: LabelCodes
    split_epochs: int = 0

    def __post_init__(self) -> None:
        object.__setattr__(self, "codes", frozen_array(self.codes, np.int16))

    def window(self, first: int, n_epochs: int) -> LabelCodes:
        """Return the codes of ``n_epochs`` grid epochs from ``first`` on, gaps where nothing is known."""
        if first == self.first and n_epochs == self.codes.size:
            return self.codes
        out = np.full(n_epochs, GAP, np.int16)
        start, stop = max(first, self.first), min(first + n_epochs, self.first + self.codes.size)
        if stop > start:
            out[start - first : stop - first] = self.codes[start - self.first : stop - self.first]
        return frozen_array(out, np.int16)

    @property
    def labelled(self) -> int:
        """Epochs that are not gaps."""
        return int(np.count_nonzero(self.codes >= 0))


def lay_on_epochs(spans: ScoredSpans, *, origin_s: float, epoch_s: float = EPOCH_S) -> EpochLabels:
    """Lay spans on a grid of epochs.

    Parameters
    ----------
    spans : ScoredSpans
        Sorted spans without overlap.
    origin_s : float
        Where the grid's epoch 0 begins, in seconds after ``spans.start``.
    epoch_s : float
        Length of an epoch in seconds.

    Returns
    -------
    EpochLabels
        All epochs that a span touches.

    Raises
    ------
    EpochGridError
        When the spans reach over more than two million epochs (a wrong year, most often).
    """
    if spans.onset_s.size == 0:
        return EpochLabels(0, np.empty(0, np.int16))
    runs = _repeat_runs(spans, origin_s, epoch_s)
    if runs is not None:
        return runs
    _refuse_too_long(spans, origin_s, epoch_s)
    return _share_out(spans, origin_s, epoch_s)


def _refuse_too_long(spans: ScoredSpans, origin_s: float, epoch_s: float) -> None:
    longest_s = MOST_EPOCHS * epoch_s
    length_s = spans.end_s - float(spans.onset_s[0])
    if length_s > longest_s:
        raise EpochGridError(
            "the spans reach over too long a time for a sleep recording",
            spans.origin.name,
            "",
            f"{length_s / 86400:.0f} days",
            f"at most {longest_s / 86400:.0f} days",
            "Check the dates (or the unit of the times) in the file.",
        )
    if not abs(float(spans.onset_s[0]) - origin_s) < _FARTHEST_S:
        raise EpochGridError(
            "the spans lie too far from the grid",
            spans.origin.name,
            "",
            f"{(float(spans.onset_s[0]) - origin_s) / 86400:.3g} days",
            "two recordings of one night",
            "Check the dates, and the clock offset.",
        )


def _repeat_runs(spans: ScoredSpans, origin_s: float, epoch_s: float) -> EpochLabels | None:
    """Expand spans whose edges all lie on the grid; None where one does not, two overlap, or they reach too far."""
    edges = np.empty(2 * spans.onset_s.size)
    edges[0::2] = spans.onset_s
    np.add(spans.onset_s, spans.duration_s, out=edges[1::2])
    edges -= origin_s
    edges /= epoch_s
    if not (edges[0] > -_FARTHEST_S and edges[-1] < edges[0] + MOST_EPOCHS):
        return None
    lines = edges.astype(np.int64)
    lengths = lines[1:] - lines[:-1]
    if not np.logical_and.reduce(lines == edges) or np.minimum.reduce(lengths) < 0:
        return None
    values = np.full(lengths.size, GAP, np.int16)
    values[0::2] = spans.codes
    return EpochLabels(int(lines[0]), values.repeat(lengths))


def _share_out(spans: ScoredSpans, origin_s: float, epoch_s: float) -> EpochLabels:
    """Cut spans at the grid's lines and give each epoch to the label with most of it."""
    epoch_ms = round(epoch_s * _MS)
    codes = spans.codes
    begin = np.rint((spans.onset_s - origin_s) * _MS).astype(np.int64)
    end = np.rint((spans.onset_s + spans.duration_s - origin_s) * _MS).astype(np.int64)
    # rounding to a millisecond may leave a neighbour's end 1 ms after the next onset
    np.minimum(end[:-1], begin[1:], out=end[:-1])
    first = int(begin[0] // epoch_ms)
    n_epochs = int(-(-end[-1] // epoch_ms)) - first
    n_labels = int(codes.max()) + 1
    edges = np.sort(np.concatenate([begin, end, np.arange(first, first + n_epochs + 1) * epoch_ms]))
    edges = edges[np.diff(edges, prepend=edges[0] - 1) > 0]
    piece_begin, piece_length = edges[:-1], np.diff(edges)
    span = np.searchsorted(begin, piece_begin, side="right") - 1
    covered = (span >= 0) & (piece_begin < end[np.maximum(span, 0)])
    piece_begin, piece_length, span = piece_begin[covered], piece_length[covered], span[covered]
    epoch = piece_begin // epoch_ms - first
    cell = epoch * n_labels + codes[span]
    cover = np.bincount(cell, weights=piece_length, minlength=n_epochs * n_labels).astype(np.int64)
    # assigned backwards, so that the earliest piece of each label stays
    earliest = np.zeros(n_epochs * n_labels, np.int64)
    earliest[cell[::-1]] = (piece_begin - (epoch + first) * epoch_ms)[::-1]
    rank = (cover * epoch_ms + (epoch_ms - 1 - earliest)).reshape(n_epochs, n_labels)
    cover = cover.reshape(n_epochs, n_labels)
    chosen = rank.argmax(axis=1).astype(np.int16)
    chosen[2 * cover.sum(axis=1) < epoch_ms] = GAP
    return EpochLabels(first, chosen, int(((cover > 0).sum(axis=1) > 1).sum()))
