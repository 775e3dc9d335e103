"""What a reader of results should know or be warned of, as facts: a kind and its values, never a sentence.

Whoever reads, pairs or scores makes facts; :mod:`sleepagree.describe` makes the sentences. Values that could name
somebody or tell when and where a person slept have types of their own, so that they can be taken out of a fact
(:func:`without_names`) without reading any sentence.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any, Final, Self, TypeVar


class FileName(str):
    """The name of a file."""


class Role(str):
    """What a file is called by its role, which names nobody."""


class ZoneName(str):
    """A time zone or an offset from UTC, which tells where somebody was."""


class Moment(str):
    """A date or a time of day, as it is shown."""


class OwnWord(str):
    """A word that the author of a file chose and that is no label: the name of a column, a field, a signal."""


class OtherText(str):
    """A sentence of somebody else's, of which it is not known what it names."""


def named_file(name: str) -> FileName | Role:
    """Return the name of a file as a value of a fact; one that is a role already stays it."""
    return name if isinstance(name, Role) else FileName(name)


_TAGS: Final[dict[str, type[str]]] = {
    "file": FileName,
    "zone": ZoneName,
    "time": Moment,
    "name": OwnWord,
    "remark": OtherText,
}
_TAG_OF: Final = {kind: tag for tag, kind in _TAGS.items()}
_NEUTRAL: Final = {kind: f"(a {tag})" for kind, tag in _TAG_OF.items()}


class CautionKind(StrEnum):
    """What may mislead a reader of the results."""

    # of a file
    STAGE_TEXTS_IGNORED = "stage_texts_ignored"
    HYPNOGRAM_UNREAD = "hypnogram_unread"
    NO_WAKE_INTERVAL = "no_wake_interval"
    UTC_READ_AS_LOCAL = "utc_read_as_local"
    LONG_STEP = "long_step"
    ZERO_DURATIONS = "zero_durations"
    LENGTHS_UNUSED = "lengths_unused"
    LENGTHS_CONTRADICT = "lengths_contradict"
    SILENCE_IS_WAKE = "silence_is_wake"
    # of a pair
    REPORTS_FROM_LABELS = "reports_from_labels"
    SAME_FILE = "same_file"
    SWAPPED = "swapped"
    REPORTS_CONTRADICT = "reports_contradict"
    CLASS_UNREPORTABLE = "class_unreportable"
    SLEEP_UNTOLD = "sleep_untold"
    LONG_WAKE = "long_wake"
    LABEL_UNSCORED = "label_unscored"
    FEW_SCORED = "few_scored"
    TIME_UNCOUNTED = "time_uncounted"
    TIME_LEFT_OVER = "time_left_over"
    LONE_MARK = "lone_mark"
    NO_KAPPA = "no_kappa"
    KAPPAS_OF_SIZES = "kappas_of_sizes"
    LEFT_OUT_BY_MAPPING = "left_out_by_mapping"
    FIRST_EPOCHS_DIFFER = "first_epochs_differ"
    LENGTHS_DIFFER = "lengths_differ"
    CLOCK_DOUBT = "clock_doubt"
    CLOCK_UNTOLD = "clock_untold"
    CLOCK_ZONE = "clock_zone"
    CLOCK_OFFSET = "clock_offset"
    CLOCK_CHANGE = "clock_change"
    CLOCK_JUMP = "clock_jump"
    NO_MAPPING_DECLARED = "no_mapping_declared"
    # of a study
    NIGHTS_REFUSED = "nights_refused"
    NIGHT_REPEATED = "night_repeated"
    NAMES_ALIKE = "names_alike"
    ONE_PARTICIPANT = "one_participant"
    FEW_PARTICIPANTS = "few_participants"
    NIGHTS_SPARSE = "nights_sparse"
    NIGHTS_LEFT_OUT_BY_MAPPING = "nights_left_out_by_mapping"
    NIGHTS_CUT_SHORT = "nights_cut_short"
    NIGHTS_WITHOUT_SLEEP = "nights_without_sleep"
    GROUPS_UNTOLD = "groups_untold"
    NIGHTS_UNGROUPED = "nights_ungrouped"
    SCORERS_APART = "scorers_apart"
    CONSENSUS_FLATTERS = "consensus_flatters"
    SKEWED = "skewed"
    NOT_NORMAL = "not_normal"
    FAILURES_MISSED = "failures_missed"
    CLOCKS_OFF = "clocks_off"
    CLOCKS_HOURS = "clocks_hours"
    CLOCKS_DOUBTFUL = "clocks_doubtful"
    ON_NIGHTS = "on_nights"
    OF_NIGHTS_LEARNT_FROM = "of_nights_learnt_from"
    MAPPING_CHOSEN_LATE = "mapping_chosen_late"
    NOT_COMPARED = "not_compared"
    NIGHTS_NOT_COMPARED = "nights_not_compared"
    # of a plan
    PLAN_RESTS_ON_FEW = "plan_rests_on_few"
    PLAN_RESTS_ON_FEW_NIGHTS = "plan_rests_on_few_nights"
    # of a correction
    LEARNT_FROM_FEW = "learnt_from_few"
    MEASURES_NOT_LEARNT = "measures_not_learnt"
    EPOCHS_NOT_LEARNT = "epochs_not_learnt"
    EPOCHS_NOT_HELPED = "epochs_not_helped"
    NO_INTERVAL = "no_interval"
    EXTRAPOLATED = "extrapolated"
    WINDOW_BY_DEVICE = "window_by_device"
    WINDOW_OF_REFERENCE = "window_of_reference"
    WINDOW_SILENT = "window_silent"
    PULLED_TO_USUAL = "pulled_to_usual"
    LIKE_THE_STUDY = "like_the_study"


