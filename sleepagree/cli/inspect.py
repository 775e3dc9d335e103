"""``sleepagree inspect``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from sleepagree.cli import options as shared
from sleepagree.errors import counted


@click.command(short_help="Show what a reader sees in a file.")
@click.argument("file", type=shared.INPUT)
@click.option("--layout", type=shared.INPUT, help="How to read the file (TOML).")
@click.option("--zone", metavar="ZONE", help="IANA zone of the file's clock.")
@click.option(
    "--write-layout",
    "layout_out",
    type=shared.FILE,
    metavar="FILE.toml",
    help="Write a layout to start from, unknown labels to fill in.",
)
@shared.json_option
@shared.overwrite_option
@shared.quiet_option
def inspect(
    file: Path,
    layout: Path | None,
    zone: str | None,
    layout_out: Path | None,
    **options: Any,
) -> None:
    """Show what a reader sees in FILE, and what scoring a night with it would do.

    Shows the start, the zone, the length of an epoch and how it was found, labels with their stages and minutes,
    gaps, overlaps, lights marks and texts that were passed over. A file with unknown labels is shown too;
    --write-layout writes a commented layout in which they are listed to fill in. For EDF and BDF it also says
    whether MNE reads the same file differently.
    """
    from sleepagree.describe.file import describe_file
    from sleepagree.files.writing import refuse_file, write_text
    from sleepagree.readers.inspection import inspect_file
    from sleepagree.render.inspection_json import inspection_document

    if layout_out is not None:
        refuse_file(layout_out, overwrite=options["overwrite"])
    shared.refuse_json_target(options["json_path"], overwrite=options["overwrite"])
    shared.check_zone(zone, "--zone")
    shared.refuse_folder_as_input(file)
    given = shared.load_layout(layout)
    with shared.on_side("file"):
        seen = inspect_file(file, layout=given, zone=zone)
    shared.show(describe_file(seen), inspection_document(seen), options)
    if layout_out is not None:
        from sleepagree.readers.starter_layout import starter_layout

        write_text(layout_out, starter_layout(seen, layout=given), overwrite=options["overwrite"])
        todo = f"; fill in {counted(len(seen.unknown), 'stage')} in it" if seen.unknown else ""
        click.echo(f"wrote {layout_out}{todo}", err=True)
    shared.print_cautions(seen.cautions, quiet=options["quiet"])
