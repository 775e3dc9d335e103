"""A file in words: what a reader sees in it, and what scoring a night with it would do."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Final

from sleepagree.describe.blocks import Block, Cell, Command, Description, Items, Section, section, sections_of, table
from sleepagree.describe.notes import say_notes
from sleepagree.describe.proposal import proposal_sections
from sleepagree.describe.words import DASH, moment
from sleepagree.errors import Front, MappingError, UnknownStageError, asked, counted, for_page, name_options, shorten
from sleepagree.hypnogram.epochs import lay_on_epochs
from sleepagree.hypnogram.spans import EPOCH_S, ScoredSpans
from sleepagree.hypnogram.zones import named_place
from sleepagree.mapping.mapping import default_mapping, fitting_mappings
from sleepagree.mapping.sets import StageSet, make_stage_set
from sleepagree.mapping.words import AASM_STAGES, UNSCORED
from sleepagree.readers.columns import list_names
from sleepagree.readers.inspection import STAGE_ORDER, FileInspection, Gap, LabelSeen, scored_spans
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


# --- what scoring would make of it, as either side ---------------------------------------------------------


def say_prospect(inspection: FileInspection, front: Front = Front.COMMAND) -> tuple[str, ...]:
    """Return what scoring would do with a file, to who shows it."""
    spans = inspection.read
    if spans is None:
        return ("Nothing yet: the file is refused as it is, for the reasons above.",)
    if inspection.faults:
        known = not inspection.unknown
        cure = "Settle the overlaps" if known else for_page("Name the labels in a layout", "Name the labels")
        start = for_page(" (--write-layout FILE.toml writes a start).", ".")
        said: tuple[str, ...] = (f"Nothing yet: the file is refused as it is. {cure}{start}",)
    else:
        said = (_clock_sentence(spans), _grid_sentence(spans), _window_sentence(spans), *_mapping_sentences(spans))
    return tuple(name_options(sentence, front) for sentence in said)


def _clock_sentence(spans: ScoredSpans) -> str:
    if spans.start is None:
        return (
            "It tells elapsed seconds and no clock, so it pairs with a file of that kind only, second 0 with second "
            "0" + for_page("; 'begins' in a layout gives it a clock.", f"; {asked('begins')} gives it a clock.")
        )
    if spans.start.tzinfo is None:
        return (
            "Its clock has no zone: it pairs with a clock without a zone as the same clock, and with one that has a "
            "zone once its own is named" + for_page(" (--reference-zone or --device-zone).", ".")
        )
    if (zone := named_place(spans)) is not None:
        return f"Its times name moments; a clock without a zone on the other side is taken for that of {zone}."
    return "Its times name moments, so the other side must tell its zone too; the two are compared in UTC."


def _grid_sentence(spans: ScoredSpans) -> str:
    epoch_s, scored = spans.epoch_s, scored_spans(spans)
    if not scored:
        return "None of its labels is a stage, so there is nothing to score."
    grid = lay_on_epochs(spans, origin_s=float(spans.onset_s[scored[0]]))
    one = grid.split_epochs == 1
    verbs = "is shared by labels and takes" if one else "are shared by labels and take"
    shared = f"; {grid.split_epochs} of them {verbs} the longest" if grid.split_epochs else ""
    length = f"its {epoch_s:g}-s epochs" if epoch_s and epoch_s != EPOCH_S else "it"
    epochs = counted(grid.labelled, "epoch")
    return f"As a reference {length} would give {epochs} of 30 s, counted from its first stage{shared}."


def _window_sentence(spans: ScoredSpans) -> str:
    off, on = spans.lights_off_s, spans.lights_on_s
    if off is not None and on is not None:
        return f"As a reference it sets the window from lights off to lights on ({(on - off) / 60:.1f} min)."
    which = "no lights marks" if off is None and on is None else "only one of the two lights marks"
    scored = scored_spans(spans)
    if not scored:
        return f"It has {which}, and no stage that a window could begin with."
    end_s = float(spans.onset_s[scored[-1]] + spans.duration_s[scored[-1]])
    minutes = (end_s - float(spans.onset_s[scored[0]])) / 60
    return (
        f"It has {which}: as a reference its first to last stage is the window ({minutes:.1f} min), and latency and "
        "efficiency count from there" + for_page(" unless --window is given.", ".")
    )


def _mapping_sentences(spans: ScoredSpans) -> tuple[str, ...]:
    try:
        device = make_stage_set(spans.labels, spans.stages, reports=spans.reports, path=spans.origin.name)
    except UnknownStageError as error:
        return (for_page(error.told(Front.COMMAND), error.told(Front.PAGE)),)
    words = ", ".join(sorted(device.reportable, key=_stage_order)) or "nothing"
    declare = for_page("declare it with --reports or in a layout", f"answer {asked('reports')} to declare it")
    how = "declared" if device.declared else f"taken from its labels; {declare}"
    reference = StageSet(AASM_STAGES, AASM_STAGES, AASM_STAGES)
    sentences = [f"As a device it can report {words} ({how})."]
    try:
        first = default_mapping(reference, device).name
    except MappingError:
        told = "No built-in mapping fits these labels" + for_page(": give one with --mapping FILE.toml.", ".")
        if device.reportable and "W" not in device.reportable:
            told += " If it writes only sleep, " + for_page(
                'say so in its layout: silence = "wake" below [file].', f"answer {asked('silence', 'wake')}."
            )
        return (*sentences, told)
    others = [mapping.name for mapping in fitting_mappings(reference, device) if mapping.name != first]
    also = f"; {', '.join(others)} fit too" if others else ""
    return (*sentences, f"Beside a five-stage reference it is compared under {first}{also}.")


def _stage_order(stage: str) -> int:
    return STAGE_ORDER.index(stage) if stage in STAGE_ORDER else len(STAGE_ORDER)
