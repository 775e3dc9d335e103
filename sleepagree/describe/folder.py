"""The recordings of a folder in words: which nights its file names make, and which files were left over."""

from __future__ import annotations

import shlex
from collections import Counter
from collections.abc import Sequence
from typing import Final

from sleepagree.describe.blocks import Command, Description, Items, Section, section, sections_of, table
from sleepagree.describe.words import file_name, plain
from sleepagree.errors import counted, printable, shorten, typed_path
from sleepagree.study.from_folder import FolderNights, NightFiles

_PEOPLE: Final = 12
_DEVICES: Final = 3
_FILES: Final = 5


def describe_folder(
    found: FolderNights, *, table: str = "", proposed: Sequence[tuple[str, FolderNights]] = ()
) -> Description:
    """Return everything that is said about a folder of recordings.

    Parameters
    ----------
    found : FolderNights
        What the patterns found in it.
    table : str
        The nights table that was written; "" for none.
    proposed : sequence of (str, FolderNights)
        Where the patterns were proposed: the command that writes it, and what that finds; several where the names fit
        in several ways.
    """
    devices = list(dict.fromkeys(row.device for row in found.rows))
    people = list(dict.fromkeys(row.participant for row in found.rows))
    nights = len({(row.participant, row.night) for row in found.rows})
    sections = [
        _overview(found, people, devices),
        None if len(proposed) > 1 else _example(found.rows),
        _files("references", "references without a device file", found.references_alone),
        _files("devices", "device files without a reference", found.devices_alone),
        _files("others", "other files", found.others),
    ]
    if table:
        told = f"Wrote {plain(table)} ({counted(len(found.rows), 'row')}). Next:"
        words = printable(shlex.join(["sleepagree", "study", typed_path(table), "--out", "results"]))
        sections.append(section("next", "", Command(words), detail=told))
    for command, its in proposed:
        told = "Proposed from the names; nothing was written. If the files belong together like this:"
        sections += [_example(its.rows)] if len(proposed) > 1 else []
        sections.append(section("next", "", Command(command), detail=told))
    finding = (
        f"{counted(len(found.rows), 'row')} from {counted(len(people), 'participant')}, {counted(nights, 'night')} and "
        f"{counted(len(devices), 'device')}"
    )
    return Description("sleepagree: one folder", file_name(found.folder.name, "."), (finding,), sections_of(*sections))


def _example(rows: Sequence[NightFiles]) -> Section | None:
    """Return the files of a night, of one whose number is not its participant's where there is one."""
    row = next((row for row in rows if row.participant != row.night), rows[0])
    example = (*(("reference", file) for file in row.reference), ("device", row.device_file))
    return section(
        "example",
        "",
        table("files", "", ("", ""), ((side, plain(file)) for side, file in example), words=(0, 1)),
        detail=f"For example {shorten(row.participant)}, night {shorten(row.night)}, {shorten(row.device)}:",
    )


def _overview(found: FolderNights, people: Sequence[str], devices: Sequence[str]) -> Section | None:
    """Return a table of nights per participant and device."""
    counts = Counter((row.participant, row.device) for row in found.rows)
    shown = devices[:_DEVICES]
    rows = ((shorten(person), *(counts[person, device] or "-" for device in shown)) for person in people[:_PEOPLE])
    more = tuple(
        f"... and {counted(count, f'more {what}')}"
        for count, what in ((len(people) - _PEOPLE, "participant"), (len(devices) - _DEVICES, "device"))
        if count > 0
    )
    return section("overview", "", table("nights", "", ("nights of", *map(shorten, shown)), rows), Items(more))


def _files(name: str, what: str, files: Sequence[str]) -> Section | None:
    shown = [file_name(file, "") for file in files[:_FILES]]
    if len(files) > _FILES:
        shown.append(f"... and {len(files) - _FILES} more")
    return section(name, "", Items(tuple(shown)), detail=f"{what}: {len(files) or 'none'}")
