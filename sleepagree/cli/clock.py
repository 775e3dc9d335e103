"""``sleepagree clock``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from sleepagree.cli import options as shared


@click.command()
@click.argument("reference", type=shared.INPUT)
@click.argument("device", type=shared.INPUT)
@shared.mapping_option
@shared.reading_options
@shared.pairing_options
@click.option(
    "--range",
    "range_min",
    type=shared.Number(1, 900),
    default=30.0,
    show_default=True,
    metavar="MINUTES",
    help="Largest offset to either side.",
)
@click.option("--resamples", type=click.IntRange(50, 100_000), default=500, show_default=True, help="Of the bootstrap.")
@shared.seed_option("bootstrap")
@click.option("--confidence", type=shared.Number(0.5, 0.9999), default=0.95, show_default=True)
@shared.anonymous_option
@shared.json_options
@shared.full_option
def clock(reference: Path, device: Path, mapping_names: tuple[str, ...], range_min: float, **options: Any) -> None:
    """Show how agreement changes when device times are shifted, and whether the device's clock drifts.

    Offsets are seconds to add to device times. Nothing is ever shifted here: an offset that is proposed may be
    given to other commands with --clock-offset. Tuning the clock on the outcome inflates agreement, so report
    both figures.

    A measuring tool for research and personal interest, no medical device; it diagnoses nothing.
    """
    from sleepagree.describe.clock import describe_clock
    from sleepagree.mapping.mapping import default_mapping
    from sleepagree.render.clock_json import clock_document
    from sleepagree.scoring.clock_check import clock_change_cautions, scan_clock

    shared.refuse_outputs(options)
    mappings = shared.load_mappings(mapping_names)
    paired = shared.load_pair(reference, device, mappings, options)
    mapping = mappings[0] if mappings else default_mapping(paired.reference_set, paired.device_set)
    reading = scan_clock(
        paired,
        mapping,
        range_s=range_min * 60,
        resamples=options["resamples"],
        seed=options["seed"],
        level=options["confidence"],
    )
    anew = {"clock_offset", "window"} if reading.jump else {"clock_offset"}
    night = shared.next_command("night", anonymous=options["anonymous"], without=anew)
    again = shared.next_command("clock", anonymous=options["anonymous"], without={"range_min"})
    described = lambda: describe_clock(reading, paired, night=night, clock=again)  # noqa: E731 - made when it is shown
    cautions = (*clock_change_cautions(paired, mapping), *paired.cautions)
    shared.show(described, clock_document(reading, paired, cautions), options, cautions)
