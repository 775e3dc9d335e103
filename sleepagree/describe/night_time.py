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
    Section,
    Table,
    Told,
    beside,
    section,
    table,
    tabulate,
)
from sleepagree.describe.paragraphs import say_runs
from sleepagree.describe.words import DASH, join_words, minutes, percent, say_class, signed
from sleepagree.errors import counted
from sleepagree.hypnogram.align import PairedNight
from sleepagree.mapping.mapping import StageMapping
from sleepagree.night.compare import NightAgreement
from sleepagree.scoring.disagreement import BoutsSeen, Disagreement, NearTransitions
from sleepagree.scoring.following import Following, StateShifts

_DAY_S: Final = 86400.0

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
    left_out = (
        f"{minutes(apart)} of {stages}, for which the device has no label, are left out of runs, of agreement by part "
        "of the night and of what lies close to changes."
    )
    return section(
        "time",
        "Disagreement in time",
        Paragraph(_say_found_runs(night.paired, found)),
        Paragraph(left_out) if apart else None,
        beside(_parts_figure(night.paired, found), *([_runs_figure(found)] if found.runs.count else [])),
        _near_table(found),
        Paragraph(
            f"Agreement by third of the window: {thirds}. Changes of class per hour: reference "
            f"{found.reference_transitions_per_h:.1f}, device {found.device_transitions_per_h:.1f}."
        ),
    )


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


def _parts_figure(paired: PairedNight, found: Disagreement) -> Figure:
    parts = found.hours or found.thirds
    said = ", ".join(f"{part.part}: {percent(part.agreement)} of {part.epochs}" for part in parts if part.epochs)
    of = "hour of the clock" if found.hours else "third of the night"
    is_merged = bool(found.hours) and paired.status.size * paired.epoch_s > _DAY_S
    merged = " An hour that comes on several days is one part: its epochs are taken together." if is_merged else ""
    return Figure(
        f"agreement-by-{'hour' if found.hours else 'third'}",
        FigureKind.AGREEMENT_BY_HOUR,
        parts,
        title=f"Agreement by {of}",
        description=f"Epochs that agree, by {of}: {said}.{merged}",
        caption=f"Share of epochs that agree, by {of}. A hollow mark rests on less than half an hour.{merged}",
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


def _near_table(found: Disagreement) -> Table:
    told: list[Told[NearTransitions]] = [
        ("of a change in the reference", lambda near: f"within {counted(near.within_epochs, 'epoch')}"),
        ("of the disagreement", lambda near: Cell.share(near.share_of_disagreement)),
        ("of all epochs", lambda near: Cell.share(near.share_of_epochs)),
    ]
    known = (near for near in found.near_transitions if not math.isnan(near.share_of_disagreement))
    return tabulate("near", "Disagreement close to changes of stage in the reference", told, known)


def following_section(night: NightAgreement) -> Section | None:
    """Return what is further to be read of bouts and changes of stage."""
    found, none = night.disagreement, night.unreported
    if found is None:
        return None
    mapping = night.mappings[0].mapping
    tables = _shifts_table(found.shifts), _seen_table(found, none, mapping), _following_table(found, none, mapping)
    return section("following-section", "Bouts and changes of stage", *tables, further=True, folded=True)


def _shifts_table(shifts: Sequence[StateShifts]) -> Table:
    rows = (
        (
            f"{say_class(told.state)} {word}",
            moments.moments,
            moments.followed,
            moments.missed,
            moments.already,
            Cell.difference(moments.median_min),
            say_quartiles(moments.low_quartile_min, moments.high_quartile_min),
        )
        for told in shifts
        for word, moments in (("begins", told.starts), ("ends", told.ends))
        if moments.moments
    )
    heads = ("in the reference", "times", "told", "missed", "no moment", "median (min)", "middle half")
    caption = (
        "When the device tells that a state begins and ends. Positive is late, negative early; no moment: "
        "the device said the state all the time between two episodes."
    )
    return table("shifts", caption, heads, rows)


def say_quartiles(low: float, high: float) -> str:
    """Return the middle half of differences in minutes; one number where it has no width."""
    ends = list(dict.fromkeys((signed(low, 1), signed(high, 1))))
    return DASH if math.isnan(low) else " to ".join(ends)


def _seen_table(found: Disagreement, unreported: Sequence[str], mapping: StageMapping) -> Table:
    lengths = list(dict.fromkeys((b.from_min, b.to_min) for b in found.seen))
    by_class_and_length = {(b.name, b.from_min): b for b in found.seen}
    rows = []
    for name in found.classes:
        bouts = [by_class_and_length.get((name, low)) for low, _ in lengths]
        if any(b is not None and b.bouts for b in bouts):
            rows.append([say_class(name, mapping), *(_seen_cell(b, has_label=name not in unreported) for b in bouts)])
    heads = ("class", *(_say_length(*length) for length in lengths))
    return table("seen", "Bouts of the reference that the device saw, by length of the bout", heads, rows)


def _seen_cell(bouts: BoutsSeen | None, *, has_label: bool) -> Cell:
    if bouts is None or not bouts.bouts:
        return Cell(DASH)
    if not has_label:
        return Cell(f"{NO_LABEL} ({bouts.bouts})")
    return Cell(f"{bouts.seen} of {bouts.bouts}", bouts.share)


def _say_length(low: float, high: float) -> str:
    return f"{low:g} min and more" if math.isinf(high) else f"{low:g} to under {high:g} min"


def _following_table(found: Disagreement, unreported: Sequence[str], mapping: StageMapping) -> Table:
    heads = ("change in the reference", "times", "followed", "was there already", "never", "median delay (min)")
    rows = (_following_row(change, mapping, has_label=change.after not in unreported) for change in found.following)
    caption = "How the device follows the changes of the reference; a negative delay means that it came first"
    return table("following", caption, heads, rows, sortable=True)


def _following_row(change: Following, mapping: StageMapping, *, has_label: bool) -> list[object]:
    head = [f"{say_class(change.before, mapping)} to {say_class(change.after, mapping)}", change.transitions]
    if not has_label:
        return [*head, NO_LABEL, *[DASH] * 3]
    return [*head, change.followed, change.already_there, change.never, Cell.difference(change.median_min)]
