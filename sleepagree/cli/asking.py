"""A file that cannot be read: its proposed layout is printed, and on a terminal filled in and written."""

from __future__ import annotations

import shlex
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from sleepagree.cli import options as shared
from sleepagree.errors import (
    ClockError,
    EpochGridError,
    FileFormatError,
    Front,
    InputError,
    SleepAgreeError,
    UnknownStageError,
    name_options,
    printable,
)

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from sleepagree.readers.layout import Layout
    from sleepagree.readers.proposing.layout_proposal import Choice, LayoutProposal, Setting

_FEW: Final = 12
_REFERENCE_ZONE: Final = (
    "Its times are moments, and the reference tells no zone: give --reference-zone as well, the zone of the "
    "reference's clock, such as Europe/Helsinki."
)
_ASKED_ZONE: Final = (
    "The reference tells a zone, and these times none: fill in the line 'zone', too, with that of the device's clock, "
    "such as Europe/Helsinki."
)
_ENCODING: Final = "the text is no UTF-8, and nothing in it tells what it is; the right one is that which can be read"


def usable_proposal(
    path: Path, given: Layout | None, near: datetime | None = None, *, to_write: bool = False
) -> LayoutProposal | None:
    """Return the layout proposed for a file, None where it is of no help.

    One that is to be written helps where it names the times and the stages, whatever is wrong with them.
    """
    from sleepagree.readers.proposing.proposal import propose_layout

    try:
        proposal = propose_layout(path, layout=given, near=near)
    except SleepAgreeError:
        return None
    if proposal is None:
        return None
    told = {setting.key for setting in proposal.told}
    has_sheet = "sheet" in {setting.key for setting in proposal.settings}
    # of several sheets the one that looks like a night is worth telling, whatever stands in the way there
    usable = proposal.is_readable or proposal.has_unread_times or proposal.is_part or has_sheet
    return proposal if usable or (to_write and {"start", "stage"} <= told) else None


def is_stopped(proposal: LayoutProposal) -> bool:
    """Whether something stands in the way that no answer to a blank takes away."""
    return proposal.seen is None and not proposal.has_unread_times


def adds_to(proposal: LayoutProposal, error: SleepAgreeError) -> bool:
    """Whether a proposed layout gets beyond an error."""
    if proposal.problem is None:
        # what stands in the way may stand in the rows: with nothing to fill in, a layout says no more than the message
        return bool(proposal.questions or proposal.blank_labels or proposal.is_readable)
    return (proposal.problem.problem, proposal.problem.where) != (error.problem, error.where)


def mend_layout(
    path: Path,
    side: str,
    error: SleepAgreeError,
    options: dict[str, Any],
    given: Layout | None,
    near: datetime | None = None,
    words: frozenset[str] = frozenset(),
) -> Layout:
    """Return a layout for a file that cannot be read as it is, or as a layout says, filled in on the terminal.

    Raises
    ------
    SleepAgreeError
        The error itself, with the command that writes the layout, where nobody can be asked or nothing is proposed.
    """
    if given is not None and "" in (given.person, given.night):
        raise error  # the blank is filled in where it stands
    from sleepagree.readers.proposing.layout_proposal import Setting, Why

    known = (FileFormatError, UnknownStageError, EpochGridError, ClockError, InputError)
    proposal = usable_proposal(path, given, near) if isinstance(error, known) else None
    proposal = proposal and proposal.beside_mapping(words)
    key = "reference_layout" if side == "reference" else "layout"
    if proposal is None or (proposal.is_part and not adds_to(proposal, error)):
        if _knows_no_column(path, given):
            error.remedy = f"{error.remedy}\n  What stands in it is shown, and a layout to fill in written, by\n    "
            error.remedy += _inspect_command(path, key, options, given)[1]
        raise error
    other = "" if options[f"{side}_zone"] else _one_sided_zone(proposal, near)
    if other == _ASKED_ZONE:
        proposal = replace(proposal, settings=(*proposal.settings, Setting("zone", None, Why.UNTOLD)))
    from sleepagree.describe.blocks import Description
    from sleepagree.describe.proposal import proposal_sections
    from sleepagree.files.writing import name_inputs, write_text
    from sleepagree.readers.layout import parse_layout

    is_nearest = near is not None and any(setting.why is Why.NEAREST for setting in proposal.settings)
    target, command = _inspect_command(path, key, options, given, near if is_nearest else None)
    can_ask = not is_stopped(proposal) and not options["no_input"] and sys.stdin.isatty() and sys.stderr.isatty()
    if can_ask or not options["quiet"]:
        description = Description("sleepagree: one file", printable(path.name), (), proposal_sections(proposal))
        shared.print_description(description, full=True, to_error=True)
        click.echo(err=True)
    if not can_ask:
        option = shared.option_name(key)
        told = (
            f"A layout for it, to fill in and give as {option} {printable(str(target))}, is written by\n    {command}"
        )
        if any(label.is_explained for label in proposal.labels):
            told += "\n  Take the lines of labels out of it that the mapping file explains."
        raise _with_command(error, proposal, told, other)
    problem = printable(name_options(error.problem, Front.COMMAND))
    click.echo(f"{printable(path.name)} is not read as it is: {problem}.", err=True)
    if not click.confirm("Write a layout for it and go on?", default=True, err=True):
        raise error
    text = _fill_in(path, proposal, given)
    target = click.prompt(
        "Write the layout to", default=str(target), value_proc=lambda text: _free_path(text, str(target)), err=True
    )
    write_text(target, text, overwrite=False)
    click.echo(f"wrote {printable(str(target))}\n", err=True)
    name_inputs(lambda: [target])
    options[key] = target
    shared.take_as_typed(key, target)
    return parse_layout(text.encode(), target.name)


