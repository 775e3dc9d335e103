"""Nights of a study as Python users have them: summaries, or results beside their names; in a list or a DataFrame."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any, Final

from sleepagree.errors import InputError, MappingError, shorten, take_name
from sleepagree.hypnogram.align import PairedNight
from sleepagree.mapping.mapping import StageMapping
from sleepagree.night.compare import NightAgreement
from sleepagree.study.clocks import with_clock_check
from sleepagree.study.night_summary import NightSummary, Refusal, refuse_own_reference, summarise_night

_NAMES: Final = ("participant", "night", "device")
_FORMS: Final = "a NightSummary, a Refusal, or (participant, night, device, NightAgreement)"


def take_outcomes(
    given: Any, mappings: tuple[StageMapping, ...] = (), *, by: str = "", argument: str = "outcomes"
) -> tuple[list[NightSummary | Refusal], tuple[StageMapping, ...]]:
    """Return the nights of a study and its mappings; what is no night is refused, never left out.

    Parameters
    ----------
    given : iterable or DataFrame
        As in :func:`sleepagree.study.summarise.summarise_study`.
    mappings : tuple of StageMapping
        Mappings that the study asks for.
    by : str
        Column of a DataFrame that tells the group of each night; where it has none of that name, no night has a group.
    argument : str
        What the caller calls ``given``.

    Returns
    -------
    list of NightSummary or Refusal, tuple of StageMapping
        One for each night; and the mappings asked for, or else those that all nights were compared under; () for
        defaults.

    Raises
    ------
    MappingError
        When nights were compared under mappings that differ, and the study asks for none.
    TypeError, ValueError
        When one is no night, or a participant, night and device stand twice.
    """
    groups: list[str] = []
    if hasattr(given, "columns") and hasattr(given, "itertuples"):
        missing = [name for name in (*_NAMES, "agreement") if name not in given.columns]
        if missing:
            raise ValueError(
                f"{argument}: the DataFrame lacks the column {missing[0]!r}; "
                f"found {', '.join(map(str, given.columns))}; expected participant, night, device and agreement"
            )
        if by and by in given.columns:
            groups = [
                take_name(f"{argument}: column {by!r}, row {i}: the group", value) for i, value in enumerate(given[by])
            ]
        given = given[[*_NAMES, "agreement"]].itertuples(index=False, name=None)
    if isinstance(given, (str, bytes, dict)) or not isinstance(given, Iterable):
        raise TypeError(f"{argument} must be an iterable of nights or a DataFrame, not {type(given).__name__}")
    given = list(given)
    mappings = mappings or _shared_mappings(given)
    first = mappings[0] if mappings else None
    outcomes = [_take_outcome(each, i, first, f"{argument}[{i}]") for i, each in enumerate(given)]
    if not outcomes:
        raise ValueError(f"{argument} holds no night; expected at least one of {_FORMS}")
    _refuse_twice(given, outcomes, argument)
    if groups:
        outcomes = [
            replace(night, group=group) if isinstance(night, NightSummary) else night
            for night, group in zip(outcomes, groups, strict=True)
        ]
    return outcomes, mappings


def _shared_mappings(given: list[Any]) -> tuple[StageMapping, ...]:
    """Return the mappings that all nights were compared under; () where each has its default one."""
    nights = [each[3] for each in given if isinstance(each, (tuple, list)) and len(each) == 4]
    asked = {night.mappings_asked for night in nights if isinstance(night, NightAgreement)}
    if len(asked) <= 1:
        return next(iter(asked), ())
    told = sorted(" and ".join(m.name for m in mappings) or "the default" for mappings in asked)
    raise MappingError(
        "the nights were compared under mappings that differ",
        found="; ".join(told),
        expected="the same mappings for every night",
        remedy=f"Say which the study is summed up under: StudyOptions(mappings=[{told[-1].split(' and ')[0]!r}]).",
    )


def _take_outcome(given: Any, position: int, mapping: StageMapping | None, where: str) -> NightSummary | Refusal:
    if isinstance(given, (NightSummary, Refusal)):
        return given
    if isinstance(given, (NightAgreement, PairedNight)):
        raise TypeError(
            f"{where} is a {type(given).__name__} without its names; give (participant, night, device, result), "
            "or summarise_night(paired, participant=..., night=..., device=...)"
        )
    if not isinstance(given, (tuple, list)) or len(given) != 4:
        raise TypeError(f"{where} must be {_FORMS}, not {shorten(given)!r}")
    *names, result = given
    participant, night, device = (take_name(f"{where}: {n}", value) for n, value in zip(_NAMES, names, strict=True))
    paired = result.paired if isinstance(result, NightAgreement) else result
    if not isinstance(paired, PairedNight):
        raise TypeError(f"{where}: the result must be a NightAgreement or a PairedNight, not {shorten(result)!r}")
    summary = summarise_night(
        paired, participant=participant, night=night, device=device, row=position + 1, mapping=mapping
    )
    return with_clock_check(summary, paired, mapping)


def without_copy(outcome: NightSummary | Refusal) -> NightSummary | Refusal:
    """Return a night, or its refusal where the device's file is a copy of the reference's."""
    if isinstance(outcome, NightSummary):
        try:
            refuse_own_reference(outcome)
        except InputError as error:
            return Refusal(outcome.row, outcome.participant, outcome.night, outcome.device, str(error))
    return outcome


def _refuse_twice(given: list[Any], outcomes: list[NightSummary | Refusal], argument: str) -> None:
    """Refuse a night that stands twice: it would count twice, as if somebody had slept once more."""
    seen: dict[tuple[str, str, str], int] = {}
    for i, (each, night) in enumerate(zip(given, outcomes, strict=True)):
        if isinstance(each, Refusal):  # a row of a table that was refused, as one that repeats another is
            continue
        key = (night.participant, night.night, night.device)
        if seen.setdefault(key, i) != i:
            raise ValueError(
                f"{argument}[{i}]: participant {shorten(key[0])!r}, night {shorten(key[1])!r}, device "
                f"{shorten(key[2])!r} stand in {argument}[{seen[key]}] already"
            )
