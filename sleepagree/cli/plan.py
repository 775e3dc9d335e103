"""``sleepagree plan``."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from sleepagree.cli import options as shared
from sleepagree.errors import InputError, shorten

if TYPE_CHECKING:
    from sleepagree.inference.planning import Precision

#: No study of nights is larger; tables of larger ones would take minutes and memory without end.
_LARGEST_SIZE: Final = 1_000_000
_MOST_SIZES: Final = 100
#: A half-width from here on, a factor of 2.7 to either side, was meant in another unit.
_LARGEST_LOG_RATIO: Final = 1.0


@click.command()
@click.option("--from", "results", type=shared.INPUT, metavar="results.json", help="A finished study to take SDs from.")
@click.option("--device", metavar="NAME", help="Which device of that study (default: its first).")
@click.option(
    "--measure", "measures", multiple=True, metavar="NAME", help="Measures to plan (default: TST and classes)."
)
@click.option(
    "--between-sd", type=shared.Number(0, shared.LARGEST_MINUTES), help="Stated SD of differences between participants."
)
@click.option(
    "--within-sd",
    type=shared.Number(0, shared.LARGEST_MINUTES),
    help="Stated SD of differences between nights of one person.",
)
@click.option("--kappa-between-sd", type=shared.Number(0, 2), help="The same for the kappa of a night.")
@click.option("--kappa-within-sd", type=shared.Number(0, 2), help="The same for the kappa of a night.")
@click.option("--width", "widths", multiple=True, metavar="STATISTIC=HALF-WIDTH", help='Wanted, e.g. "bias TST=10".')
@click.option("--participants", metavar="LIST", default="5,10,15,20,30,40,60,80", show_default=True)
@click.option("--nights", metavar="LIST", default="1,2,3,5,7", show_default=True)
@click.option("--assurance", type=shared.Number(0.5, 0.99), help="Half-widths not exceeded with this probability.")
@click.option("--confidence", type=shared.Number(0.5, 0.9999), default=0.95, show_default=True)
@shared.json_options
def plan(**options: Any) -> None:
    """Show how wide the intervals of a study of a given size would be, and how many people they need.

    SDs come from a finished study (--from results.json) or are stated in its place (--between-sd, --within-sd).
    Nights of one person are worth less than nights of several: the grid shows by how much.

    A measuring tool for research and personal interest, no medical device; it diagnoses nothing.
    """
    from sleepagree.describe.plan import describe_plan
    from sleepagree.render.night_json import plan_document
    from sleepagree.study.plan import plan_cautions, plan_study, stated_statistics

    with shared.wrong_use("--width"):
        wanted = _read_widths(options["widths"])
    with shared.wrong_use("--participants"):
        participants = _read_sizes(options["participants"], least=2)
    with shared.wrong_use("--nights"):
        nights = _read_sizes(options["nights"], least=1)
    stated = _stated_sds(options)
    shared.refuse_outputs(options)
    if options["results"] is None:
        statistics = stated_statistics(*stated)
    else:
        wanted, statistics = _from_results(options["results"], options["device"], options["measures"], wanted)
    _refuse_unplanned(statistics, wanted, stated=options["results"] is None)
    _refuse_other_units(statistics, wanted)
    grid = plan_study(
        statistics,
        participants=participants,
        nights=nights,
        wanted=wanted,
        level=options["confidence"],
        assurance=options["assurance"],
    )
    cautions = plan_cautions(grid)
    shared.show(lambda: describe_plan(grid), plan_document(grid, cautions), options, cautions)


def _stated_sds(options: dict[str, Any]) -> list[tuple[float | None, float | None]]:
    """Return the stated SDs (between people, within one) of differences and of kappa; refuse what would not be used."""
    names = ("between_sd", "within_sd"), ("kappa_between_sd", "kappa_within_sd")
    given = [shared.option_name(name) for pair in names for name in pair if options[name] is not None]
    if options["results"] is not None:
        if given:
            raise click.UsageError(f"SDs are stated in place of a study: leave out {' and '.join(given)}, or --from.")
    elif options["device"] or options["measures"]:
        raise click.UsageError("--device and --measure choose from a finished study: give --from results.json, too.")
    elif not given:
        raise click.UsageError("give --from results.json, or --between-sd (and --within-sd), or --kappa-between-sd")
    for lacking in (option.replace("within", "between") for option in given):
        if lacking not in given:
            raise click.UsageError(f"the SD within people is of no use without the one between them: give {lacking}.")
    return [(options[between], options[within]) for between, within in names]


def _read_sizes(text: str, *, least: int) -> tuple[int, ...]:
    """Read a list of whole numbers such as ``5,10,20``."""
    try:
        sizes = tuple(int(part) for part in text.split(","))
    except ValueError:
        sizes = ()
    if not sizes or min(sizes) < least or max(sizes) > _LARGEST_SIZE or len(sizes) > _MOST_SIZES:
        expected = f"whole numbers from {least} to {_LARGEST_SIZE}, {_MOST_SIZES} at most"
        raise InputError("the sizes cannot be read", "", "", shorten(text), expected, "For example 5,10,20.")
    return sizes


def _read_widths(texts: Sequence[str]) -> dict[str, float]:
    """Read ``STATISTIC=HALF-WIDTH`` texts."""
    widths: dict[str, float] = {}
    for text in texts:
        name, _, value = text.rpartition("=")
        try:
            width = float(value)
        except ValueError:
            width = math.nan
        if not name.strip() or not 0 < width < math.inf:
            problem, expected = (
                "the wanted half-width cannot be read",
                "STATISTIC=HALF-WIDTH with a positive, finite number",
            )
            remedy = 'For example --width "bias TST=10".'
            raise InputError(problem, "", "--width", shorten(text), expected, remedy)
        _take_width(widths, name.strip(), width)
    return widths


def _take_width(widths: dict[str, float], name: str, width: float) -> None:
    if name in widths:
        problem, expected = "two half-widths are wanted of one statistic", "one for each"
        raise InputError(problem, "", "--width", name, expected, "Ask for the other one by a command of its own.")
    widths[name] = width


def _from_results(
    path: Path, device: str | None, measures: Sequence[str], widths: Mapping[str, float]
) -> tuple[dict[str, float], dict[str, Precision]]:
    """Return the wanted half-widths by statistic, and the statistics to plan.

    Where only half-widths are asked for, those statistics are planned and no others.
    """
    from sleepagree.describe.words import say_measure
    from sleepagree.readers.study_results import read_study_results
    from sleepagree.study.plan import measured_statistics
    from sleepagree.study.results import find_measure

    devices = {found.device: found for found in reversed(read_study_results(path))}
    name = [*devices][-1] if device is None else device
    if name not in devices:
        raise _unknown("the study has no such device", path.name, "--device", name, reversed(devices))
    differences = devices[name].differences
    named = []
    for text in measures:
        measure = find_measure(text, differences)
        if measure is None:
            raise _unknown("the study has no such measure", path.name, "--measure", text, map(say_measure, differences))
        named.append(measure)
    asked: dict[str, float] = {}
    for text, width in widths.items():
        # the measure of a statistic may be in either spelling
        head, _, tail = " ".join(text.split()).partition(" ")
        _take_width(asked, f"{head.casefold()} {find_measure(tail, differences) or tail}".strip(), width)
    of_widths = dict.fromkeys(statistic.partition(" ")[2] for statistic in asked)
    wanted = named or [measure for measure in of_widths if measure in differences]
    statistics = measured_statistics(devices[name], wanted, source=path.name)
    if named:
        kept = [name for name in statistics if name != "kappa" or name in asked]
    else:
        kept = [*asked] if asked and set(asked) <= set(statistics) else [*statistics]
    return asked, {name: statistics[name] for name in kept}


def _unknown(problem: str, path: str, option: str, found: str, names: Iterable[str]) -> InputError:
    known = ", ".join(map(shorten, names))
    return InputError(problem, path, option, found, f"one of {known}", "Give one of these names.")


def _refuse_unplanned(statistics: Mapping[str, Precision], wanted: Mapping[str, float], *, stated: bool) -> None:
    from sleepagree.describe.words import say_statistic

    if not statistics:
        found, expected = "no variance between participants", "a study of several participants"
        remedy = "State the SDs instead (--between-sd, --within-sd)."
        raise InputError("nothing can be planned", "", "", found, expected, remedy)
    unknown = [name for name in wanted if name not in statistics]
    if unknown:
        problem, known = "a wanted half-width is of a statistic that is not planned", map(say_statistic, statistics)
        remedy = "Give one of these names."
        if stated:
            remedy += " Bias and limits are planned from --between-sd, kappa from --kappa-between-sd."
        elif unknown[0] != "kappa":
            remedy = "Give one of these names, or name its measure with --measure."
        else:
            remedy = "Give one of these names. What is alike on all nights of a study cannot be planned from it."
        raise InputError(problem, "", "--width", unknown[0], f"one of {', '.join(known)}", remedy)


def _refuse_other_units(statistics: Mapping[str, Precision], wanted: Mapping[str, float]) -> None:
    """Refuse a width that was meant in minutes where the study's differences are log ratios."""
    for name, width in wanted.items():
        if statistics[name].components.of_log_ratios and width >= _LARGEST_LOG_RATIO:
            problem = "the study has log ratios of device and reference, and the wanted half-width is none"
            found, expected = f"{name}={width:g}", f"less than {_LARGEST_LOG_RATIO:g}: 0.05 is about 5 %"
            remedy = "For minutes plan from the study without --log-ratio."
            raise InputError(problem, "", "--width", found, expected, remedy)
