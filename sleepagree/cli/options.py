"""Options that several commands share, declared once."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

import click
from click.core import ParameterSource

if TYPE_CHECKING:
    from sleepagree.hypnogram import ScoredSpans
    from sleepagree.pairing import PairedNight
    from sleepagree.stages import StageMapping

Function = TypeVar("Function", bound=Callable[..., Any])

FILE = click.Path(path_type=Path)


class AnyNumber(click.types.FloatParamType):
    """A number of the command line; "nan" and "inf", which Python reads, are none."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return a finite number, or fail with wrong use."""
        return _finite(self, super().convert(value, param, ctx), param, ctx)


class Number(click.FloatRange):
    """A number of the command line within bounds; "nan", which Python reads, is none."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return a finite number within the bounds, or fail with wrong use."""
        return _finite(self, super().convert(value, param, ctx), param, ctx)


def _finite(
    kind: click.types.FloatParamType, number: float, param: click.Parameter | None, ctx: click.Context | None
) -> float:
    if not math.isfinite(number):
        kind.fail(f"{number} is not a finite number.", param, ctx)
    return number


def apply_options(options: Sequence[Callable[[Function], Function]]) -> Callable[[Function], Function]:
    """Return a decorator that adds several options in the order given."""

    def decorate(function: Function) -> Function:
        for option in reversed(options):
            function = option(function)
        return function

    return decorate


reading_options = apply_options(
    (
        click.option("--layout", type=FILE, help="How to read the device file (TOML)."),
        click.option("--reference-layout", type=FILE, help="How to read the reference file (TOML)."),
        click.option("--reference-zone", metavar="ZONE", help="IANA zone of the reference's clock."),
        click.option("--device-zone", metavar="ZONE", help="IANA zone of the device's clock."),
        click.option("--reports", metavar="LABELS", help="What the device can report, e.g. wake,light,deep."),
    )
)

pairing_options = apply_options(
    (
        click.option("--window", metavar="RULE", help="lights, reference, overlap, or FROM/TO in ISO 8601."),
        click.option("--clock-offset", type=AnyNumber(), default=0.0, metavar="SECONDS", help="Added to device times."),
        click.option(
            "--outside",
            type=click.Choice(["missing", "wake"]),
            default="missing",
            show_default=True,
            help="What the device's silence before its first and after its last word is.",
        ),
    )
)

mapping_option = click.option(
    "--mapping",
    "mapping_names",
    multiple=True,
    metavar="NAME|FILE.toml",
    help="How stages form classes; may be given several times.",
)

resampling_options = apply_options(
    (
        click.option(
            "--resamples",
            type=click.IntRange(0, 1_000_000),
            default=2000,
            show_default=True,
            help="Bootstrap resamples; 0 for none.",
        ),
        click.option("--seed", type=click.IntRange(0), default=0, show_default=True, help="Seed of the bootstrap."),
        click.option(
            "--confidence",
            type=Number(0.5, 0.9999),
            default=0.95,
            show_default=True,
            help="Level of every interval.",
        ),
    )
)

json_option = click.option("--json", "json_path", metavar="FILE|-", help="Write JSON to a file, or - for output.")
overwrite_option = click.option("--overwrite", is_flag=True, help="Replace output that exists.")
quiet_option = click.option("--quiet", is_flag=True, help="No cautions, no progress.")

anonymous_option = click.option(
    "--anonymous",
    is_flag=True,
    help="Numbers instead of names of people and files, and no dates, in every output.",
)


def load_mappings(names: Sequence[str]) -> tuple[StageMapping, ...]:
    """Return the mappings that ``--mapping`` names."""
    from sleepagree.mapping_files import find_mapping

    return tuple(find_mapping(name) for name in names)


def load_pair(reference: Path, device: Path, mappings: Sequence[StageMapping], options: dict[str, Any]) -> PairedNight:
    """Read both files and align them."""
    from sleepagree.mapping_files import own_words
    from sleepagree.pairing import Outside, align, parse_window

    words = own_words(mappings)
    window = parse_window(options["window"]) if options.get("window") else None
    rows = load_spans(reference, options.get("reference_layout"), options.get("reference_zone"), words)
    columns = load_spans(device, options.get("layout"), options.get("device_zone"), words)
    paired = align(
        reference=rows,
        device=columns,
        clock_offset_s=options.get("clock_offset") or 0.0,
        window=window,
        outside=Outside(options.get("outside") or "missing"),
        reports=split_reports(options.get("reports")),
    )
    if not options.get("anonymous"):
        return paired
    from sleepagree.anonymous import anonymous_night

    return anonymous_night(paired)


