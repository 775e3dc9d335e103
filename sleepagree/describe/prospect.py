"""What scoring a night would make of a file, as either side, in sentences."""

from __future__ import annotations

from sleepagree.errors import Front, MappingError, UnknownStageError, asked, counted, for_page, name_options
from sleepagree.hypnogram.epochs import lay_on_epochs
from sleepagree.hypnogram.spans import EPOCH_S, ScoredSpans
from sleepagree.hypnogram.zones import named_place
from sleepagree.mapping.mapping import default_mapping, fitting_mappings
from sleepagree.mapping.sets import StageSet, make_stage_set
from sleepagree.mapping.words import AASM_STAGES
from sleepagree.readers.inspection import STAGE_ORDER, FileInspection, scored_spans


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
