"""``sleepagree night``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click
from click.core import ParameterSource

from sleepagree.cli import options as shared

if TYPE_CHECKING:
    from sleepagree.describe.blocks import Description
    from sleepagree.night.compare import NightAgreement

#: Words of ``--export``; they are those of sleepagree.render.export.NightFormat, which --help need not load.
_EXPORTS: Final = ("edf", "bids", "csv", "parquet")


@click.command()
@click.argument("reference", type=shared.INPUT)
@click.argument("device", type=shared.INPUT)
@shared.mapping_option
@shared.reading_options
@shared.pairing_options
@shared.confidence_option
@shared.anonymous_option
@shared.json_option
@click.option("--out", type=shared.FILE, metavar="DIR", help="Write results, tables and the report here.")
@click.option(
    "--export",
    "export_names",
    type=click.Choice(_EXPORTS),
    multiple=True,
    help="Write the aligned night for other tools into --out DIR; may be given several times.",
)
@shared.figures_option
@shared.overwrite_option
@shared.quiet_option
@shared.full_option
@click.option("--no-input", is_flag=True, help="Ask nothing about a file that cannot be read, even on a terminal.")
def night(
    reference: Path, device: Path, mapping_names: tuple[str, ...], export_names: tuple[str, ...], **options: Any
) -> None:
    """Score how well the stages in DEVICE agree with those in REFERENCE over one night.

    REFERENCE is a hypnogram (EDF+, a table, BIDS events, JSON ...), DEVICE the export of the device. Prints how
    often both say the same, what each stage of the device was by the reference, and the bias; with --full an account
    of every epoch, agreement, measures and more, too; --json gives all as numbers. Differences are device minus
    reference.

    --export writes the night epoch by epoch, reference, device and disagreement side by side: edf (EDF+
    annotations), bids (events.tsv and its JSON), csv or parquet.

    A file that cannot be read gets a layout proposed; on a terminal it is filled in and written, question by
    question.

    A measuring tool for research and personal interest, no medical device; it diagnoses nothing.
    """
    from sleepagree.cli.asking import mend_layout
    from sleepagree.mapping.files import own_words
    from sleepagree.night.compare import compare
    from sleepagree.render.json_text import dump
    from sleepagree.render.night_json import night_document

    out = options["out"]
    source = click.get_current_context().get_parameter_source("figures")
    if out is None and (export_names or source is ParameterSource.COMMANDLINE):
        option = "--export" if export_names else "--figures"
        raise click.UsageError(f"{option} writes into the folder of results: give --out DIR, too.")
    shared.refuse_outputs(options, out=out)
    mappings = shared.load_mappings(mapping_names)
    paired = shared.load_pair(
        reference,
        device,
        mappings,
        options,
        mend=lambda path, side, error, given, near: mend_layout(
            path, side, error, options, given, near, own_words(mappings, side)
        ),
    )
    scored = compare(paired, mappings=mappings, level=options["confidence"])
    asked = shared.option_document(options, [m.mapping for m in scored.mappings])
    document = night_document(scored, options=asked)
    if out is not None:
        from sleepagree.render.night_folder import write_night

        command = shared.repeat_command(anonymous=options["anonymous"])
        write_night(
            scored,
            out,
            results=dump(document),
            command=command,
            exports=export_names,
            figures=options["figures"].split(","),
            overwrite=options["overwrite"],
        )
    shared.write_for_page(lambda: _for_page(scored))
    shared.show(lambda: _describe(scored, anonymous=options["anonymous"]), document, options, scored.cautions)


def _for_page(scored: NightAgreement) -> Description:
    from sleepagree.describe.night import describe_night
    from sleepagree.errors import Front

    return describe_night(scored, front=Front.PAGE)


def _describe(scored: NightAgreement, *, anonymous: bool) -> Description:
    """Return the night in words, with the command to type next."""
    from sleepagree.describe.answer import next_options, next_step
    from sleepagree.describe.night import describe_night

    step = next_step(scored)
    patterns = "sleepagree nights DIR --reference PATTERN --device PATTERN"
    following = shared.next_command(step, anonymous=anonymous) + next_options(scored)
    return describe_night(scored, next_command=patterns if step == "nights" else following)
