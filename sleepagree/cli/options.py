"""Options that several commands share, declared once."""

from __future__ import annotations

import contextlib
import math
import os
import sys
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TextIO, TypeVar

import click
from click.core import ParameterSource

from sleepagree.errors import Front, InputError, SleepAgreeError, printable, typed_path
from sleepagree.files.writing import FIGURE_FORMS, encode_text, name_inputs, refuse_file, refuse_folder, write_text

if TYPE_CHECKING:
    from datetime import datetime

    from sleepagree.caution import Caution
    from sleepagree.describe.blocks import Description
    from sleepagree.hypnogram.align import PairedNight
    from sleepagree.hypnogram.spans import ScoredSpans
    from sleepagree.hypnogram.window import Window
    from sleepagree.mapping.mapping import StageMapping
    from sleepagree.readers.layout import Layout
    from sleepagree.render.json_text import Document
    from sleepagree.study.night_summary import Refusal

Function = TypeVar("Function", bound=Callable[..., Any])


class _Output(click.Path):
    """A file or folder to write; "-", which stands for standard output elsewhere, is none."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the path, or fail with wrong use."""
        if value == "-":
            self.fail("this cannot go to standard output; give a name (./- for one that is called so).", param, ctx)
        return super().convert(value, param, ctx)


#: A file or folder to write.
FILE = _Output(path_type=Path)


class _Input(click.Path):
    """A file to read, which no output of the same run replaces."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the path, and name it and what belongs to it as inputs."""
        path: Any = super().convert(value, param, ctx)
        _name_input(path)
        return path


#: A file to read.
INPUT = _Input(path_type=Path)


class _InputOfDevice(click.types.StringParamType):
    """A file to read, of all devices or, behind its name and "=", of one."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the text, and name the file as an input."""
        INPUT.convert(one_of_device(value)[1], param, ctx)
        return value


def one_of_device(text: str) -> tuple[str, str]:
    """Return the device ("" for all) and the file of ``DEVICE=FILE``; a file of that very name goes first."""
    device, mark, file = text.partition("=")
    return (device, file) if mark and not Path(text).exists() else ("", text)


INPUT_OF_DEVICE = _InputOfDevice()


class _MappingName(click.types.StringParamType):
    """The name of a mapping, or a file that holds one."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the text, and name a file as an input."""
        from sleepagree.mapping.files import is_mapping_file

        text = super().convert(value, param, ctx)
        if is_mapping_file(text):
            _name_input(text)
        return text


def _name_input(path: str | Path) -> None:
    def find() -> Iterator[str | Path]:
        from sleepagree.readers.any_file import companion_files, part_files

        for part in part_files(path):
            yield part
            yield from companion_files(part)

    name_inputs(find)


#: Seeds up to here come whole out of results.json, whatever program reads it.
LARGEST_SEED: Final = 2**53 - 1

#: Two years: no SD and no margin of minutes is larger, and squares stay far from what a float can hold.
LARGEST_MINUTES: Final = 1_000_000


class AnyNumber(click.types.FloatParamType):
    """A number of the command line; "nan" and "inf", which Python reads, are none."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return a finite number, or fail with wrong use."""
        number = super().convert(value, param, ctx)
        if not math.isfinite(number):
            self.fail(f"{number} is not a finite number.", param, ctx)
        return number


class Number(AnyNumber, click.FloatRange):
    """A number of the command line within bounds."""


class _FigureForms(click.types.StringParamType):
    """Forms of figures, joined by commas."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the text without repetitions, or fail with wrong use."""
        forms = tuple(dict.fromkeys(word.strip().casefold() for word in str(value).split(",")))
        unknown = [form for form in forms if form not in FIGURE_FORMS]
        if unknown:
            self.fail(f"'{unknown[0]}' is none of {', '.join(FIGURE_FORMS)}.", param, ctx)
        return ",".join(forms)


def apply_options(options: Sequence[Callable[[Function], Function]]) -> Callable[[Function], Function]:
    """Return a decorator that adds several options in the order given."""

    def decorate(function: Function) -> Function:
        for option in reversed(options):
            function = option(function)
        return function

    return decorate