def _fill_in(path: Path, proposal: LayoutProposal, given: Layout | None) -> str:
    """Return the text of a layout whose blanks are asked for."""
    from sleepagree.describe.proposal import layout_text

    proposal, answered = _in_its_encoding(path, proposal, given)
    answers = answered | {setting.key: _ask(setting) for setting in proposal.questions}
    return layout_text(proposal, answers, _ask_meanings(proposal))


def _with_command(error: SleepAgreeError, proposal: LayoutProposal, told: str, other: str) -> SleepAgreeError:
    """Return an error with what to do: what is in the layout, unless something else stands in the way."""
    if is_stopped(proposal) and proposal.problem is not None:
        told = f"{told}\n  With it, there is left: {proposal.problem.in_file('').told(Front.COMMAND)}"
    told = f"{told}\n  {other}" if other else told
    error.remedy = f"{error.remedy}\n  {told}" if error.remedy and is_stopped(proposal) else told
    return error


def _one_sided_zone(proposal: LayoutProposal, near: datetime | None) -> str:
    """Return what to do about a zone that one side alone tells: the reference begins at a moment, this file is seen."""
    if near is None or proposal.seen is None or proposal.seen.start is None:
        return ""
    if {"zone", "zone_column"} & {setting.key for setting in proposal.settings}:
        return ""
    is_told = proposal.seen.start.tzinfo is not None
    if is_told == (near.tzinfo is not None):
        return ""
    return _REFERENCE_ZONE if is_told else _ASKED_ZONE


def _inspect_command(
    path: Path, key: str, options: dict[str, Any], given: Layout | None, near: datetime | None = None
) -> tuple[Path, str]:
    """Return a name for a layout, and the command that writes it."""
    target = _free_name(path.name.partition(".")[0].strip("-") or "file", {options[key]} if given else set())
    before = ["--layout", str(options[key])] if given else []
    before += ["--near", f"{near:%Y-%m-%dT%H:%M}"] if near is not None else []
    return target, printable(shlex.join(["sleepagree", "inspect", str(path), *before, "--write-layout", str(target)]))


def _knows_no_column(path: Path, given: Layout | None) -> bool:
    """Whether a file is a table of which neither the times nor the stages are known, so that a layout names both."""
    from sleepagree.readers.columns import plain_columns
    from sleepagree.readers.inspection import inspect_file

    try:
        seen = inspect_file(path, layout=given)
    except SleepAgreeError:
        return False
    roles = dict(plain_columns(tuple(name for name, _ in seen.header)))
    return bool(seen.header) and not seen.columns and not (roles["start"] or roles["stage"])


