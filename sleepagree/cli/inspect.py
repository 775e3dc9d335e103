"""``sleepagree inspect``."""

from __future__ import annotations

from pathlib import Path

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
    json_path: str | None,
    overwrite: bool,  # noqa: FBT001
    quiet: bool,  # noqa: FBT001
) -> None:
    """Show what a reader sees in FILE, and what scoring a night with it would do.

    Shows the start, the zone, the length of an epoch and how it was found, labels with their stages and minutes,
    gaps, overlaps, lights marks and texts that were passed over. A file with unknown labels is shown too;
    --write-layout writes a commented layout in which they are listed to fill in. For EDF and BDF it also says
    whether MNE reads the same file differently.
    """
    from sleepagree.files.writing import refuse_file, write_text
    from sleepagree.readers.inspection import inspect_file

    if layout_out is not None:
        refuse_file(layout_out, overwrite=overwrite)
    shared.refuse_json_target(json_path, overwrite=overwrite)
    shared.check_zone(zone, "--zone")
    shared.refuse_folder_as_input(file)
    given = None
    if layout is not None:
        from sleepagree.readers.layout import read_layout

        given = read_layout(layout)
    seen = inspect_file(file, layout=given, zone=zone)
    if json_path:
        from sleepagree.render.inspection_json import inspection_document
        from sleepagree.render.night_json import dump

        shared.write_json(dump(inspection_document(seen)), json_path, overwrite=overwrite)
    if json_path != "-":
        from sleepagree.inspection_text import inspection_lines

        click.echo("\n".join(inspection_lines(seen)))
    if layout_out is not None:
        from sleepagree.readers.starter_layout import starter_layout

        write_text(layout_out, starter_layout(seen, layout=given), overwrite=overwrite)
        todo = f"; fill in {counted(len(seen.unknown), 'stage')} in it" if seen.unknown else ""
        click.echo(f"wrote {layout_out}{todo}", err=True)
    shared.print_cautions(seen.cautions, quiet=quiet)
