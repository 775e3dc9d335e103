"""What a figure draws of a result: a figure takes a whole night or study, and finds its part of it here."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sleepagree.errors import shorten
from sleepagree.night.compare import NightAgreement
from sleepagree.scoring.disagreement import Disagreement

if TYPE_CHECKING:
    from typing_extensions import TypeIs

    from sleepagree.study.results import BiasRow, DeviceStudy, StudyAgreement


@dataclass(frozen=True)
class MeasureDrawn:
    """Values of one measure by both sides, one each night.

    Parameters
    ----------
    reference, device : float array, shape (nights,)
        The values.
    participant : sequence, length nights
        Who slept.
    measure, unit : str
        For the axes.
    row : BiasRow or None
        What a study found of it.
    """

    reference: NDArray[np.float64]
    device: NDArray[np.float64]
    participant: Sequence[object]
    measure: str
    unit: str
    row: BiasRow | None = None

    @property
    def said(self) -> str:
        """The measure before a comma; "" without a name."""
        return f"{self.measure}, " if self.measure else ""


def is_study(found: object) -> TypeIs[StudyAgreement]:
    """Whether a result is that of a study; a figure of a night asks, too, and has no need of all that a study loads."""
    return hasattr(found, "devices")


def device_of(study: StudyAgreement, device: object) -> DeviceStudy:
    """Return one device of a study; where the study has one alone, it needs no name."""
    names = [one.device for one in study.devices]
    if isinstance(device, str) and device in names:
        return study.devices[names.index(device)]
    if len(names) == 1 and (device is None or (isinstance(device, str) and not device)):
        return study.devices[0]
    raise ValueError(f"device must be one of {_listed(names)}, not {device!r}")


def measure_of(
    study: StudyAgreement | None,
    measure: str,
    device: str | ArrayLike | None,
    reference: ArrayLike | None,
    participant: Sequence[object] | None,
    unit: str,
) -> MeasureDrawn:
    """Return what was asked for of a study, or the loose arrays."""
    if study is None:
        if reference is None or device is None or participant is None or isinstance(device, str):
            raise TypeError("a figure of a measure needs a study, or arrays: reference, device and participant")
        return MeasureDrawn(np.asarray(reference, float), np.asarray(device, float), participant, measure, unit)
    from sleepagree.study.results import StudyAgreement, find_measure

    refuse_other(study, StudyAgreement, "study")
    found = device_of(study, device)
    name = find_measure(measure or "TST", [row.measure for row in found.bias])
    row = next((row for row in found.bias if row.measure == name), None)
    if row is None:
        raise ValueError(f"measure must be one of {_listed([row.measure for row in found.bias])}, not {measure!r}")
    return MeasureDrawn(row.reference, row.device, [n.participant for n in found.nights], row.name, row.unit, row)


def disagreement_of(night: NightAgreement) -> Disagreement:
    """Return how disagreement lies in time, which a night has unless its mapping leaves no epoch."""
    if night.disagreement is None:
        raise ValueError("night must hold at least one epoch under its first mapping")
    return night.disagreement


def refuse_other(given: Any, wanted: type, name: str) -> None:
    """Refuse what is not of the type that a parameter takes."""
    if not isinstance(given, wanted):
        raise TypeError(f"{name} must be a {wanted.__name__}, not {type(given).__name__}")


def _listed(names: Sequence[str]) -> str:
    return ", ".join(repr(shorten(name)) for name in names) or "none"
