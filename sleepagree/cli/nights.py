"""``sleepagree nights``."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from sleepagree.cli import options as shared
from sleepagree.errors import counted, shorten

if TYPE_CHECKING:
    from sleepagree.study.from_folder import FolderNights

_WIDTH: Final = 80
_ROWS: Final = 12
_FILES: Final = 5
_DEVICES: Final = 3


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
    differ, {device} for the device and {scorer} for one of several scorers, * for any characters and ? for
    one. None of them reaches over a slash. A field that stands twice must be the same text in both places:

    \b
      sleepagree nights ferry --reference "lab/{participant}_n{night}.edf" \\
                              --device "{device}/{participant}_n{night}.csv"

    Shows what matched and what did not. A name that can be read in two ways, a file that fits both patterns
    and two files for one night are refused.
    """  # noqa: D301 (click wants the character \b itself)
    from sleepagree.files.writing import name_inputs, refuse_existing, write_text
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
    if json_path:
        from sleepagree.render.night_json import dump

        shared.write_json(dump(_document(found)), json_path, overwrite=options["overwrite"])
    if json_path != "-":
        lines = [*_lines(found), *([] if out == "-" else _closing(found, out))]
        click.echo("\n".join(lines), err=out == "-")
    shared.print_cautions((*found.notes, *found.hints), quiet=options["quiet"])


def _document(found: FolderNights) -> dict[str, Any]:
    return {
        "schema": "sleepagree.nights/1",
        "nights": [
            {
                "participant": row.participant,
                "night": row.night,
                "device": row.device,
                "reference": list(row.reference),
                "device_file": row.device_file,
            }
            for row in found.rows
        ],
        "references_without_device": list(found.references_alone),
        "device_files_without_reference": list(found.devices_alone),
        "other_files": list(found.others),
        "cautions": [*found.notes, *found.hints],
    }


def _lines(found: FolderNights) -> Iterator[str]:
    devices = list(dict.fromkeys(row.device for row in found.rows))
    people = list(dict.fromkeys(row.participant for row in found.rows))
    times = len({(row.participant, row.night) for row in found.rows})
    yield (
        f"{counted(len(found.rows), 'row')} from {counted(len(people), 'participant')}, "
        f"{counted(times, 'night')} and {counted(len(devices), 'device')}"
    )
    yield ""
    yield from _overview(found, people, devices)
    first = found.rows[0]
    yield ""
    yield _fit(f"For example {first.participant}, night {first.night}, {first.device}:", _WIDTH)
    for file in first.reference:
        yield "  reference  " + _fit(file, _WIDTH - 13)
    yield "  device     " + _fit(first.device_file, _WIDTH - 13)
    yield ""
    yield from _listing("references without a device file", found.references_alone)
    yield from _listing("device files without a reference", found.devices_alone)
    yield from _listing("other files", found.others)


def _overview(found: FolderNights, people: Sequence[str], devices: Sequence[str]) -> Iterator[str]:
    """Yield a table of nights per participant and device."""
    shown = devices[:_DEVICES]
    counts = Counter((row.participant, row.device) for row in found.rows)
    rows = [(person, *(str(counts[person, device] or "-") for device in shown)) for person in people[:_ROWS]]
    header = ("nights of", *shown)
    widths = [min(16, max(len(line[i]) for line in (header, *rows))) for i in range(len(header))]
    for line in (header, *rows):
        cells = [_fit(line[0], widths[0]).ljust(widths[0])]
        cells += [_fit(text, width).rjust(width) for text, width in zip(line[1:], widths[1:], strict=True)]
        yield "  ".join(cells).rstrip()
    if len(people) > _ROWS:
        yield f"... and {counted(len(people) - _ROWS, 'more participant')}"
    if len(devices) > _DEVICES:
        yield f"... and {counted(len(devices) - _DEVICES, 'more device')}"


def _closing(found: FolderNights, out: str) -> list[str]:
    return [
        "",
        f"Wrote {out} ({counted(len(found.rows), 'row')}). Next:",
        f"  sleepagree study {out} --out results",
    ]


def _listing(title: str, files: Sequence[str]) -> Iterator[str]:
    yield f"{title}: {len(files) or 'none'}"
    for file in files[:_FILES]:
        yield "  " + _fit(file, _WIDTH - 2)
    if len(files) > _FILES:
        yield f"  ... and {len(files) - _FILES} more"


def _fit(text: str, width: int) -> str:
    """Return printable text of at most ``width`` characters; what is left out is left out in the middle."""
    shown = "".join(shorten(text[i : i + 40]) for i in range(0, len(text), 40))
    if len(shown) <= width:
        return shown
    tail = (width - 3) * 2 // 3
    return shown[: width - 3 - tail] + "..." + shown[len(shown) - tail :]
