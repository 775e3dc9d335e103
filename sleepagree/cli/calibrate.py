"""``sleepagree calibrate``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from sleepagree.cli import options as shared
from sleepagree.cli.study import progress_bar, read_scoring


@click.command()
@click.argument("nights", type=shared.INPUT)
@click.option("--out", type=shared.FILE, metavar="DIR", required=True, help="Folder to make.")
@click.option("--device", metavar="NAME", help="Which device, where the table has several.")
@shared.scoring_options("the device")
@shared.confidence_option
@shared.workers_option
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
    from sleepagree.cli.running import list_refused, refused_nights
    from sleepagree.describe.correction import describe_correction
    from sleepagree.errors import InputError
    from sleepagree.files.writing import refuse_existing
    from sleepagree.render.correction_folder import write_correction
    from sleepagree.render.terminal import SAY_FULL
    from sleepagree.study.correction_learning import learn_correction
    from sleepagree.study.execution import Execution
    from sleepagree.study.from_table import load_nights, score_table
    from sleepagree.study.night_summary import Refusal

    scoring = read_scoring(options)
    if len(scoring.mappings) > 1:
        raise click.BadParameter("a correction is learnt under one mapping", param_hint="--mapping")
    table = load_nights(nights)
    refuse_existing(out, overwrite=options["overwrite"])
    outcomes = score_table(
        table,
        scoring,
        execution=Execution(options["workers"]),
        progress=progress_bar(quiet=options["quiet"]),
        keep_epochs=True,
    )
    device = options["device"]
    own = [outcome for outcome in outcomes if device in (None, outcome.device)]
    refused = [outcome for outcome in own if isinstance(outcome, Refusal)]
    if refused and len(refused) == len(own):
        raise refused_nights(refused, len(refused), table.name)
    try:
        correction = learn_correction(
            outcomes, device=device, mapping=next(iter(scoring.mappings), None), level=options["confidence"]
        )
    except InputError as error:
        if refused:  # what is lacking may be what was refused
            error.remedy += f" Refused:\n{list_refused(refused)}"
        raise
    description = describe_correction(correction, nights=own, command=shared.repeat_command(anonymous=False))
    figures = options["figures"].split(",")
    write_correction(correction, description, out, figures=figures, overwrite=options["overwrite"])
    shared.print_description(description, full=options["full"])
    click.echo(f"\nWritten to {out}: start with report.html")
    click.echo(f"\nTo use it on a new night:\n  sleepagree correct {out / 'correction.json'} \\\n    DEVICE")
    if not options["full"]:
        click.echo(SAY_FULL)
    shared.tell_refused(ctx, refused, told=True)
