"""What a figure draws of a result: a figure takes a whole night or study, and finds its part of it here."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from sleepagree.errors import shorten
from sleepagree.night.compare import NightAgreement
from sleepagree.scoring.disagreement import Disagreement

if TYPE_CHECKING:
    from typing_extensions import TypeIs

    from sleepagree.study.results import BiasRow, DeviceStudy, StudyAgreement


def is_study(found: object) -> TypeIs[StudyAgreement]:
    """Whether a result is that of a study; a figure of a night asks, too, and has no need of all that a study loads."""
    return hasattr(found, "devices")


def device_of(study: Any, device: str | None) -> DeviceStudy:
    """Return one device of a study; where the study has one alone, it needs no name."""
    if not is_study(study):
        raise TypeError(f"study must be a StudyAgreement, not {type(study).__name__}")
    names = [one.device for one in study.devices]
    if device in names:
        return study.devices[names.index(device)]
    if len(names) == 1 and not device:
        return study.devices[0]
    raise ValueError(f"device must be one of {_listed(names)}, not {device!r}")


def measure_of(study: StudyAgreement, measure: str, device: str | None) -> tuple[BiasRow, list[str]]:
    """Return what a study found of one measure of a device, and who slept in each of its nights."""
    from sleepagree.study.results import find_measure

    found = device_of(study, device)
    name = find_measure(measure or "TST", [row.measure for row in found.bias])
    row = next((row for row in found.bias if row.measure == name), None)
    if row is None:
        raise ValueError(f"measure must be one of {_listed([row.measure for row in found.bias])}, not {measure!r}")
    return row, [night.participant for night in found.nights]


def disagreement_of(night: NightAgreement) -> Disagreement:
    """Return how disagreement lies in time, which a night has unless its mapping leaves no epoch."""
    if night.disagreement is None:
        raise ValueError("night must hold at least one epoch under its first mapping")
    return night.disagreement


def _listed(names: Sequence[str]) -> str:
    return ", ".join(repr(shorten(name)) for name in names) or "none"
