"""From a nights table to a folder of results, all or nothing, resumable."""

from __future__ import annotations

import contextlib
import shutil
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, BinaryIO, Final

import numpy as np

from sleepagree.describe.study import describe_study, refused_items
from sleepagree.describe.words import say_measure
from sleepagree.errors import InputError, counted
from sleepagree.files.writing import (
    csv_text,
    encode_text,
    fresh_folder,
    is_partial,
    name_inputs,
    refuse_existing,
    sole_run,
    sparing_inputs,
)
from sleepagree.hypnogram.spans import frozen_array
from sleepagree.render.night_folder import write_report
from sleepagree.render.night_json import iterate_dump
from sleepagree.render.study_json import bias_rows, confusion_rows, iterate_night_rows, study_document
from sleepagree.render.terminal import block_lines
from sleepagree.study.anonymous import anonymous_summaries, anonymous_table
from sleepagree.study.night_summary import NightSummary, Refusal, SourceFile
from sleepagree.study.paired_epochs import hash_file, is_paired_table, read_paired_nights
from sleepagree.study.run import (
    Execution,
    ScoringOptions,
    forget_chunks,
    gzip_member,
    input_files,
    refuse_duplicates,
    run_rows,
)
from sleepagree.study.summarise import StudyAgreement, StudyOptions, summarise_study
from sleepagree.study.table import NightsTable, read_nights_table

#: How the folder of an interrupted study ends; `sleepagree nights` passes it over.
UNFINISHED: Final = ".unfinished"
_MADE_IN: Final = "made-in"
_PAIRED_NIGHTS_TOLD: Final = 500
EPOCHS_HEADER = "participant,night,device,epoch,reference,device_stage,status\n"


@dataclass(frozen=True)
class StudyRequest:
    """A study as asked for on the command line.

    Parameters
    ----------
    scoring : ScoringOptions
        How nights are read and paired.
    statistics : StudyOptions
        How they are summed up.
    strict : bool
        Whether one refused night refuses the study.
    told : dict
        What was asked for, for the results.
    command : str
        The command that repeats it.
    report : bool
        Whether to make report and figures.
    """

    scoring: ScoringOptions
    statistics: StudyOptions
    strict: bool = False
    told: dict[str, Any] | None = None
    command: str = ""
    report: bool = True


def unfinished_folder(out: Path) -> Path:
    """Return where the finished chunks of an interrupted study are kept."""
    return out.with_name(f"{out.name}{UNFINISHED}")


def run_study(
    table: NightsTable,
    request: StudyRequest,
    *,
    execution: Execution | None = None,
    progress: Callable[[int, int], None] | None = None,
    epochs: BinaryIO | None = None,
) -> StudyAgreement:
    """Score a table of nights and sum it up.

    Parameters
    ----------
    table : NightsTable
        The table.
    request : StudyRequest
        What was asked for.
    execution : Execution, optional
        Workers, and where finished chunks are kept.
    progress : callable, optional
        Called with rows done and rows in all; 0 in all where a table of paired epochs does not tell.
    epochs : binary stream, optional
        Takes the epochs of every night as CSV lines in members of a gzip file, without a header.

    Raises
    ------
    InputError
        When no night can be scored, or one cannot and ``strict`` was asked for.
    """
    if table.paired_epochs:
        outcomes = _paired(table, request, progress)
    else:
        rows = anonymous_table(table) if request.scoring.anonymous else table
        outcomes = _scored(rows, request, execution, progress, epochs)
    checked = refuse_duplicates(outcomes, table)
    refused = [o for o in checked if isinstance(o, Refusal)]
    if refused and (request.strict or len(refused) == len(checked)):
        raise InputError(
            "no night can be scored"
            if len(refused) == len(checked)
            else f"{counted(len(refused), 'night')} cannot be scored",
            table.name,
            "",
            "",
            "",
            "\n" + "\n".join(block_lines(refused_items(refused))),
        )
    study = summarise_study(checked, request.statistics)
    _refuse_unknown_margins(study)
    return study


