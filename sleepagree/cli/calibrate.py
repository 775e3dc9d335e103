"""``sleepagree calibrate``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from sleepagree.cli import options as shared
from sleepagree.cli.study import progress_bar


@click.command(short_help="Learn from a study how to correct a device.")
@click.argument("nights", type=shared.INPUT)
@click.option("--out", type=shared.FILE, metavar="DIR", required=True, help="Folder to make.")
@click.option("--device", metavar="NAME", help="Which device, where the table has several.")
@shared.mapping_option
@click.option("--window", metavar="RULE", help="For rows that give none: lights, reference, overlap.")
@click.option(
    "--outside",
    type=click.Choice(["missing", "wake"]),
    default="missing",
    show_default=True,
    help="What a device's silence before its first and after its last word is.",
)
@click.option("--reports", metavar="LABELS", help="What the device can report, e.g. wake,light,deep.")
@click.option(
    "--confidence", type=shared.Number(0.5, 0.9999), default=0.95, show_default=True, help="Level of every interval."
)
@click.option("--workers", type=click.IntRange(1, 1024), default=1, show_default=True, help="Processes.")
@click.option("--full", is_flag=True, help="Print everything.")
@shared.figures_option
@shared.overwrite_option
@shared.quiet_option
@click.pass_context
def calibrate(ctx: click.Context, /, nights: Path, out: Path, **options: Any) -> None:
    """Learn from the nights in the table NIGHTS how to correct a device, and tell whether that helps.

    NIGHTS is a table as of 'sleepagree study'. For every sleep measure candidates from "none" on are compared by
    cross-validation over participants: nobody's nights are on both sides of a split, and the choice is made inside it.
    DIR takes correction.json for 'sleepagree correct', correction.csv and report.html. Exit 3: done, but some nights
    were refused.

    A measuring tool for research and personal interest, no medical device; it diagnoses nothing.
    """
    from sleepagree.mapping.files import own_words
    from sleepagree.render.correction_folder import write_correction
    from sleepagree.render.terminal import SAY_FULL
    from sleepagree.study.execution import Execution
    from sleepagree.study.from_table import load_nights
    from sleepagree.study.run import ScoringOptions

    mappings = shared.load_mappings(options["mapping_names"])
    if len(mappings) > 1:
        raise click.BadParameter("a correction is learnt under one mapping", param_hint="--mapping")
    shared.read_window(options["window"])
    reports = shared.read_reports(options["reports"], own_words(mappings)) or ()
    scoring = ScoringOptions(mappings, options["window"] or "", options["outside"], reports, clock=False)
    description, refused = write_correction(
        load_nights(nights),
        scoring,
        out,
        device=options["device"],
        level=options["confidence"],
        execution=Execution(options["workers"]),
        figures=options["figures"].split(","),
        overwrite=options["overwrite"],
        command=shared.repeat_command(anonymous=False),
        progress=progress_bar(quiet=options["quiet"]),
    )
    shared.print_description(description, full=options["full"])
    click.echo(f"\nWritten to {out}: start with report.html")
    click.echo(f"\nTo use it on a new night:\n  sleepagree correct {out / 'correction.json'} \\\n    DEVICE")
    if not options["full"]:
        click.echo(SAY_FULL)
    for refusal in refused:
        click.echo(f"refused: line {refusal.row}: {refusal.reason}", err=True)
    if refused:
        ctx.exit(3)