def load_spans(path: Path, layout: Path | None, zone: str | None, words: frozenset[str]) -> ScoredSpans:
    """Read one file."""
    from sleepagree.readers import read_spans

    if layout is None:
        return read_spans(path, zone=zone, own_words=words)
    from sleepagree.readers.layout import read_layout

    return read_spans(path, layout=read_layout(layout), zone=zone, own_words=words)


def split_reports(text: str | None) -> tuple[str, ...] | None:
    """Return the words of ``--reports``."""
    if text is None:
        return None
    return tuple(word.strip() for word in text.split(",") if word.strip())


def option_document(options: dict[str, Any], mappings: Sequence[StageMapping]) -> dict[str, Any]:
    """Return what was asked for, for the results; layouts by file name only."""
    anonymous = bool(options.get("anonymous"))
    return {
        "mappings": [m.name for m in mappings],
        "window": window_word(options.get("window"), anonymous=anonymous),
        "outside": options.get("outside"),
        "reports": list(split_reports(options.get("reports")) or ()) or None,
        "layout": _name(options.get("layout"), anonymous=anonymous),
        "reference_layout": _name(options.get("reference_layout"), anonymous=anonymous),
        "reference_zone": None if anonymous else options.get("reference_zone"),
        "device_zone": None if anonymous else options.get("device_zone"),
        "anonymous": anonymous,
    }


def window_word(text: str | None, *, anonymous: bool) -> str | None:
    """Return the window that was asked for; one that names moments as "given" where no date is to be told."""
    return "given" if anonymous and text and "/" in text else text or None


def _name(path: Path | None, *, anonymous: bool) -> str | None:
    if path is None:
        return None
    return "layout" if anonymous else path.name


#: Options that do not change what is found; the command that repeats a run leaves them out.
_NOT_RESULTS: Final = frozenset({"json_path", "csv_path", "overwrite", "quiet", "resume", "workers", "scheduler"})


def repeat_command(*, anonymous: bool) -> str:
    """Return the command that repeats this run: every option that was given, paths without their folders.

    Anonymous: names, paths and times give way to the word that ``--help`` shows for them.
    """
    import shlex

    from sleepagree.errors import printable

    context = click.get_current_context()
    words = ["sleepagree", context.info_name or ""]
    for parameter in context.command.params:
        given = context.get_parameter_source(parameter.name or "") is ParameterSource.COMMANDLINE
        if not given or parameter.name in _NOT_RESULTS:
            continue
        value = context.params[parameter.name or ""]
        named = isinstance(parameter, click.Option)
        for one in value if getattr(parameter, "multiple", False) else (value,):
            words += [parameter.opts[0]] if named else []
            if named and getattr(parameter, "is_flag", False):
                continue
            words.append(parameter.make_metavar(context).split("|")[0] if anonymous else _without_folder(one))
    return " ".join(words) if anonymous else printable(shlex.join(words))


def _without_folder(value: Any) -> str:
    is_file = isinstance(value, Path) or (isinstance(value, str) and value.casefold().endswith(".toml"))
    return Path(value).name if is_file else str(value)


def print_cautions(cautions: Sequence[str], *, quiet: bool) -> None:
    """Print cautions to standard error."""
    if quiet:
        return
    from sleepagree.errors import printable

    for caution in cautions:
        click.echo(f"caution: {printable(caution)}", err=True)


def refuse_json_target(target: str | None, *, overwrite: bool, out: Path | None = None) -> None:
    """Say before any work that the JSON cannot be written; ``out`` is the folder of ``--out``."""
    if target is None or target == "-":
        return
    from sleepagree.output import refuse_file

    path = Path(target)
    if out is not None and out.absolute() in (path.absolute(), *path.absolute().parents):
        raise click.UsageError("--json FILE lies in --out DIR, which gets the same as results.json.")
    refuse_file(path, overwrite=overwrite)


def write_json(text: str, target: str, *, overwrite: bool) -> None:
    """Write JSON to standard output (``-``) or to a file."""
    if target == "-":
        click.echo(text, nl=False)
        return
    from sleepagree.output import write_text

    write_text(Path(target), text, overwrite=overwrite)
