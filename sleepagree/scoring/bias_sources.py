"""What the bias of each class is made of, an exact account of one table of counts."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from sleepagree.hypnogram.spans import EPOCH_S, Counts
from sleepagree.inference.estimate import NAN


class BiasSource(NamedTuple):
    """The exact account of one class's bias in minutes: gained, lost, net.

    Parameters
    ----------
    name : str
        The class.
    bias_min : float
        Device minus reference.
    gained : tuple of (str, float)
        Reference class -> minutes that the device called this class.
    lost : tuple of (str, float)
        Device class -> minutes of this class that the device called so.
    without_unreported_min : float
        The bias when the epochs of unreported classes are left out; nan when the device can say every class.
    returned_to : str
        The class that took most of the unreported epochs, "" when there are none.
    returned_min : float
        The bias when the reference's unreported epochs are counted as ``returned_to``; nan as above.
    """

    name: str
    bias_min: float
    gained: tuple[tuple[str, float], ...]
    lost: tuple[tuple[str, float], ...]
    without_unreported_min: float = NAN
    returned_to: str = ""
    returned_min: float = NAN


def account_for_bias(
    counts: Counts, *, reference_classes: Sequence[str], device_classes: Sequence[str]
) -> tuple[BiasSource, ...]:
    """Return where the bias of each class both sides can say comes from.

    Parameters
    ----------
    counts : int array, shape (reference classes, device classes)
        Epochs.
    reference_classes, device_classes : sequence of str
        Names of rows and columns; the columns' are among the rows'.

    Returns
    -------
    tuple of BiasSource
        In each, bias = sum of gained - sum of lost, exactly.
    """
    minutes = np.asarray(counts, np.float64) * (EPOCH_S / 60)
    rows, columns = list(reference_classes), list(device_classes)
    unreported = [i for i, name in enumerate(rows) if name not in columns]
    per_column = minutes[unreported].sum(axis=0)
    best = int(per_column.argmax()) if unreported and per_column.any() else -1
    sources = []
    for column, name in enumerate(columns):
        row = rows.index(name)
        bias = float(minutes[:, column].sum() - minutes[row].sum())
        gained = tuple((other, float(minutes[i, column])) for i, other in enumerate(rows) if i != row)
        lost = tuple((other, float(minutes[row, j])) for j, other in enumerate(columns) if j != column)
        source = BiasSource(name, bias, gained, lost)
        if unreported:
            source = source._replace(
                without_unreported_min=bias - float(minutes[unreported, column].sum()),
                returned_to=columns[best] if best >= 0 else "",
                returned_min=bias - (float(minutes[unreported].sum()) if column == best else 0.0),
            )
        sources.append(source)
    return tuple(sources)
