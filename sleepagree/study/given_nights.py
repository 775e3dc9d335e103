"""Nights of a study as Python users have them: summaries, or results beside their names; in a list or a DataFrame."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any, Final

from sleepagree.errors import InputError, shorten
from sleepagree.hypnogram.align import PairedNight
from sleepagree.mapping.mapping import StageMapping, default_mapping
from sleepagree.night.compare import NightAgreement
from sleepagree.scoring.clock_check import check_clock
from sleepagree.study.night_summary import NightSummary, Refusal, refuse_own_reference, summarise_night

_NAMES: Final = ("participant", "night", "device")
_FORMS: Final = "a NightSummary, a Refusal, or (participant, night, device, NightAgreement)"


def take_outcomes(given: Any, mapping: StageMapping | None = None) -> list[NightSummary | Refusal]:
    """Return the nights of a study; what is no night is refused, never left out.

    Parameters
    ----------
    given : iterable or DataFrame
        As in :func:`sleepagree.study.summarise.summarise_study`.
    mapping : StageMapping, optional
        The first mapping that the study asks for; that of a single night holds for that night only.
    """
    if hasattr(given, "columns") and hasattr(given, "itertuples"):
        missing = [name for name in (*_NAMES, "agreement") if name not in given.columns]
        if missing:
            raise ValueError(
                f"outcomes: the DataFrame lacks the column {missing[0]!r}; "
                f"found {', '.join(map(str, given.columns))}; expected participant, night, device and agreement"
            )
        given = given[[*_NAMES, "agreement"]].itertuples(index=False, name=None)
    if isinstance(given, (str, bytes, dict)) or not isinstance(given, Iterable):
        raise TypeError(f"outcomes must be an iterable of nights or a DataFrame, not {type(given).__name__}")
    given = list(given)
    named = [not isinstance(each, (NightSummary, Refusal)) for each in given]
    outcomes = [_without_copy(_take_outcome(each, i, mapping)) for i, each in enumerate(given)]
    if not outcomes:
        raise ValueError(f"outcomes holds no night; expected at least one of {_FORMS}")
    _refuse_twice(outcomes, named)
    return outcomes


def _take_outcome(given: Any, position: int, mapping: StageMapping | None) -> NightSummary | Refusal:
    if isinstance(given, (NightSummary, Refusal)):
        return given
    where = f"outcomes[{position}]"
    if isinstance(given, (NightAgreement, PairedNight)):
        raise TypeError(
            f"{where} is a {type(given).__name__} without its names; give (participant, night, device, result), "
            "or summarise_night(paired, participant=..., night=..., device=...)"
        )
    if not isinstance(given, (tuple, list)) or len(given) != 4:
        raise TypeError(f"{where} must be {_FORMS}, not {shorten(given)!r}")
    *names, result = given
    for name, value in zip(_NAMES, names, strict=True):
        if value is None or value != value or not str(value).strip():  # noqa: PLR0124 - nan is not itself
            raise ValueError(f"{where}: {name} must be a name, not {value!r}")
    participant, night, device = (str(value).strip() for value in names)
    paired = result.paired if isinstance(result, NightAgreement) else result
    if not isinstance(paired, PairedNight):
        raise TypeError(f"{where}: the result must be a NightAgreement or a PairedNight, not {shorten(result)!r}")
    summary = summarise_night(
        paired, participant=participant, night=night, device=device, row=position + 1, mapping=mapping
    )
    found = check_clock(paired, mapping or default_mapping(paired.reference_set, paired.device_set))
    if found is None:
        return summary
    return replace(summary, best_offset_s=found.offset_s, offset_gain=found.gain, clock_hint=found.hint.value)


def _without_copy(outcome: NightSummary | Refusal) -> NightSummary | Refusal:
    """Return a night, or its refusal where the device's file is a copy of the reference's."""
    if isinstance(outcome, NightSummary):
        try:
            refuse_own_reference(outcome)
        except InputError as error:
            return Refusal(outcome.row, outcome.participant, outcome.night, outcome.device, str(error))
    return outcome


def _refuse_twice(outcomes: list[NightSummary | Refusal], named: list[bool]) -> None:
    """Refuse a night that was given beside its names twice; rows of a table were looked through before."""
    seen: dict[tuple[str, str, str], int] = {}
    for i, night in enumerate(outcomes):
        key = (night.participant, night.night, night.device)
        if seen.setdefault(key, i) != i and named[i]:
            raise ValueError(
                f"outcomes[{i}]: participant {shorten(key[0])!r}, night {shorten(key[1])!r}, device "
                f"{shorten(key[2])!r} stand in outcomes[{seen[key]}] already"
            )
