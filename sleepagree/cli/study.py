"""``sleepagree study``."""

from __future__ import annotations

import os
import sys
import warnings
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from sleepagree.cli import interrupts
from sleepagree.cli import options as shared

if TYPE_CHECKING:
    from sleepagree.study.from_table import StudyRequest
    from sleepagree.study.run import ScoringOptions

study_reading_options = shared.apply_options(
    (
        shared.scoring_options("every device"),
        click.option("--strict", is_flag=True, help="One refused night refuses the whole study."),
        click.option(
            "--margin",
            "margins",
            multiple=True,
            metavar="MEASURE=MINUTES",
            help='Equivalence test against a margin stated beforehand, e.g. "TST=30".',
        ),
        click.option("--log-ratio", is_flag=True, help="Ratios device / reference and their limits of agreement."),
        shared.anonymous_option,
        shared.workers_option,
        click.option("--scheduler", metavar="ADDRESS", default="", help="An existing Dask scheduler."),
    )
)


@click.command()
@click.argument("nights", type=shared.INPUT)
@click.option("--out", type=shared.FILE, metavar="DIR", required=True, help="Folder to make.")
@study_reading_options
@shared.resampling_options
@click.option("--by", default="", metavar="COLUMN", help="A further column of NIGHTS to tell the bias by, e.g. sex.")
@click.option("--resume", is_flag=True, help="Use the finished nights of an interrupted run.")
@click.option("--count", is_flag=True, help="Lines 'progress DONE TOTAL' on standard error, for programs.")
@shared.figures_option
@shared.overwrite_option
@shared.quiet_option
@shared.full_option
@click.pass_context
def study(ctx: click.Context, /, nights: Path, out: Path, **options: Any) -> None:
    """Score all nights in the table NIGHTS and write results, tables, figures and a report to a folder.

    NIGHTS is a CSV with the columns participant, night, device, reference, device_file, and optionally layout,
    reference_layout, clock_offset, reference_zone, device_zone, window. Paths are relative to the table. Where several
    people scored a night, reference holds their files parted by ";", and what most of them say is the reference.
    NIGHTS may also be a table of paired epochs (CSV or Parquet: participant, night, epoch, reference, device).
    Participants are the units of every interval. Exit 3: done, but some nights were refused.

    A measuring tool for research and personal interest, no medical device; it diagnoses nothing.
    """
    from sleepagree.cli.running import write_study
    from sleepagree.describe.study import describe_study, next_command
    from sleepagree.errors import Front
    from sleepagree.study.anonymous import anonymous_table, hide_zones
    from sleepagree.study.chunks import unfinished_folder
    from sleepagree.study.from_table import load_nights

    request = build_request(options, command=shared.repeat_command(anonymous=options["anonymous"]))
    # after Ctrl-C joblib tells of tasks that were not finished; what is kept is told below
    warnings.filterwarnings("ignore", message=r"\d+ tasks ", category=UserWarning)
    table = load_nights(nights, by=options["by"])
    try:
        result = write_study(
            table,
            request,
            out,
            workers=options["workers"],
            scheduler=options["scheduler"],
            resume=options["resume"],
            figures=options["figures"].split(","),
            overwrite=options["overwrite"],
            progress=_count_nights if options["count"] else progress_bar(quiet=options["quiet"]),
        )
    except KeyboardInterrupt:
        if interrupts.take_the_word():
            tell_how_to_resume(unfinished_folder(out))
        ctx.exit(interrupts.EXIT_CODE)
    typed = ""
    if not options["anonymous"]:
        # from where the user is, which tells no folder above
        here = os.path.relpath(table.folder)
        typed = next_command(result, table, request.scoring, folder=here, mappings=options["mapping_names"])
    shown = hide_zones(anonymous_table(table)) if options["anonymous"] else replace(table, name=str(nights))
    description = describe_study(result, table=shown, folder=str(out), next_typed=typed)
    shared.write_for_page(lambda: describe_study(result, table=table, front=Front.PAGE))
    written = f"Written to {out}: start with {out / 'report.html'}"
    shared.print_description(description, full=options["full"], written=written)
    shared.print_cautions(result.cautions, options)
    shared.tell_refused(ctx, result.refused, told=True)


def _count_nights(done: int, total: int) -> None:
    click.echo(f"progress {done} {total}", err=True)


def build_request(options: dict[str, Any], *, command: str) -> StudyRequest:
    """Return the study that the options ask for."""
    from sleepagree.study.from_table import StudyRequest
    from sleepagree.study.results import StudyOptions

    anonymous = options["anonymous"]
    scoring = replace(read_scoring(options), epochs=True, anonymous=anonymous)
    margins = read_margins(options["margins"])
    statistics = StudyOptions(
        scoring.mappings,
        options["resamples"],
        options["seed"],
        options["confidence"],
        margins,
        options["log_ratio"],
        " ".join(options.get("by", "").split()),
    )
    told = {
        "window": shared.window_word(options["window"], anonymous=anonymous),
        "outside": options["outside"],
        "reports": list(scoring.reports) or None,
        "anonymous": anonymous,
    }
    return StudyRequest(scoring, statistics, options["strict"], told, command)


def read_scoring(options: dict[str, Any]) -> ScoringOptions:
    """Return how the options want nights to be scored."""
    from sleepagree.mapping.files import own_words
    from sleepagree.study.run import ScoringOptions

    mappings = shared.load_mappings(options["mapping_names"])
    shared.read_window(options["window"])
    reports = shared.read_reports(options["reports"], own_words(mappings, "device")) or ()
    return ScoringOptions(mappings, options["window"] or "", options["outside"], reports)


def read_margins(texts: tuple[str, ...]) -> tuple[tuple[str, float], ...]:
    """Read ``MEASURE=MINUTES`` texts."""
    out = []
    for text in texts:
        name, _, value = text.partition("=")
        try:
            margin = float(value)
        except ValueError:
            margin = 0.0
        if not name.strip() or not 0 < margin <= shared.LARGEST_MINUTES:
            raise click.BadParameter(
                f"'{text}' is not MEASURE=MINUTES, such as TST=30 (at most {shared.LARGEST_MINUTES})",
                param_hint="--margin",
            )
        out.append((name.strip(), margin))
    return tuple(out)


def tell_how_to_resume(kept: Path) -> None:
    """Say what an interrupted study left, and what to do with it."""
    if any(kept.glob("chunk-*.json")):
        told = f"finished nights wait in {kept}. To go on, give the same command with --resume"
    else:
        told = "no results were written"
    # a terminal stands in the line of progress, behind its ^C
    click.echo(f"{chr(10) if sys.stderr.isatty() else ''}sleepagree: interrupted; {told}.", err=True)


def progress_bar(*, quiet: bool) -> Callable[[int, int], None] | None:
    """Return a function that keeps one line of progress on a terminal, None where there is none."""
    if quiet or not sys.stderr.isatty():
        return None
    from sleepagree.study.execution import progress_line

    return progress_line("all scored; summing up")
