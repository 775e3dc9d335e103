"""A study from its table: one of nights, whose files are scored, or one of paired epochs."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, BinaryIO, Final

from sleepagree.errors import InputError, Option, take_options
from sleepagree.files.writing import name_inputs
from sleepagree.hypnogram.align import Outside
from sleepagree.study.anonymous import anonymous_summaries, anonymous_table
from sleepagree.study.chunks import input_files
from sleepagree.study.execution import Execution, Progress, run_rows, take_progress
from sleepagree.study.night_summary import NightSummary, Refusal
from sleepagree.study.paired_epochs import hash_file, is_paired_table, read_paired_nights
from sleepagree.study.results import StudyOptions
from sleepagree.study.run import Outcome, ScoringOptions, leave_out_nights
from sleepagree.study.table import NightRow, NightsTable, read_nights_table

_PAIRED_NIGHTS_TOLD: Final = 500
_FILE: Final = "device file"
_STAGES: Final = "device stages"
_OF_DEVICE: Final = (_FILE, _STAGES)


@dataclass(frozen=True)
class StudyRequest:
    """A study as asked for on the command line.

    Parameters
    ----------
    scoring : ScoringOptions
        How nights are read and paired.
    statistics : StudyOptions
        How they are summed up.
    strict : bool
        Whether one refused night refuses the study.
    told : dict
        What was asked for, for the results.
    command : str
        The command that repeats it.
    report : bool
        Whether to make report and figures.
    """

    scoring: ScoringOptions
    statistics: StudyOptions
    strict: bool = False
    told: dict[str, Any] | None = None
    command: str = ""
    report: bool = True


def load_nights(path: Path, *, by: str = "") -> NightsTable:
    """Read a table of nights, or take a table of paired epochs for one.

    Parameters
    ----------
    path : Path
        The table.
    by : str
        A further column whose words group the nights; a table of paired epochs has none.

    Raises
    ------
    InputError
        As :func:`sleepagree.study.table.read_nights_table`.
    """
    if is_paired_table(path):
        if by:
            problem = "a table of paired epochs has no column to tell bias by"
            remedy = f"Leave {Option.BY} out, or give a table of nights with that column."
            raise InputError(problem, path.name, f"{Option.BY}", by, "a table of nights", remedy)
        return NightsTable(path.name, path.parent, hash_file(path), (), paired_epochs=True)
    table = read_nights_table(path, by=by)
    name_inputs(lambda: input_files(table))
    return table


def score_table(
    table: Any,
    options: ScoringOptions | None = None,
    *,
    execution: Execution | None = None,
    progress: bool | Progress | None = None,
    epochs: BinaryIO | None = None,
    keep_epochs: bool = False,
) -> tuple[Outcome, ...]:
    """Score all nights of a table; nights that stand in it under two names are refused.

    Parameters
    ----------
    table : NightsTable, path or DataFrame
        The table, as :func:`sleepagree.read_nights_table` returns or takes it; a path may also lead to a table of
        paired epochs.
    options : ScoringOptions, optional
        How nights are read and paired.
    execution : Execution, optional
        Workers, and where finished chunks are kept.
    progress : bool or callable, optional
        True keeps one line of progress on the error stream, in a script and in a notebook. A callable is called with
        rows done and rows in all; 0 in all where a table of paired epochs does not tell.
    epochs : binary stream, optional
        Takes the epochs of every scored night as CSV lines in members of a gzip file, without a header. Where a night
        is refused beside another one its lines are taken out again, so that the stream must be one that is read and
        sought in, too.
    keep_epochs : bool
        Whether every night holds the labels of its epochs, which :func:`sleepagree.learn_correction` learns from; by
        default those do on which two devices were worn.

    Returns
    -------
    tuple of NightSummary or Refusal
        In the order of the table; what :func:`sleepagree.summarise_study` takes.

    Raises
    ------
    InputError
        When the table is faulty; a night that cannot be scored becomes a Refusal and says why.
    TypeError
        When ``options`` are no ScoringOptions.

    Examples
    --------
    >>> nights = score_table("fixtures/ferry/nights.csv")
    >>> nights[0].participant, nights[0].device, len(nights)
    ('crew-1', 'band A', 24)
    """
    options = take_options(options, ScoringOptions)
    told = take_progress(progress)
    if isinstance(table, (str, os.PathLike)):
        table = load_nights(Path(table))
    elif not isinstance(table, NightsTable):
        table = read_nights_table(table)
    if table.paired_epochs:
        _refuse_of_files(table, options)
        return refuse_duplicates(_paired(table, options, told, keep_epochs=keep_epochs), table)
    rows = anonymous_table(table) if options.anonymous else table
    outcomes: list[Outcome] = []
    of_night = Counter((row.participant, row.night) for row in rows.rows)
    for chunk in run_rows(rows, options, execution=execution, progress=told):
        for outcome in chunk.outcomes:
            # where no other row has the night, nothing is laid beside its epochs
            alone = not keep_epochs and of_night[outcome.participant, outcome.night] == 1
            outcomes.append(replace(outcome, epochs=None) if alone and isinstance(outcome, NightSummary) else outcome)
        if epochs is not None:
            epochs.write(chunk.epochs)
    settled = refuse_duplicates(outcomes, table)
    refused_later = [one for one, other in zip(outcomes, settled, strict=True) if one is not other]
    if epochs is not None and refused_later:
        leave_out_nights(epochs, refused_later)
    return settled


def _refuse_of_files(table: NightsTable, options: ScoringOptions) -> None:
    """Refuse for paired epochs what could only be done where two recordings are laid beside each other."""
    for option, value, usual in (
        (Option.WINDOW, options.window, ""),
        (Option.OUTSIDE, options.outside, Outside.MISSING),
    ):
        if value != usual:
            problem, expected = "paired epochs are taken as they are", "a table of nights, with their files"
            remedy = f"Leave {option} out, or pair the epochs anew from the files."
            raise InputError(problem, table.name, f"{option}", value, expected, remedy)


def _paired(
    table: NightsTable, options: ScoringOptions, progress: Progress | None, *, keep_epochs: bool
) -> list[Outcome]:
    nights = read_paired_nights(
        table.path(table.name),
        mapping=options.mappings[0] if options.mappings else None,
        reports=options.reports or None,
        keep_epochs=keep_epochs,  # a table holds one device: nothing is laid beside them
    )
    found = []
    for night in nights:
        found.append(night)
        if progress is not None and len(found) % _PAIRED_NIGHTS_TOLD == 0:
            progress(len(found), 0)
    if progress is not None:
        progress(len(found), len(found))
    return anonymous_summaries(found) if options.anonymous else found


# --- nights that stand in a table under two names ---------------------------------------------------------


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
