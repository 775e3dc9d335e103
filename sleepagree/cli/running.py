"""Runs of studies, as commands ask for them: nights scored and summed up, and their folder made."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import BinaryIO

from sleepagree.describe.refused import refused_items
from sleepagree.errors import InputError, counted
from sleepagree.files.writing import fresh_folder, refuse_existing
from sleepagree.render.study_folder import write_results
from sleepagree.render.terminal import block_lines
from sleepagree.study.chunks import remember, sole_study
from sleepagree.study.execution import Execution
from sleepagree.study.from_table import StudyRequest, score_table
from sleepagree.study.night_summary import Refusal
from sleepagree.study.results import StudyAgreement
from sleepagree.study.run import EPOCHS_HEADER, gzip_member
from sleepagree.study.summarise import summarise_study
from sleepagree.study.table import NightsTable


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
    table, execution, progress, epochs
        As of :func:`sleepagree.study.from_table.score_table`.
    request : StudyRequest
        What was asked for.

    Raises
    ------
    InputError
        When no night can be scored, or one cannot and ``strict`` was asked for.
    """
    outcomes = score_table(table, request.scoring, execution=execution, progress=progress, epochs=epochs)
    refused = [o for o in outcomes if isinstance(o, Refusal)]
    if refused and (request.strict or len(refused) == len(outcomes)):
        raise refused_nights(refused, len(outcomes), table.name)
    return summarise_study(outcomes, request.statistics)


def refused_nights(refused: Sequence[Refusal], of: int, table: str, done: str = "scored") -> InputError:
    """Return the error of a run that ends because of refused nights, with the reasons.

    Parameters
    ----------
    refused : sequence of Refusal
        These nights.
    of : int
        How many nights there were.
    table : str
        Name of their table.
    done : str
        What was to be done with them.
    """
    count = "no night can" if len(refused) == of else f"{counted(len(refused), 'night')} cannot"
    return InputError(f"{count} be {done}", table, remedy=f"\n{list_refused(refused)}")


def list_refused(refused: Sequence[Refusal]) -> str:
    """Return lines that tell refused nights and why, for a message."""
    return "\n".join(block_lines(refused_items(refused)))


def write_study(
    table: NightsTable,
    request: StudyRequest,
    out: Path,
    *,
    workers: int = 1,
    scheduler: str = "",
    resume: bool = False,
    figures: Sequence[str] = ("svg",),
    overwrite: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> StudyAgreement:
    """Score a table of nights into a folder.

    Writes results.json, nights.csv, bias.csv, confusion.csv, epochs.csv.gz, tables, checklist.md, report.html and
    figures. Until all of it is there the folder does not exist; finished chunks wait in a folder beside it for
    ``resume``.

    Returns
    -------
    StudyAgreement
        For a summary on the terminal.

    Raises
    ------
    OutputError
        When the folder exists, cannot be written, holds inputs, or another run is making it.
    InputError
        As :func:`run_study`.
    """
    refuse_existing(out, overwrite=overwrite)
    with sole_study(out) as keep, fresh_folder(out, overwrite=overwrite) as made:
        remember(keep, made)
        execution = Execution(workers, scheduler, keep, resume)
        if table.paired_epochs:  # its epochs are in the table that was given
            study = run_study(table, request, progress=progress)
        else:
            with (made / "epochs.csv.gz").open("w+b") as stream:
                stream.write(gzip_member(EPOCHS_HEADER))
                study = run_study(table, request, execution=execution, progress=progress, epochs=stream)
        write_results(made, study, table, request, figures)
    return study