def _refuse_unknown_margins(study: StudyAgreement) -> None:
    measures = list(dict.fromkeys(row.measure for device in study.devices for row in device.bias))
    for name, _ in study.options.margins:
        if name not in measures:
            raise InputError(
                "a margin is stated for a measure that the study does not have",
                "",
                "--margin",
                name,
                "one of " + ", ".join(map(say_measure, measures)),
                "Correct its name; a margin that is passed over would not be tested.",
            )


def load_nights(path: Path) -> NightsTable:
    """Read a table of nights, or take a table of paired epochs for one.

    Raises
    ------
    InputError
        As :func:`sleepagree.study.table.read_nights_table`.
    """
    if not is_paired_table(path):
        table = read_nights_table(path)
        name_inputs(lambda: input_files(table))
        return table
    return NightsTable(path.name, path.parent, hash_file(path), (), paired_epochs=True)


def _paired(
    table: NightsTable, request: StudyRequest, progress: Callable[[int, int], None] | None
) -> list[NightSummary | Refusal]:
    mappings = request.scoring.mappings
    nights = read_paired_nights(
        table.path(table.name),
        mapping=mappings[0] if mappings else None,
        reports=request.scoring.reports or None,
        keep_epochs=False,  # a table holds one device
    )
    found = []
    for night in nights:
        found.append(night)
        if progress is not None and len(found) % _PAIRED_NIGHTS_TOLD == 0:
            progress(len(found), 0)
    if progress is not None:
        progress(len(found), len(found))
    return list(anonymous_summaries(found) if request.scoring.anonymous else found)


def _scored(
    table: NightsTable,
    request: StudyRequest,
    execution: Execution | None,
    progress: Callable[[int, int], None] | None,
    epochs: BinaryIO | None,
) -> list[NightSummary | Refusal]:
    outcomes: list[NightSummary | Refusal] = []
    rows_of_night = Counter((row.participant, row.night) for row in table.rows)
    for chunk in run_rows(table, request.scoring, execution=execution, progress=progress):
        outcomes += (_with_epochs_to_share(outcome, rows_of_night) for outcome in chunk.outcomes)
        if epochs is not None:
            epochs.write(chunk.epochs)
    return outcomes


def _with_epochs_to_share(
    outcome: NightSummary | Refusal, rows_of_night: Counter[tuple[str, str]]
) -> NightSummary | Refusal:
    """Return a night without the labels of its epochs where no other row has it: nothing is laid beside them."""
    if isinstance(outcome, Refusal) or rows_of_night[outcome.participant, outcome.night] > 1:
        return outcome
    return replace(outcome, epochs=None)


