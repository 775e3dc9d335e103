"""Nights that stand in a table under two names."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

from sleepagree.study.night_summary import NightSummary, Refusal
from sleepagree.study.run import Outcome
from sleepagree.study.table import NightRow, NightsTable

_FILE: Final = "device file"
_STAGES: Final = "device stages"
_OF_DEVICE: Final = (_FILE, _STAGES)


def refuse_duplicates(outcomes: Sequence[Outcome], table: NightsTable | None = None) -> tuple[Outcome, ...]:
    """Refuse nights whose files or stage sequences stand under another night already.

    Two devices of one night share its reference; one export may serve several nights of its owner, under one path.
    The same reference under two nights, the same bytes of a device in two files, or the same stage sequence on either
    side under two nights, is one night under two names. Where it is the reference, the first row stands: it may be
    scored once. Where it is the device, both are refused: nothing tells whose night it is, and one of them would lay a
    stranger's night beside a reference.

    Parameters
    ----------
    outcomes : sequence of NightSummary or Refusal
        In the order of the table.
    table : NightsTable, optional
        Tells which rows name one device file by the same path; without it, equal bytes of devices pass.
    """
    rows = {} if table is None else {row.row: row for row in table.rows}
    has_lines = table is None or not table.paired_epochs
    seen: dict[tuple[str, str], int] = {}
    out: list[Outcome] = []
    for outcome in outcomes:
        out.append(outcome)
        if isinstance(outcome, Refusal):
            continue
        what, first = _clash_of(outcome, seen, outcomes, rows, table)
        if what:
            out[-1] = _refusal(outcome, what, outcomes[first], has_lines=has_lines)
            if what in _OF_DEVICE:
                out[first] = _refusal(outcomes[first], what, outcome, has_lines=has_lines)
            continue
        for key in (*_fingerprints(outcome), (_FILE, outcome.device_source.sha256)):
            seen.setdefault(key, len(out) - 1)
    return tuple(out)


def _clash_of(
    night: NightSummary,
    seen: Mapping[tuple[str, str], int],
    outcomes: Sequence[Outcome],
    rows: Mapping[int, NightRow],
    table: NightsTable | None,
) -> tuple[str, int]:
    """Return what a night shares with an earlier one, and the position of that; "" for none."""
    for what, value in _fingerprints(night):
        at = seen.get((what, value), -1)
        if at >= 0 and (outcomes[at].participant, outcomes[at].night) != (night.participant, night.night):
            return what, at
    at = seen.get((_FILE, night.device_source.sha256), -1) if night.device_source.sha256 else -1
    if at < 0 or table is None or not rows:
        return "", -1
    first, second = (_resolved(table.path(rows[one.row].device_file)) for one in (outcomes[at], night))
    return ("", -1) if first == second else (_FILE, at)


def _resolved(path: Path) -> Path:
    try:
        return path.resolve()
    except (OSError, RuntimeError, ValueError):
        return path


def _fingerprints(night: NightSummary) -> list[tuple[str, str]]:
    keys = [("reference file", source.sha256) for source in night.references]
    keys += zip(("reference stages", _STAGES), night.sequences, strict=True)
    return [(what, value) for what, value in keys if value]


def _refusal(night: Outcome, what: str, other: Outcome, *, has_lines: bool) -> Refusal:
    """Return the refusal of a night that shares something with another one, named by its line where it has one."""
    who = f"participant {other.participant}, night {other.night}, device {other.device}"
    named = f"line {other.row} ({who})" if has_lines else f"those of {who}"
    remedy = f"Correct the table, or take one of the {'rows' if has_lines else 'nights'} out."
    if what == _FILE:
        reason = f"the device file is the same, byte for byte, as that of {named}"
        remedy = (
            "If one export holds several nights, name one file in all of its rows; else correct the table, or take "
            "the rows out that are wrong."
        )
    else:
        reason = f"the same {what} as {named}: one night under two names"
    both = " Both rows are refused: nothing tells which is right." if what in _OF_DEVICE else ""
    reason = f"{reason}.{both} {remedy}"
    return Refusal(night.row, night.participant, night.night, night.device, reason, has_line=has_lines)
