"""Which list of a JSON document is the night, and what stands beside its rows."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime, time, timedelta
from typing import Any, Final

from sleepagree.readers.json.beside import (
    beginning,
    beginning_of_rows,
    beginnings,
    days_of_nights,
    legend_names,
    legends,
    moments_beside,
    nights_like,
    one_night,
    parts_of,
    without_elements,
)
from sleepagree.readers.json.fhir import is_fhir
from sleepagree.readers.json.fields import Field
from sleepagree.readers.json.records import ANY
from sleepagree.readers.layout import DURATION_UNITS, Layout
from sleepagree.readers.proposing.column_kinds import ColumnKind, is_zone
from sleepagree.readers.proposing.column_roles import Found
from sleepagree.readers.proposing.layout_proposal import Choice, NightsHeld, Setting, Why, values_of
from sleepagree.readers.proposing.placed_roles import (
    moments_told,
    of_document,
    roles_of,
    spans_told,
    taken_apart,
    with_beside,
)
from sleepagree.readers.proposing.stage_roles import called
from sleepagree.readers.proposing.table_place import MOST_NIGHTS, record_paths

_FEWEST_ROWS: Final = 3
LEGENDS_ARE_SHORTER: Final = 4
#: A night that begins further from a moment than this is another one.
_NEAR: Final = timedelta(hours=12)
#: What a day beside the rows is taken for: that of the evening, as most say.
_EVENING: Final = time(20)


def json_readings(path: str, document: Any, given: Layout, near: datetime | None) -> Iterator[Found]:
    """Yield the lists of a document that may be the night, with what stands beside them; a legend is no night."""
    if not given.records and is_fhir(Field(document, "", path)):
        return  # as plain records it would lose what FHIR says of status, versions and people
    paths = [] if given.records else record_paths(document)
    where: list[dict[str, Any]] = [{}, *({"records": records} for records in paths)]
    found = [f for values in where if (f := roles_of(path, taken_apart(values), given)) is not None]
    found = _without_lists_of_nights([replace(f, labels=called(f.labels, legends(document))) for f in found])
    found = _with_nights_joined([f for f in found if f.is_whole])
    # with a column for each stage, "*" would make labels of all names of columns
    found = [f for f in found if "stage_columns" in f.told] or found
    rows = [_size(f) for f in found]
    long = [f for f, n in zip(found, rows, strict=True) if n >= _FEWEST_ROWS and _is_no_legend(f, n, max(rows))]
    names = legend_names(document)
    explained = [f for f in long if f.records.rpartition(".")[2] in names]
    for one in _one_of_each(path, document, explained or long, given, near):
        yield _with_what_is_beside(one, document, given)


def _with_what_is_beside(one: Found, document: Any, given: Layout) -> Found:
    """Return the rows of a night with when it begins, its zone, and what a legend calls its labels."""
    night = one_night(document, one.records)
    named, moments = tuple(beginnings(night)), moments_beside(document, one.records)
    whole = beginning_of_rows(moments, _lasting(one))
    settings = tuple(_begun(s, named if whole is None else [whole], moments) for s in one.settings)
    told = values_of(settings)
    held = [told["begins"]] if told.get("begins") is not None else [moment for _, moment in named or moments]
    zone = _zone_setting(night, held) if given.zone is None and given.begins is None else ()
    settings = (*settings, *(line for line in zone if "begins" in told or line.value is not None))
    fields = of_document(document, one.records)
    if any(s.key == "begins" and s.shown for s in settings):  # by fields that tell it better
        fields = tuple(field for field in fields if not moments_told([field]))
    settings = with_beside(_told_epochs(settings, one), fields, spans=spans_told(one, moments))
    return replace(one, settings=settings, labels=called(one.labels, legends(document)))


def _lasting(found: Found) -> float:
    """Return how long all rows that are counted last together, in seconds; 0 where that is not known."""
    told = found.told
    column = next((c for c in found.columns if c.name == told.get("duration")), None)
    if column is not None:
        unit = 1.0 if column.kind is ColumnKind.LENGTHS else DURATION_UNITS.get(told.get("duration_unit") or "", 0.0)
        return float(column.numbers.sum()) * unit
    return _size(found) * float(told.get("epoch_seconds") or 0.0)


def _zone_setting(night: Any, moments: Sequence[str]) -> tuple[Setting, ...]:
    """Return the line about the zone of a night that begins at a moment in UTC: as a field tells it, else a blank.

    The other side may have a clock without a zone, and nothing else places the two beside each other.
    """
    if any(datetime.fromisoformat(m).utcoffset() != timedelta(0) for m in moments):
        return ()
    texts = [(value.strip(), path) for path, value in parts_of(night) if isinstance(value, str)]
    zones = {text: path for text, path in texts if is_zone(text)}
    if len(zones) != 1:
        return (Setting("zone", None, Why.UNTOLD),) if moments else ()
    return tuple(Setting("zone", zone, Why.ANCHOR, shown=(path,)) for zone, path in zones.items())


def _is_no_legend(found: Found, rows: int, longest: int) -> bool:
    """Whether a list is no legend beside longer ones: it is nearly as long as they are, or known words come back."""
    return rows * LEGENDS_ARE_SHORTER >= longest or (found.known > 0 and rows >= 2 * len(found.labels))


def _without_lists_of_nights(found: Sequence[Found]) -> list[Found]:
    """Return what may be a night without lists of several, each of which holds rows with more words for stages."""
    nights = [one for one in found if any(_is_night_of(other, one) for other in found)]
    # the same list may be found without its path
    return [one for one in found if not any(one.columns == of.columns for of in nights)]


def _with_nights_joined(found: Sequence[Found]) -> list[Found]:
    """Return what may be a night; of nights under names all rows where they tell moments, else the last night."""
    for joined in (f for f in found if f"{ANY}." in f.records):
        above, _, below = joined.records.partition(ANY)
        nights = [f for f in found if f.records.startswith(above) and f.records.endswith(below) and f is not joined]
        scored = [f for f in nights if f.known]
        if len(scored) > 1:
            kept = joined if _tells_moments(joined) else _last_of(scored)
            return [kept, *(f for f in found if f not in nights and f is not joined)]
    return [f for f in found if f"{ANY}." not in f.records]


def _last_of(nights: Sequence[Found]) -> Found:
    """Return the last of nights under names with the others beside it."""
    *others, last = nights
    choices = tuple(Choice(night.records) for night in others)
    line = Setting("records", last.records, Why.LAST, choices, nights=NightsHeld(len(nights)))
    return replace(last, settings=tuple(line if s.key == line.key else s for s in last.settings))


def _is_night_of(rows: Found, nights: Found) -> bool:
    """Whether rows are inside one element of a list, whose own fields hold fewer words for stages."""
    _, bracket, inner = rows.records.removeprefix(nights.records).partition("].")
    is_inside = bool(bracket and inner) and rows.records.startswith(f"{nights.records}[")
    return is_inside and not nights.is_runs and rows.is_whole and nights.known <= rows.known


def _one_of_each(
    path: str, document: Any, found: Sequence[Found], given: Layout, near: datetime | None
) -> Iterator[Found]:
    """Yield of nights in a list the one nearest to a moment, else the latest, with the others beside it.

    Nights whose rows tell their moments are read together: the other file's time chooses among them.
    """
    by_list: dict[str, list[Found]] = {}
    for one in found:
        by_list.setdefault(without_elements(one.records), []).append(one)
    for nights in by_list.values():
        if "[" not in nights[-1].records:
            yield from nights
            continue
        if _tells_moments(nights[-1]):
            together = taken_apart({"records": without_elements(nights[-1].records)})
            whole = roles_of(path, together, given)
            if whole is not None and _tells_moments(whole):
                yield whole
                continue
        told = {p: beginning(document, p) for p in nights_like(document, nights[-1].records)}
        days = days_of_nights(document, nights[-1].records)
        chosen, why = _choose_night(told, days, near, [f.records for f in nights])
        evaluated = [_with_other_labels(f, nights) for f in nights if f.records == chosen]
        for one in evaluated or filter(None, [roles_of(path, taken_apart({"records": chosen}), given)]):
            yield replace(one, settings=tuple(_night_setting(s, chosen, told, days, why) for s in one.settings))


def _with_other_labels(one: Found, nights: Sequence[Found]) -> Found:
    """Return a night with the labels that only other nights have: its layout serves them too."""
    held = {label.label for label in one.labels}
    more = {m.label: replace(m, is_counted=False) for night in nights for m in night.labels if m.label not in held}
    return replace(one, labels=(*one.labels, *more.values()))


def _tells_moments(found: Found) -> bool:
    """Whether rows begin at moments, with their dates, and none would last until the next night."""
    moments = [column.name for column in found.columns if column.kind is ColumnKind.MOMENTS]
    return "shape" not in found.told and found.told.get("start") in moments


def _choose_night(
    told: Mapping[str, str | None], days: Mapping[str, tuple[str, date]], near: datetime | None, long: Sequence[str]
) -> tuple[str, Why | None]:
    """Return the path of one of several nights, and why: nearest to a moment, else the latest that is no short one."""
    if len(told) == 1:
        return next(iter(told)), None
    moments = {path: datetime.fromisoformat(moment).replace(tzinfo=None) for path, moment in told.items() if moment}
    moments = moments or {path: datetime.combine(day, _EVENING) for path, (_, day) in days.items()}
    if near is not None and moments:
        apart = {path: abs(moment - near.replace(tzinfo=None)) for path, moment in moments.items()}
        nearest = min(apart, key=lambda path: apart[path])
        if apart[nearest] <= _NEAR:
            return nearest, Why.NEAREST
    latest = max(long, key=lambda path: (moments.get(path, datetime.min), long.index(path)))
    return latest, Why.LATEST if moments else Why.LAST


def _night_setting(
    setting: Setting, chosen: str, told: Mapping[str, str | None], days: Mapping[str, tuple[str, date]], why: Why | None
) -> Setting:
    """Return the line about the list of records with the other nights, those next to the chosen one first of many."""
    if setting.key == "begins" and chosen in days and not setting.shown:
        return replace(setting, shown=(days[chosen][0],))
    if setting.key != "records" or why is None:
        return setting
    paths, moments = list(told), sorted(moment for moment in told.values() if moment)
    here = paths.index(chosen)
    first = max(0, min(here - MOST_NIGHTS // 2, len(paths) - MOST_NIGHTS - 1))
    near = [path for path in paths[first : first + MOST_NIGHTS + 1] if path != chosen]
    others = tuple(Choice(path, begins=told[path] or "", day=days.get(path, ("",))[0]) for path in near)
    nights = NightsHeld(len(paths), *((moments[0], moments[-1]) if moments else ()))
    return replace(setting, why=why, others=others, nights=nights)


def _size(found: Found) -> int:
    """Return the number of rows, or of epochs where a cell holds the codes of many."""
    return sum(label.rows for label in found.labels) if found.is_runs else found.rows


def _told_epochs(settings: tuple[Setting, ...], found: Found) -> tuple[Setting, ...]:
    """Return lines with the length of an epoch that a value and its unit beside the codes tell."""
    columns = {column.name: column for column in found.columns}
    for name, column in columns.items():
        stem = name.removesuffix(".value")
        unit = columns.get(f"{stem}.unit")
        if stem == name or unit is None or unit.distinct != 1 or unit.values[0] not in DURATION_UNITS:
            continue
        if column.distinct == 1 and column.kind in (ColumnKind.NUMBERS, ColumnKind.CODES):
            seconds = round(float(column.numbers[0]) * DURATION_UNITS[unit.values[0]], 3)
            told = Setting("epoch_seconds", seconds, Why.ANCHOR, shown=(stem,))
            return tuple(told if s.key == "epoch_seconds" else s for s in settings)
    return settings


def _begun(setting: Setting, named: Sequence[tuple[str, str]], moments: Sequence[tuple[str, str]]) -> Setting:
    """Return the blank of the beginning filled in, where one field is named so; else with all that may tell it."""
    if setting.key != "begins" or setting.value is not None:
        return setting
    if len({moment for _, moment in named}) == 1:
        return Setting("begins", named[0][1], Why.ANCHOR, shown=(named[0][0],))
    told = tuple(f"{path} = {moment}" for path, moment in named or moments)
    return replace(setting, shown=told) if told else setting
