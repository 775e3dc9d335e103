"""What every page ends with: cautions, methods, and how to repeat it."""

from __future__ import annotations

import platform
import sys
from collections.abc import Sequence
from typing import Final

import sleepagree
from sleepagree.pairing import Side
from sleepagree.report.page import Block, Code, Heading, Items, Section, TableView, Words, cells, file_word
from sleepagree.report.sentences import Paragraph, printable

#: What this tool is and is not; it stands in every report.
CAUTIONS: Final = (
    "sleepagree is a measuring tool for research and personal interest. It is no medical device and diagnoses nothing.",
    "Agreement says nothing about a sleep disorder: two sides can agree on a broken night and differ on a sound one.",
    "Staging of record follows the AASM manual and a qualified scorer. Local rules and a clinician come first.",
    "Recordings are personal data. This page holds file names, times and stages, but no field about a patient.",
)


def caution_section(cautions: Sequence[str]) -> Section:
    """Return the cautions of the results, and those of the tool."""
    own: list[Block] = [Items(tuple(printable(c) for c in cautions))] if cautions else [Words("None of these results.")]
    return Section("cautions", "Cautions", (*own, Heading("What this is, and what it is not"), Items(CAUTIONS)))


def methods_section(methods: Paragraph, results: str) -> Section:
    """Return both paragraphs to paste into a paper, and the sources."""
    return Section(
        "methods",
        "Methods and results, to paste into a paper",
        (
            Heading("Methods"),
            Words(methods.text, "paste"),
            Heading("Results"),
            *(Words(part, "paste") for part in results.split("\n\n")),
            Heading("Sources"),
            Items(methods.sources, numbered=True),
        ),
    )


def repeat_section(
    command: str,
    *,
    sides: Sequence[tuple[str, Side]] = (),
    files: Sequence[tuple[str, str, str]] = (),
) -> Section:
    """Return the command, the versions and the hashes of the inputs.

    Parameters
    ----------
    command : str
        What to type.
    sides : sequence of (str, Side)
        Inputs of a night.
    files : sequence of (str, str, str)
        Further inputs: what it is, file name, hash.
    """
    inputs = [(word, file_word(s.origin.name, "data in memory"), s.origin.sha256) for word, s in sides]
    inputs += list(files)
    rows = tuple(cells(word, name, sha256 or "not from a file") for word, name, sha256 in inputs)
    blocks: list[Block] = [Code(command)] if command else []
    if rows:
        blocks.append(TableView("hashes", "Inputs and their SHA-256", ("input", "name", "SHA-256"), rows, left=3))
    software = tuple(cells(name, number) for name, number in versions())
    blocks.append(TableView("versions", "Software", ("program", "version"), software, left=2))
    return Section("repeat", "To repeat it", tuple(blocks))


def versions() -> list[tuple[str, str]]:
    """Return the versions of what was used: scipy stands there only where something needed it."""
    found = [("sleepagree", sleepagree.__version__), ("Python", platform.python_version())]
    for name in ("numpy", "scipy", "matplotlib"):
        if name in sys.modules:
            found.append((name, str(sys.modules[name].__version__)))
    return found
