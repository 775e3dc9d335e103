"""``sleepagree mappings``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from sleepagree.cli import options as shared


@click.command(short_help="Show one night under every stage mapping that fits.")
@click.argument("reference", type=shared.FILE)
@click.argument("device", type=shared.FILE)
@shared.mapping_option
@click.option("--declare", metavar="NAME", default="", help="The mapping chosen before the data were seen.")
@shared.reading_options
@shared.pairing_options
@shared.resampling_options
@shared.anonymous_option
@shared.json_option
@shared.overwrite_option
@shared.quiet_option
def mappings(reference: Path, device: Path, mapping_names: tuple[str, ...], declare: str, **options: Any) -> None:
    """Show the agreement of REFERENCE and DEVICE under every mapping that the two label sets allow.

    Each mapping is a way of forming classes from stages: it merges some and leaves out others. All of them
    are sums of one table of counts. --mapping adds one of your own. Which mapping is fair follows from the
    question asked, not from the kappa it gives: name it beforehand with --declare.

    A measuring tool for research and personal interest, no medical device; it diagnoses nothing.
    """
    from sleepagree.documents import dump, mappings_document
    from sleepagree.mapping_comparison import compare_mappings

    shared.refuse_json_target(options["json_path"], overwrite=options["overwrite"])
    extra = shared.load_mappings(mapping_names)
    paired = shared.load_pair(reference, device, extra, options)
    comparison = compare_mappings(
        paired,
        extra=extra,
        declared=declare,
        resamples=options["resamples"],
        seed=options["seed"],
        level=options["confidence"],
    )
    if options["json_path"]:
        asked = shared.option_document(options, [m.scored.mapping for m in comparison.mappings])
        text = dump(mappings_document(comparison, options=asked))
        shared.write_json(text, options["json_path"], overwrite=options["overwrite"])
    if options["json_path"] != "-":
        from sleepagree.text import mappings_lines

        click.echo("\n".join(mappings_lines(comparison)))
    shared.print_cautions(comparison.cautions, quiet=options["quiet"])
