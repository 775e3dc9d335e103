"""The bias of a device over many nights in words: limits of agreement, how differences depend on the level, sources."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any, Final

from sleepagree.describe.bias import FLOW_WORDS, flows_by_size, say_bias_source
from sleepagree.describe.blocks import (
    Cell,
    Figure,
    FigureKind,
    Items,
    Paragraph,
    Section,
    Table,
    Told,
    beside,
    can_differ,
    note,
    points,
    section,
    sections_of,
    table,
    tabulate,
)
from sleepagree.describe.study_bias_figures import bias_figures, say_at, say_lines, say_sloped
from sleepagree.describe.study_margins import outcome_of_margins, say_margins, unit_word
from sleepagree.describe.study_paragraphs import file_ending, is_main_measure, say_under_first, units_of
from sleepagree.describe.words import (
    DASH,
    figure,
    interval,
    join_words,
    percent,
    percent_interval,
    plain,
    say_class,
    say_level,
    signed,
)
from sleepagree.errors import counted, shorten
from sleepagree.inference.error_sizes import FEWEST_FOR_CENTILES, MINUTES_TOLD, Centile
from sleepagree.inference.limits import RegressionLimits
from sleepagree.mapping.mapping import StageMapping
from sleepagree.study.cautions import COVERAGE_OF_CENTILES, COVERAGE_OF_LIMITS_NEAR_NORMAL, LOWEST_COVERAGE_OF_LIMITS
from sleepagree.study.results import BiasRow, DeviceStudy, StudyAgreement, StudyBiasSource

#: From ``python -m tests.performance.calibrate_slopes``.
_NOISE_SLOPES: Final = (
    "Noise alone can give such a slope: a device without bias but with two or three times the reference's noise shows "
    "one in 21 to 53 % of studies of 40 people (simulated)."
)
#: So many devices have a table each on the first screen, and so many have a column there where they share one.
_TABLES_OF_THEIR_OWN: Final = 2
#: An interval of minutes that is so wide has a width of rounding only.
_NO_WIDTH: Final = 1e-9
_MOST_DEVICES: Final = 4

_FEWEST_TO_CLAIM: Final = 2
#: Of one person; of several measures some interval of two nights has no 0 in it by chance alone (our choice).
_FEWEST_NIGHTS_TO_CLAIM: Final = 3


def bias_section(device: DeviceStudy, study: StudyAgreement, serial: int) -> Section | None:
    """Return bias and limits of agreement of every measure of a device, None where it has none."""
    if not device.bias:
        return None
    shown = [row for row in device.bias if can_differ(row.measure)]
    main = [row for row in shown if is_main_measure(row.measure)]
    rest = [row for row in shown if not is_main_measure(row.measure)]
    nights, under = max(row.limits.nights for row in device.bias), say_under_first(device)
    spread = [row for row in device.bias if _has_limits(row)]
    methods = "; or ".join(dict.fromkeys(row.limits.method for row in spread))
    return section(
        f"bias-{serial}",
        f"Bias of '{shorten(device.device)}'",
        _limits_table(main, study, f"limits-{serial}", nights, under=under),
        _sizes_table(main, study, f"sizes-{serial}"),
        _limits_table(rest, study, f"further-{serial}", nights, under=under, further=True),
        Items((*say_margins(shown), *_notes(shown, nights))),
        note(plain(f"Method: {methods}.")) if spread else None,
        _sizes_table(rest, study, f"further-sizes-{serial}", further=True),
        _centiles_table(device, study, serial),
        _ends_table(shown, study, serial) if spread else None,
        _level_table(shown, study, serial) if spread else None,
        _equations(device.bias),
        *bias_figures(device, study, serial),
    )


# --- the answer -------------------------------------------------------------------------------------------


def answer_of_bias(study: StudyAgreement) -> tuple[Section, ...]:
    """Return for each device the bias of the measures that matter, and what its people allow one to claim.

    Up to two devices have a table each, with limits of agreement; more share one table.
    """
    if len(study.devices) <= _TABLES_OF_THEIR_OWN:
        return sections_of(*(_answer_of_device(device, study, i) for i, device in enumerate(study.devices)))
    told = [device for device in study.devices if device.bias][:_MOST_DEVICES]
    measures = list(dict.fromkeys(row.measure for device in told for row in _answering(device)))
    by_device = [{row.measure: row for row in device.bias} for device in told]
    rows = (
        (
            name_with_unit(next(found[measure] for found in by_device if measure in found)),
            *(bias_cell(found[measure]) if measure in found else "" for found in by_device),
        )
        for measure in measures
    )
    what = "Ratio device / reference" if study.options.log_ratio else "Device − reference"
    caption = f"{what}, with {say_level(study.options.level)}"
    more = len(study.devices) - len(told)
    answer = section(
        "answer-bias",
        "Bias",
        table("answer-limits", caption, ("measure", *(shorten(device.device) for device in told)), rows),
        Paragraph(f"{counted(more, 'device')} more: --full tells of all.") if more else None,
        Items(tuple(f"{shorten(device.device)}: {_say_claim(device)}" for device in told)),
    )
    return sections_of(answer if told else None)


def _answer_of_device(device: DeviceStudy, study: StudyAgreement, serial: int) -> Section | None:
    if not device.bias:
        return None
    caption = say_under_first(device).removeprefix("; ")
    return section(
        f"answer-bias-{serial}",
        f"{'Ratio' if study.options.log_ratio else 'Bias'} of '{shorten(device.device)}'",
        tabulate(f"answer-limits-{serial}", caption, _limits_columns(study, with_outside=True), _answering(device)),
        Paragraph(_say_claim(device, _say_odd(device))),
        detail=" (behind the limits: nights outside them, 5 % expected)",
    )


def _say_odd(device: DeviceStudy) -> str:
    """Return of which measures the limits promise too much, "" for none."""
    odd = [shorten(row.name) for row in _answering(device) if row.sizes is not None and row.sizes.is_not_normal]
    return f" Limits suppose normality, these nights are not: {join_words(odd)}." if odd else ""


def _answering(device: DeviceStudy) -> list[BiasRow]:
    return [r for r in device.bias if r.measure in ("TST", "SOL", "WASO") or r.measure.startswith("minutes ")]


def bias_cell(row: BiasRow, which: str = "bias") -> Cell:
    """Return the bias, or the limit that is "lower" or "upper", with its interval in brackets where it has one."""
    cell = difference_of(row, getattr(row.printed, which))
    has_none = math.isnan(getattr(row.printed, f"{which}_low"))
    return cell if has_none else Cell(f"{cell.text} ({_ends(row, which)})", cell.worth)


def _ends(row: BiasRow, which: str) -> str:
    """Return the interval of the bias, or of the limit that is "lower" or "upper"."""
    low, high = (getattr(row.printed, f"{which}_{end}") for end in ("low", "high"))
    return interval(low, high, digits_of(row))


def _say_claim(device: DeviceStudy, odd: str = "") -> str:
    """Return which biases are shown with so many people, how far the others could be off, and what margins say."""
    people = len(device.participants)
    of_whom, so = f"{people} participants", "."
    if people < _FEWEST_TO_CLAIM:
        of_whom = f"{counted(len(device.nights), 'night')} of one participant"
        so = ". Nothing is claimed of other people."
    known = [r for r in _answering(device) if not math.isnan(r.printed.bias_low)]
    rows = [r for r in known if r.printed.bias_high - r.printed.bias_low > _NO_WIDTH]
    alike = [r for r in known if r not in rows]
    none = 1.0 if any(r.of_ratios for r in rows) else 0.0
    enough = people > 1 or len(device.nights) >= _FEWEST_NIGHTS_TO_CLAIM
    shown = [r for r in rows if enough and not r.printed.bias_low <= none <= r.printed.bias_high]
    open_ = [r for r in rows if r not in shown]
    by = f"{'an interval' if len(shown) < 2 else 'intervals'} without {none:g}"
    sure = f"a bias of {join_words(shorten(r.name) for r in shown)} is shown (by {by})" if shown else "no bias is shown"
    text = f"With {of_whom} {sure}"
    if open_:
        widest = max(open_, key=lambda r: r.printed.bias_high - r.printed.bias_low)
        text += f"; that of {shorten(widest.name)} may be anything from {_ends(widest, 'bias')}"
    if alike:
        names = join_words(shorten(r.name) for r in alike)
        text += f"; that of {names} is the same in everybody, so that nothing tells how sure it is"
    return f"{text}{so}{odd} {outcome_of_margins(device.bias)}".rstrip()


def is_open(device: DeviceStudy) -> bool:
    """Whether the interval of some bias of a device holds none at all, so that more people would tell more."""
    none = 1.0 if any(row.of_ratios for row in device.bias) else 0.0
    return any(row.printed.bias_low <= none <= row.printed.bias_high for row in _answering(device))


# --- tables -----------------------------------------------------------------------------------------------


def _limits_table(
    rows: Sequence[BiasRow], study: StudyAgreement, name: str, nights: int, *, under: str, further: bool = False
) -> Table:
    of = f"{' of further measures' if further else ''} over {counted(nights, 'night')}"
    with_limits = any(map(_has_limits, rows))
    if study.options.log_ratio:
        limits = " with limits of agreement" if with_limits else ""
        caption = f"Ratio device / reference{of}{limits}, from log ratios; the sides' means are geometric"
    else:
        limits = ", with limits of agreement" if with_limits else ""
        caption = f"Bias (device − reference; of per cent in percentage points, pp){of}{limits}"
    return tabulate(name, caption + under, _limits_columns(study), rows, **_place(caption + under, further=further))


def _limits_columns(study: StudyAgreement, *, with_outside: bool = False) -> list[Told[BiasRow]]:
    def limits(row: BiasRow) -> str:
        outside = row.sizes.outside if with_outside and row.sizes is not None else None
        said = interval(row.printed.lower, row.printed.upper, digits_of(row))
        return said if outside is None else f"{said} ({outside})"

    return [
        ("measure", name_with_unit),
        ("reference", lambda row: Cell.number(row.printed.reference_mean, 1)),
        ("device", lambda row: Cell.number(row.printed.device_mean, 1)),
        ("ratio" if study.options.log_ratio else "bias", lambda row: difference_of(row, row.printed.bias)),
        (say_level(study.options.level), lambda row: _ends(row, "bias")),
        ("limits of agreement", limits),
    ]


def _sizes_table(rows: Sequence[BiasRow], study: StudyAgreement, name: str, *, further: bool = False) -> Table:
    """Return how many nights lie outside the limits, and what share of them is further off than so many minutes."""
    known = [(row, row.sizes) for row in rows if row.sizes is not None and row.sizes.outside is not None]
    bounds = MINUTES_TOLD if any(row.unit == "min" for row, _ in known) else ()
    heads = ("measure", "nights", *(f"> {bound:g} min" for bound in bounds))
    told = (
        (shorten(row.name), f"{sizes.outside} of {sizes.nights}", *(_share_beyond(row, bound) for bound in bounds))
        for row, sizes in known
    )
    large = f", and share of nights off by more than so many minutes ({say_level(study.options.level)})"
    caption = (
        f"{'Further measures: n' if further else 'N'}ights outside the limits (5 % are expected)"
        f"{large if bounds else ''}"
    )
    return table(name, caption, heads, told, **_place(caption, further=further))


def _share_beyond(row: BiasRow, bound: float) -> str:
    shares = row.sizes.shares_above if row.sizes is not None and row.unit == "min" else ()
    told = (f"{percent(s.share)} ({interval(100 * s.low, 100 * s.high, 0)})" for s in shares if s.bound == bound)
    return next(told, DASH)


def _centiles_table(device: DeviceStudy, study: StudyAgreement, serial: int) -> Table | Paragraph:
    """Return the 5th and 95th centile of the differences, or why there is none."""
    known = [(row, row.sizes.centiles) for row in device.bias if row.sizes is not None and row.sizes.centiles]
    if not known:
        few = f"not enough people (fewer than {FEWEST_FOR_CENTILES})"
        return note(f"Centiles: {few} to give the 5th and 95th centile of the differences.")
    level = say_level(study.options.level)
    heads = ("measure", "5th centile", level, "95th centile", level)
    rows = (
        (name_with_unit(row), *(told for centile in centiles for told in _centile_cells(row, centile)))
        for row, centiles in known
    )
    caption = (
        "Centiles of the differences, which suppose no normal law; an end beyond all nights is left open; 95 % "
        f"intervals are long, and held the truth in {percent_interval(*COVERAGE_OF_CENTILES)} of simulated studies"
    )
    return table(f"centiles-{serial}", caption, heads, rows, **_place(caption))


def _centile_cells(row: BiasRow, centile: Centile) -> tuple[Cell, str]:
    value, low, high = (on_printed_scale(row, x) for x in (centile.value, centile.low, centile.high))
    ends = [DASH if math.isnan(end) else figure(end, digits_of(row)) for end in (low, high)]
    return difference_of(row, value), " to ".join(ends)


def _has_limits(row: BiasRow) -> bool:
    """Whether a measure has limits of agreement: the difference of a single night has none."""
    return not math.isnan(row.limits.lower)


def on_printed_scale(row: BiasRow, value: float) -> float:
    """Return a figure of the limits' scale as it is given: the ratio of a log ratio."""
    return math.exp(value) if row.of_ratios else value