def seed_option(of: str) -> Callable[[Function], Function]:
    """Return the option of a seed."""
    kind = click.IntRange(0, LARGEST_SEED)
    return click.option("--seed", type=kind, default=0, show_default=True, help=f"Seed of the {of}.")


def _outside_option(whose: str) -> Callable[[Function], Function]:
    return click.option(
        "--outside",
        type=click.Choice(["missing", "wake"]),
        default="missing",
        show_default=True,
        help=f"What {whose}'s silence before its first and after its last word is.",
    )


def _reports_option(whose: str) -> Callable[[Function], Function]:
    return click.option("--reports", metavar="LABELS", help=f"What {whose} can report, e.g. wake,light,deep.")


layout_option = click.option("--layout", type=INPUT, help="How to read the device file (TOML).")
device_zone_option = click.option("--device-zone", metavar="ZONE", help="IANA zone of the device's clock.")

reading_options = apply_options(
    (
        layout_option,
        click.option("--reference-layout", type=INPUT, help="How to read the reference file (TOML)."),
        click.option("--reference-zone", metavar="ZONE", help="IANA zone of the reference's clock."),
        device_zone_option,
        _reports_option("the device"),
    )
)

pairing_options = apply_options(
    (
        click.option("--window", metavar="RULE", help="lights, reference, overlap, or FROM/TO in ISO 8601."),
        click.option("--clock-offset", type=AnyNumber(), default=0.0, metavar="SECONDS", help="Added to device times."),
        _outside_option("the device"),
    )
)

mapping_option = click.option(
    "--mapping",
    "mapping_names",
    type=_MappingName(),
    multiple=True,
    metavar="NAME|FILE.toml",
    help="How stages form classes; may be given several times.",
)


def scoring_options(whose: str) -> Callable[[Function], Function]:
    """Return the options of how the nights of a table are scored."""
    window = click.option("--window", metavar="RULE", help="For rows that give none: lights, reference, overlap.")
    return apply_options((mapping_option, window, _outside_option("a device"), _reports_option(whose)))


workers_option = click.option(
    "--workers", type=click.IntRange(1, 1024), default=1, show_default=True, help="Processes."
)
confidence_option = click.option(
    "--confidence", type=Number(0.5, 0.9999), default=0.95, show_default=True, help="Level of every interval."
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
        seed_option("bootstrap"),
        confidence_option,
    )
)

json_option = click.option("--json", "json_path", metavar="FILE|-", help="Write JSON to a file, or - for output.")
figures_option = click.option(
    "--figures",
    type=_FigureForms(),
    default="svg",
    show_default=True,
    metavar="FORMS",
    help="What the figures of --out are written as: svg, pdf, png, or several joined by commas.",
)
overwrite_option = click.option("--overwrite", is_flag=True, help="Replace output that exists, never an input.")
full_option = click.option("--full", is_flag=True, help="Print all that was found, not the answer alone.")
quiet_option = click.option("--quiet", is_flag=True, help="No cautions, no progress.")
json_options = apply_options((json_option, overwrite_option, quiet_option))

anonymous_option = click.option(
    "--anonymous", is_flag=True, help="Numbers instead of names of people and files, and no dates, in every output."
)


@contextlib.contextmanager
def wrong_use(option: str) -> Iterator[None]:
    """Turn an error about what was written after an option into wrong use of the command line (exit 2)."""
    try:
        yield
    except SleepAgreeError as error:
        told = SleepAgreeError(error.problem, "", "", error.found, error.expected, error.remedy)
        raise click.BadParameter(told.told(Front.COMMAND), param_hint=option) from None


def load_mappings(names: Sequence[str]) -> tuple[StageMapping, ...]:
    """Return the mappings that ``--mapping`` names; a name that is none is wrong use, a bad file is not."""
    from sleepagree.mapping.files import is_mapping_file, read_mapping
    from sleepagree.mapping.mapping import mapping_named

    out = []
    for name in names:
        if is_mapping_file(name):
            out.append(read_mapping(Path(name)))
            continue
        with wrong_use("--mapping"):
            out.append(mapping_named(name))
    return tuple(out)


