"""What every description ends with: cautions, methods, and how to repeat it."""

from __future__ import annotations

import platform
from collections.abc import Sequence
from importlib import import_module
from typing import Final

import sleepagree
from sleepagree.caution import Caution
from sleepagree.describe.blocks import Block, Command, Heading, Items, Paragraph, Rank, Role, Section, table
from sleepagree.describe.cautions import rank_caution, say_caution
from sleepagree.describe.paragraphs import CitedParagraph
from sleepagree.describe.words import plain
from sleepagree.errors import Front

#: What this tool is and is not; it stands in every report.
CAUTIONS: Final = (
    "sleepagree is a measuring tool for research and personal interest. It is no medical device and diagnoses nothing.",
    "Agreement says nothing about a sleep disorder: two sides can agree on a broken night and differ on a sound one.",
    "Staging of record follows the AASM manual and a qualified scorer. Local rules and a clinician come first.",
    "Recordings are personal data. This page holds file names, times and stages, but no field about a patient.",
)


def caution_section(cautions: Sequence[Caution], front: Front = Front.COMMAND) -> Section:
    """Return the cautions of the results, and those of the tool."""
    by_weight = sorted(cautions, key=rank_caution)
    said = tuple(plain(say_caution(c, front)) for c in by_weight)
    own = Items(said) if cautions else Paragraph("None of these results.")
    blocks: tuple[Block, ...] = (own, Heading("What this is, and what it is not"), Items(CAUTIONS))
    return Section("cautions", "Cautions", blocks, Rank.FURTHER)


def methods_section(methods: CitedParagraph, results: str) -> Section:
    """Return both paragraphs to paste into a paper, and the sources."""
    blocks: tuple[Block, ...] = (
        Heading("Methods"),
        Paragraph(methods.text, Role.TO_PASTE),
        Heading("Results"),
        *(Paragraph(part, Role.TO_PASTE) for part in results.split("\n\n")),
        Heading("Sources"),
        Items(methods.sources, numbered=True),
    )
    return Section("methods", "Methods and results, to paste into a paper", blocks, Rank.FURTHER, folded=True)


def repeat_section(
    command: str, *, inputs: Sequence[tuple[str, str, str]] = (), libraries: Sequence[str] = ("numpy",)
) -> Section:
    """Return the command, the versions and the hashes of the inputs.

    Parameters
    ----------
    command : str
        What to type.
    inputs : sequence of (str, str, str)
        What each is, the name of its file, and its hash; "" for none.
    libraries : sequence of str
        Libraries that the numbers rest on; what figures are drawn with is told by the page that holds them.
    """
    blocks: list[Block] = [Command(command)] if command else []
    if inputs:
        rows = ((word, name, sha256 or "not from a file") for word, name, sha256 in inputs)
        heads = ("input", "name", "SHA-256")
        blocks.append(table("hashes", "Inputs and their SHA-256", heads, rows, words=(0, 1, 2)))
    programs = [("sleepagree", sleepagree.__version__), ("Python", platform.python_version())]
    programs += [(name, str(import_module(name).__version__)) for name in libraries]
    blocks.append(table("versions", "Software", ("program", "version"), programs, words=(0, 1)))
    return Section("repeat", "To repeat it", tuple(blocks), Rank.FURTHER)
