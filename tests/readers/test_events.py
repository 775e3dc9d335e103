"""BIDS events: seconds, Levels inherited from higher folders, and codes that nobody explains."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from sleepagree.errors import FileFormatError, SleepAgreeError, UnknownStageError
from sleepagree.hypnogram.spans import EpochLengthFrom, ScoredSpans
from sleepagree.readers.layout import Layout
from sleepagree.readers.table.events import find_levels, read_events
from tests.said import said

NAME = "sub-01_ses-2_task-sleep_acq-scoring_events.tsv"
CODES = "onset\tduration\tstaging\n0\t0\t1\n30\t0\t3\n60\t0\t2\n"
LEVELS = {"staging": {"Description": "scored by hand", "Levels": {"1": "Wake", "2": "REM", "3": "N1"}}}


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def write(folder: Path, name: str, content: str | dict[str, object]) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    file = folder / name
    file.write_text(content if isinstance(content, str) else json.dumps(content), encoding="utf-8")
    return file


def read(folder: Path, text: str = CODES, *, layout: Layout | None = None) -> ScoredSpans:
    return read_events(write(folder, NAME, text), layout=layout)


def test_codes_are_read_by_the_levels_beside_the_table(folder: Path) -> None:
    write(folder, NAME.replace(".tsv", ".json"), LEVELS)
    spans = read(folder)
    assert (spans.labels, spans.stages) == (("Wake", "N1", "REM"), ("W", "N1", "R"))
    assert spans.onset_s.tolist() == [0, 30, 60]
    assert (spans.start, spans.origin.reader) == (None, "events")
    assert said(spans.notes) == (f"codes of column 'staging' read by the Levels in {NAME.replace('.tsv', '.json')}",)


def test_durations_of_zero_are_one_epoch_each_with_a_caution(folder: Path) -> None:
    spans = read(folder, layout=Layout(stages={"1": "wake", "2": "rem", "3": "N1"}))
    assert spans.duration_s.tolist() == [30, 30, 30]
    assert (spans.epoch_s, spans.epoch_from) == (30.0, EpochLengthFrom.INFERRED)
    assert said(spans.cautions) == ("no row has a duration above 0: each is taken to last until the next epoch",)


def test_runs_of_a_stage_with_durations_in_seconds(folder: Path) -> None:
    text = "onset\tduration\ttrial_type\n-30\t90\tWake\n60\t300\tN1\n360\t30\tMovement time\n390\t60\tn/a\n"
    spans = read(folder, text)
    assert spans.duration_s.tolist() == [90, 300, 30, 60]
    assert spans.stages == ("W", "N1", "unscored", "unscored")
    assert said(spans.notes) == ("'n/a' read as unscored (1 row)",)


@pytest.mark.parametrize("level", ["", "sub-01", "sub-01/ses-2", "sub-01/ses-2/eeg"])
def test_levels_are_inherited_from_higher_folders(folder: Path, level: str) -> None:
    # the inheritance principle of the BIDS specification: a file in a higher folder holds for the folders below
    write(folder / "set" / level, "task-sleep_events.json", LEVELS)
    assert read(folder / "set/sub-01/ses-2/eeg").labels == ("Wake", "N1", "REM")


def test_a_lower_folder_goes_before_a_higher_one(folder: Path) -> None:
    write(folder / "set", "events.json", {"staging": {"Levels": {"1": "N2", "2": "N3", "3": "N1"}}})
    write(folder / "set/sub-01", "sub-01_task-sleep_events.json", LEVELS)
    assert read(folder / "set/sub-01/eeg").labels == ("Wake", "N1", "REM")


def test_of_two_files_in_one_folder_the_name_that_says_more_counts(folder: Path) -> None:
    write(folder, "task-sleep_events.json", {"staging": {"Levels": {"1": "N2", "2": "N3", "3": "N1"}}})
    write(folder, "task-sleep_acq-scoring_events.json", LEVELS)
    assert read(folder).labels == ("Wake", "N1", "REM")


@pytest.mark.parametrize(
    "name", ["task-nap_events.json", "sub-02_events.json", "task-sleep_channels.json", "notes.json"]
)
def test_files_of_other_tables_do_not_count(folder: Path, name: str) -> None:
    write(folder, name, LEVELS)
    with pytest.raises(UnknownStageError):
        read(folder)


def test_folders_above_the_dataset_do_not_count(folder: Path) -> None:
    write(folder, "events.json", LEVELS)
    with pytest.raises(UnknownStageError):
        read(folder / "set/sub-01/eeg")


def test_a_name_that_differs_in_case_only_counts_and_is_told(folder: Path) -> None:
    # as in an open set (ds005207, seen): acq-psgScoring beside acq-PSGScoring
    write(folder, "task-sleep_acq-Scoring_events.json", LEVELS)
    assert said(read(folder).notes)[1] == (
        "task-sleep_acq-Scoring_events.json taken although its name differs from the table's in upper and lower case"
    )


def test_levels_may_be_objects_and_codes_may_have_decimals(folder: Path) -> None:
    levels = {"1": {"Description": "Wake", "TermURL": "https://example.org"}, "2": "REM", "3": "N1"}
    write(folder, "events.json", {"staging": {"Levels": levels}})
    spans = read(folder, CODES.replace("\t1\n", "\t1.0\n"))
    assert spans.labels == ("Wake", "N1", "REM")


def test_texts_keep_their_own_words_unless_only_their_meaning_is_plain(folder: Path) -> None:
    levels = {"Wake": "the sleeper is awake", "a": "Light sleep", "b": "arousal"}
    write(folder, "events.json", {"trial_type": {"Levels": levels}})
    text = "onset\tduration\ttrial_type\n0\t30\tWake\n30\t30\ta\n60\t3\tb\n"
    spans = read(folder, text, layout=Layout(stages={"b": "not-a-stage"}))
    assert spans.labels == ("Wake", "Light sleep")
    assert spans.ignored == (("b", 1),)


def test_durations_missing_throughout_are_those_of_epochs(folder: Path) -> None:
    # "n/a" is the missing value of BIDS tables ("Tabular files")
    write(folder, "events.json", LEVELS)
    missing, zero = read(folder, CODES.replace("\t0\t", "\tn/a\t")), read(folder, CODES)
    assert missing.duration_s.tolist() == zero.duration_s.tolist() == [30.0] * 3
    assert said(missing.cautions) == said(zero.cautions)
    with pytest.raises(FileFormatError, match="column 'duration': this is no number"):
        read(folder, CODES.replace("60\t0\t2", "60\tn/a\t2"))


def test_a_layout_goes_before_levels_by_code_or_by_meaning(folder: Path) -> None:
    write(folder, "events.json", {"staging": {"Levels": {"1": "Wake", "2": "A", "3": "N1"}}})
    for stages in ({"2": "unscored"}, {"A": "unscored"}):
        spans = read(folder, layout=Layout(stages=stages))
        assert (spans.labels, spans.stages) == (("Wake", "N1", "A"), ("W", "N1", "unscored"))
    with pytest.raises(UnknownStageError) as caught:
        read(folder)
    assert '"A" = "..."' in caught.value.remedy


def test_line_ends_and_a_first_onset_of_an_open_set(folder: Path) -> None:
    # ds004348 (seen) ends its lines CR CR LF, ds005178 (seen) starts at 691.916 s
    file = folder / NAME
    file.write_bytes(b"onset\tduration\tstaging\r\r\n691.916\t0\tW\r\r\n721.916\t0\tW\r\r\n")
    spans = read_events(file)
    assert spans.onset_s.tolist() == [691.916, 721.916]
    assert said(spans.notes) == ("line ends CR CR LF read as one line end",)


def test_the_delimiter_is_a_tab_even_where_commas_stand_in_every_row(folder: Path) -> None:
    text = "onset\tduration\ttrial_type\tremark, if any\n0\t30\tW\ta, b\n30\t30\tN1\tc, d\n"
    assert read(folder, text).labels == ("W", "N1")


def test_no_description_of_the_column_is_no_levels(folder: Path) -> None:
    write(folder, "events.json", {"staging": {"Description": "by hand"}})
    assert find_levels(folder / NAME, "staging") == ({}, ())


REFUSED = [
    (
        CODES,
        None,
        "column 'staging': the stages are numbers, and no JSON file says what they mean. Found 1, 2, 3; expected "
        "'Levels' of 'staging' in an events.json, or a layout. Give a layout (layout='FILE.toml') with\n    [stages]\n"
        '    "1" = "..."\n    "2" = "..."\n    "3" = "..."',
    ),
    (
        "onset\tduration\tstaging\n0\t30\tW\n30\t30\t7\n60\t30\t7\n",
        None,
        "lines 3 and 4, column 'staging': the stages are numbers, and no JSON file says what they mean. Found 7; "
        "expected 'Levels' of 'staging' in an events.json, or a layout. Give a layout (layout='FILE.toml') with\n"
        '    [stages]\n    "7" = "..."',
    ),
    (
        CODES.replace("60\t0\t2", "60\t30\t2"),
        LEVELS,
        "line 2, column 'duration': this row has duration 0 and others have not. Found 0; expected a positive duration "
        "in every row, or 0 in all of them. Complete the row; if it is a mark and no stage, give its label "
        '"not-a-stage" in a layout.',
    ),
    (
        CODES.replace("60\t0\t2", "75\t0\t2"),
        LEVELS,
        "line 4: the step between rows varies. Found 75 s, 45 s after the row before it; expected 30 s, the commonest "
        "step, or a multiple of it where rows are missing. Correct the row. If rows are epochs and some are missing, "
        'say so in a layout: [file] shape = "epochs"; if each row lasts until the next one, shape = "intervals".',
    ),
    (
        CODES.replace("30\t0\t3", "n/a\t0\t3"),
        LEVELS,
        "line 3, column 'onset': this is no number. Found 'n/a'; expected elapsed seconds.",
    ),
    (
        CODES.replace("\t0\t3", "\t3"),
        LEVELS,
        "line 3: the row has too few cells. Found 2 cells; expected 3, as in the header (delimiter: tab). A "
        "delimiter may be missing or one too many; correct the row.",
    ),
]


@pytest.mark.parametrize(("text", "levels", "message"), REFUSED)
def test_refusals(folder: Path, text: str, levels: dict[str, object] | None, message: str) -> None:
    if levels:
        write(folder, "events.json", levels)
    Path(NAME).write_text(text, encoding="utf-8")
    with pytest.raises(SleepAgreeError) as caught:
        read_events(NAME)
    assert str(caught.value) == f"{NAME}: {message}"


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ('{"staging": ', "line 1, column 13: {}. Found Expecting value; expected a JSON object."),
        ("[1]", "{}. Found list; expected a JSON object."),
        ('{"staging": 3}', "'staging': {}. Found int; expected an object that describes the column."),
        (
            '{"staging": {"Levels": ["Wake"]}}',
            "'staging', 'Levels': {}. Found list; expected an object of codes and their meanings.",
        ),
        ('{"staging": {"Levels": {"1": 7}}}', "'staging', 'Levels', '1': {}. Found 7; expected a text."),
        ("[" * 100_000, "{}. Found RecursionError; expected a JSON object."),
    ],
)
def test_broken_json_files(folder: Path, content: str, message: str) -> None:
    write(folder, "events.json", content)
    with pytest.raises(FileFormatError) as caught:
        read(folder)
    assert caught.value.path == str(folder / "events.json")
    problem = message.format("the description of the columns cannot be used")
    assert str(caught.value).endswith(f": {problem} Correct this file; it belongs to the table that was to be read.")