def read_window(text: str | None) -> Window | None:
    """Return the window that ``--window`` names, None where it was not given."""
    if text is None:
        return None
    from sleepagree.hypnogram.window import parse_window

    with wrong_use("--window"):
        return parse_window(text)


def read_reports(text: str | None, own_words: frozenset[str]) -> tuple[str, ...] | None:
    """Return the stages that ``--reports`` names, None where it was not given; ``own_words`` are stages, too."""
    if text is None:
        return None
    from sleepagree.mapping.sets import make_stage_set

    words = _split_words(text)
    if not words:
        raise click.BadParameter("it names no stage; give words such as wake,light,deep", param_hint="--reports")
    with wrong_use("--reports"):
        # words of a mapping file stand for themselves
        make_stage_set((), (), reports=[word for word in words if word not in own_words])
    return words


def option_name(key: str) -> str:
    """Return how an option is typed whose value is kept under this key."""
    return f"--{key.replace('_', '-')}"


def take_as_typed(key: str, value: Any) -> None:
    """Take a value for one of the options of this run, as if it had been typed."""
    context = click.get_current_context()
    context.params[key] = value
    context.set_parameter_source(key, ParameterSource.COMMANDLINE)


def check_zones(options: dict[str, Any], *names: str) -> None:
    """Refuse options of these names that give a zone that there is not."""
    from sleepagree.hypnogram.zones import find_zone

    for name in names:
        if options[name] is not None:
            with wrong_use(option_name(name)):
                find_zone(options[name])


#: Makes a layout for a file that cannot be read without one (its path, its side, the error, the layout given, when the
#: other side begins), or raises the error.
Mend = Callable[[Path, str, SleepAgreeError, "Layout | None", "datetime | None"], "Layout"]


def load_pair(
    reference: Path, device: Path, mappings: Sequence[StageMapping], options: dict[str, Any], mend: Mend | None = None
) -> PairedNight:
    """Read both files and align them."""
    from sleepagree.hypnogram.align import Outside, align
    from sleepagree.mapping.files import own_words

    of_reference, of_device = (own_words(mappings, side) for side in ("reference", "device"))
    window = read_window(options["window"])
    reports = read_reports(options["reports"], of_device)
    check_zones(options, "reference_zone", "device_zone")
    layout, zone = options["reference_layout"], options["reference_zone"]
    scored = load_spans(reference, layout, zone, of_reference, "reference", mend)
    paired = align(
        reference=scored,
        device=load_spans(device, options["layout"], options["device_zone"], of_device, "device", mend, scored.start),
        clock_offset_s=options["clock_offset"],
        window=window,
        outside=Outside(options["outside"]),
        reports=reports,
    )
    if not options["anonymous"]:
        return paired
    from sleepagree.study.anonymous import anonymous_night

    return anonymous_night(paired)


def load_spans(
    path: Path,
    layout: Path | None,
    zone: str | None,
    words: frozenset[str],
    side: str,
    mend: Mend | None = None,
    near: datetime | None = None,
) -> ScoredSpans:
    """Return the spans of one file; an error that asks for a layout or a zone names the option of this side."""
    from sleepagree.readers.any_file import read_spans

    refuse_folder_as_input(path)
    given = load_layout(layout)
    with on_side(side):
        try:
            return read_spans(path, layout=given, zone=zone, own_words=words)
        except SleepAgreeError as error:
            if mend is None:
                raise
            given = mend(path, side, error, given, near)
        return read_spans(path, layout=given, zone=zone, own_words=words)


@contextlib.contextmanager
def on_side(side: str) -> Iterator[None]:
    """Tell an error on which side its file is: ``reference``, ``device``, or ``file`` where there is one file only."""
    try:
        yield
    except SleepAgreeError as error:
        error.side = side
        raise


def load_layout(path: Path | None) -> Layout | None:
    """Return the layout in a file, None where none was given."""
    if path is None:
        return None
    from sleepagree.readers.layout import read_layout

    return read_layout(path)


def refuse_folder_as_input(path: Path) -> None:
    """Say what to do with a folder where one file is wanted."""
    if not path.is_dir():
        return
    remedy = (
        "Give the path of one file inside it; of a folder with many nights 'sleepagree nights' makes a table for "
        "'sleepagree study'."
    )
    raise InputError("this is a folder", str(path), "", "", "a file", remedy)


