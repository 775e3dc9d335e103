"""A file in words: what a reader sees in it, and what scoring a night with it would do."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Final

from sleepagree.describe.blocks import Block, Cell, Command, Description, Items, Section, section, sections_of, table
from sleepagree.describe.notes import say_notes
from sleepagree.describe.proposal import proposal_sections
from sleepagree.describe.prospect import say_prospect
from sleepagree.describe.words import DASH, moment
from sleepagree.errors import Front, counted, for_page, name_options, shorten
from sleepagree.mapping.words import UNSCORED
from sleepagree.readers.columns import list_names
from sleepagree.readers.inspection import FileInspection, Gap, LabelSeen
from sleepagree.readers.layout import toml_value
from sleepagree.readers.proposing.layout_proposal import LayoutProposal

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
    do = "What scoring would do" if front is Front.PAGE else "What 'sleepagree night' would do"
    name = shorten(inspection.file)
    sections = sections_of(
        section(
            "file", "File", table("facts", "", ("", ""), _facts(inspection, front), words=(0, 1)), detail=f"  {name}"
        ),
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
        _sentences("night", do, say_prospect(inspection, front)),
    )
    if proposal is not None:
        sections += proposal_sections(proposal)
    return Description("sleepagree: one file", name, (), sections)


def _facts(inspection: FileInspection, front: Front) -> list[tuple[str, str]]:
    """Return what is told of a file in a line each; a fact without a value is left out."""
    is_dated = inspection.is_dated
    assumed = ", ".join(f"{key} = {toml_value(value)}" for key, value in inspection.assumed if key != "begins")
    undated = "" if is_dated else ", on a day that is to be filled in"
    facts = {
        "reader": inspection.reader,
        "columns": ", ".join(f"{role} from {list_names(names)}" for role, names in inspection.columns_by_role.items()),
        "not used": list_names(inspection.unused),
        "read as if": assumed and f"{assumed}; to fill in",
        "begins": "" if inspection.start is None else f"{_mark(inspection.start, is_dated=is_dated)}{undated}",
        "ends": "" if inspection.end is None else _mark(inspection.end, is_dated=is_dated),
    }
    if inspection.spans:
        facts |= {
            "lasts": f"{_duration(inspection.duration_s)} in {counted(inspection.spans, 'span')}",
            "zone": _zone(inspection),
            "epoch length": name_options(_epoch(inspection), front),
            "lights": _lights(inspection),
        }
    return [(what, told) for what, told in facts.items() if told]


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
    rows = [(shorten(name), kind) for name, kind in header]
    return section("columns", "Columns", table("header", "", ("name", "holds"), rows, words=(0, 1)))


def _stage(stage: str | None) -> str:
    return _STAGES.get(stage, shorten(stage or ""))


def _labels(labels: Sequence[LabelSeen]) -> Section | None:
    rows = [
        (
            shorten(seen.label),
            _stage(seen.stage),
            DASH if seen.epochs is None else seen.epochs,
            DASH if seen.minutes is None else Cell.number(seen.minutes, 1),
        )
        for seen in labels
    ]
    heads = ("label", "stage", "30-s epochs", "minutes")
    return section("labels", "Labels", table("labels-table", "", heads, rows, words=(0, 1)))


def _first(inspection: FileInspection) -> Section | None:
    begins = [_mark(seen.begin, is_dated=inspection.is_dated).removeprefix("at ") for seen in inspection.first]
    rows = [
        (begin, f"{seen.seconds:g} s", shorten(seen.label), _stage(seen.stage))
        for begin, seen in zip(begins, inspection.first, strict=True)
    ]
    heads = ("begins", "lasts", "label", "stage")
    return section("first", "First rows as they are read", table("first-rows", "", heads, rows, words=range(4)))


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