class NoteKind(StrEnum):
    """What was done with a file or a pair that a careful reader would want to know."""

    # EDF
    TEXTS_MERGED_INTO_N3 = "texts_merged_into_n3"
    CODES_MERGED_INTO_N3 = "codes_merged_into_n3"
    CHANNEL_IN_TEXTS = "channel_in_texts"
    LABEL_NORMALISED = "label_normalised"
    PLAIN_WORDS_READ = "plain_words_read"
    DURATION_FROM_LAYOUT = "duration_from_layout"
    STEP_INFERRED = "step_inferred"
    CHANGES_READ = "changes_read"
    MARKERS_SHORT = "markers_short"
    EMPTY_STAGES = "empty_stages"
    ANNOTATION_CHANNELS = "annotation_channels"
    BYTES_BETWEEN_ANNOTATIONS = "bytes_between_annotations"
    RECORDS_WITHOUT_START = "records_without_start"
    GAP_BETWEEN_RECORDS = "gap_between_records"
    HYPNOGRAM_SIGNAL = "hypnogram_signal"
    ANNOTATIONS_UNDECLARED = "annotations_undeclared"
    SIGNAL_NORMALISED = "signal_normalised"
    RECORDS_COUNTED = "records_counted"
    RECORDS_UNDECLARED = "records_undeclared"
    BYTES_AFTER_RECORDS = "bytes_after_records"
    START_FROM_LAYOUT = "start_from_layout"
    START_DATE_FROM_LAYOUT = "start_date_from_layout"
    START_ANONYMISED = "start_anonymised"
    START_WITH_COLONS = "start_with_colons"
    MONTH_UNREADABLE = "month_unreadable"
    # JSON
    RECORDS_FROM_FIELD = "records_from_field"
    FIELDS_NESTED = "fields_nested"
    IN_BED = "in_bed"
    UTC_CLAIMED = "utc_claimed"
    ONE_SOURCE = "one_source"
    SOURCES_TOGETHER = "sources_together"
    NOT_UTF8 = "not_utf8"
    STATUS_NOT_FINAL = "status_not_final"
    OTHER_CODE_SYSTEM = "other_code_system"
    SUMMARY_DISAGREES = "summary_disagrees"
    TIME_KEY = "time_key"
    EPISODES_NESTED = "episodes_nested"
    NOT_MAIN_SLEEP = "not_main_sleep"
    OUTSIDE_TIME_FRAME = "outside_time_frame"
    TOTALS_UNUSED = "totals_unused"
    # times
    ZONE_BESIDE_OFFSETS = "zone_beside_offsets"
    ZONE_BESIDE_TIMES = "zone_beside_times"
    ZONE_BESIDE_FILE = "zone_beside_file"
    ZONE_OF_OTHER = "zone_of_other"
    OFFSET_CHANGES = "offset_changes"
    OFFSET_CHANGES_MORE = "offset_changes_more"
    UNIX_TIMES = "unix_times"
    HALF_DAYS = "half_days"
    MIDNIGHT_AS_24 = "midnight_as_24"
    REPEATED_HOUR = "repeated_hour"
    # tables
    TEXT_ENCODING = "text_encoding"
    OTHER_DIGITS = "other_digits"
    LINE_ENDS = "line_ends"
    BLANK_ROWS = "blank_rows"
    COMMENT_LINES = "comment_lines"
    RULED_LINES = "ruled_lines"
    TEXT_LINES = "text_lines"
    PAGE_HEADS = "page_heads"
    ZEROS_ADDED = "zeros_added"
    TURNED_ACROSS = "turned_across"
    FOOT_ROWS = "foot_rows"
    FOOT_LINES = "foot_lines"
    ROWS_ENDED = "rows_ended"
    LAST_ROW_ENDED = "last_row_ended"
    UNSCORED_AT_STAGE = "unscored_at_stage"
    LARGEST_SHARES = "largest_shares"
    ROWS_UNMARKED = "rows_unmarked"
    LEVELS_READ = "levels_read"
    LEVELS_NAMED_OTHERWISE = "levels_named_otherwise"
    ROWS_REVERSED = "rows_reversed"
    ROWS_UNSORTED = "rows_unsorted"
    ROWS_REPEATED = "rows_repeated"
    ENDS_ROUNDED = "ends_rounded"
    ROWS_MERGED = "rows_merged"
    ROWS_OVERLAID = "rows_overlaid"
    EPOCHS_WITHOUT_ROW = "epochs_without_row"
    ENDS_INCLUSIVE = "ends_inclusive"
    DIGITS_AS_RK = "digits_as_rk"
    MISSING_AS_UNSCORED = "missing_as_unscored"
    NIGHT_OF_UNUSED = "night_of_unused"
    DATES_FROM_COLUMN = "dates_from_column"
    UTC_BY_COLUMN = "utc_by_column"
    TIMES_MARK = "times_mark"
    DURATION_UNIT = "duration_unit"
    EPOCHS_NUMBERED = "epochs_numbered"
    ROWS_COUNTED = "rows_counted"
    SHEET_READ = "sheet_read"
    ROWS_OF_PERSON = "rows_of_person"
    ROWS_OF_NIGHT = "rows_of_night"
    ZONE_FROM_COLUMN = "zone_from_column"
    # MNE
    MNE_CLOCK = "mne_clock"
    MNE_DATE_FROM_LAYOUT = "mne_date_from_layout"
    MNE_SEGMENT = "mne_segment"
    MNE_PAUSES = "mne_pauses"
    MNE_WARNING = "mne_warning"
    # a pair
    CONSENSUS = "consensus"
    MARK_OF_SOME = "mark_of_some"
    SILENT_AS_WAKE = "silent_as_wake"
    EPOCHS_SHARED = "epochs_shared"
    PARTS_JOINED = "parts_joined"
    NIGHTS_IN_FILE = "nights_in_file"
    # an inspection
    OVERLAP_REFUSED = "overlap_refused"


