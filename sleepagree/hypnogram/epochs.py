"""The one rule that puts spans of any length on 30-s epochs.

An epoch takes the label that covers most of it; at a tie the label that comes earlier in the epoch; with less
than half of it covered it is a gap. All arithmetic is in whole milliseconds, so a tie is a tie.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sleepagree.errors import EpochGridError
from sleepagree.hypnogram.spans import EPOCH_S, GAP, Frozen, LabelCodes, ScoredSpans, frozen_array

_MS: Final = 1000.0
_EPOCH_MS: Final = round(EPOCH_S * _MS)
MOST_EPOCHS: Final = 2_000_000
# the whole calendar is 3e11 s; milliseconds of this still fit exactly in a float
_FARTHEST_S: Final = 1e12


@dataclass(frozen=True, eq=False)
class EpochLabels(Frozen):
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
        self._freeze(codes=np.int16)

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


def lay_on_epochs(spans: ScoredSpans, *, origin_s: float) -> EpochLabels:
    """Lay spans on a grid of epochs.

    Parameters
    ----------
    spans : ScoredSpans
        Sorted spans without overlap.
    origin_s : float
        Where the grid's epoch 0 begins, in seconds after ``spans.start``.

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
    _refuse_too_long(spans, origin_s)
    return _share_out(spans, origin_s)


def _refuse_too_long(spans: ScoredSpans, origin_s: float) -> None:
    longest_s = MOST_EPOCHS * EPOCH_S
    length_s = spans.end_s - float(spans.onset_s[0])
    if length_s > longest_s:
        raise EpochGridError(
            "the spans reach over too long a time for a sleep recording",
            spans.origin.name,
            found=f"{length_s / 86400:.0f} days",
            expected=f"at most {longest_s / 86400:.0f} days",
            remedy="Check the dates (or the unit of the times) in the file.",
        )
    if not abs(float(spans.onset_s[0]) - origin_s) < _FARTHEST_S:
        raise EpochGridError(
            "the spans lie too far from the grid",
            spans.origin.name,
            found=f"{(float(spans.onset_s[0]) - origin_s) / 86400:.3g} days",
            expected="two recordings of one night",
            remedy="Check the dates, and the clock offset.",
        )


def _share_out(spans: ScoredSpans, origin_s: float) -> EpochLabels:
    """Cut spans at the grid's lines and give each epoch to the label with most of it."""
    begin = np.rint((spans.onset_s - origin_s) * _MS).astype(np.int64)
    end = np.rint((spans.onset_s + spans.duration_s - origin_s) * _MS).astype(np.int64)
    # rounding to a millisecond may leave a neighbour's end 1 ms after the next onset
    np.minimum(end[:-1], begin[1:], out=end[:-1])
    first = int(begin[0] // _EPOCH_MS)
    begin, end = begin - first * _EPOCH_MS, end - first * _EPOCH_MS
    # epochs that one span fills are its own; those at the ends of spans are contested, and their number is small
    whole, until = -(-begin // _EPOCH_MS), end // _EPOCH_MS
    lines = np.zeros(2 * begin.size + 2, np.int64)
    lines[1:-1:2], lines[2::2] = whole, np.maximum(whole, until)
    lines[-1] = max(lines[-2], -(-end[-1] // _EPOCH_MS))
    values = np.full(lines.size - 1, GAP, np.int16)
    values[1::2] = spans.codes
    epochs = values.repeat(lines[1:] - lines[:-1])
    has_head = (begin % _EPOCH_MS > 0) & (end > begin)
    has_tail = (end % _EPOCH_MS > 0) & (end > begin) & ~(has_head & (until < whole))
    if not (has_head.any() or has_tail.any()):
        return EpochLabels(first, epochs)
    starts = np.concatenate([begin[has_head], until[has_tail] * _EPOCH_MS])
    stops = np.concatenate([np.minimum(end, whole * _EPOCH_MS)[has_head], end[has_tail]])
    codes = np.concatenate([spans.codes[has_head], spans.codes[has_tail]])
    contested, won, split = _contest(starts, stops - starts, codes)
    epochs[contested] = won
    return EpochLabels(first, epochs, split)


def _contest(
    starts: NDArray[np.int64], lengths: NDArray[np.int64], codes: LabelCodes
) -> tuple[NDArray[np.int64], LabelCodes, int]:
    """Return epochs at the ends of spans, the label of each, and how many of them hold several labels.

    An epoch has the label with most of it, of equal ones the earlier; the most may be no label at all.
    """
    n_labels = int(codes.max(initial=0)) + 1
    keys, of_piece = np.unique(starts // _EPOCH_MS * n_labels + codes, return_inverse=True)
    cover = np.bincount(of_piece, weights=lengths, minlength=keys.size).astype(np.int64)
    earliest = np.full(keys.size, _EPOCH_MS)
    np.minimum.at(earliest, of_piece, starts % _EPOCH_MS)
    epochs, first, labels = np.unique(keys // n_labels, return_index=True, return_counts=True)
    best_last = np.lexsort((cover * _EPOCH_MS - earliest, keys // n_labels))
    won = (keys[best_last[first + labels - 1]] % n_labels).astype(np.int16)
    covered = np.add.reduceat(cover, first) if keys.size else cover
    won[2 * covered < _EPOCH_MS] = GAP
    return epochs, won, int((labels > 1).sum())
