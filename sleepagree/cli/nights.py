"""``sleepagree nights``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from sleepagree.cli import options as shared

if TYPE_CHECKING:
    from sleepagree.study.proposed_patterns import ProposedPatterns


@click.command()
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--reference", "reference_pattern", metavar="PATTERN", help="Names of the reference's files below DIR.")
@click.option(
    "--device",
    "device_patterns",
    multiple=True,
    metavar="PATTERN",
    help="Names of the device's files below DIR; may be given several times.",
)
@click.option(
    "--device-name",
    "device_names",
    multiple=True,
    metavar="NAME",
    help="The device, where its pattern has no {device}; once for each such pattern.",
)
@click.option("--participants", type=shared.INPUT, metavar="FILE", help="A table of who takes part.")
@click.option("--id", "id_column", metavar="COLUMN", help="Its column of the names of people as files have them.")
@click.option(
    "--layout",
    "layouts",
    type=shared.INPUT_OF_DEVICE,
    multiple=True,
    metavar="[DEVICE=]FILE",
    help="How to read the device files, or those of one device (TOML); a column of the table.",
)
@click.option("--reference-layout", type=shared.INPUT, help="How to read the references (TOML); a column of the table.")
@click.option("--reference-zone", metavar="ZONE", help="IANA zone of the references; a column of the table.")
@click.option("--device-zone", metavar="ZONE", help="IANA zone of the device files; a column of the table.")
@click.option(
    "--out", default="nights.csv", show_default=True, metavar="FILE|-", help="The table; its paths are relative to it."
)
@shared.json_options
def nights(folder: Path, reference_pattern: str | None, device_patterns: tuple[str, ...], **options: Any) -> None:
    """Write a nights table from the names of the files below DIR.

    Without patterns it proposes some, shows what they find, and prints the command to type; nothing is written.

    A PATTERN is the path of a file below DIR in which {participant} and {night} stand for the parts that
    differ, {device} for the device, {scorer} for one of several scorers and {part} for the parts of one
    recording, which are joined in its order, * for any characters and ? for one. None of them reaches over a
    slash. A field that stands twice must be the same text in both places:

    \b
      sleepagree nights ferry --reference "lab/{participant}_n{night}.edf" \\
                              --device "{device}/{participant}_n{night}.csv"

    Each device has a layout of its own with --layout DEVICE=FILE, given once for each.

    Where rows of several people stand in one device file, the --layout names their column (person_column), the
    pattern has no {participant}, and each person has a row for each of the references' nights. With
    --participants FILE --id COLUMN, {participant} stands for one of the names in that column and for nothing else.

    Shows what matched and what did not. A name that can be read in two ways, a file that fits both patterns
    and two files for one night are refused.
    """  # noqa: D301 (click wants the character \b itself)
    from sleepagree.describe.folder import describe_folder
    from sleepagree.files.writing import name_inputs, write_text
    from sleepagree.readers.layout import read_layout
    from sleepagree.render.night_json import folder_document
    from sleepagree.study.from_folder import column_values, matched_files, nights_from_folder, nights_table_text
    from sleepagree.study.proposed_patterns import propose_patterns

    out = options["out"]
    _check_use(reference_pattern, device_patterns, options)
    table = Path(out)
    outputs = {"--out": None if reference_pattern is None or out == "-" else table}
    shared.refuse_outputs(options, outputs)
    participants = options["participants"]
    people = None if participants is None else column_values(participants, options["id_column"])
    if reference_pattern is None:
        proposed = propose_patterns(folder, people=people)
        found = proposed.found
        name_inputs(lambda: (folder / file for file in matched_files(found)))
        choices = [(_command(one), one.found) for one in (proposed, *proposed.others)]
        document = folder_document(found, proposed=proposed)
        shared.refuse_outputs(options)
        shared.show(lambda: describe_folder(found, proposed=choices), document, options, (*found.notes, *found.hints))
        return
    layouts = {device: Path(file) for device, file in map(shared.one_of_device, options["layouts"])}
    if len(layouts) < len(options["layouts"]):
        raise click.UsageError("--layout is given twice for the same files: one each, as --layout DEVICE=FILE.")
    found = nights_from_folder(
        folder,
        reference_pattern=reference_pattern,
        device_pattern=device_patterns,
        device_name=options["device_names"],
        people=people,
        layouts={device: read_layout(path) for device, path in layouts.items()},
    )
    # the next command reads them: a table in the place of a recording would be no table for long
    name_inputs(lambda: (folder / file for file in matched_files(found)))
    shared.refuse_outputs(options, outputs)
    text = nights_table_text(
        found,
        table_folder=Path() if out == "-" else table.parent,
        layouts=layouts,
        reference_layout=options["reference_layout"],
        reference_zone=options["reference_zone"],
        device_zone=options["device_zone"],
    )
    if out == "-":
        click.echo(text, nl=False)
    else:
        write_text(table, text, overwrite=options["overwrite"])
    description = describe_folder(found, table="" if out == "-" else out)
    shared.show(lambda: description, folder_document(found), options, (*found.notes, *found.hints), to_error=out == "-")


def _check_use(reference: str | None, devices: tuple[str, ...], options: dict[str, Any]) -> None:
    """Refuse options that do not go together."""
    shared.check_zones(options, "reference_zone", "device_zone")
    if (reference is None) != (not devices):
        missing = "--reference" if reference is None else "--device"
        raise click.UsageError(f"{missing} is missing: give a pattern for both sides, or none to have some proposed.")
    if reference is None and options["device_names"]:
        raise click.UsageError("--device-name goes with --device: a proposal names the devices itself.")
    if (options["participants"] is None) != (options["id_column"] is None):
        raise click.UsageError("--participants FILE and --id COLUMN go together.")
    if reference is not None and options["out"] == "-" and options["json_path"] == "-":
        raise click.UsageError("--out - and --json - cannot both have standard output.")


def _command(proposed: ProposedPatterns) -> str:
    """Return this command with the patterns that are proposed."""
    shared.take_as_typed("reference_pattern", proposed.reference)
    shared.take_as_typed("device_patterns", proposed.devices)
    shared.take_as_typed("device_names", proposed.names)
    return shared.next_command("nights", anonymous=False)