def _ends_table(rows: Sequence[BiasRow], study: StudyAgreement, serial: int) -> Table:
    """Return each limit with its interval."""
    level = say_level(study.options.level)
    told: list[Told[BiasRow]] = [
        ("measure", name_with_unit),
        ("nights", lambda row: row.printed.nights),
        ("lower limit", lambda row: difference_of(row, row.printed.lower)),
        (level, lambda row: _ends(row, "lower")),
        ("upper limit", lambda row: difference_of(row, row.printed.upper)),
        (level, lambda row: _ends(row, "upper")),
    ]
    caption = (
        "How sure each limit of agreement is, if differences are normal; where they are a little skewed, 95 % "
        f"intervals of a limit held the truth in {percent_interval(*COVERAGE_OF_LIMITS_NEAR_NORMAL)} of simulated "
        f"studies, with heavy tails in as few as {percent(LOWEST_COVERAGE_OF_LIMITS)}"
    )
    return tabulate(f"ends-{serial}", caption, told, rows, **_place(caption))


def _level_table(rows: Sequence[BiasRow], study: StudyAgreement, serial: int) -> Table:
    level, ratios = say_level(study.options.level), study.options.log_ratio
    told: list[Told[BiasRow]] = [
        ("measure", name_with_unit),
        (
            "geometric SD of ratios" if ratios else "SD of differences",
            lambda row: Cell.number(row.printed.sd, digits_of(row)),
        ),
        ("slope on level", lambda row: Cell.difference(row.printed.slope, 2)),
        (level, lambda row: interval(row.printed.slope_low, row.printed.slope_high, 2)),
        ("slope of spread", lambda row: Cell.difference(row.printed.spread_slope, 2)),
        (level, lambda row: interval(row.printed.spread_slope_low, row.printed.spread_slope_high, 2)),
        (
            "mean factor of error" if ratios else "mean absolute error",
            lambda row: Cell.number(row.printed.mae, digits_of(row)),
        ),
        ("ICC(A,1)", lambda row: Cell.number(row.reliability.icc.value, 2)),
        (level, lambda row: interval(row.reliability.icc.low, row.reliability.icc.high, 2)),
        ("CCC", lambda row: Cell.number(row.reliability.ccc.value, 2)),
    ]
    caption = "How far differences spread, how they depend on the level, and how well nights are told apart"
    if ratios:
        caption += "; slopes are of the log ratio on the mean logarithm"
    return tabulate(f"shape-{serial}", caption, told, rows, **_place(caption))


