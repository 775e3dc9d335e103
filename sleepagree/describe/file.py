"""A file in words: what a reader sees in it, and what scoring a night with it would do."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Final

from sleepagree.describe.blocks import (
    Block,
    Cell,
    Command,
    Description,
    Items,
    Section,
    Table,
    cells,
    columns,
    sections_of,
)
from sleepagree.describe.notes import say_notes
from sleepagree.describe.proposal import proposal_sections
from sleepagree.describe.words import DASH, moment
from sleepagree.errors import Front, counted, for_page, name_options, shorten
from sleepagree.mapping.words import UNSCORED
from sleepagree.readers.columns import list_names
from sleepagree.readers.inspection import FileInspection, Gap, LabelSeen
from sleepagree.readers.layout import toml_value
from sleepagree.readers.layout_proposal import LayoutProposal

_GAPS: Final = 6
_STAGES: Final = {None: "?  (unknown)", UNSCORED: "no stage"}
#: A line of a layout is not broken, so that it can be copied; one that is longer is cut.
_LONGEST_LAYOUT_LINE: Final = 76
_EPOCH_FROM: Final = {
    "file": "told by the file",
    "layout": for_page("told by the layout", "as answered"),
    "inferred": "inferred from the times",
}


def describe_file(
    inspection: FileInspection, *, proposal: LayoutProposal | None = None, front: Front = Front.COMMAND
) -> Description:
    """Return everything that is said about a file, and about the layout proposed for it, to who shows it."""
    facts = tuple(cells(*fact) for fact in _facts(inspection, front))
    do = "What scoring would do" if front is Front.PAGE else "What 'sleepagree night' would do"
    name = shorten(inspection.file)
    sections = sections_of(
        Section("file", "File", (Table("facts", "", columns("", "", words=(0, 1)), facts),), detail=f"  {name}"),
        _columns(inspection.header),
        _labels(inspection.labels),
        _first(inspection),
        _gaps(inspection.gaps, is_dated=inspection.is_dated),
        _sentences("overlaps", "Overlaps", say_notes(inspection.overlaps, front)),
        _other_texts(inspection.ignored),
        _sentences("notes", "Notes", say_notes(inspection.notes, front)),
        _sentences("mne", "In MNE", inspection.read_by_mne),
        _sentences("settled", "What the layout below takes care of", inspection.settled),
        _sentences("problems", "What stands in the way", inspection.problems),
        _sentences("night", do, inspection.would_do),
    )
    if proposal is not None:
        sections += proposal_sections(proposal)
    return Description("sleepagree: one file", name, (), sections)


def _facts(inspection: FileInspection, front: Front) -> list[tuple[str, str]]:
    facts = [("reader", inspection.reader)]
    if inspection.columns:
        facts.append(
            (
                "columns",
                ", ".join(f"{role} from {list_names(names)}" for role, names in inspection.columns_by_role.items()),
            )
        )
    if inspection.unused:
        facts.append(("not used", list_names(inspection.unused)))
    if assumed := [f"{key} = {toml_value(value)}" for key, value in inspection.assumed if key != "begins"]:
        facts.append(("read as if", f"{', '.join(assumed)}; to fill in"))
    if inspection.start is not None:
        undated = "" if inspection.is_dated else ", on a day that is to be filled in"
        facts.append(("begins", f"{_mark(inspection.start, is_dated=inspection.is_dated)}{undated}"))
    if inspection.end is not None:
        facts.append(("ends", _mark(inspection.end, is_dated=inspection.is_dated)))
    if inspection.spans:
        facts += [
            ("lasts", f"{_duration(inspection.duration_s)} in {counted(inspection.spans, 'span')}"),
            ("zone", _zone(inspection)),
            ("epoch length", name_options(_epoch(inspection), front)),
            ("lights", _lights(inspection)),
        ]
    return facts


def _duration(seconds: float) -> str:
    minutes, left = divmod(round(seconds), 60)
    return f"{minutes // 60} h {minutes % 60:02d} min" + (f" {left:02d} s" if left else "")


def _zone(inspection: FileInspection) -> str:
    if inspection.start is None:
        return "none; elapsed seconds without a clock"
    return inspection.zone or "none; a clock reading"


def _epoch(inspection: FileInspection) -> str:
    if inspection.epoch_seconds is None:
        return "no fixed length"
    return f"{inspection.epoch_seconds:g} s, {_EPOCH_FROM.get(inspection.epoch_seconds_from, 'of unknown origin')}"


def _lights(inspection: FileInspection) -> str:
    marks = (("off", inspection.lights_off), ("on", inspection.lights_on))
    told = [f"{which} {_mark(at, is_dated=inspection.is_dated)}" for which, at in marks if at is not None]
    return ", ".join(told) or "no marks"


def _mark(value: datetime | float, *, is_dated: bool) -> str:
    if isinstance(value, datetime):
        return moment(value) if is_dated else f"{value:%H:%M:%S}"
    return f"at {value:.10g} s"


def _columns(header: Sequence[tuple[str, str]]) -> Section | None:
    if not header:
        return None
    rows = tuple(cells(shorten(name), kind) for name, kind in header)
    return Section("columns", "Columns", (Table("header", "", columns("name", "holds", words=(0, 1)), rows),))


def _labels(labels: Sequence[LabelSeen]) -> Section | None:
    if not labels:
        return None
    rows = tuple(
        cells(
            shorten(seen.label),
            _STAGES.get(seen.stage, shorten(seen.stage or "")),
            DASH if seen.epochs is None else Cell.count(seen.epochs),
            DASH if seen.minutes is None else Cell.number(seen.minutes, 1),
        )
        for seen in labels
    )
    heads = columns("label", "stage", "30-s epochs", "minutes", words=(0, 1))
    return Section("labels", "Labels", (Table("labels-table", "", heads, rows),))


def _first(inspection: FileInspection) -> Section | None:
    if not inspection.first:
        return None
    rows = tuple(
        cells(
            _mark(seen.begin, is_dated=inspection.is_dated).removeprefix("at "),
            f"{seen.seconds:g} s",
            shorten(seen.label),
            _STAGES.get(seen.stage, shorten(seen.stage or "")),
        )
        for seen in inspection.first
    )
    heads = columns("begins", "lasts", "label", "stage", words=(0, 1, 2, 3))
    return Section("first", "First rows as they are read", (Table("first-rows", "", heads, rows),))


def _gaps(gaps: Sequence[Gap], *, is_dated: bool) -> Section | None:
    if not gaps:
        return None
    total = sum(gap.minutes for gap in gaps)
    longest = sorted(sorted(gaps, key=lambda gap: -gap.minutes)[:_GAPS], key=lambda gap: gap.begin_s)
    which = "; the longest" if len(gaps) > _GAPS else ""
    detail = f"  {counted(len(gaps), 'gap')}, {total:.1f} min without a label{which}"
    return Section("gaps", "Gaps", (Items(tuple(_gap(gap, is_dated=is_dated) for gap in longest)),), detail=detail)


def _gap(gap: Gap, *, is_dated: bool) -> str:
    if gap.begin is None or gap.end is None:
        return f"{gap.begin_s:.10g} s to {gap.end_s:.10g} s ({gap.minutes:.1f} min)"
    same_day = gap.begin.date() == gap.end.date() or not is_dated
    end = f"{gap.end:%H:%M:%S}" if same_day else moment(gap.end)
    return f"{gap.begin:{'%Y-%m-%d ' * is_dated}%H:%M:%S} to {end} ({gap.minutes:.1f} min)"


def _other_texts(ignored: Sequence[tuple[str, int]]) -> Section | None:
    """Return how many texts are no stages; what they say is not shown, for it may be about a person."""
    if not ignored:
        return None
    many = f"{counted(len(ignored), 'text')}, {counted(sum(count for _, count in ignored), 'time')}"
    return Section("other", "Other", (), detail=f"  {many}: no stages, and not shown, as they may name people")


def _sentences(name: str, title: str, sentences: Sequence[str]) -> Section | None:
    """Return sentences as items; lines of a layout inside them stay as they are."""
    blocks: list[Block] = []
    for line in (line for sentence in sentences for line in sentence.split("\n")):
        if line.startswith("    "):
            shown = shorten(line.strip())
            cut = shown if len(shown) <= _LONGEST_LAYOUT_LINE else f"{shown[: _LONGEST_LAYOUT_LINE - 1]}…"
            blocks.append(Command(f"  {cut}"))
        elif blocks and isinstance(before := blocks[-1], Items):
            blocks[-1] = Items((*before.items, line.strip()))
        else:
            blocks.append(Items((line.strip(),)))
    return Section(name, title, tuple(blocks)) if blocks else None
