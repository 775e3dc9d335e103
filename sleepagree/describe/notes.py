"""The sentence of each note, made of its values."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Final

from sleepagree.caution import Note, NoteKind
from sleepagree.errors import Front, counted, for_page, name_options, shorten
from sleepagree.readers.times.clock import show_number

_FROM_LAYOUT: Final = for_page("from the layout", "as answered")
_SAID: Final = for_page("the layout says", "was answered")
_NAMED: Final = for_page("that the layout names", "asked for")


def say_note(note: Note, front: Front = Front.COMMAND) -> str:
    """Return the sentence of a note, what can be set named as `front` names it."""
    said = SENTENCES[NoteKind(note.kind)]
    text = name_options(said.format_map(dict(note.values)) if isinstance(said, str) else said(note), front)
    return f"{note.side}: {text}" if note.side else text


def say_notes(notes: Iterable[Note], front: Front = Front.COMMAND) -> tuple[str, ...]:
    """Return the sentences of notes."""
    return tuple(say_note(note, front) for note in notes)


def _quoted(words: Iterable[str]) -> str:
    return ", ".join(f"'{shorten(word)}'" for word in words)


def _texts_merged_into_n3(n: Note) -> str:
    shown = " and ".join(f"'{label}'" for label in n["labels"])
    return f"R&K merged: {shown} (Rechtschaffen & Kales) read as N3"


def _start_from_layout(n: Note) -> str:
    start = n.get("start", "")
    return f"start taken {_FROM_LAYOUT}{': ' if start else ''}{start}"


def _gap_between_records(n: Note) -> str:
    although = ", although the header says that there is none" if n["against_header"] else ""
    return (
        f"gap between records: {n['count']} of {n['records']} data records do not start where the one before "
        f"ends, the first is record {n['first']} at {n['start_s']:.10g} s instead of {n['expected_s']:.10g} s"
        f"{although}; annotations keep their time"
    )


def _in_bed(n: Note) -> str:
    shown = "; ".join(f"{begin} to {end}" for begin, end in zip(n["begins"], n["ends"], strict=True))
    more = f" and {n['more']} more" if n["more"] else ""
    return f"in bed from {shown}{more}: time in bed is no stage and no lights mark, so it was not used" + for_page(
        "; give a window to score it", ""
    )


def _summary_disagrees(n: Note) -> str:
    return (
        f"summary_disagrees: {n['place']} says {n['stated_min']:.1f} min, its stages sum to {n['summed_min']:.1f} min; "
        "the stages were used"
    )


def _offset_changes_more(n: Note) -> str:
    if n.get("of_intervals"):
        return f"and {n['count']} more changes of the offset"
    return f"offset from UTC changes {n['count']} times more"


def _repeated_hour(n: Note) -> str:
    hour = f"in the hour that {n['zone']} repeats"
    if n["count"] > 1:
        return f"{n['count']} times {hour} were told apart by the order of the rows"
    return f"a time {hour} was told apart by the order of the rows"


def _midnight_as_24(n: Note) -> str:
    times = "once" if n["count"] == 1 else f"{n['count']} times"
    return f"24:00 read as midnight of the next day ({times})"


def _rows_repeated(n: Note) -> str:
    which = "row that repeats" if n["count"] == 1 else "rows that repeat"
    return f"{n['count']} {which} another exactly dropped ({n['places']})"


def _rows_merged(n: Note) -> str:
    return (
        f"{counted(n['count'], 'row')} merged with an overlapping row of the same label "
        f"({show_number(n['twice_s'])} s told twice)"
    )


def _rows_overlaid(n: Note) -> str:
    return (
        f"overlapping rows ({n['rule']}): {show_number(n['overlaid_s'])} s overlaid; the {n['rows']} rows add up to "
        f"{show_number(n['told_s'])} s and cover {show_number(n['covered_s'])} s"
    )


def _ends_inclusive(n: Note) -> str:
    shown = "1 min" if n["unit_s"] == 60 else f"{show_number(n['unit_s'])} s"
    return f"ends are inclusive: {shown} added to each"


def _consensus(n: Note) -> str:
    names = ", ".join(n["scorers"])
    return f"reference: consensus (more than half) of {len(n['scorers'])} scorers: {names}"


def _silent_as_wake(n: Note) -> str:
    taken = "was taken" if n["count"] == 1 else "were taken"
    return (
        f"{counted(n['count'], 'epoch')} before the device's first or after its last word {taken} as wake (asked for)"
    )


SENTENCES: Final[dict[NoteKind, str | Callable[[Note], str]]] = {
    NoteKind.TEXTS_MERGED_INTO_N3: _texts_merged_into_n3,
    NoteKind.CODES_MERGED_INTO_N3: "R&K merged: codes 3 and 4 (Rechtschaffen & Kales) read as N3",
    NoteKind.CHANNEL_IN_TEXTS: "{count} annotation texts name a channel after '@@'; the part before it was read",
    NoteKind.LABEL_NORMALISED: lambda n: f"label normalised: '{shorten(n['label'])}' read as '{n['standard']}'",
    NoteKind.PLAIN_WORDS_READ: lambda n: (
        f"no annotation has a text that EDF+ knows for stages; plain words were read: {_quoted(n['labels'])}"
    ),
    NoteKind.DURATION_FROM_LAYOUT: lambda n: (
        f"{n['count']} stage annotations without a duration last {n['seconds']:g} s each, as {_SAID}"
    ),
    NoteKind.STEP_INFERRED: (
        "epoch length inferred: no stage annotation has a duration, and all of them start {seconds:.10g} s apart"
    ),
    NoteKind.ANNOTATION_CHANNELS: "{count} annotation channels were read together",
    NoteKind.BYTES_BETWEEN_ANNOTATIONS: (
        "{count} unused bytes stand between annotations, where none belong; nothing was lost"
    ),
    NoteKind.RECORDS_WITHOUT_START: "{count} of {records} data records do not begin with their start time",
    NoteKind.GAP_BETWEEN_RECORDS: _gap_between_records,
    NoteKind.HYPNOGRAM_SIGNAL: lambda n: (
        f"hypnogram read from the signal '{shorten(n['signal'])}', one sample an epoch"
    ),
    NoteKind.ANNOTATIONS_UNDECLARED: (
        "the header does not say {variant}+, but there is an annotation channel, which was read"
    ),
    NoteKind.SIGNAL_NORMALISED: lambda n: (
        f"label normalised: signal '{shorten(n['signal'])}' was read as an annotation channel"
    ),
    NoteKind.RECORDS_COUNTED: (
        "the header gives {declared} data records, as while recording; {records} were counted from the size of the file"
    ),
    NoteKind.RECORDS_UNDECLARED: (
        "data records after the declared ones: the header gives {declared}, the file holds {records}, and all were read"
    ),
    NoteKind.BYTES_AFTER_RECORDS: "{count} bytes after the last whole data record were not read",
    NoteKind.START_FROM_LAYOUT: _start_from_layout,
    NoteKind.START_DATE_FROM_LAYOUT: lambda n: f"start date taken {_FROM_LAYOUT}: {n['date']}",
    NoteKind.START_ANONYMISED: (
        "start anonymised: the recording field says 'Startdate X', so {date} need not be the true date; the time of "
        "day was kept"
    ),
    NoteKind.START_WITH_COLONS: "the start time is written with ':' instead of '.'",
    NoteKind.MONTH_UNREADABLE: (
        "the month in the recording field is no English abbreviation; its day and year agree with the header's start "
        "date, which was used: {date}"
    ),
    NoteKind.RECORDS_FROM_FIELD: lambda n: f"records read from the field '{shorten(n['field'])}'",
    NoteKind.FIELDS_NESTED: lambda n: f"fields that hold objects or lists were not looked at: {_quoted(n['fields'])}",
    NoteKind.IN_BED: _in_bed,
    NoteKind.UTC_CLAIMED: "times are written as UTC (Z), which is a claim: if they are local times, name their zone",
    NoteKind.ONE_SOURCE: "only source {source} of {sources} (told apart by {told_apart_by}) was read",
    NoteKind.SOURCES_TOGETHER: (
        "{sources} sources (told apart by {told_apart_by}) scored different nights; all were read"
    ),
    NoteKind.NOT_UTF8: "{encoding} text read; JSON should be UTF-8",
    NoteKind.STATUS_NOT_FINAL: "{count} Observations have the status '{status}'",
    NoteKind.OTHER_CODE_SYSTEM: lambda n: (
        f"{n['count']} Observations use codes of another code system than sleep-analysis-codes ({shorten(n['system'])})"
    ),
    NoteKind.SUMMARY_DISAGREES: _summary_disagrees,
    NoteKind.TIME_KEY: "{count} stages tell their time under {key}",
    NoteKind.EPISODES_NESTED: "{count} records keep sleep_stage_episodes inside sleep_stage_summary; read all the same",
    NoteKind.NOT_MAIN_SLEEP: "{count} of {records} records are marked as not the main sleep; read all the same",
    NoteKind.OUTSIDE_TIME_FRAME: "{count} stages reach outside their record's effective_time_frame",
    NoteKind.TOTALS_UNUSED: "{count} records with totals only were not used",
    NoteKind.ZONE_BESIDE_OFFSETS: "zone {zone} not used: the file tells offsets from UTC",
    NoteKind.ZONE_BESIDE_TIMES: "zone {zone} not used: the times tell their own",
    NoteKind.ZONE_BESIDE_FILE: lambda n: f"zone {n['zone']} not used: {n['file'] or 'the data'} tells its own",
    NoteKind.ZONE_OF_OTHER: lambda n: f"clock without a zone taken for that of {n['zone']}, named for the other side",
    NoteKind.OFFSET_CHANGES: "offset from UTC changes from {before} to {after} at {place}",
    NoteKind.OFFSET_CHANGES_MORE: _offset_changes_more,
    NoteKind.UNIX_TIMES: "times read as Unix {unit}",
    NoteKind.HALF_DAYS: "times of a 12-hour clock without AM or PM counted on from the beginning that is told: no step "
    "of them is taken to be as long as 12 hours",
    NoteKind.MIDNIGHT_AS_24: _midnight_as_24,
    NoteKind.REPEATED_HOUR: _repeated_hour,
    NoteKind.TEXT_ENCODING: "text read as {encoding}, which nothing in the file tells",
    NoteKind.OTHER_DIGITS: "digits of another script read as 0 to 9: {digits}",
    NoteKind.LINE_ENDS: "line ends CR CR LF read as one line end",
    NoteKind.BLANK_ROWS: lambda n: f"{counted(n['count'], 'blank row')} dropped",
    NoteKind.COMMENT_LINES: lambda n: f"{counted(n['count'], 'line')} that begin with # taken for comments",
    NoteKind.RULED_LINES: lambda n: f"{counted(n['count'], 'line')} of nothing but rules dropped",
    NoteKind.TEXT_LINES: lambda n: f"{counted(n['count'], 'line')} above rows that begin with times: no rows",
    NoteKind.PAGE_HEADS: lambda n: (
        f"{counted(n['lines'], 'line')} of {counted(n['count'], 'repeated page head')} dropped: the header again, and "
        "what stands above it"
    ),
    NoteKind.ZEROS_ADDED: lambda n: (
        f"{counted(n['count'], 'time')} read with the zeros that numbers lose: 23.4 as 23.40"
    ),
    NoteKind.TURNED_ACROSS: lambda n: (
        f"each of {counted(n['rows'], 'row')} read across {n['columns']} columns, with an epoch in each; "
        f"{counted(n['empty'], 'empty cell')} passed over"
    ),
    NoteKind.FOOT_ROWS: lambda n: (
        f"{counted(n['count'], 'row')} below the table dropped: no time, and a label that is no stage"
    ),
    NoteKind.FOOT_LINES: lambda n: f"{counted(n['count'], 'line')} below the table left out, from '{n['foot']}' on",
    NoteKind.ROWS_ENDED: lambda n: (
        f"{counted(n['count'], 'row')} ended by the row below that is no stage: the next stage is over 6 h away"
    ),
    NoteKind.LAST_ROW_ENDED: lambda n: (
        f"the last stage ends at the first of {counted(n['count'], 'row')} below it, all of kinds that stand between "
        "stages, too"
    ),
    NoteKind.UNSCORED_AT_STAGE: lambda n: (
        f"{counted(n['count'], 'row')} without a stage at the moment of one: the stage"
    ),
    NoteKind.LARGEST_SHARES: lambda n: (
        f"the stage of a row is the largest of its shares; {counted(n['even'], 'row')} with two alike or with "
        "none have no label"
    ),
    NoteKind.ROWS_UNMARKED: lambda n: f"{counted(n['count'], 'row')} without a mark in a column of stages: no label",
    NoteKind.LEVELS_READ: "codes of column '{column}' read by the Levels in {file}",
    NoteKind.LEVELS_NAMED_OTHERWISE: "{file} taken although its name differs from the table's in upper and lower case",
    NoteKind.ROWS_REVERSED: "rows stand in reverse order of time: turned round",
    NoteKind.ROWS_UNSORTED: "rows not in order of time ({places}): sorted",
    NoteKind.ROWS_REPEATED: _rows_repeated,
    NoteKind.ENDS_ROUNDED: lambda n: (
        f"{n['count']} ends cut to the next beginning: rounded times overlap by up to {show_number(n['most_s'])} s"
    ),
    NoteKind.ROWS_MERGED: _rows_merged,
    NoteKind.ROWS_OVERLAID: _rows_overlaid,
    NoteKind.EPOCHS_WITHOUT_ROW: lambda n: (
        f"{counted(n['epochs'], 'epoch')} without a row, in {counted(n['gaps'], 'gap')}"
    ),
    NoteKind.ENDS_INCLUSIVE: _ends_inclusive,
    NoteKind.DIGITS_AS_RK: "digits read as R&K stages, as {told_by} says",
    NoteKind.MISSING_AS_UNSCORED: lambda n: f"'{n['label']}' read as unscored ({counted(n['count'], 'row')})",
    NoteKind.NIGHT_OF_UNUSED: "night_of not used: the times tell their dates themselves",
    NoteKind.DATES_FROM_COLUMN: "dates taken from column '{column}'",
    NoteKind.UTC_BY_COLUMN: "times taken as UTC, as column '{column}' says",
    NoteKind.TIMES_MARK: "times name the {mark} of their rows",
    NoteKind.DURATION_UNIT: "durations taken as {unit}: so each row ends where the next begins",
    NoteKind.EPOCHS_NUMBERED: "times counted from the numbers in column '{column}': epoch {first} is the first one",
    NoteKind.ROWS_COUNTED: "no times are read: each row begins where the one before it ends",
    NoteKind.SHEET_READ: lambda n: f"read from the sheet '{shorten(n['sheet'])}', the only one that holds something",
    NoteKind.ROWS_OF_PERSON: lambda n: (
        f"{n['rows']} of {n['of']} rows read: those of the person {_NAMED} in column '{n['column']}'"
    ),
    NoteKind.ROWS_OF_NIGHT: lambda n: (
        f"{n['rows']} of {n['of']} rows read: those of the night {_NAMED} in column '{n['column']}'"
    ),
    NoteKind.ZONE_FROM_COLUMN: "times taken as those of {zone}, as column '{column}' says",
    NoteKind.MNE_CLOCK: "MNE labels clock times UTC whatever their zone: read as a clock without a zone",
    NoteKind.MNE_DATE_FROM_LAYOUT: lambda _: f"date taken {_FROM_LAYOUT}",
    NoteKind.MNE_SEGMENT: "start read from the first 'New Segment' marker: a clock without a zone",
    NoteKind.MNE_WARNING: lambda n: f"MNE warns: {shorten(n['text'])}",
    NoteKind.CONSENSUS: _consensus,
    NoteKind.MARK_OF_SOME: lambda n: (
        f"'{n['mark']}' is that of {', '.join(n['told_by'])}; none in {', '.join(n['missing_in'])}"
    ),
    NoteKind.SILENT_AS_WAKE: _silent_as_wake,
    NoteKind.EPOCHS_SHARED: lambda n: (
        f"{counted(n['count'], 'epoch')} shared by more than one label took the one with most of it"
    ),
    NoteKind.PARTS_JOINED: "{count} parts joined in order, with {gap_min:.1f} min between them that none covers",
    NoteKind.NIGHTS_IN_FILE: lambda n: (
        f"the file holds {n['nights']} nights, with 3 h of silence or more between them; by the reference's time "
        + (f"night {n['first']}" if n["first"] == n["last"] else f"nights {n['first']} to {n['last']}")
        + (" was scored" if n["first"] == n["last"] else " were scored")
    ),
    NoteKind.OVERLAP_REFUSED: lambda n: str(n["problem"]),
}