def _split_words(text: str | None) -> tuple[str, ...]:
    return tuple(word.strip() for word in (text or "").split(",") if word.strip())


def option_document(options: dict[str, Any], mappings: Sequence[StageMapping]) -> dict[str, Any]:
    """Return what was asked for, for the results; layouts by file name only."""
    anonymous = options["anonymous"]

    def name(path: Path | None) -> str | None:
        return None if path is None else "layout" if anonymous else path.name

    return {
        "mappings": [m.name for m in mappings],
        "window": window_word(options["window"], anonymous=anonymous),
        "outside": options["outside"],
        "reports": list(_split_words(options["reports"])) or None,
        "layout": name(options["layout"]),
        "reference_layout": name(options["reference_layout"]),
        "reference_zone": None if anonymous else options["reference_zone"],
        "device_zone": None if anonymous else options["device_zone"],
        "anonymous": anonymous,
    }


def window_word(text: str | None, *, anonymous: bool) -> str | None:
    """Return the window that was asked for; one that names moments as "given" where no date is to be told."""
    return "given" if anonymous and text and "/" in text else text or None


#: Options that do not change what is found; the command that repeats a run leaves them out.
_NOT_RESULTS: Final = frozenset(
    {"json_path", "csv_path", "overwrite", "quiet", "full", "no_input", "resume", "count", "workers", "scheduler"}
)

#: Kinds of values that name nobody and no time.
_PLAIN: Final = (_FigureForms, click.Choice, click.types.IntParamType, click.types.FloatParamType)


def repeat_command(*, anonymous: bool) -> str:
    """Return the command that repeats this run: every option that was given, paths without their folders.

    Anonymous: names, paths and times give way to the word that ``--help`` shows for them; numbers and choices
    stay.
    """
    context = click.get_current_context()
    return _command(context.info_name or "", context.command.params, _without_folder, anonymous=anonymous)


def write_for_page(describe: Callable[[], Description]) -> None:
    """Write a report as the local page shows it, where the page asked for one."""
    if path := click.get_current_context().find_root().params.get("for_page"):
        from sleepagree.render.page import render_page

        Path(path).write_bytes(encode_text(render_page(describe())))


def next_command(name: str, *, anonymous: bool, without: Collection[str] = ()) -> str:
    """Return another command for the inputs of this run, with those of its options that both have, paths as given.

    Parameters ``without`` are left out: what comes next gives them anew.
    """
    context = click.get_current_context()
    root = context.find_root().command
    other = root.get_command(context, name) if isinstance(root, click.Group) else None
    known = {parameter.name for parameter in other.params} - {*without} if other is not None else set()
    return _command(name, [p for p in context.command.params if p.name in known], str, anonymous=anonymous)


def _command(name: str, parameters: Sequence[click.Parameter], say: Callable[[Any], str], *, anonymous: bool) -> str:
    """Return a command of those parameters that were given and change results."""
    import shlex

    context = click.get_current_context()
    words = ["sleepagree", name]
    for parameter in parameters:
        given = context.get_parameter_source(parameter.name or "") is ParameterSource.COMMANDLINE
        if not given or parameter.name in _NOT_RESULTS:
            continue
        value = context.params[parameter.name or ""]
        named = isinstance(parameter, click.Option)
        for one in value if getattr(parameter, "multiple", False) else (value,):
            words += [parameter.opts[0]] if named else []
            if named and getattr(parameter, "is_flag", False):
                continue
            hides = anonymous and not isinstance(parameter.type, _PLAIN)
            word = parameter.make_metavar(context).split("|")[0] if hides else say(one)
            words.append(word if named else typed_path(word))
    return " ".join(words) if anonymous else printable(shlex.join(words))


def _without_folder(value: Any) -> str:
    is_file = isinstance(value, Path) or (isinstance(value, str) and value.casefold().endswith(".toml"))
    return Path(value).name if is_file else str(value)


#: Cautions that are printed beside an answer.
_MOST_CAUTIONS: Final = 3


