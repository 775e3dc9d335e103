"""The recordings of a folder in words: which nights its file names make, and which files were left over."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Final

from sleepagree.describe.blocks import Cell, Command, Description, Items, Section, Table, cells, columns
from sleepagree.describe.words import file_name, plain
from sleepagree.errors import counted, shorten
from sleepagree.study.from_folder import FolderNights

_PEOPLE: Final = 12
_DEVICES: Final = 3
_FILES: Final = 5


def describe_folder(found: FolderNights, *, table: str = "", proposed: str = "") -> Description:
    """Return everything that is said about a folder of recordings.

    Parameters
    ----------
    found : FolderNights
        What the patterns found in it.
    table : str
        The nights table that was written; "" for none.
    proposed : str
        The command that writes it, where the patterns were proposed; "" where they were given.
    """
    devices = list(dict.fromkeys(row.device for row in found.rows))
    people = list(dict.fromkeys(row.participant for row in found.rows))
    nights = len({(row.participant, row.night) for row in found.rows})
    first = found.rows[0]
    example = (*(("reference", file) for file in first.reference), ("device", first.device_file))
    rows = tuple(cells(side, plain(file)) for side, file in example)
    sections = [
        _overview(found, people, devices),
        Section(
            "example",
            "",
            (Table("files", "", columns("", "", words=(0, 1)), rows),),
            detail=f"For example {shorten(first.participant)}, night {shorten(first.night)}, {shorten(first.device)}:",
        ),
        _files("references", "references without a device file", found.references_alone),
        _files("devices", "device files without a reference", found.devices_alone),
        _files("others", "other files", found.others),
    ]
    if table:
        told = f"Wrote {plain(table)} ({counted(len(found.rows), 'row')}). Next:"
        sections.append(Section("next", "", (Command(f"sleepagree study {table} --out results"),), detail=told))
    if proposed:
        told = "Proposed from the names; nothing was written. If the files belong together like this:"
        sections.append(Section("next", "", (Command(proposed),), detail=told))
    finding = (
        f"{counted(len(found.rows), 'row')} from {counted(len(people), 'participant')}, {counted(nights, 'night')} and "
        f"{counted(len(devices), 'device')}"
    )
    return Description("sleepagree: one folder", file_name(found.folder.name, "."), (finding,), tuple(sections))


def _overview(found: FolderNights, people: Sequence[str], devices: Sequence[str]) -> Section:
    """Return a table of nights per participant and device."""
    counts = Counter((row.participant, row.device) for row in found.rows)
    shown = devices[:_DEVICES]
    rows = tuple(
        cells(shorten(person), *(_count(counts[person, device]) for device in shown)) for person in people[:_PEOPLE]
    )
    table = Table("nights", "", columns("nights of", *map(shorten, shown)), rows)
    more = tuple(
        f"... and {counted(count, f'more {what}')}"
        for count, what in ((len(people) - _PEOPLE, "participant"), (len(devices) - _DEVICES, "device"))
        if count > 0
    )
    return Section("overview", "", (table, Items(more)) if more else (table,))


def _count(nights: int) -> Cell:
    return Cell.count(nights) if nights else Cell("-")


def _files(name: str, what: str, files: Sequence[str]) -> Section:
    shown = [file_name(file, "") for file in files[:_FILES]]
    if len(files) > _FILES:
        shown.append(f"... and {len(files) - _FILES} more")
    return Section(name, "", (Items(tuple(shown)),) if shown else (), detail=f"{what}: {len(files) or 'none'}")
