"""Write docs/commands.md from the commands' own ``--help``, or with ``--check`` say whether it is stale."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from click.testing import CliRunner

from sleepagree.cli.group import COMMANDS, main

TARGET = Path(__file__).with_name("commands.md")


def help_of(*words: str) -> str:
    os.environ["COLUMNS"] = "100"
    result = CliRunner().invoke(main, [*words, "--help"], prog_name="sleepagree", terminal_width=100)
    if result.exit_code:
        raise SystemExit(f"sleepagree {' '.join(words)} --help failed: {result.output}")
    return result.output.rstrip()


def reference() -> str:
    parts = [
        "# Commands\n\nMade from `--help` by `python docs/make_command_reference.py`; do not edit.\n",
        f"```text\n{help_of()}\n```\n",
    ]
    parts += [f"## sleepagree {name}\n\n```text\n{help_of(name)}\n```\n" for name in COMMANDS]
    return "\n".join(parts)


if __name__ == "__main__":
    text = reference()
    if "--check" in sys.argv[1:]:
        if not TARGET.exists() or TARGET.read_text(encoding="utf-8") != text:
            raise SystemExit("docs/commands.md is stale: run python docs/make_command_reference.py")
        print("docs/commands.md is up to date")
    else:
        TARGET.write_text(text, encoding="utf-8")