def _equations(rows: Sequence[BiasRow]) -> Paragraph | None:
    said = [f"{shorten(row.name)}: {say_lines(row.lines)}" for row in rows if row.lines is not None]
    said += [f"{shorten(row.name)}: {say_sloped(row.sloped)}" for row in rows if row.sloped is not None]
    if not said:
        return None
    return note(plain(f"As lines in the level A, the mean of both sides: {'; '.join(said)}."))


def _place(caption: str, *, further: bool = True) -> dict[str, Any]:
    """Return how a table of measures is shown: folded away, unless it is one of the first."""
    return {"sortable": True, "further": further, "folded": caption if further else ""}


def digits_of(row: BiasRow) -> int:
    """Return how many digits bias and limits are printed with."""
    return 3 if row.of_ratios else 1


def difference_of(row: BiasRow, value: float) -> Cell:
    """Return a bias or a limit as it is printed, with its sign, or as a ratio."""
    return Cell.number(value, 3) if row.of_ratios else Cell.difference(value, 1, unit=points(row.unit))


def name_with_unit(row: BiasRow) -> str:
    """Return a measure with the unit of its values, where the name does not say it."""
    name = shorten(row.name)
    says_it = row.measure.startswith(("minutes ", "percent "))
    return name if says_it else f"{name} {unit_word(row.unit)}".rstrip()


