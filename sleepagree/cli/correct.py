"""``sleepagree correct``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from sleepagree.cli import options as shared


@click.command(short_help="Correct a new night that has no reference.")
@click.argument("correction", type=shared.INPUT, metavar="CORRECTION.json")
@click.argument("device", type=shared.INPUT)
@click.option("--layout", type=shared.INPUT, help="How to read the device file (TOML).")
@click.option("--device-zone", metavar="ZONE", help="IANA zone of the device's clock.")
@click.option("--window", metavar="FROM/TO", help="Time in bed, in ISO 8601 by the device's clock; or lights.")
@shared.json_option
@shared.overwrite_option
@shared.quiet_option
def correct(correction: Path, device: Path, **options: Any) -> None:
    """Print each sleep measure of the night in the file DEVICE as the device says it and corrected.

    CORRECTION.json is what 'sleepagree calibrate' learnt from a study with the same device. Every corrected value has a
    prediction interval and says whether correcting helped people who were not learnt from.

    A measuring tool for research and personal interest, no medical device; it diagnoses nothing.
    """
    from sleepagree.describe.correction import describe_corrected
    from sleepagree.mapping.files import own_words
    from sleepagree.render.correction_json import corrected_document
    from sleepagree.study.correction_file import read_correction

    shared.refuse_json_target(options["json_path"], overwrite=options["overwrite"])
    window = shared.read_window(options["window"])
    shared.check_zone(options["device_zone"], "--device-zone")
    learnt = read_correction(correction)
    words = own_words((learnt.mapping,))
    spans = shared.load_spans(device, options["layout"], options["device_zone"], words, "device")
    night = learnt.apply(spans, window=window)
    shared.show(describe_corrected(night), corrected_document(night), options)
    if options["json_path"] == "-":
        shared.print_cautions(night.cautions, quiet=options["quiet"])
