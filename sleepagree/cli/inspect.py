"""``sleepagree inspect``."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from sleepagree.cli import options as shared
from sleepagree.errors import Front, SleepAgreeError, counted

if TYPE_CHECKING:
    from datetime import datetime

    from sleepagree.readers.inspection import FileInspection
    from sleepagree.readers.layout import Layout
    from sleepagree.readers.proposing.layout_proposal import LayoutProposal


@click.command()
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
@click.option(
    "--near",
    type=click.DateTime(["%Y-%m-%d", "%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S", "%Y-%m-%d %H:%M", "%Y-%m-%d %H:%M:%S"]),
    metavar="TIME",
    help="When the night began: of several in one file the nearest is proposed.",
)
@shared.json_options
def inspect(file: Path, layout: Path | None, layout_out: Path | None, near: datetime | None, **options: Any) -> None:
    """Show what a reader sees in FILE, and what scoring a night with it would do.

    Shows the start, the zone, the length of an epoch and how it was found, labels with their stages and minutes,
    gaps, overlaps, lights marks and texts that were passed over. A file with unknown labels is shown too;
    --write-layout writes a commented layout in which they are listed to fill in; at its end stand all keys that a
    layout may have, and the values of time. For EDF and BDF it also says whether MNE reads the same file differently.
    """
    from sleepagree.describe.file import describe_file
    from sleepagree.describe.proposal import layout_text
    from sleepagree.files.writing import write_text
    from sleepagree.readers.layout import NO_LAYOUT
    from sleepagree.readers.proposing.proposal import layout_as_seen
    from sleepagree.render.inspection_json import inspection_document

    shared.refuse_outputs(options, {"--write-layout": layout_out})
    shared.check_zones(options, "zone")
    shared.refuse_folder_as_input(file)
    given = shared.load_layout(layout)
    with shared.on_side("file"):
        seen, proposal = _see(file, given, options["zone"], near, to_write=layout_out is not None)
    shared.show(lambda: describe_file(seen, proposal=proposal), inspection_document(seen, proposal), options)
    if layout_out is not None:
        written = proposal or layout_as_seen(seen, given or NO_LAYOUT)
        write_text(layout_out, layout_text(written), overwrite=options["overwrite"])
        blanks = len(written.blanks) + len(written.blank_labels)
        what = "blank" if written.blanks else "stage"
        todo = f"; fill in {counted(blanks, what)} in it" if blanks else ""
        click.echo(f"wrote {layout_out}{todo}", err=True)
    shared.print_cautions(seen.cautions, options)


def _see(
    file: Path, given: Layout | None, zone: str | None, near: datetime | None, *, to_write: bool
) -> tuple[FileInspection, LayoutProposal | None]:
    """Return what is seen in a file; where it is not read as it is, as it would be read by the proposed layout.

    A layout that is to be written is proposed though it does not get beyond what stands in the way.
    """
    from sleepagree.cli.asking import adds_to
    from sleepagree.readers.inspection import FileInspection, fault_of, inspect_file, name_of, reader_of

    try:
        seen = inspect_file(file, layout=given, zone=zone)
    except SleepAgreeError as error:
        proposal = _proposed(file, given, zone, near)
        if proposal is None or not (to_write or adds_to(proposal, error)):
            raise
        told = (error.in_file("").told(Front.COMMAND),)
        names = name_of(file), reader_of(file)
        seen = FileInspection(*names, problems=told, faults=(fault_of(error),))
    else:
        if not seen.problems or (given and seen.spans and not seen.unknown):
            return seen, None
        proposal = _proposed(file, given, zone, near, to_write=to_write and not seen.columns)
    return seen if proposal is None else _as_proposed(seen, proposal), proposal


def _proposed(
    file: Path, given: Layout | None, zone: str | None, near: datetime | None, *, to_write: bool = False
) -> LayoutProposal | None:
    """Return the layout proposed for a file; a zone that it would leave blank is the one that was told."""
    from sleepagree.cli.asking import usable_proposal
    from sleepagree.readers.layout import NO_LAYOUT
    from sleepagree.readers.proposing.layout_proposal import Why, values_of

    proposal = usable_proposal(file, given, near, to_write=to_write)
    if zone is None or proposal is None or "zone" not in values_of(proposal.blanks):
        return proposal
    told = usable_proposal(file, replace(given or NO_LAYOUT, zone=zone), near, to_write=to_write)
    if told is None:
        return proposal
    settings = (replace(s, why=Why.TOLD) if s.key == "zone" else s for s in told.settings)
    return replace(told, settings=tuple(settings))


def _as_proposed(seen: FileInspection, proposal: LayoutProposal) -> FileInspection:
    """Return what is seen in a file by its proposed layout: what that settles, and what is left in the way."""
    from sleepagree.cli.asking import is_stopped

    shown = replace(seen if proposal.seen is None else proposal.seen, header=seen.header)
    if proposal.seen is not None and not proposal.seen.problems:
        return replace(shown, settled=seen.faults, problems=())
    if seen.spans:  # labels to name, or rows to settle: they stand in the way until somebody does
        return replace(shown, problems=seen.problems)
    if proposal.problem is None or not is_stopped(proposal):
        left = () if proposal.seen is None or proposal.is_readable else proposal.seen.problems
        return replace(shown, settled=seen.faults, problems=left)
    problem = proposal.problem.in_file("").told(Front.COMMAND)
    if problem in seen.problems:
        return replace(shown, problems=seen.problems)
    return replace(shown, settled=seen.faults, problems=(f"with the proposed layout: {problem}",))