@dataclass(frozen=True, slots=True)
class Fact:
    """A kind with its values.

    Parameters
    ----------
    kind : StrEnum
        What it says.
    side : str
        "reference" or "device" where it speaks of one side of a pair, else "".
    values : tuple of (str, value)
        Numbers, texts, tuples of them, or another fact, each with its name.
    """

    kind: StrEnum
    side: str = ""
    values: tuple[tuple[str, Any], ...] = ()

    @classmethod
    def of(cls, kind: StrEnum, /, **values: Any) -> Self:
        """Return a fact of a kind with its values."""
        return cls(kind, "", tuple(values.items()))

    def __getitem__(self, name: str) -> Any:
        """Return a value by its name."""
        return dict(self.values)[name]

    def get(self, name: str, otherwise: Any = None) -> Any:
        """Return a value by its name, or something else where the fact lacks it."""
        return dict(self.values).get(name, otherwise)

    def of_side(self, side: str) -> Self:
        """Return the same fact about one side of a pair."""
        return replace(self, side=side)

    def to_document(self) -> dict[str, Any]:
        """Return a plain structure that JSON can hold and :meth:`from_document` reads."""
        document: dict[str, Any] = _structure(self, lambda text, tag: {tag: text})
        return document

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> Self:
        """Return the fact that :meth:`to_document` wrote."""
        values = tuple((name, _from_plain(value)) for name, value in document["values"].items())
        return cls(_KINDS[cls](document["kind"]), document["side"], values)