def write_study(
    table: NightsTable,
    request: StudyRequest,
    out: Path,
    *,
    workers: int = 1,
    scheduler: str = "",
    resume: bool = False,
    overwrite: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> StudyAgreement:
    """Score a table of nights into a folder.

    Writes results.json, nights.csv, bias.csv, confusion.csv, epochs.csv.gz, report.html and figures. Until all
    of it is there the folder does not exist; finished chunks wait in a folder beside it for ``resume``.

    Returns
    -------
    StudyAgreement
        For a summary on the terminal: its nights do without what is in the files, their counts, measures and hashes.

    Raises
    ------
    OutputError
        When the folder exists, cannot be written, holds inputs, or another run is making it.
    InputError
        As :func:`run_study`.
    """
    keep = unfinished_folder(out)
    execution = Execution(workers, scheduler, keep, resume)
    with sparing_inputs():
        name_inputs(lambda: input_files(table))
        refuse_existing(out, overwrite=overwrite)
        with sole_run(keep, out):
            _sweep(keep, out)
            return _write_study(table, request, out, execution, overwrite=overwrite, progress=progress)


def _write_study(
    table: NightsTable,
    request: StudyRequest,
    out: Path,
    execution: Execution,
    *,
    overwrite: bool,
    progress: Callable[[int, int], None] | None,
) -> StudyAgreement:
    keep = unfinished_folder(out)
    try:
        with fresh_folder(out, overwrite=overwrite) as made:
            _remember(made, keep)
            if table.paired_epochs:  # its epochs are in the table that was given
                study = run_study(table, request, progress=progress)
            else:
                study = _with_epochs(table, request, made / "epochs.csv.gz", execution, progress)
            anonymous = request.scoring.anonymous
            shown = _without_zones(anonymous_table(table)) if anonymous else table
            document = study_document(study, table=shown, options=request.told, anonymous=anonymous)
            with (made / "results.json").open("wb") as stream:
                stream.writelines(map(encode_text, iterate_dump(document)))
            del document  # of many nights it is large
            with (made / "nights.csv").open("wb") as stream:
                for row in iterate_night_rows(study, anonymous=anonymous):
                    stream.write(encode_text(csv_text([row])))
            (made / "bias.csv").write_bytes(encode_text(csv_text(bias_rows(study))))
            (made / "confusion.csv").write_bytes(encode_text(csv_text(confusion_rows(study))))
            study = _without_details(study)
            if request.report:
                from sleepagree.render.page import page_files

                write_report(made, page_files(describe_study(study, command=request.command, table=shown)))
    except BaseException:
        _forget(keep)  # finished nights stay for --resume
        raise
    with contextlib.suppress(OSError):
        forget_chunks(keep)
    _forget(keep)
    return study


_NO_COUNTS: Final = frozen_array(np.zeros((0, 0)), np.int64)
_NO_FILE: Final = SourceFile("", "")


def _without_details(study: StudyAgreement) -> StudyAgreement:
    """Return a study whose nights hold no more than a report tells of them, before the report takes its own room."""
    devices = [replace(device, nights=tuple(map(_without_counts, device.nights))) for device in study.devices]
    return replace(study, devices=tuple(devices))


def _without_counts(night: NightSummary) -> NightSummary:
    return replace(
        night,
        references=(_NO_FILE,) * len(night.references),
        device_source=_NO_FILE,
        begin="",
        native=_NO_COUNTS,
        reference_measures=(),
        device_measures=(),
        sequences=("", ""),
        epochs=None,
    )


def _without_zones(table: NightsTable) -> NightsTable:
    """Return an anonymous table that tells that zones were given, but not which."""
    rows = tuple(
        replace(
            row,
            reference_zone="(a zone)" if row.reference_zone else "",
            device_zone="(a zone)" if row.device_zone else "",
        )
        for row in table.rows
    )
    return replace(table, rows=rows)


def _remember(made: Path, keep: Path) -> None:
    """Note the folder that results are made in, for a run that is killed cannot remove it."""
    keep.mkdir(parents=True, exist_ok=True)
    (keep / _MADE_IN).write_text(made.name, encoding="utf-8")


def _forget(keep: Path) -> None:
    with contextlib.suppress(OSError):
        (keep / _MADE_IN).unlink()
        keep.rmdir()


def _sweep(keep: Path, out: Path) -> None:
    """Remove the half-made results that a killed run left beside the folder of results, or in it."""
    try:
        name = (keep / _MADE_IN).read_text(encoding="utf-8")
    except (OSError, ValueError):
        return
    if is_partial(name) and Path(name).name == name:
        for folder in (out, out.parent):
            shutil.rmtree(folder / name, ignore_errors=True)


def _with_epochs(
    table: NightsTable,
    request: StudyRequest,
    path: Path,
    execution: Execution,
    progress: Callable[[int, int], None] | None,
) -> StudyAgreement:
    with path.open("wb") as stream:
        stream.write(gzip_member(EPOCHS_HEADER))
        return run_study(table, request, execution=execution, progress=progress, epochs=stream)
