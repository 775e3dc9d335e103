"""Budgets 1 and 2: the help page and one night as whole processes."""

from __future__ import annotations

from tests.performance.harness import Row, Settings, alternate, at_least, at_most, command, process, python
from tests.performance.inputs import write_nights

_NOTEBOOK = """
import sys, mne, numpy as np, pandas as pd
from sklearn.metrics import (balanced_accuracy_score, cohen_kappa_score, confusion_matrix, matthews_corrcoef,
                             precision_recall_fscore_support)
edf, csv = sys.argv[1:]
notes = mne.read_annotations(edf)
grid = {}
for onset, duration, text in zip(notes.onset, notes.duration, notes.description):
    if text[-1] not in 'W123R':
        continue
    for k in range(int(round(duration / 30))):
        grid[int(round(onset / 30)) + k] = text[-1]
frame = pd.read_csv(csv, parse_dates=['start', 'end'])
begin = frame.start.iloc[0]
device = {}
for start, end, stage in frame.itertuples(index=False):
    first = int((start - begin).total_seconds() // 30)
    for k in range(int((end - start).total_seconds() // 30)):
        device[first + k] = stage
fold = {'W': 'Awake', '1': 'Light', '2': 'Light', '3': 'Deep', 'R': 'REM'}
both = sorted(set(grid) & set(device))
x, y = np.array([fold[grid[i]] for i in both]), np.array([device[i] for i in both])
confusion_matrix(x, y); cohen_kappa_score(x, y); matthews_corrcoef(x, y)
balanced_accuracy_score(x, y); precision_recall_fscore_support(x, y, zero_division=np.nan)
"""


def help_page(settings: Settings) -> list[Row]:
    ours, peer = alternate([process(command("--help")), process(python("import click"))], repeats=3 * settings.repeats)
    return [at_most("1", "sleepagree --help against import click", ours, peer, 1.3)]


def one_night(settings: Settings) -> list[Row]:
    (reference, device), *_ = write_nights(settings.folder / "one", 1)
    night = command("night", str(reference), str(device), "--json", "-", "--quiet")
    ours, floor = alternate([process(night), process(python("import click, numpy"))], repeats=3 * settings.repeats)
    again, notebook = alternate(
        [process(night), process([*python(_NOTEBOOK), str(reference), str(device)])], repeats=settings.repeats
    )
    return [
        at_most("2", "night --json - (default intervals) against import click, numpy", ours, floor, 2.2),
        at_least("2", "the same against mne + pandas + scikit-learn (without intervals)", again, notebook, 5.0),
    ]