def _in_its_encoding(
    path: Path, proposal: LayoutProposal, given: Layout | None
) -> tuple[LayoutProposal, dict[str, Any]]:
    """Return the proposal in the encoding that somebody picks by looking, and that answer, if one is to be picked."""
    from sleepagree.readers.layout import NO_LAYOUT
    from sleepagree.readers.proposing.layout_proposal import Choice

    while (setting := proposal.encodings) is not None and setting.others:
        first = Choice(setting.value, f"where it reads {setting.shown[0]}")
        encoding = _pick(f"encoding: {_ENCODING}", (first, *setting.others), default=1)
        is_first = encoding == first.value
        again = proposal if is_first else usable_proposal(path, replace(given or NO_LAYOUT, encoding=encoding))
        if again is not None:
            return again, {"encoding": encoding}
        click.echo("Error: nothing in it can be taken for stages in that encoding.", err=True)
    return proposal, {}


def _pick(question: str, choices: Sequence[Choice], *, default: int | None = None) -> Any:
    """Return the value of the one of several choices whose number somebody tells."""
    click.echo(question, err=True)
    for number, choice in enumerate(choices, 1):
        value = f"{choice.value:g}" if isinstance(choice.value, float) else choice.value
        click.echo(printable(f"  {number}  {value}  {choice.when}".rstrip()), err=True)
    number = click.prompt("Which number", type=click.IntRange(1, len(choices)), default=default, err=True)
    return choices[number - 1].value


def _free_name(stem: str, taken: set[Path]) -> Path:
    """Return a name for a layout beside those that there are."""
    names = (Path(f"{stem}{more}.toml") for more in ("", *(f"-{n}" for n in range(2, 100))))
    return next((name for name in names if name not in taken and not (taken and name.exists())), Path(f"{stem}.toml"))


def _free_path(text: str, default: str) -> Path:
    """Return the file to write; a yes is one to the name that is offered."""
    from sleepagree.files.writing import refuse_file

    path = Path(default if text.strip().casefold() in ("y", "yes") else text.strip())
    try:
        refuse_file(path, overwrite=False)
    except SleepAgreeError as error:
        raise click.BadParameter(f"{error.problem}; give another name.") from None
    return path


def _ask(setting: Setting) -> Any:
    """Return the answer to one blank, checked as a layout would check it."""
    from sleepagree.describe.proposal import ask_for
    from sleepagree.readers.layout import TimeForm, layout_of
    from sleepagree.readers.times.clock import Column
    from sleepagree.readers.times.declared import read_declared

    if setting.value is None and setting.others and len(setting.others) <= _FEW:
        return _pick(f"{setting.key}: {printable(ask_for(setting).partition(':')[0])}", setting.others)

    def check(text: str) -> Any:
        allowed = [str(other.value) for other in setting.others] if setting.value is None else []
        if allowed and text.strip() not in allowed:
            raise click.BadParameter("it is none of those in the file.")
        value = float(text) if setting.value is not None and text.replace(".", "", 1).isdecimal() else text.strip()
        try:
            layout_of({setting.key: value}, {})
            if setting.key == "time" and setting.shown and value not in list(TimeForm):
                read_declared(setting.shown, Column("", "", str), str(value))
        except FileFormatError as error:
            raise click.BadParameter(f"expected {name_options(error.expected, Front.COMMAND)}.") from None
        return value

    # an empty answer is checked, too: a prompt without a default asks again and does not say why
    default = "" if setting.value is None else f"{setting.value:g}"
    question = f"{setting.key}: {printable(ask_for(setting))}"
    return click.prompt(question, default=default, show_default=bool(default), value_proc=check, err=True)


def _ask_meanings(proposal: LayoutProposal) -> dict[str, str]:
    """Return what somebody says that each label without a meaning means."""
    from sleepagree.describe.proposal import ask_meaning
    from sleepagree.mapping.words import STAGE_WORDS, UNSCORED, canonical_stage

    def check(text: str) -> str:
        if canonical_stage(text) is None:
            raise click.BadParameter("that is no stage." if text.strip() else "expected one of the words above.")
        return text.strip()

    if proposal.blank_labels:
        click.echo(f"A label means one of {', '.join(STAGE_WORDS)}, {UNSCORED}, not-a-stage.", err=True)
    asked = {label.label: printable(ask_meaning(label)) for label in proposal.blank_labels}
    return {
        label: click.prompt(question, default="", show_default=False, value_proc=check, err=True)
        for label, question in asked.items()
    }
