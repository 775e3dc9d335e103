"""The command line: parse, call one library function, print."""

from __future__ import annotations

import importlib
import os
import sys
from typing import Any, Final

import click

from sleepagree.cli import interrupts

#: Command -> one-line help. The module of its name is imported when the command runs, so that --help is quick.
COMMANDS: Final = {
    "night": "Score one night.",
    "mappings": "Show one night under every stage mapping that fits.",
    "study": "Score a table of nights and write a report.",
    "bias": "Print the bias table of a study.",
    "clock": "Show agreement as a function of clock offset and drift.",
    "inspect": "Show what a reader sees in a file.",
    "nights": "Write a nights table from a folder's file names.",
    "plan": "How many participants and nights an interval needs.",
    "calibrate": "Learn from a study how to correct a device.",
    "correct": "Correct new nights that have no reference.",
    "page": "Score nights and studies, and correct nights, in your own browser.",
    "demo": "Write an invented study to try everything on.",
}

CAUTION: Final = (
    "sleepagree is a measuring tool for research and personal interest. It is no medical device and "
    "diagnoses nothing; agreement says nothing about a sleep disorder. Staging of record follows the AASM manual and a "
    "qualified scorer; local rules and a clinician come first. Recordings are personal data."
)


def _open_standard_streams() -> None:
    """Let a standard stream that was closed (``2>&-``) lead nowhere.

    Left closed, it would be the next file that is opened, and what a library says would be written into that.
    """
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.set_inheritable(os.open(os.devnull, os.O_RDWR), True)  # noqa: FBT003 - it takes no name
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: PTH123, SIM115 - to the end


class CommandGroup(click.Group):
    """A group that imports a command only to run it, and turns this package's errors into one message."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        """Return the commands in the order of use."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        """Import and return one command."""
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"sleepagree.cli.{cmd_name}")
        command: click.Command = getattr(module, cmd_name)
        command.short_help = COMMANDS[cmd_name]
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        """Write the list of commands without importing any."""
        with formatter.section("Commands"):
            formatter.write_dl([*COMMANDS.items()])

    def main(self, *args: Any, **extra: Any) -> Any:
        """Run, with one message and exit 1 where what is printed finds no room, as a full disk under ``> FILE``."""
        _open_standard_streams()
        try:
            return super().main(*args, **extra)
        except OSError as error:
            from sleepagree.files.writing import DISK_ERRORS

            if error.errno not in DISK_ERRORS:
                raise
            # what is still held back cannot be written either, and Python would say so in its own words
            os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
            click.echo(f"sleepagree: the output cannot be written: {error.strerror}.", err=True)
            sys.exit(1)

    def invoke(self, ctx: click.Context) -> Any:
        """Run, with one message and exit 1 for input that cannot be used, and exit 130 after Ctrl-C."""
        try:
            interrupts.allow()
            return self._run(ctx)
        except (KeyboardInterrupt, Exception) as error:
            # an import that is interrupted may fail in another way
            if isinstance(error, click.exceptions.Exit) or not (
                isinstance(error, KeyboardInterrupt) or interrupts.happened()
            ):
                raise
            if interrupts.take_the_word():
                click.echo(f"{chr(10) if sys.stderr.isatty() else ''}{interrupts.LINE}", err=True)
            ctx.exit(interrupts.EXIT_CODE)
        finally:
            interrupts.forbid()

    def _run(self, ctx: click.Context) -> Any:
        from sleepagree.errors import Front, SleepAgreeError
        from sleepagree.files.writing import sparing_inputs

        try:
            with sparing_inputs():
                return super().invoke(ctx)
        except SleepAgreeError as error:
            if ctx.params.get("debug") or interrupts.happened():
                raise
            from sleepagree.render.columns import fit_terminal

            click.echo(
                fit_terminal(f"sleepagree: {error.told(Front.PAGE if ctx.params.get('for_page') else Front.COMMAND)}"),
                err=True,
            )
            ctx.exit(1)


def _show_version(ctx: click.Context, _param: click.Parameter, value: bool) -> None:  # noqa: FBT001
    if not value or ctx.resilient_parsing:
        return
    import platform
    from importlib.metadata import PackageNotFoundError, version

    import sleepagree

    click.echo(f"sleepagree {sleepagree.__version__}")
    click.echo(f"python {platform.python_version()}")
    for name in ("numpy", "scipy", "pandas", "scikit-learn", "mne", "matplotlib"):
        try:
            click.echo(f"{name} {version(name)}")
        except PackageNotFoundError:
            click.echo(f"{name} not installed")
    ctx.exit()


@click.group(
    cls=CommandGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    help="Score how well a wearable's sleep stages agree with a laboratory or EEG hypnogram.\n\n" + CAUTION,
    epilog="Start with: sleepagree demo ferry",
)
@click.option("--debug", is_flag=True, help="Show the traceback of an error.")
@click.option(
    "--for-page",
    default="",
    hidden=True,
    help="Say errors in the words of the local page, and write the report in them to this file, too.",
)
@click.option(
    "--version",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_show_version,
    help="Show the versions that matter and exit.",
)
def main(debug: bool, for_page: str) -> None:  # noqa: ARG001, FBT001 (read from the context)
    """Run the command line."""
    import io
    import sys

    for stream in (sys.stdout, sys.stderr):
        # a terminal or pipe that lacks a character gets its escape, which is right in JSON, too, and no traceback
        if isinstance(stream, io.TextIOWrapper) and stream.errors == "strict":
            stream.reconfigure(errors="backslashreplace")