class Caution(Fact):
    """Something that may mislead a reader; as text, the sentence."""

    __slots__ = ()

    def __str__(self) -> str:
        import sleepagree  # sentences are made further down

        return str(sleepagree.show_result(self, "sentence"))


class Cautions(tuple[Caution, ...]):
    """Cautions of a result; in a console each is one line."""

    __slots__ = ()

    def __repr__(self) -> str:
        import sleepagree

        if not self:
            return "no cautions"
        return "\n".join(f"- {sleepagree.show_result(caution, 'brief_caution')}" for caution in self)


class Note(Fact):
    """Something that was done and that a careful reader would want to know."""

    __slots__ = ()


FactKind = TypeVar("FactKind", bound=Fact)

_KINDS: Final[dict[type[Fact], type[StrEnum]]] = {Caution: CautionKind, Note: NoteKind}


def without_names(fact: FactKind, words: Mapping[str, str]) -> FactKind:
    """Return a fact without names of files and places, dates and times of day.

    Parameters
    ----------
    fact : Fact
        The fact.
    words : mapping of str to str
        File name -> what to call it; other files are "a file".
    """
    return replace(fact, values=tuple((name, _neutral(value, words)) for name, value in fact.values))


def _neutral(value: Any, words: Mapping[str, str]) -> Any:
    if isinstance(value, FileName):
        return words.get(value) or "a file" if value else str(value)
    if isinstance(value, Fact):
        return without_names(value, words)
    if isinstance(value, tuple):
        return tuple(_neutral(each, words) for each in value)
    return _NEUTRAL.get(type(value), value)


def plain_values(fact: Fact) -> dict[str, Any]:
    """Return the values of a fact as plain texts, numbers and lists, another fact as its kind, side and values."""
    values: dict[str, Any] = _structure(fact, lambda text, _: text)["values"]
    return values


def _structure(value: Any, typed: Callable[[str, str], Any]) -> Any:
    if isinstance(value, tuple):
        return [_structure(each, typed) for each in value]
    if isinstance(value, Fact):
        values = {name: _structure(each, typed) for name, each in value.values}
        return {"kind": value.kind.value, "side": value.side, "values": values}
    tag = _TAG_OF.get(type(value))
    return value if tag is None else typed(str(value), tag)


def _from_plain(value: Any) -> Any:
    if isinstance(value, list):
        return tuple(map(_from_plain, value))
    if not isinstance(value, dict):
        return value
    if "kind" in value:
        return Caution.from_document(value)
    ((tag, text),) = value.items()
    return _TAGS[tag](text)
