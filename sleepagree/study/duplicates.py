"""Nights that stand in a table under two names."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from sleepagree.study.night_summary import NightSummary, Refusal
from sleepagree.study.run import Outcome
from sleepagree.study.table import NightsTable


def refuse_duplicates(outcomes: Sequence[Outcome], table: NightsTable | None = None) -> tuple[Outcome, ...]:
    """Refuse nights whose files or stage sequences stand under another night already.

    Two devices of one night share its reference; one export may serve several nights of its owner, under one path.
    The same reference under two nights, the same bytes of a device in two files, or the same stage sequence on either
    side under two nights, is one night under two names.

    Parameters
    ----------
    outcomes : sequence of NightSummary or Refusal
        In the order of the table.
    table : NightsTable, optional
        Tells which rows name one device file by the same path; without it, equal bytes of devices pass.
    """
    rows = {} if table is None else {row.row: row for row in table.rows}
    seen: dict[tuple[str, str], NightSummary] = {}
    out: list[Outcome] = []
    for outcome in outcomes:
        if isinstance(outcome, Refusal):
            out.append(outcome)
            continue
        clash = _same_night(outcome, seen)
        other = seen.get(("device file", outcome.device_source.sha256)) if outcome.device_source.sha256 else None
        if not clash and other is not None and table is not None and rows:
            first, second = (_resolved(table.path(rows[night.row].device_file)) for night in (other, outcome))
            clash = "" if first == second else _copied_file(other)
        if clash:
            out.append(Refusal(outcome.row, outcome.participant, outcome.night, outcome.device, clash))
            continue
        out.append(outcome)
        for key in (*_fingerprints(outcome), ("device file", outcome.device_source.sha256)):
            seen.setdefault(key, outcome)
    return tuple(out)


def _resolved(path: Path) -> Path:
    try:
        return path.resolve()
    except (OSError, RuntimeError, ValueError):
        return path


def _fingerprints(night: NightSummary) -> list[tuple[str, str]]:
    keys = [("reference file", source.sha256) for source in night.references]
    keys += zip(("reference stages", "device stages"), night.sequences, strict=True)
    return [(what, value) for what, value in keys if value]


def _same_night(night: NightSummary, seen: dict[tuple[str, str], NightSummary]) -> str:
    for what, value in _fingerprints(night):
        other = seen.get((what, value))
        if other is not None and (other.participant, other.night) != (night.participant, night.night):
            return (
                f"the same {what} as {_name_row(other)}: one night under two names. Correct the table, or take one of "
                "the rows out."
            )
    return ""


def _copied_file(other: NightSummary) -> str:
    return (
        f"the device file is the same, byte for byte, as that of {_name_row(other)}. If one export holds several "
        "nights, name one file in all of its rows; else correct the table, or take the rows out that are wrong."
    )


def _name_row(night: NightSummary) -> str:
    return f"line {night.row} (participant {night.participant}, night {night.night}, device {night.device})"
