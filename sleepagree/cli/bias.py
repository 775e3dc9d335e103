"""``sleepagree bias``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from sleepagree.cli import options as shared
from sleepagree.cli.study import build_request, progress_bar, study_reading_options


@click.command()
@click.argument("nights", type=shared.INPUT)
@click.option("--csv", "csv_path", type=shared.FILE, metavar="FILE", help="Write the table as CSV.")
@shared.json_option
@study_reading_options
@shared.resampling_options
@shared.overwrite_option
@shared.quiet_option
@click.pass_context
def bias(ctx: click.Context, /, nights: Path, csv_path: Path | None, **options: Any) -> None:
    """Print bias and limits of agreement of every measure over the nights in the table NIGHTS.

    Bias is device minus reference. Participants are the units; the method column says what was fitted.

    A measuring tool for research and personal interest, no medical device; it diagnoses nothing.
    """
    from dataclasses import replace

    from sleepagree.cli.running import run_study
    from sleepagree.describe.study import describe_bias
    from sleepagree.files.writing import csv_text, write_text
    from sleepagree.render.study_json import bias_document, bias_rows
    from sleepagree.study.execution import Execution
    from sleepagree.study.from_table import load_nights

    request = build_request(options, command="")
    request = replace(request, scoring=replace(request.scoring, epochs=False))
    table = load_nights(nights)
    shared.refuse_outputs(options, {"--csv": csv_path})
    execution = Execution(options["workers"], options["scheduler"])
    result = run_study(table, request, execution=execution, progress=progress_bar(quiet=options["quiet"]))
    if csv_path is not None:
        write_text(csv_path, csv_text(bias_rows(result)), overwrite=options["overwrite"])
    document = {d.device: [bias_document(row) for row in d.bias] for d in result.devices}
    shared.show(lambda: describe_bias(result), document, {**options, "full": True}, result.cautions)
    shared.tell_refused(ctx, result.refused, told=options["json_path"] != "-")
