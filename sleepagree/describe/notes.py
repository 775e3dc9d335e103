"""The sentence of each note, made of its values."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from sleepagree.caution import Note, NoteKind
from sleepagree.describe.facts import Sentence, fill
from sleepagree.describe.words import join_words, say_stages
from sleepagree.errors import Front, for_page, name_options
from sleepagree.readers.times.clock import show_number

_FROM_LAYOUT: Final = for_page("from the layout", "as answered")
_NAMED: Final = for_page("that the layout names", "asked for")


def say_note(note: Note, front: Front = Front.COMMAND) -> str:
    """Return the sentence of a note, what can be set named as `front` names it."""
    return name_options(fill(note, SENTENCES[NoteKind(note.kind)]), front)


def say_notes(notes: Iterable[Note], front: Front = Front.COMMAND) -> tuple[str, ...]:
    """Return the sentences of notes."""
    return tuple(say_note(note, front) for note in notes)


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


def _offset_changes_more(n: Note) -> str:
    if n.get("of_intervals"):
        return f"and {n['count']} more changes of the offset"
    return f"offset from UTC changes {n['count']} times more"


def _ends_inclusive(n: Note) -> str:
    shown = "1 min" if n["unit_s"] == 60 else f"{show_number(n['unit_s'])} s"
    return f"ends are inclusive: {shown} added to each"


def _consensus(n: Note) -> str:
    names = ", ".join(n["scorers"])
    text = f"reference: consensus (more than half) of {len(n['scorers'])} scorers: {names}"
    if not n.get("stages"):
        return text
    told = join_words(say_stages(n["stages"]))
    return f"{text}; one tells finer stages than another, so votes were counted in what all of them tell: {told}"


def _nights_in_file(n: Note) -> str:
    which = f"night {n['first']} was" if n["first"] == n["last"] else f"nights {n['first']} to {n['last']} were"
    return (
        f"the file holds {n['nights']} nights, with 3 h of silence or more between them; by the reference's time "
        f"{which} scored"
    )


SENTENCES: Final[dict[NoteKind, Sentence]] = {
    NoteKind.TEXTS_MERGED_INTO_N3: _texts_merged_into_n3,
    NoteKind.CODES_MERGED_INTO_N3: "R&K merged: codes 3 and 4 (Rechtschaffen & Kales) read as N3",
    NoteKind.CHANNEL_IN_TEXTS: "{count} annotation texts name a channel after '@@'; the part before it was read",
    NoteKind.LABEL_NORMALISED: "label normalised: '{label:short}' read as '{standard}'",
    NoteKind.PLAIN_WORDS_READ: (
        "no annotation has a text that EDF+ knows for stages; plain words were read: {labels:quoted}"
    ),
    NoteKind.DURATION_FROM_LAYOUT: (
        "{count} stage annotations without a duration last {seconds:g} s each, as "
        + for_page("the layout says", "was answered")
    ),
    NoteKind.STEP_INFERRED: (
        "epoch length inferred: no stage annotation has a duration, and all of them start {seconds:.10g} s apart"
    ),
    NoteKind.MARKERS_SHORT: (
        "all stage annotations last {seconds:.10g} s, far less than from one to the next: taken for no duration"
    ),
    NoteKind.EMPTY_STAGES: (
        "left out: {count:# stage annotation} of 0 s where another begins, as cropping a recording makes them"
    ),
    NoteKind.CHANGES_READ: (
        "stage annotations without durations last until the next one each, the last until {end_s:.10g} s, "
        + for_page("as the layout says", "as was answered")
    ),
    NoteKind.ANNOTATION_CHANNELS: "{count} annotation channels were read together",
    NoteKind.BYTES_BETWEEN_ANNOTATIONS: (
        "{count} unused bytes stand between annotations, where none belong; nothing was lost"
    ),
    NoteKind.RECORDS_WITHOUT_START: "{count} of {records} data records do not begin with their start time",
    NoteKind.GAP_BETWEEN_RECORDS: _gap_between_records,
    NoteKind.HYPNOGRAM_SIGNAL: "hypnogram read from the signal '{signal:short}', one sample an epoch",
    NoteKind.ANNOTATIONS_UNDECLARED: (
        "the header does not say {variant}+, but there is an annotation channel, which was read"
    ),
    NoteKind.SIGNAL_NORMALISED: "label normalised: signal '{signal:short}' was read as an annotation channel",
    NoteKind.RECORDS_COUNTED: (
        "the header gives {declared} data records, as while recording; {records} were counted from the size of the file"
    ),
    NoteKind.RECORDS_UNDECLARED: (
        "data records after the declared ones: the header gives {declared}, the file holds {records}, and all were read"
    ),
    NoteKind.BYTES_AFTER_RECORDS: "{count} bytes after the last whole data record were not read",
    NoteKind.START_FROM_LAYOUT: _start_from_layout,
    NoteKind.START_DATE_FROM_LAYOUT: f"start date taken {_FROM_LAYOUT}: {{date}}",
    NoteKind.START_ANONYMISED: (
        "start anonymised: the recording field says 'Startdate X', so {date} need not be the true date; the time of "
        "day was kept"
    ),
    NoteKind.START_WITH_COLONS: "the start time is written with ':' instead of '.'",
    NoteKind.MONTH_UNREADABLE: (
        "the month in the recording field is no English abbreviation; its day and year agree with the header's start "
        "date, which was used: {date}"
    ),
    NoteKind.RECORDS_FROM_FIELD: "records read from the field '{field:short}'",
    NoteKind.FIELDS_NESTED: "fields that hold objects or lists were not looked at: {fields:quoted}",
    NoteKind.IN_BED: _in_bed,
    NoteKind.UTC_CLAIMED: "times are written as UTC (Z), which is a claim: if they are local times, name their zone",
    NoteKind.ONE_SOURCE: "only source {source} of {sources} (told apart by {told_apart_by}) was read",
    NoteKind.SOURCES_TOGETHER: (
        "{sources} sources (told apart by {told_apart_by}) scored different nights; all were read"
    ),
    NoteKind.NOT_UTF8: "{encoding} text read; JSON should be UTF-8",
    NoteKind.STATUS_NOT_FINAL: "{count} Observations have the status '{status}'",
    NoteKind.OTHER_CODE_SYSTEM: (
        "{count} Observations use codes of another code system than sleep-analysis-codes ({system:short})"
    ),
    NoteKind.SUMMARY_DISAGREES: (
        "summary_disagrees: {place} says {stated_min:.1f} min, its stages sum to {summed_min:.1f} min; the stages were "
        "used"
    ),
    NoteKind.TIME_KEY: "{count} stages tell their time under {key}",
    NoteKind.EPISODES_NESTED: "{count} records keep sleep_stage_episodes inside sleep_stage_summary; read all the same",
    NoteKind.NOT_MAIN_SLEEP: "{count} of {records} records are marked as not the main sleep; read all the same",
    NoteKind.OUTSIDE_TIME_FRAME: "{count} stages reach outside their record's effective_time_frame",
    NoteKind.TOTALS_UNUSED: "{count} records with totals only were not used",
    NoteKind.ZONE_BESIDE_OFFSETS: "zone {zone} not used: the file tells offsets from UTC",
    NoteKind.ZONE_BESIDE_TIMES: "zone {zone} not used: the times tell their own",
    NoteKind.ZONE_BESIDE_FILE: lambda n: f"zone {n['zone']} not used: {n['file'] or 'the data'} tells its own",
    NoteKind.ZONE_OF_OTHER: "clock without a zone taken for that of {zone}, named for the other side",
    NoteKind.OFFSET_CHANGES: "offset from UTC changes from {before} to {after} at {place}",
    NoteKind.OFFSET_CHANGES_MORE: _offset_changes_more,
    NoteKind.UNIX_TIMES: "times read as Unix {unit}",
    NoteKind.HALF_DAYS: (
        "times of a 12-hour clock without AM or PM counted on from the beginning that is told: no step of them is "
        "taken to be as long as 12 hours"
    ),
    NoteKind.MIDNIGHT_AS_24: "24:00 read as midnight of the next day ({count:once|{count} times})",
    NoteKind.REPEATED_HOUR: (
        "{count:a time|{count} times} in the hour that {zone} repeats {count:was|were} told apart by the order of the "
        "rows"
    ),
    NoteKind.TEXT_ENCODING: "text read as {encoding}, which nothing in the file tells",
    NoteKind.OTHER_DIGITS: "digits of another script read as 0 to 9: {digits}",
    NoteKind.LINE_ENDS: "line ends CR CR LF read as one line end",
    NoteKind.BLANK_ROWS: "{count:# blank row} dropped",
    NoteKind.COMMENT_LINES: "{count:# line} that begin with # taken for comments",
    NoteKind.RULED_LINES: "{count:# line} of nothing but rules dropped",
    NoteKind.TEXT_LINES: "{count:# line} above rows that begin with times: no rows",
    NoteKind.PAGE_HEADS: (
        "{lines:# line} of {count:# repeated page head} dropped: the header again, and what stands above it"
    ),
    NoteKind.ZEROS_ADDED: "{count:# time} read with the zeros that numbers lose: 23.4 as 23.40",
    NoteKind.TURNED_ACROSS: (
        "each of {rows:# row} read across {columns} columns, with an epoch in each; {empty:# empty cell} passed over"
    ),
    NoteKind.FOOT_ROWS: "{count:# row} below the table dropped: no time, and a label that is no stage",
    NoteKind.FOOT_LINES: "{count:# line} below the table left out, from '{foot}' on",
    NoteKind.ROWS_ENDED: "{count:# row} ended by the row below that is no stage: the next stage is over 6 h away",
    NoteKind.LAST_ROW_ENDED: (
        "the last stage ends at the first of {count:# row} below it, all of kinds that stand between stages, too"
    ),
    NoteKind.UNSCORED_AT_STAGE: "{count:# row} without a stage at the moment of one: the stage",
    NoteKind.LARGEST_SHARES: (
        "the stage of a row is the largest of its shares; {even:# row} with two alike or with none have no label"
    ),
    NoteKind.ROWS_UNMARKED: "{count:# row} without a mark in a column of stages: no label",
    NoteKind.LEVELS_READ: "codes of column '{column}' read by the Levels in {file}",
    NoteKind.LEVELS_NAMED_OTHERWISE: "{file} taken although its name differs from the table's in upper and lower case",
    NoteKind.ROWS_REVERSED: "rows stand in reverse order of time: turned round",
    NoteKind.ROWS_UNSORTED: "rows not in order of time ({places}): sorted",
    NoteKind.ROWS_REPEATED: "{count} {count:row that repeats|rows that repeat} another exactly dropped ({places})",
    NoteKind.ENDS_ROUNDED: ("{count} ends cut to the next beginning: rounded times overlap by up to {most_s:number} s"),
    NoteKind.ROWS_MERGED: (
        "{count:# row} merged with an overlapping row of the same label ({twice_s:number} s told twice)"
    ),
    NoteKind.ROWS_OVERLAID: (
        "overlapping rows ({rule}): {overlaid_s:number} s overlaid; the {rows} rows add up to {told_s:number} s and "
        "cover {covered_s:number} s"
    ),
    NoteKind.EPOCHS_WITHOUT_ROW: "{epochs:# epoch} without a row, in {gaps:# gap}",
    NoteKind.ENDS_INCLUSIVE: _ends_inclusive,
    NoteKind.DIGITS_AS_RK: "digits read as R&K stages, as {told_by} says",
    NoteKind.MISSING_AS_UNSCORED: "'{label}' read as unscored ({count:# row})",
    NoteKind.NIGHT_OF_UNUSED: "night_of not used: the times tell their dates themselves",
    NoteKind.DATES_FROM_COLUMN: "dates taken from column '{column}'",
    NoteKind.UTC_BY_COLUMN: "times taken as UTC, as column '{column}' says",
    NoteKind.TIMES_MARK: "times name the {mark} of their rows",
    NoteKind.DURATION_UNIT: "durations taken as {unit}: so each row ends where the next begins",
    NoteKind.EPOCHS_NUMBERED: "times counted from the numbers in column '{column}': epoch {first} is the first one",
    NoteKind.ROWS_COUNTED: "no times are read: each row begins where the one before it ends",
    NoteKind.SHEET_READ: "read from the sheet '{sheet:short}', the only one that holds something",
    NoteKind.ROWS_OF_PERSON: f"{{rows}} of {{of}} rows read: those of the person {_NAMED} in column '{{column}}'",
    NoteKind.ROWS_OF_NIGHT: f"{{rows}} of {{of}} rows read: those of the night {_NAMED} in column '{{column}}'",
    NoteKind.ZONE_FROM_COLUMN: "times taken as those of {zone}, as column '{column}' says",
    NoteKind.MNE_CLOCK: "MNE labels clock times UTC whatever their zone: read as a clock without a zone",
    NoteKind.MNE_DATE_FROM_LAYOUT: f"date taken {_FROM_LAYOUT}",
    NoteKind.MNE_SEGMENT: "start read from the first 'New Segment' marker: a clock without a zone",
    NoteKind.MNE_PAUSES: (
        "the recording was paused {count:once|{count} times}, for {seconds:.10g} s in all: what follows is placed later"
    ),
    NoteKind.MNE_WARNING: "MNE warns: {text:short}",
    NoteKind.CONSENSUS: _consensus,
    NoteKind.MARK_OF_SOME: "'{mark}' is that of {told_by:joined}; none in {missing_in:joined}",
    NoteKind.SILENT_AS_WAKE: (
        "{count:# epoch} before the device's first or after its last word {count:was|were} taken as wake (asked for)"
    ),
    NoteKind.EPOCHS_SHARED: "{count:# epoch} shared by more than one label took the one with most of it",
    NoteKind.PARTS_JOINED: "{count} parts joined in order, with {gap_min:.1f} min between them that none covers",
    NoteKind.NIGHTS_IN_FILE: _nights_in_file,
    NoteKind.OVERLAP_REFUSED: "{problem}",
}
