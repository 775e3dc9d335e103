"""``sleepagree correct``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from sleepagree.cli import options as shared

if TYPE_CHECKING:
    from sleepagree.describe.blocks import Description
    from sleepagree.study.correct_nights import CorrectedNights
    from sleepagree.study.correction import CorrectedNight, Correction


@click.command(short_help="Correct new nights that have no reference.")
@click.argument("correction", type=shared.INPUT, metavar="CORRECTION.json")
@click.argument("device", type=shared.INPUT)
@click.option("--layout", type=shared.INPUT, help="How to read the device file (TOML).")
@click.option("--device-zone", metavar="ZONE", help="IANA zone of the device's clock.")
@click.option("--window", metavar="FROM/TO", help="Time in bed, in ISO 8601 by the device's clock; or lights.")
@click.option("--epochs", type=shared.FILE, metavar="FILE", help="Write the probabilities of every epoch as CSV.")
@click.option("--out", type=shared.FILE, metavar="DIR", help="Write JSON, tables and a report here.")
@shared.anonymous_option
@shared.json_option
@shared.overwrite_option
@shared.quiet_option
@click.pass_context
def correct(ctx: click.Context, /, correction: Path, device: Path, **options: Any) -> None:
    """Print each sleep measure of the night in the file DEVICE as the device says it and corrected.

    CORRECTION.json is what 'sleepagree calibrate' learnt from a study with the same device. Every corrected value has a
    prediction interval and says whether correcting helped people who were not learnt from. --epochs writes how probable
    each stage of the reference is in each epoch.

    DEVICE may be a table of nights, too: CSV with the columns participant, night and device_file, and optionally
    device, layout, device_zone and window. Exit 3: done, but some of its nights were refused.

    A measuring tool for research and personal interest, no medical device; it diagnoses nothing.
    """
    from sleepagree.describe.correction import describe_corrected, describe_corrected_nights
    from sleepagree.files.writing import refuse_file, refuse_folder
    from sleepagree.render.correction_json import corrected_document, corrected_nights_document
    from sleepagree.study.correction_file import read_correction
    from sleepagree.study.table import is_nights_table

    out, overwrite = options["out"], options["overwrite"]
    if out is not None:
        refuse_folder(out, overwrite=overwrite)
    if options["epochs"] is not None:
        refuse_file(options["epochs"], overwrite=overwrite)
    shared.refuse_json_target(options["json_path"], overwrite=overwrite, out=out)
    learnt = read_correction(correction)
    command = shared.repeat_command(anonymous=options["anonymous"])
    if is_nights_table(device):
        nights = _correct_table(learnt, device, options)
        described, document = describe_corrected_nights(nights, command=command), corrected_nights_document(nights)
        cautions, refused = nights.cautions, nights.refused
        _write(nights, described, options)
    else:
        night = _correct_night(learnt, device, options)
        described, document = describe_corrected(night, command=command), corrected_document(night)
        cautions, refused = night.cautions, ()
        _write(night, described, options)
    shared.show(lambda: described, document, options)
    if options["json_path"] == "-":
        shared.print_cautions(cautions, quiet=options["quiet"])
    shared.tell_refused(ctx, refused)


def _write(found: CorrectedNight | CorrectedNights, described: Description, options: dict[str, Any]) -> None:
    if options["out"] is None and options["epochs"] is None:
        return
    from sleepagree.render.correction_folder import write_corrected

    write_corrected(found, described, out=options["out"], epochs=options["epochs"], overwrite=options["overwrite"])


def _correct_night(learnt: Correction, device: Path, options: dict[str, Any]) -> CorrectedNight:
    from sleepagree.mapping.files import own_words

    window = shared.read_window(options["window"])
    shared.check_zone(options["device_zone"], "--device-zone")
    words = own_words((learnt.mapping,))
    spans = shared.load_spans(device, options["layout"], options["device_zone"], words, "device")
    night = learnt.apply(spans, window=window)
    if not options["anonymous"]:
        return night
    from sleepagree.study.correct_nights import anonymous_correction

    return anonymous_correction(night)


def _correct_table(learnt: Correction, table: Path, options: dict[str, Any]) -> CorrectedNights:
    from sleepagree.cli.study import progress_bar
    from sleepagree.files.writing import name_inputs
    from sleepagree.study.chunks import input_files
    from sleepagree.study.correct_nights import correct_nights
    from sleepagree.study.table import read_nights_table

    for name in ("layout", "device_zone"):
        if options[name] is not None:
            raise click.UsageError(
                f"DEVICE is a table of nights: give --{name.replace('_', '-')} as its column {name}."
            )
    nights = read_nights_table(table, needs_reference=False)
    name_inputs(lambda: input_files(nights))
    return correct_nights(
        learnt,
        nights,
        window=shared.read_window(options["window"]),
        anonymous=options["anonymous"],
        progress=progress_bar(quiet=options["quiet"]),
    )
