"""What a night is asked: how often both sides say the same, and what each class of the device was."""

from __future__ import annotations

from typing import NamedTuple

from sleepagree.hypnogram.spans import EPOCH_S
from sleepagree.inference.estimate import NAN
from sleepagree.night.compare import NightAgreement


class DeviceClass(NamedTuple):
    """What the reference says of the epochs to which the device gave one class.

    Parameters
    ----------
    name : str
        Class of the device.
    epochs : int
        Epochs compared to which the device gave it.
    of : tuple of (str, int)
        Reference class and its epochs among them, in the mapping's order; they add up.
    """

    name: str
    epochs: int
    of: tuple[tuple[str, int], ...]

    @property
    def minutes(self) -> float:
        """Minutes of the class."""
        return self.epochs * EPOCH_S / 60

    @property
    def shares(self) -> tuple[tuple[str, float], ...]:
        """Share of each reference class (positive predictive values, in the own class's place); nan without epochs."""
        return tuple((name, n / self.epochs if self.epochs else NAN) for name, n in self.of)


class NightAnswer(NamedTuple):
    """The finding of one night under its first mapping.

    Parameters
    ----------
    epochs : int
        Epochs compared.
    same_stage : float
        Share of them in which both sides say the same class; nan without epochs.
    best_possible : float
        The share that a device with these labels could reach at best on this night (the design ceiling).
    device_classes : tuple of DeviceClass
        What each class of the device was, in the mapping's order.
    reference : tuple of (str, int)
        Epochs of each reference class.
    left_out : int
        Epochs that both sides staged and the mapping leaves out.
    """

    epochs: int
    same_stage: float
    best_possible: float
    device_classes: tuple[DeviceClass, ...]
    reference: tuple[tuple[str, int], ...]
    left_out: int = 0

    @property
    def cancelling_share(self) -> float:
        """Share of the differing epochs that leave the minutes of every class as they are; nan where none differs."""
        of_device = {found.name: found.epochs for found in self.device_classes}
        moved = sum(abs(of_device.get(name, 0) - n) for name, n in self.reference) / 2
        differing = self.epochs - round(self.same_stage * self.epochs) if self.epochs else 0
        return 1 - moved / differing if differing else NAN

    @property
    def reference_shares(self) -> tuple[tuple[str, float], ...]:
        """Share of the compared epochs that the reference gave to each class; nan without epochs."""
        return tuple((name, n / self.epochs if self.epochs else NAN) for name, n in self.reference)


def answer_night(night: NightAgreement) -> NightAnswer:
    """Return the finding of a night.

    Parameters
    ----------
    night : NightAgreement
        The night; its first mapping names the classes.
    """
    first = night.mappings[0]
    rows, columns = first.mapping.reference_classes, first.mapping.device_classes
    by_row = first.counts.tolist()
    classes = tuple(
        DeviceClass(name, sum(by_column), tuple(zip(rows, by_column, strict=True)))
        for name, by_column in zip(columns, first.counts.T.tolist(), strict=True)
    )
    reference = tuple((name, sum(row)) for name, row in zip(rows, by_row, strict=True))
    return NightAnswer(first.table.n, first.table.accuracy, first.ceiling.accuracy, classes, reference, first.left_out)
