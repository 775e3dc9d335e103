"""What workers run in place of scoring, so that one can be killed while it works however busy the machine is."""

from __future__ import annotations

import time
from collections.abc import Sequence
from pathlib import Path

from sleepagree.study.run import ChunkResult, ScoringOptions, score_rows
from sleepagree.study.table import NightRow

#: Lines of the table up to which rows are scored.
FIRST_LINES = 5


def score_the_first_and_wait(rows: Sequence[NightRow], folder: Path, options: ScoringOptions) -> ChunkResult:
    """Score the first rows of a table; with any other, wait to be killed, ten minutes at most."""
    if rows[0].row > FIRST_LINES:
        time.sleep(600)
    return score_rows(rows, folder, options)
