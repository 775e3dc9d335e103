"""``sleepagree mappings``."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from sleepagree.cli import options as shared

if TYPE_CHECKING:
    from sleepagree.mapping.mapping import StageMapping


@click.command()
@click.argument("reference", type=shared.INPUT)
@click.argument("device", type=shared.INPUT)
@shared.mapping_option
@click.option("--declare", metavar="NAME", help="The mapping chosen before the data were seen.")
@shared.reading_options
@shared.pairing_options
@shared.confidence_option
@shared.anonymous_option
@shared.json_options
@shared.full_option
def mappings(
    reference: Path, device: Path, mapping_names: tuple[str, ...], declare: str | None, **options: Any
) -> None:
    """Show the agreement of REFERENCE and DEVICE under every mapping that the two label sets allow.

    Each mapping is a way of forming classes from stages: it merges some and leaves out others. All of them
    are sums of one table of counts. --mapping adds one of your own. Which mapping is fair follows from the
    question asked, not from the kappa it gives: name it beforehand with --declare.

    A measuring tool for research and personal interest, no medical device; it diagnoses nothing.
    """
    from sleepagree.describe.mappings import describe_mappings
    from sleepagree.night.mappings import compare_mappings
    from sleepagree.render.night_json import mappings_document

    shared.refuse_outputs(options)
    extra = shared.load_mappings(mapping_names)
    _refuse_unknown(declare, extra)
    paired = shared.load_pair(reference, device, extra, options)
    comparison = compare_mappings(paired, extra=extra, declared=declare or "", level=options["confidence"])
    asked = shared.option_document(options, [m.scored.mapping for m in comparison.mappings])
    document = mappings_document(comparison, options=asked)
    shared.show(lambda: describe_mappings(comparison), document, options, comparison.cautions)


def _refuse_unknown(declared: str | None, extra: Sequence[StageMapping]) -> None:
    """Refuse a name that no mapping has; whether the mapping fits the night is not known yet."""
    if declared is None:
        return
    from sleepagree.errors import shorten
    from sleepagree.mapping.mapping import BUILT_IN_MAPPINGS

    names = dict.fromkeys((*(m.name for m in BUILT_IN_MAPPINGS), *(m.name for m in extra)))
    if declared not in names:
        raise click.BadParameter(
            f"no mapping has this name. Found {shorten(declared)}; expected one of {', '.join(names)}. A mapping of "
            "your own is known once its file is given with --mapping.",
            param_hint="--declare",
        )
