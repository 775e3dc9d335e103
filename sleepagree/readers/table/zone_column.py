"""Zones that stand in a column beside local times: offsets from UTC, or one name of a zone."""

from __future__ import annotations

from sleepagree.caution import Note, NoteKind, OwnWord, ZoneName
from sleepagree.errors import ClockError, asked, for_page, shorten
from sleepagree.readers.table.table import TableReading
from sleepagree.readers.times.clock import SECOND_US, Clock, Column, Times, read_offset
from sleepagree.readers.times.forms import with_offsets
from sleepagree.readers.times.zones import known_zone

_NAME_IT = for_page(
    'Take zone_column out of the layout and name the zone: [file] zone = "Europe/Helsinki".',
    f"Say that this column is not used, and answer {asked('zone')}.",
)


def in_zones_of_column(
    reading: TableReading, position: int, starts: Times, ends: Times | None
) -> tuple[Times, Times | None]:
    """Return local times as moments in UTC where the column holds offsets; take its zone where it holds one name.

    Raises
    ------
    ClockError
        When the times tell their zone themselves, a cell is no offset, or the column holds several names, or offsets
        that change beside ends.
    """
    column = reading.column(position)
    if starts.clock is not Clock.LOCAL:
        raise reading.contradiction("zone_column", "the times tell no clock that a zone could be of")
    cells = [text.strip() for text in reading.table.texts(position)]
    offsets = {cell: read_offset(cell) for cell in dict.fromkeys(cells)}
    if all(offset is None for offset in offsets.values()) and len(offsets) == 1 and cells[0]:
        reading.zone = _same_zone(reading, cells[0], column)
        reading.notes.append(Note.of(NoteKind.ZONE_FROM_COLUMN, zone=ZoneName(cells[0]), column=OwnWord(column.name)))
        return starts, ends
    expected = "an offset from UTC such as +02:00 in every row, or the same IANA name"
    for row, cell in enumerate(cells):
        if offsets[cell] is None:
            problem = "the zones of the rows cannot be read together" if cell else "the zone is missing"
            remedy = _NAME_IT
            raise column.error(ClockError, row, problem, f"'{shorten(cell)}'" if cell else "", expected, remedy)
    if reading.zone is not None:
        raise reading.contradiction(
            "zone_column", f"it tells offsets from UTC, and the zone is said to be {reading.zone}"
        )
    if ends is not None and len(set(offsets.values())) > 1:
        row = next(row for row, cell in enumerate(cells) if offsets[cell] != offsets[cells[0]])
        problem = "the offset from UTC changes, so the ends may have the one or the other"
        remedy = _NAME_IT
        raise column.error(ClockError, row, problem, cells[row], f"{cells[0]}, as in the rows before", remedy)
    told = [offsets[cell] for cell in cells]
    moments = with_offsets(starts.us, told, cells, column, starts.notes)
    reading.notes += [note for note in moments.notes if note not in starts.notes]
    if ends is not None:
        ends = Times(ends.us - moments.offset_s * SECOND_US, Clock.UTC)
    return moments, ends


def _same_zone(reading: TableReading, name: str, column: Column) -> str:
    if reading.zone is None:
        known_zone(name, column.path, column.where(0))
        return name
    if reading.zone != name:
        raise reading.contradiction(
            "zone_column", f"it says {shorten(name)}, and the zone is said to be {reading.zone}"
        )
    return name
