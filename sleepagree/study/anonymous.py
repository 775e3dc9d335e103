"""Results without names and dates: numbers for people and nights, neutral file names, elapsed times.

Everything that is written is made from the nights, so the nights are what is changed, before anything is written:
:func:`anonymous_table` and :func:`anonymous_summaries` for the names of a study, :func:`rename_spans` for one file,
:func:`anonymous_night` for a paired night. Numbers do not change: no statistic reads a name or a date.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from sleepagree.caution import Role, without_names
from sleepagree.hypnogram.align import PairedNight
from sleepagree.hypnogram.ledger import CONSENSUS
from sleepagree.hypnogram.spans import Origin, ScoredSpans
from sleepagree.study.night_summary import NightSummary, Refusal, SourceFile
from sleepagree.study.table import NightsTable


def anonymous_table(table: NightsTable) -> NightsTable:
    """Return a table of nights whose participants and nights are numbers; where its files lie stays known.

    Parameters
    ----------
    table : NightsTable
        The table.

    Returns
    -------
    NightsTable
        Participants P01, P02 ... and their nights 1, 2 ... in order of appearance; no hash, a neutral name. Devices
        keep their names: they are what is studied.
    """
    names = _number_nights([(row.participant, row.night) for row in table.rows])
    rows = tuple(
        replace(row, participant=participant, night=night, person=row.person or row.participant)
        for row, (participant, night) in zip(table.rows, names, strict=True)
    )
    return replace(table, name="nights", sha256="", rows=rows)


def hide_zones(table: NightsTable) -> NightsTable:
    """Return a table that tells that zones were given, but not which; to be shown, not to be scored."""
    hidden = "(a zone)"
    rows = tuple(
        replace(row, reference_zone=row.reference_zone and hidden, device_zone=row.device_zone and hidden)
        for row in table.rows
    )
    return replace(table, rows=rows)


def anonymous_summaries(nights: Sequence[NightSummary | Refusal]) -> list[NightSummary | Refusal]:
    """Return nights of a table of paired epochs with numbers for participants and nights."""
    source = SourceFile("paired epochs", "")
    hidden: list[NightSummary | Refusal] = []
    names = _number_nights([(night.participant, night.night) for night in nights])
    for night, (participant, number) in zip(nights, names, strict=True):
        files: dict[str, Any] = {}
        if isinstance(night, NightSummary):
            files = {"references": (source,) * len(night.references), "device_source": source}
        hidden.append(replace(night, participant=participant, night=number, **files))
    return hidden


def _number_nights(names: Sequence[tuple[str, str]]) -> list[tuple[str, str]]:
    people = list(dict.fromkeys(participant for participant, _ in names))
    width = max(2, len(str(len(people))))
    codes = {participant: f"P{i:0{width}d}" for i, participant in enumerate(people, 1)}
    nights: dict[str, dict[str, str]] = {participant: {} for participant in people}
    for participant, night in names:
        nights[participant].setdefault(night, str(len(nights[participant]) + 1))
    return [(codes[participant], nights[participant][night]) for participant, night in names]


def rename_spans(spans: ScoredSpans, role: str) -> ScoredSpans:
    """Return spans that call their file by its role ("reference", "scorer 1", "device") and tell no date in words."""
    own = spans.origin
    name = Role(f"{CONSENSUS} of several scorers" if own.reader == CONSENSUS else role if own.name else "")
    words = {own.name: f"the {role}"}
    return spans.with_changes(
        origin=Origin(name, own.reader, ""),
        notes=tuple(without_names(note, words) for note in spans.notes),
        cautions=tuple(without_names(caution, words) for caution in spans.cautions),
        ignored=(),
    )


def anonymous_night(paired: PairedNight) -> PairedNight:
    """Return a paired night without file names, hashes, dates and times of day.

    Parameters
    ----------
    paired : PairedNight
        The night.

    Returns
    -------
    PairedNight
        Its times are seconds after the reference's start, as for a file that tells elapsed time only. Labels,
        counts and epochs are the same.
    """
    reference, device = paired.reference_spans, paired.device_spans
    words = {reference.origin.name: "the reference", device.origin.name: "the device"}
    return replace(
        paired,
        begin=None,
        ledger=replace(paired.ledger, notes=tuple(without_names(note, words) for note in paired.ledger.notes)),
        cautions=tuple(without_names(caution, words) for caution in paired.cautions),
        reference_spans=rename_spans(reference, "reference").with_changes(start=None),
        device_spans=rename_spans(device, "device").with_changes(start=None),
    )
