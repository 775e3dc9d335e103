"""``sleepagree plan``."""

from __future__ import annotations

from typing import Any

import click

from sleepagree.cli import options as shared


@click.command(short_help="How many participants and nights an interval needs.")
@click.option("--from", "results", type=shared.INPUT, metavar="results.json", help="A finished study to take SDs from.")
@click.option("--device", metavar="NAME", help="Which device of that study (default: its first).")
@click.option(
    "--measure", "measures", multiple=True, metavar="NAME", help="Measures to plan (default: TST and classes)."
)
@click.option(
    "--between-sd", type=shared.Number(0, shared.LARGEST_MINUTES), help="Stated SD of differences between participants."
)
@click.option(
    "--within-sd",
    type=shared.Number(0, shared.LARGEST_MINUTES),
    help="Stated SD of differences between nights of one person.",
)
@click.option("--kappa-between-sd", type=shared.Number(0, 2), help="The same for the kappa of a night.")
@click.option("--kappa-within-sd", type=shared.Number(0, 2), help="The same for the kappa of a night.")
@click.option("--width", "widths", multiple=True, metavar="STATISTIC=HALF-WIDTH", help='Wanted, e.g. "bias TST=10".')
@click.option("--participants", metavar="LIST", default="5,10,15,20,30,40,60,80", show_default=True)
@click.option("--nights", metavar="LIST", default="1,2,3,5,7", show_default=True)
@click.option("--assurance", type=shared.Number(0.01, 0.99), help="Half-widths not exceeded with this probability.")
@click.option("--confidence", type=shared.Number(0.5, 0.9999), default=0.95, show_default=True)
@shared.json_option
@shared.overwrite_option
@shared.quiet_option
def plan(**options: Any) -> None:
    """Show how wide the intervals of a study of a given size would be, and how many people they need.

    SDs come from a finished study (--from results.json) or are stated (--between-sd, --within-sd). Nights of
    one person are worth less than nights of several: the grid shows by how much.

    A measuring tool for research and personal interest, no medical device; it diagnoses nothing.
    """
    from sleepagree.describe.cautions import caution_documents
    from sleepagree.plan_text import plan_lines
    from sleepagree.render.night_json import dump, software
    from sleepagree.study.plan_request import (
        plan_cautions,
        plan_from_results,
        plan_from_stated,
        read_sizes,
        read_widths,
    )

    with shared.wrong_use("--width"):
        wanted = read_widths(options["widths"])
    with shared.wrong_use("--participants"):
        participants = read_sizes(options["participants"], least=2)
    with shared.wrong_use("--nights"):
        nights = read_sizes(options["nights"], least=1)
    if options["results"] is None and (options["device"] or options["measures"]):
        raise click.UsageError("--device and --measure choose from a finished study: give --from results.json, too.")
    shared.refuse_json_target(options["json_path"], overwrite=options["overwrite"])
    settings = {
        "participants": participants,
        "nights": nights,
        "wanted": wanted,
        "level": options["confidence"],
        "assurance": options["assurance"],
    }
    if options["results"] is not None:
        grid = plan_from_results(options["results"], options["device"], options["measures"], **settings)
    elif options["between_sd"] is not None or options["kappa_between_sd"] is not None:
        grid = plan_from_stated(
            (options["between_sd"], options["within_sd"]),
            (options["kappa_between_sd"], options["kappa_within_sd"]),
            **settings,
        )
    else:
        raise click.UsageError("give --from results.json, or --between-sd (and --within-sd), or --kappa-between-sd")
    if options["json_path"]:
        document = {
            "schema": "sleepagree.plan/2",
            "software": software(),
            **grid.as_record(),
            "cautions": caution_documents(plan_cautions(grid)),
        }
        shared.write_json(dump(document), options["json_path"], overwrite=options["overwrite"])
    if options["json_path"] != "-":
        click.echo("\n".join(plan_lines(grid)))
    shared.print_cautions(plan_cautions(grid), quiet=options["quiet"])
