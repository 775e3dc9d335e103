"""Disagreement in the course of one night in words: parts of the night, runs, bouts and changes of stage."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from sleepagree.describe.blocks import (
    Cell,
    Figure,
    FigureKind,
    Paragraph,
    Rank,
    Section,
    Table,
    beside,
    cells,
    columns,
    present,
)
from sleepagree.describe.paragraphs import say_runs
from sleepagree.describe.words import DASH, join_words, minutes, percent, say_class, signed
from sleepagree.errors import counted
from sleepagree.hypnogram.align import PairedNight
from sleepagree.night.compare import NightAgreement
from sleepagree.scoring.disagreement import BoutsSeen, Disagreement
from sleepagree.scoring.following import Following, StateShifts

#: Where a count of what the device did would blame it for a word that it does not have.
NO_LABEL: Final = "no label"


def time_section(night: NightAgreement) -> Section | None:
    """Return where in the night disagreement lies, and whether it comes in runs."""
    found = night.disagreement
    if found is None:
        return None
    thirds = join_words(percent(part.agreement) for part in found.thirds)
    apart = found.unreported_epochs
    stages = join_words(say_class(name) for name in night.unreported)
    blocks = present(
        Paragraph(_say_found_runs(night.paired, found)),
        Paragraph(
            f"{minutes(apart)} of {stages}, for which the device has no label, are left out of runs, of "
            "agreement by part of the night and of what lies close to changes."
        )
        if apart
        else None,
        beside(_parts_figure(found), *([_runs_figure(found)] if found.runs.count else [])),
        _near_table(found),
        Paragraph(
            f"Agreement by third of the window: {thirds}. Changes of class per hour: reference "
            f"{found.reference_transitions_per_h:.1f}, device {found.device_transitions_per_h:.1f}."
        ),
    )
    return Section("time", "Disagreement in time", blocks)


def _say_found_runs(paired: PairedNight, found: Disagreement) -> str:
    runs = found.runs
    if not runs.count:
        return "No epoch disagrees." if found.epochs else "No epoch could have agreed."
    begin = paired.epoch_start(runs.longest_from)
    where = f", from {begin:%H:%M:%S}" if begin else ""
    return (
        f"{counted(runs.count, 'run')} of disagreement, mean {minutes(runs.mean_length)}, longest "
        f"{minutes(runs.longest)}{where}. {say_runs(runs)}"
    )


def _parts_figure(found: Disagreement) -> Figure:
    parts = found.hours or found.thirds
    said = ", ".join(f"{part.part}: {percent(part.agreement)} of {part.epochs}" for part in parts if part.epochs)
    of = "hour of the clock" if found.hours else "third of the night"
    return Figure(
        f"agreement-by-{'hour' if found.hours else 'third'}",
        FigureKind.AGREEMENT_BY_HOUR,
        parts,
        title=f"Agreement by {of}",
        description=f"Epochs that agree, by {of}: {said}.",
        caption=f"Share of epochs that agree, by {of}. A hollow mark rests on less than half an hour.",
    )


def _runs_figure(found: Disagreement) -> Figure:
    runs = found.runs
    lengths = ", ".join(f"{count} of {length / 2:g} min" for length, count in runs.lengths)
    return Figure(
        "runs-of-disagreement",
        FigureKind.RUN_LENGTHS,
        runs,
        title="Length of runs of disagreement",
        description=(
            f"{counted(runs.count, 'run')}, {runs.expected_count:.0f} expected if errors were scattered; found: "
            f"{lengths}."
        ),
        caption=(
            "Minutes of disagreement in short and in long runs, beside as many errors scattered at random (a "
            "geometric law with the expected mean length)."
        ),
    )


def _near_table(found: Disagreement) -> Table | None:
    rows = tuple(
        cells(
            f"within {counted(n.within_epochs, 'epoch')}",
            Cell.valued(percent(n.share_of_disagreement), n.share_of_disagreement),
            Cell.valued(percent(n.share_of_epochs), n.share_of_epochs),
        )
        for n in found.near_transitions
        if not math.isnan(n.share_of_disagreement)
    )
    heads = columns("of a change in the reference", "of the disagreement", "of all epochs")
    caption = "Disagreement close to changes of stage in the reference"
    return Table("near", caption, heads, rows) if rows else None


def following_section(night: NightAgreement) -> Section | None:
    """Return what is further to be read of bouts and changes of stage."""
    found = night.disagreement
    if found is None:
        return None
    blocks = present(
        _shifts_table(found.shifts), _seen_table(found, night.unreported), _following_table(found, night.unreported)
    )
    title = "Bouts and changes of stage"
    return Section("following-section", title, blocks, Rank.FURTHER, folded=True) if blocks else None


def _shifts_table(shifts: Sequence[StateShifts]) -> Table | None:
    rows = [
        cells(
            f"{say_class(told.state)} {word}",
            Cell.count(moments.moments),
            Cell.count(moments.followed),
            Cell.count(moments.missed),
            Cell.count(moments.already),
            Cell.difference(moments.median_min),
            say_quartiles(moments.low_quartile_min, moments.high_quartile_min),
        )
        for told in shifts
        for word, moments in (("begins", told.starts), ("ends", told.ends))
        if moments.moments
    ]
    heads = columns("in the reference", "times", "told", "missed", "no moment", "median (min)", "middle half")
    caption = (
        "When the device tells that a state begins and ends. Positive is late, negative early; no moment: "
        "the device said the state all the time between two episodes."
    )
    return Table("shifts", caption, heads, tuple(rows)) if rows else None


def say_quartiles(low: float, high: float) -> str:
    """Return the middle half of differences in minutes; one number where it has no width."""
    ends = list(dict.fromkeys((signed(low, 1), signed(high, 1))))
    return DASH if math.isnan(low) else " to ".join(ends)


def _seen_table(found: Disagreement, unreported: Sequence[str]) -> Table | None:
    lengths = list(dict.fromkeys((b.from_min, b.to_min) for b in found.seen))
    by_class_and_length = {(b.name, b.from_min): b for b in found.seen}
    rows = []
    for name in found.classes:
        bouts = [by_class_and_length.get((name, low)) for low, _ in lengths]
        if any(b is not None and b.bouts for b in bouts):
            rows.append(cells(say_class(name), *(_seen_cell(b, has_label=name not in unreported) for b in bouts)))
    heads = columns("class", *(_say_length(*length) for length in lengths))
    caption = "Bouts of the reference that the device saw, by length of the bout"
    return Table("seen", caption, heads, tuple(rows)) if rows else None


def _seen_cell(bouts: BoutsSeen | None, *, has_label: bool) -> Cell:
    if bouts is None or not bouts.bouts:
        return Cell(DASH)
    if not has_label:
        return Cell(f"{NO_LABEL} ({bouts.bouts})")
    return Cell(f"{bouts.seen} of {bouts.bouts}", bouts.share)


def _say_length(low: float, high: float) -> str:
    return f"{low:g} min and more" if math.isinf(high) else f"{low:g} to under {high:g} min"


def _following_table(found: Disagreement, unreported: Sequence[str]) -> Table | None:
    heads = columns("change in the reference", "times", "followed", "was there already", "never", "median delay (min)")
    rows = tuple(_following_row(change, has_label=change.after not in unreported) for change in found.following)
    caption = "How the device follows the changes of the reference; a negative delay means that it came first"
    return Table("following", caption, heads, rows, sortable=True) if rows else None


def _following_row(change: Following, *, has_label: bool) -> tuple[Cell, ...]:
    head = f"{say_class(change.before)} to {say_class(change.after)}", Cell.count(change.transitions)
    if not has_label:
        return cells(*head, NO_LABEL, *[DASH] * 3)
    counts = map(Cell.count, (change.followed, change.already_there, change.never))
    return cells(*head, *counts, Cell.difference(change.median_min))