# --- sentences --------------------------------------------------------------------------------------------


def _notes(rows: Sequence[BiasRow], nights: int) -> list[str]:
    """Return what there is to know about single measures; a note that several share stands once."""
    fewer = [f"{shorten(row.name)} {row.limits.nights}" for row in rows if row.limits.nights < nights]
    of_note: dict[str, list[str]] = {}
    for row in rows:
        notes = list(row.limits.notes)
        if row.of_ratios and math.isnan(row.limits.bias):
            notes.append(row.limits.reason("bias"))
        if row.lines is not None:
            notes.append(f"The spread changes with the level, so limits as lines fit better: {say_at(row, row.lines)}.")
        elif row.sloped is not None:
            notes += [_say_slope(row, row.sloped), _NOISE_SLOPES]
        for one in notes:
            of_note.setdefault(one, []).append(shorten(row.name))
    told = [
        plain(f"{'every measure' if len(names) == len(rows) else join_words(names)}: {one}")
        for one, names in of_note.items()
    ]
    return [f"fewer nights have a value on both sides: {', '.join(fewer)}", *told] if fewer else told


def _say_slope(row: BiasRow, line: RegressionLimits) -> str:
    """Return how the difference changes with the level."""
    return (
        f"The difference changes with the level, the mean of both sides: {say_at(row, line)} (slope "
        f"{signed(line.slope, 2)}, {interval(line.slope_low, line.slope_high, 2)})."
    )


