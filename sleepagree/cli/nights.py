"""``sleepagree nights``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from sleepagree.cli import options as shared


@click.command(short_help="Write a nights table from a folder's file names.")
@click.argument("folder", metavar="DIR", type=shared.FILE)
@click.option(
    "--reference",
    "reference_pattern",
    required=True,
    metavar="PATTERN",
    help="Names of the reference's files below DIR.",
)
@click.option(
    "--device",
    "device_pattern",
    required=True,
    metavar="PATTERN",
    help="Names of the device's files below DIR.",
)
@click.option("--device-name", metavar="NAME", help="The device, where its pattern has no {device}.")
@click.option("--layout", type=shared.INPUT, help="How to read the device files (TOML); a column of the table.")
@click.option("--reference-layout", type=shared.INPUT, help="How to read the references (TOML); a column of the table.")
@click.option("--reference-zone", metavar="ZONE", help="IANA zone of the references; a column of the table.")
@click.option("--device-zone", metavar="ZONE", help="IANA zone of the device files; a column of the table.")
@click.option(
    "--out",
    default="nights.csv",
    show_default=True,
    metavar="FILE|-",
    help="The table; its paths are relative to it.",
)
@shared.json_option
@shared.overwrite_option
@shared.quiet_option
def nights(folder: Path, reference_pattern: str, device_pattern: str, **options: Any) -> None:
    """Write a nights table from the names of the files below DIR.

    A PATTERN is the path of a file below DIR in which {participant} and {night} stand for the parts that
    differ, {device} for the device, {scorer} for one of several scorers and {part} for the parts of one
    recording, which are joined in its order, * for any characters and ? for one. None of them reaches over a
    slash. A field that stands twice must be the same text in both places:

    \b
      sleepagree nights ferry --reference "lab/{participant}_n{night}.edf" \\
                              --device "{device}/{participant}_n{night}.csv"

    Shows what matched and what did not. A name that can be read in two ways, a file that fits both patterns
    and two files for one night are refused.
    """  # noqa: D301 (click wants the character \b itself)
    from sleepagree.describe.folder import describe_folder
    from sleepagree.files.writing import name_inputs, refuse_existing, write_text
    from sleepagree.render.night_json import folder_document
    from sleepagree.study.from_folder import matched_files, nights_from_folder, nights_table_text

    out, json_path = options["out"], options["json_path"]
    for side in ("reference", "device"):
        shared.check_zone(options[f"{side}_zone"], f"--{side}-zone")
    table = Path(out)
    if out != "-":
        refuse_existing(table, overwrite=options["overwrite"])
    elif json_path == "-":
        raise click.UsageError("--out - and --json - cannot both have standard output.")
    shared.refuse_json_target(json_path, overwrite=options["overwrite"])
    found = nights_from_folder(
        folder,
        reference_pattern=reference_pattern,
        device_pattern=device_pattern,
        device_name=options["device_name"],
    )
    # the next command reads them: a table in the place of a recording would be no table for long
    name_inputs(lambda: (folder / file for file in matched_files(found)))
    if out != "-":
        refuse_existing(table, overwrite=options["overwrite"])
    shared.refuse_json_target(json_path, overwrite=options["overwrite"])
    text = nights_table_text(
        found,
        table_folder=Path() if out == "-" else table.parent,
        layout=options["layout"],
        reference_layout=options["reference_layout"],
        reference_zone=options["reference_zone"],
        device_zone=options["device_zone"],
    )
    if out == "-":
        click.echo(text, nl=False)
    else:
        write_text(table, text, overwrite=options["overwrite"])
    description = describe_folder(found, table="" if out == "-" else out)
    shared.show(description, folder_document(found), options, to_error=out == "-")
    shared.print_cautions((*found.notes, *found.hints), quiet=options["quiet"])
