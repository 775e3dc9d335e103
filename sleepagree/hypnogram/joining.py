"""Parts of one recording, each read from a file of its own, joined into one."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from sleepagree.caution import Note, NoteKind
from sleepagree.errors import ClockError, EpochGridError, InputError, Option, for_page
from sleepagree.hypnogram.spans import EpochLengthFrom, Origin, ScoredSpans
from sleepagree.hypnogram.window import show_time
from sleepagree.hypnogram.zones import add_seconds, elapsed_seconds

_SLACK_S = 1e-3


def join_parts(parts: Sequence[ScoredSpans]) -> ScoredSpans:
    """Return the parts of one recording as one.

    Parameters
    ----------
    parts : sequence of ScoredSpans
        In order of time. Time between two of them stays a gap.

    Raises
    ------
    ClockError
        When a part tells no clock, or only some tell a zone.
    EpochGridError
        When parts overlap, do not follow each other, or mark the lights at several moments.
    InputError
        When they are of different kinds or give one label two stages.
    """
    first = parts[0]
    if len(parts) == 1:
        return first
    for part in parts[1:]:
        _refuse_strangers(first, part)
    begins_s = [_begin_s(first, part) for part in parts]
    gap_s = _gaps_s(parts, begins_s)
    stage_of = _stages(parts)
    labels = tuple(stage_of)
    codes = [np.array([labels.index(label) for label in part.labels], np.int16)[part.codes] for part in parts]
    ignored: Counter[str] = Counter()
    for part in parts:
        ignored.update(dict(part.ignored))
    off_s = _one_mark("lights off", [part.lights_off_s for part in parts], parts, begins_s)
    on_s = _one_mark("lights on", [part.lights_on_s for part in parts], parts, begins_s)
    # readers deduce it from how long stages last, so that a part without short ones may seem to have another
    is_one_length = len({part.epoch_s for part in parts}) == 1
    joined = Note.of(NoteKind.PARTS_JOINED, count=len(parts), gap_min=gap_s / 60)
    return first.with_changes(
        onset_s=np.concatenate([part.onset_s + begin for part, begin in zip(parts, begins_s, strict=True)]),
        duration_s=np.concatenate([part.duration_s for part in parts]),
        codes=np.concatenate(codes),
        labels=labels,
        stages=tuple(stage_of.values()),
        # where no zone is known, the beginnings of parts are readings of a clock, however a part itself counts
        wall_clock=first.start is not None and first.start.tzinfo is None,
        epoch_s=first.epoch_s if is_one_length else None,
        epoch_from=first.epoch_from if is_one_length else EpochLengthFrom.UNKNOWN,
        lights_off_s=off_s,
        lights_on_s=on_s,
        ignored=tuple(ignored.items()),
        notes=(*dict.fromkeys(note for part in parts for note in part.notes), joined),
        cautions=tuple(dict.fromkeys(caution for part in parts for caution in part.cautions)),
        origin=Origin(
            "+".join(part.origin.name for part in parts),
            first.origin.reader,
            hashlib.sha256("+".join(part.origin.sha256 for part in parts).encode()).hexdigest(),
        ),
        scored_part_s=None,
    )


def _one_mark(
    mark: str, marks_s: Sequence[float | None], parts: Sequence[ScoredSpans], begins_s: Sequence[float]
) -> float | None:
    """Return the mark that the parts hold, after the start of the first; refuse several, as within one file."""
    told = [(b + m, part.origin.name) for m, part, b in zip(marks_s, parts, begins_s, strict=True) if m is not None]
    if told and max(told)[0] - min(told)[0] > _SLACK_S:
        raise EpochGridError(
            f"parts of one recording have several '{mark}' marks",
            told[-1][1],
            found=" and ".join(f"{show_time(parts[0], at)} in {name}" for at, name in told),
            expected="one",
            remedy="Keep one in the files, or "
            + for_page('give them "not-a-stage" under [stages] in a layout', "say that they are no stages")
            + f" and give the window ({Option.WINDOW:FROM/TO}).",
        )
    return told[0][0] if told else None


def _refuse_strangers(first: ScoredSpans, part: ScoredSpans) -> None:
    for what, one, other in (
        ("kinds of files", first.origin.reader, part.origin.reader),
        ("declarations of what can be reported", first.reports, part.reports),
        ("ways to tell time", first.wall_clock, part.wall_clock),
    ):
        if one != other:
            raise InputError(
                f"parts of one recording have different {what}",
                part.origin.name,
                found=str(other),
                expected=f"{one}, as in {first.origin.name}",
                remedy="Join only parts of one recording that were exported in one way.",
            )
    if first.origin.sha256 and first.origin.sha256 == part.origin.sha256:
        raise InputError(
            "two parts are the same bytes", part.origin.name, "", "", "parts that follow each other", "Name each once."
        )


def _begin_s(first: ScoredSpans, part: ScoredSpans) -> float:
    """Return the start of a part in seconds after the start of the first."""
    if first.start is None or part.start is None or (first.start.tzinfo is None) != (part.start.tzinfo is None):
        silent = first if first.start is None else part
        raise ClockError(
            "parts of one recording need clocks that can be compared",
            silent.origin.name,
            "start",
            "no date and time" if silent.start is None else f"{silent.start}",
            "a start with a date in every part, all with a zone or all without",
            "Give the start of each part in a layout, or the zone of all of them.",
        )
    return elapsed_seconds(first.start, part.start)


def _gaps_s(parts: Sequence[ScoredSpans], begins_s: Sequence[float]) -> float:
    """Return the time between the parts in all; refuse parts that overlap or are out of order."""
    total = 0.0
    for i, (before, after) in enumerate(pairwise(parts)):
        end_s, begin_s = begins_s[i] + before.end_s, begins_s[i + 1] + float(after.onset_s[0])
        if begin_s < end_s - _SLACK_S:
            told = [f"{add_seconds(parts[0].start, at):%Y-%m-%d %H:%M:%S}" for at in (begin_s, end_s) if parts[0].start]
            raise EpochGridError(
                "parts of one recording overlap or are out of order",
                after.origin.name,
                found=f"a part that begins at {told[0]}",
                expected=f"one that begins at {told[1]} or later, when {before.origin.name} ends",
                remedy="Name the parts in order of time; two files of the same time are no parts of one recording.",
            )
        total += max(0.0, begin_s - end_s)
    return total


def _stages(parts: Sequence[ScoredSpans]) -> dict[str, str]:
    """Return label -> stage over all parts."""
    stage_of: dict[str, str] = {}
    for part in parts:
        for label, stage in zip(part.labels, part.stages, strict=True):
            if stage_of.setdefault(label, stage) != stage:
                raise InputError(
                    "a label has different stages in two parts",
                    part.origin.name,
                    f"label '{label}'",
                    stage,
                    stage_of[label],
                    "Name its stage in a layout.",
                )
    return stage_of
