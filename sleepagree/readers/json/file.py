"""JSON files: which of the forms with sleep stages a file has, and the reader of that form."""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime, time, timedelta
from pathlib import Path

from sleepagree.errors import FileFormatError, InputError, asked, for_page, shorten
from sleepagree.files.reading import read_bytes
from sleepagree.files.toml import toml_text
from sleepagree.hypnogram.spans import Origin, ScoredSpans
from sleepagree.readers.columns import find_columns, list_names
from sleepagree.readers.json.beside import beginning, days_of_nights, night_that_begins
from sleepagree.readers.json.fhir import gather_fhir, is_fhir
from sleepagree.readers.json.fields import JsonDocument, decode_json, kind_of
from sleepagree.readers.json.intervals import assemble_intervals
from sleepagree.readers.json.mobile_health import gather_mobile_health, is_mobile_health
from sleepagree.readers.json.records import find_records, recordings, table_of_records
from sleepagree.readers.layout import NO_LAYOUT, Layout, Shape, one_zone
from sleepagree.readers.table.reader import spans_of_table
from sleepagree.readers.table.table import Table, origin_of


def read_json(
    path: str | os.PathLike[str],
    *,
    layout: Layout | None = None,
    zone: str | None = None,
    own_words: Iterable[str] = (),
) -> ScoredSpans:
    """Read the sleep stages of a JSON file.

    Parameters
    ----------
    path : path-like
        HL7 FHIR Observations (a Bundle, a list, one a line), sleep-stage records of IEEE 1752.1 or Open
        mHealth, or a list of records with the fields of a table.
    layout : Layout, optional
        How to read it.
    zone : str, optional
        IANA zone of its times, where they tell no offset from UTC or wrongly claim to be UTC. It must not
        contradict the layout's.
    own_words : iterable of str
        Labels that a mapping file explains.

    Returns
    -------
    ScoredSpans
        Native labels and times. Names, identifiers and free texts of the file are not kept.

    Raises
    ------
    FileFormatError
        When the file is no JSON, or a field is missing or wrong; the message gives its path, such as
        ``entry[3].effectivePeriod.end``.
    UnknownStageError
        When a label is not known.
    ClockError
        When times tell no zone, or contradict each other.
    EpochGridError, InputError
        When intervals overlap, or two sources scored one night.
    """
    name = os.fspath(path)
    data = read_bytes(path, expected="JSON")
    given = layout or NO_LAYOUT
    document = decode_json(data, path=name)
    origin = origin_of(name, "json", data)
    own = frozenset(own_words)
    # the words of the standards are rarer than those of a table: look for them first
    for belongs, gather, reader in (
        (is_fhir, gather_fhir, "fhir"),
        (is_mobile_health, gather_mobile_health, "mobile-health"),
    ):
        if given.records is None and any(belongs(root) for root in document.fields):
            placed = replace(given, zone=one_zone(zone, given, name))
            gathered = gather(document, layout=placed)
            of_form = replace(origin, reader=reader)
            spans = assemble_intervals(gathered, origin=of_form, own_words=own, source=given.source)
            return spans.with_changes(notes=(*document.notes, *spans.notes))
    if given.source is not None:
        problem, found = "a source was chosen, and this file tells of none", f"source {given.source}"
        expected = "FHIR or mobile-health records"
        remedy = for_page("Take 'source' out of the layout.", f"Leave {asked('source')} open.")
        raise InputError(problem, name, "source", found, expected, remedy)
    records = find_records(document, given.records)
    _refuse_another_night(document, given)
    if records is None:
        problem = "nothing in this JSON looks like sleep stages"
        expected = "FHIR Observations, IEEE 1752.1 sleep-stage records, or a list of records with a time and a stage"
        remedy = "Export it as one of these, or as a table."
        raise FileFormatError(problem, name, found=kind_of(document.fields[0].value), expected=expected, remedy=remedy)
    table = table_of_records(records, origin=origin, path=name, layout=given)
    _refuse_several(records, table, given)
    return spans_of_table(table, layout=given, zone=zone, own_words=own)


def _refuse_several(records: JsonDocument, table: Table, layout: Layout) -> None:
    """Refuse rows without times out of several lists: other tracks, or other nights, that would go on as one night."""
    if layout.records is None or len(records.fields) == 1:
        return
    if not find_columns(table.names, layout, path=table.path, where=table.header_place).counted:
        return
    paths = recordings(records, layout.records, are_runs=layout.shape is Shape.RUNS)
    if len(paths) > 1:
        problem = "the path leads to several lists, and no times tell how they follow each other"
        found = list_names(paths)
        remedy = for_page(
            f"Name one of them in the layout: [file] records = {toml_text(paths[-1])}", f"Answer {asked('records')}."
        )
        expected = "one list, of one night"
        raise FileFormatError(problem, table.path, shorten(layout.records), found, expected, remedy)


def _refuse_another_night(document: JsonDocument, layout: Layout) -> None:
    """Refuse a beginning that a field of another night tells: it stayed when another night was chosen.

    One beside the day of its night lies in the night of that day: from noon before it to noon after it.
    """
    begins, records, root = layout.begins, layout.records, document.fields[0]
    if records is None or "[" not in records or not isinstance(begins, datetime) or document.by_line:
        return
    found = expected = remedy = ""
    key = for_page("'begins' in the layout", asked("begins"))
    text, day = days_of_nights(root.value, records).get(records, ("", None))
    if day is not None and abs(begins.replace(tzinfo=None) - datetime.combine(day, time(12))) > timedelta(hours=24):
        found = f"{begins.isoformat(' ')}, beside the day '{shorten(text)}'"
        expected = f"a beginning between noon before {day} and noon after it"
        remedy = f"Correct {key}, or choose another night."
    elif (begun := night_that_begins(root.value, records, begins)) is not None:
        other, name = begun
        told = beginning(root.value, records)
        found = f"{begins.isoformat(' ')}, as '{shorten(name.rpartition('.')[2])}' beside {shorten(other)} says"
        expected = "the beginning of this night" + (f", {told}" if told else "")
        remedy = f"Correct {key}" + (f" to {told}" if told else "") + f", or choose {shorten(other)}."
    if found:
        problem = "the beginning is that of another night"
        raise FileFormatError(problem, root.path, shorten(records), found, expected, remedy)


def json_table(path: str | os.PathLike[str], layout: Layout) -> Table | None:
    """Return the records of a JSON file as a table; None where it holds none, or those of a standard."""
    name = os.fspath(path)
    document = decode_json(read_bytes(path, expected="JSON"), path=name)
    standard = any(is_fhir(root) or is_mobile_health(root) for root in document.fields)
    records = None if standard and layout.records is None else find_records(document, layout.records)
    if records is None:
        return None
    return table_of_records(records, origin=Origin(Path(name).name, "json"), path=name, layout=layout)
