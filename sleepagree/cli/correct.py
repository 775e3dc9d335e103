"""``sleepagree correct``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from sleepagree.cli import options as shared

if TYPE_CHECKING:
    from sleepagree.study.correct_nights import CorrectedNights
    from sleepagree.study.correction import CorrectedNight, Correction


@click.command()
@click.argument("correction", type=shared.INPUT, metavar="CORRECTION.json")
@click.argument("device", type=shared.INPUT)
@shared.layout_option
@shared.device_zone_option
@click.option("--window", metavar="FROM/TO", help="Time in bed, in ISO 8601 by the device's clock; or lights.")
@click.option("--epochs", type=shared.FILE, metavar="FILE", help="Write the probabilities of every epoch as CSV.")
@click.option("--out", type=shared.FILE, metavar="DIR", help="Write JSON, tables and a report here.")
@shared.anonymous_option
@shared.json_options
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
    from sleepagree.errors import Front
    from sleepagree.render.correction_json import corrected_document, corrected_nights_document
    from sleepagree.study.correction_file import read_correction
    from sleepagree.study.table import is_nights_table

    shared.refuse_outputs(options, {"--epochs": options["epochs"]}, out=options["out"])
    learnt = read_correction(correction)
    command = shared.repeat_command(anonymous=options["anonymous"])
    found: CorrectedNight | CorrectedNights
    if is_nights_table(device):
        found = _correct_table(learnt, device, options)
        described, document = describe_corrected_nights(found, command=command), corrected_nights_document(found)
        refused = found.refused
    else:
        found = night = _correct_night(learnt, device, options)
        described, document = describe_corrected(night, command=command), corrected_document(night)
        refused = ()
        shared.write_for_page(lambda: describe_corrected(night, front=Front.PAGE))
    if options["out"] is not None or options["epochs"] is not None:
        from sleepagree.render.correction_folder import write_corrected

        write_corrected(found, described, out=options["out"], epochs=options["epochs"], overwrite=options["overwrite"])
    # beside words the cautions stand in them
    shared.show(lambda: described, document, options, found.cautions if options["json_path"] == "-" else ())
    shared.tell_refused(ctx, refused, told=options["json_path"] != "-")


def _correct_night(learnt: Correction, device: Path, options: dict[str, Any]) -> CorrectedNight:
    from sleepagree.mapping.files import own_words

    window = shared.read_window(options["window"])
    shared.check_zones(options, "device_zone")
    words = own_words((learnt.mapping,), "device")
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
            option = shared.option_name(name)
            raise click.UsageError(f"DEVICE is a table of nights: give {option} as its column {name}.")
    nights = read_nights_table(table, needs_reference=False, device=learnt.device)
    name_inputs(lambda: input_files(nights))
    found = correct_nights(
        learnt,
        nights,
        window=shared.read_window(options["window"]),
        anonymous=options["anonymous"],
        progress=progress_bar(quiet=options["quiet"]),
    )
    if not found.nights:
        from sleepagree.caution import CautionKind
        from sleepagree.cli.running import refused_nights

        # which nights of a file are meant may be just what such a window said
        left = [caution for caution in found.cautions if caution.kind is CautionKind.WINDOW_OF_REFERENCE]
        shared.print_cautions(left, options)
        raise refused_nights(found.refused, len(found.refused), nights.name, "corrected")
    return found