def print_cautions(cautions: Sequence[Caution | str], options: dict[str, Any]) -> None:
    """Print cautions to standard error; beside an answer alone the three that change most, the rest counted."""
    if options["quiet"]:
        return
    from sleepagree.describe.cautions import rank_caution, say_caution
    from sleepagree.render.columns import fit_terminal

    full = options.get("full", True) or options.get("json_path") == "-"
    shown = sorted(cautions, key=rank_caution)[: None if full else _MOST_CAUTIONS]
    in_colour = has_colour(sys.stderr)
    for caution in shown:
        text = caution if isinstance(caution, str) else say_caution(caution)
        head, colon, rest = fit_terminal(f"caution: {printable(text)}").partition(":")
        click.echo(f"{click.style(head, fg='yellow') if in_colour else head}{colon}{rest}", err=True)
    if left := len(cautions) - len(shown):
        click.echo(f"caution: {left} more {'is' if left == 1 else 'are'} printed with --full", err=True)


def has_colour(stream: TextIO) -> bool:
    """Whether what is printed may be coloured: on a terminal that is none of the dumb ones, without NO_COLOR."""
    return stream.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"


def show(
    describe: Callable[[], Description],
    document: Document,
    options: dict[str, Any],
    cautions: Sequence[Caution | str] = (),
    *,
    to_error: bool = False,
) -> None:
    """Print the result in words, or its document with ``--json -``; write that where ``--json FILE`` says.

    Cautions follow.
    """
    from sleepagree.render.json_text import dump

    target = options["json_path"]
    if target == "-":
        click.echo(dump(document), nl=False)
    elif target:
        write_text(Path(target), dump(document), overwrite=options["overwrite"])
    if target != "-":
        print_description(describe(), full=options.get("full", False), to_error=to_error)
    print_cautions(cautions, options)


def print_description(description: Description, *, full: bool, to_error: bool = False, written: str = "") -> None:
    """Print a description in as many columns as the terminal has, 80 at most and 40 at least; 80 in a pipe.

    ``written`` tells what was written; it stands before the line on how to see the rest.
    """
    import shutil

    from sleepagree.render.columns import WIDTH
    from sleepagree.render.terminal import render_terminal

    stream = sys.stderr if to_error else sys.stdout
    width = max(40, min(WIDTH, shutil.get_terminal_size().columns)) if stream.isatty() else WIDTH
    lines = render_terminal(description, width=width, full=full, colour=has_colour(stream))
    if written:
        at = len(lines) if full or not description.answer else -1
        lines[at:] = [*([""] if at > 0 else []), written, *lines[at:]]
    click.echo("\n".join(lines), err=to_error)


def refuse_outputs(
    options: dict[str, Any], files: Mapping[str, Path | None] | None = None, *, out: Path | None = None
) -> None:
    """Say before any work that the folder of ``--out``, files of other options or the JSON cannot be written."""
    overwrite, target = options["overwrite"], options["json_path"]
    if out is not None:
        refuse_folder(out, overwrite=overwrite)
    files = {**(files or {}), "--json": None if target in (None, "-") else Path(target)}
    named: dict[str, str] = {}
    for option, file in files.items():
        if file is None:
            continue
        place = os.path.realpath(file)
        if place in named:
            raise click.UsageError(f"{named[place]} and {option} name the same file: give each one of its own.")
        named[place] = option
        if out is not None and Path(place).is_relative_to(os.path.realpath(out)):
            raise click.UsageError(f"{option} FILE lies in --out DIR, which gets the same by itself.")
        if out is not None and Path(os.path.realpath(out)).is_relative_to(place):
            raise click.UsageError(f"--out DIR lies below {option} FILE, which is to be a file.")
        refuse_file(file, overwrite=overwrite)


def tell_refused(ctx: click.Context, refused: Sequence[Refusal], *, told: bool = False) -> None:
    """Say which nights were refused, unless the output has said so, and end with 3 where one was."""
    if refused and not told:
        from sleepagree.describe.refused import whose

        for refusal in refused:
            click.echo(f"refused: {whose(refusal)}: {refusal.reason}", err=True)
    if refused:
        ctx.exit(3)
