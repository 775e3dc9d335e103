"""What every description ends with: cautions, methods, and how to repeat it."""

from __future__ import annotations

import platform
from collections.abc import Sequence
from importlib import import_module
from typing import Final

import sleepagree
from sleepagree.caution import Caution
from sleepagree.describe.blocks import (
    Block,
    Command,
    Heading,
    Items,
    Paragraph,
    Rank,
    Role,
    Section,
    Table,
    cells,
    columns,
)
from sleepagree.describe.cautions import rank_caution, say_caution
from sleepagree.describe.paragraphs import CitedParagraph
from sleepagree.describe.words import file_name, plain
from sleepagree.errors import Front
from sleepagree.hypnogram.align import Side

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
    command: str,
    *,
    sides: Sequence[tuple[str, Side]] = (),
    files: Sequence[tuple[str, str, str]] = (),
    libraries: Sequence[str] = ("numpy",),
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
    libraries : sequence of str
        Libraries that the numbers rest on; what figures are drawn with is told by the page that holds them.
    """
    inputs = [(word, file_name(side.origin.name, "data in memory"), side.origin.sha256) for word, side in sides]
    inputs += list(files)
    blocks: list[Block] = [Command(command)] if command else []
    if inputs:
        rows = tuple(cells(word, name, sha256 or "not from a file") for word, name, sha256 in inputs)
        heads = columns("input", "name", "SHA-256", words=(0, 1, 2))
        blocks.append(Table("hashes", "Inputs and their SHA-256", heads, rows))
    programs = [("sleepagree", sleepagree.__version__), ("Python", platform.python_version())]
    programs += [(name, str(import_module(name).__version__)) for name in libraries]
    software = tuple(cells(name, number) for name, number in programs)
    blocks.append(Table("versions", "Software", columns("program", "version", words=(0, 1)), software))
    return Section("repeat", "To repeat it", tuple(blocks), Rank.FURTHER)