# --- sources ----------------------------------------------------------------------------------------------


def sources_section(device: DeviceStudy, study: StudyAgreement, serial: int) -> Section | None:
    """Return what the bias of each class is made of."""
    if not device.bias_sources:
        return None
    name = shorten(device.device)
    drawing = Figure(
        f"bias-sources{file_ending(serial, study)}",
        FigureKind.BIAS_SOURCES,
        {"sources": study, "device": device.device},
        title=f"What the bias of each class is made of, {name}",
        description="; ".join(say_bias_source(s.per_night, device.mappings[0]) for s in device.bias_sources) + ".",
        caption=(
            f"Minutes a night (mean of {units_of(device)}) gained from (filled) and lost to (hollow) each other "
            "class; the last step of each class is its bias. The steps add up exactly."
        ),
    )
    level = say_level(study.options.level)
    minutes = table(
        f"sources-table-{serial}",
        f"Minutes a night, device − reference{say_under_first(device)}",
        ("class", "part", "min a night", level),
        (row for source in device.bias_sources for row in _source_rows(source, device.mappings[0].mapping)),
        words=(0, 1),
    )
    title = f"Where each bias comes from with '{name}'"
    return section(f"sources-of-bias-{serial}", title, beside(drawing, minutes), further=True, folded=True)


def _source_rows(source: StudyBiasSource, mapping: StageMapping) -> Iterator[tuple[str | Cell, ...]]:
    own = source.per_night
    name = say_class(own.name, mapping)
    for way, other, minutes in flows_by_size(own):
        low, high = source.ends(way, other)
        ends = (low, high) if way == "from" else (-high, -low)
        yield name, f"{FLOW_WORDS[way]} {say_class(other, mapping)}", Cell.difference(minutes), interval(*ends, 1)
    low, high = source.ends("bias")
    yield name, "bias", Cell.difference(own.bias_min), interval(low, high, 1)
