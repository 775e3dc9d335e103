"""The agreement of a device over many nights in words, where unreported stages went, and two devices side by side."""

from __future__ import annotations

import math

import numpy as np

from sleepagree.describe.blocks import (
    Block,
    Cell,
    Figure,
    FigureKind,
    Heading,
    Paragraph,
    Section,
    Table,
    Told,
    beside,
    can_differ,
    note,
    section,
    table,
    tabulate,
)
from sleepagree.describe.night import confusion_figure, confusion_table
from sleepagree.describe.paragraphs import say_ceiling, say_over
from sleepagree.describe.study_paragraphs import (
    ends_of,
    file_ending,
    say_compared_classes,
    say_estimate,
    say_intervals,
    units_of,
)
from sleepagree.describe.words import (
    CLASS_WORDS,
    DASH,
    TABLE_WORDS,
    figure,
    file_words,
    join_words,
    minutes,
    nights_of,
    percent,
    percent_interval,
    plain,
    say_class,
    say_destination,
    say_level,
    say_measure,
    speak,
)
from sleepagree.errors import counted, shorten
from sleepagree.inference.resampling import BootstrapIntervals
from sleepagree.study.comparison import ABSOLUTE_ERROR
from sleepagree.study.results import (
    DeviceComparison,
    DeviceStudy,
    PairedDifference,
    PooledStatistic,
    StudyAgreement,
    StudyDestination,
    StudyMapping,
    StudyRedistribution,
)


def _estimate_cell(found: BootstrapIntervals, digits: int = 2) -> Cell:
    """Return a cell with a value and its interval, sorted by the value."""
    return Cell.valued(say_estimate(found, digits), found.primary.value)


# --- agreement --------------------------------------------------------------------------------------------


def agreement_section(device: DeviceStudy, study: StudyAgreement, serial: int) -> Section | None:
    """Return the agreement of a device under each of its mappings."""
    square = device.first_square
    blocks: list[Block | None] = [note(say_intervals(device, study))]
    ending, words = file_ending(serial, study), file_words([m.mapping.name for m in device.mappings])
    for k, studied in enumerate(device.mappings):
        name, mapping = f"{serial}-{k}", studied.mapping
        leads, of = not k and not any(t.epochs for t in device.redistribution), f", {shorten(device.device)}"
        counts = confusion_table(studied.counts, mapping, name=f"counts-{name}", further=True, leads=leads)
        drawing = confusion_figure(studied, name=f"confusion-{words[k]}{ending}", of=of, leads=leads)
        blocks += [
            Heading(f"Under '{shorten(mapping.name)}'"),
            Paragraph(plain(mapping.assumption)),
            beside((drawing, counts), (statistics_table(studied, device, study, name), _ceiling(studied))),
            class_table(studied, study, name, further=k > 0),
            _night_kappas(studied, device, study, f"kappa-of-nights-{words[k]}{ending}") if studied is square else None,
        ]
    return section(f"agreement-{serial}", f"Agreement of '{shorten(device.device)}'", *blocks)


def statistics_table(studied: StudyMapping, device: DeviceStudy, study: StudyAgreement, name: str) -> Table:
    """Return the statistics of the whole table of counts, pooled and averaged."""
    units = units_of(device)
    told: list[Told[PooledStatistic]] = [
        ("", lambda found: TABLE_WORDS[found.name]),
        ("pooled", lambda found: _estimate_cell(found.pooled, 3)),
        (f"mean of {units}", lambda found: _estimate_cell(found.averaged, 3)),
        (f"SD between {units}", lambda found: Cell.number(found.averaged_sd, 3)),
    ]
    known = (found for key in TABLE_WORDS if (found := studied.find(key)) and found.pooled.primary.defined)
    over = say_over(int(studied.counts.sum()), studied.left_out)
    caption = f"Agreement over {over}, with {say_level(study.options.level)}"
    return tabulate(f"statistics-{name}", caption, told, known)


def _ceiling(studied: StudyMapping) -> Paragraph:
    """Return what the labels allow on all nights, and what the device reaches of it."""
    accuracy = studied.find("accuracy")
    return Paragraph("" if accuracy is None else say_ceiling(studied, accuracy.pooled.primary.value, "these nights"))


def class_table(studied: StudyMapping, study: StudyAgreement, name: str, *, further: bool = False) -> Table:
    """Return the statistics of each class against the rest."""
    rows = []
    for class_name in studied.mapping.device_classes:
        found = [studied.find(key, class_name) for key in CLASS_WORDS]
        shown = [DASH if f is None else _estimate_cell(f.pooled) for f in found]
        rows.append([say_class(class_name, studied.mapping), *shown])
    caption = f"Each class against the rest, pooled, with {say_level(study.options.level)}"
    heads = ("class", *CLASS_WORDS.values())
    return table(f"classes-{name}", caption, heads, rows, folded=caption if further else "", further=further)


def _night_kappas(studied: StudyMapping, device: DeviceStudy, study: StudyAgreement, name: str) -> Figure | None:
    kappa = studied.night_kappa
    known = ~np.isnan(kappa)
    if not known.any():
        return None
    pooled = studied.find("kappa")
    quarter, middle, upper = np.quantile(kappa[known], [0.25, 0.5, 0.75])
    said = (
        f"Kappa of {int(known.sum())} nights from {figure(kappa[known].min(), 2)} to {figure(kappa[known].max(), 2)}, "
        f"median {figure(middle, 2)}, middle half from {figure(quarter, 2)} to {figure(upper, 2)}"
    )
    if pooled is not None and pooled.pooled.primary.defined:
        said += f"; pooled {say_estimate(pooled.pooled)}"
    return Figure(
        name,
        FigureKind.NIGHT_KAPPAS,
        {"study": study, "device": device.device},
        title=f"Kappa of every night of {shorten(device.device)} under {shorten(studied.mapping.name)}",
        description=f"{said}.",
        caption=(
            f"{said}. Whiskers take the epochs of a night as independent and are too narrow; the band is the interval "
            f"of the pooled kappa over {units_of(device)}."
        ),
    )


# --- redistribution ---------------------------------------------------------------------------------------


def redistribution_section(device: DeviceStudy, study: StudyAgreement, serial: int) -> Section | None:
    """Return where the stages went that a device has no label for, None where it has one for each."""
    name = shorten(device.device)
    traced = [t for t in device.redistribution if t.epochs]
    blocks: list[Block] = [
        Paragraph(f"The reference scored no {speak(t.stage)} that {name} staged, too.")
        for t in device.redistribution
        if not t.epochs
    ]
    if traced:
        said = "; ".join(
            f"{speak(t.stage)}: "
            + ", ".join(
                f"{percent(d.share.value)} as {say_destination(d.name)} ({d.minutes.value:.1f} min a night)"
                for d in t.to
            )
            for t in traced
        )
        drawing = Figure(
            f"where-{'-'.join(file_words([speak(t.stage) for t in traced]))}-went{file_ending(serial, study)}",
            FigureKind.REDISTRIBUTION,
            {"traced": study, "device": device.device},
            title=f"Where the epochs went that {name} has no label for",
            description=f"{said}.",
            caption=f"Shares of the pooled epochs with {say_level(study.options.level)} over {units_of(device)}.",
            leads=True,
        )
        blocks.append(beside(drawing, [shares_table(t, study, serial) for t in traced]))
    stages = join_words([speak(t.stage) for t in device.redistribution])
    return section(f"redistribution-{serial}", f"Where {stages} went with '{name}'", *blocks)


def shares_table(traced: StudyRedistribution, study: StudyAgreement, serial: int) -> Table:
    """Return where the epochs of a stage went that a device has no label for."""
    level = say_level(study.options.level)
    told: list[Told[StudyDestination]] = [
        ("taken as", lambda d: say_class(d.name)),
        ("share", lambda d: Cell.share(d.share.primary.value, 1)),
        (level, lambda d: percent_interval(d.share.primary.low, d.share.primary.high, 1)),
        ("min a night", lambda d: Cell.number(d.minutes.primary.value, 1)),
        (level, lambda d: ends_of(d.minutes, 1)),
        ("part of class", lambda d: Cell.share(d.share_of_class, 1)),
    ]
    caption = f"{minutes(traced.epochs)} of {speak(traced.stage)} in all"
    return tabulate(f"went-{serial}-{traced.stage}", caption, told, traced.to, leads=True)


# --- two devices ------------------------------------------------------------------------------------------


def comparison_table(comparison: DeviceComparison, study: StudyAgreement, name: str) -> Table:
    """Return two devices side by side on the epochs that both scored, and with silence counted as disagreement."""
    first, second = shorten(comparison.first), shorten(comparison.second)
    found = [d for d in comparison.differences if d.statistic != ABSOLUTE_ERROR]
    caption = (
        f"{first} and {second} in {say_compared_classes(comparison, study)}: "
        f"{nights_of(comparison.nights, comparison.participants)}; difference = {second} − {first}. "
        f"{_say_same_epochs(comparison)}. "
        f"{_say_silence(comparison)}; the last row counts that as disagreement, of the "
        f"{counted(comparison.asked, 'epoch')} that the reference gave a class"
    )
    _, *silence = _difference_row(comparison.with_silence)
    rows = (*map(_difference_row, found), ("agreement with silence as disagreement", *silence))
    return table(name, caption, _heads(comparison), rows)


def comparison_section(comparison: DeviceComparison, serial: int) -> Section | None:
    """Return two devices side by side on the epochs that both scored."""
    first, second = shorten(comparison.first), shorten(comparison.second)
    of_epochs = [d for d in comparison.differences if d.statistic != ABSOLUTE_ERROR]
    errors = [d for d in comparison.differences if d.statistic == ABSOLUTE_ERROR and can_differ(d.of)]
    over = (
        f"{nights_of(comparison.nights, comparison.participants)} under "
        f"'{shorten(comparison.mapping)}'; difference = {second} − {first}"
    )
    heads = _heads(comparison)
    error_caption = "Absolute errors of the sleep measures on the same epochs, in each measure's unit"
    error_rows = map(_difference_row, errors)
    silence = comparison.with_silence
    return section(
        f"comparison-{serial}",
        f"Comparison: '{second}' against '{first}'",
        Paragraph(f"{_say_same_epochs(comparison)}; {_say_silence(comparison)}."),
        table(f"against-{serial}", over, heads, map(_difference_row, of_epochs)),
        Paragraph(
            f"Silence counted as disagreement: agreement of {first} {figure(silence.first, 3)}, of {second} "
            f"{figure(silence.second, 3)}, difference {say_estimate(silence.difference, 3)}; shares of the "
            f"{counted(comparison.asked, 'epoch')} that the reference gave a class."
        ),
        Paragraph(_say_own(comparison)),
        table(f"errors-{serial}", error_caption, heads, error_rows, folded=error_caption, further=True),
        _own_table(comparison, serial),
    )


def _heads(comparison: DeviceComparison) -> tuple[str, ...]:
    return "", shorten(comparison.first), shorten(comparison.second), "difference", "interval"


def _difference_row(found: PairedDifference) -> tuple[str | Cell, ...]:
    digits = _digits(found)
    return (
        _name_difference(found),
        Cell.number(found.first, digits),
        Cell.number(found.second, digits),
        Cell.number(found.difference.primary.value, digits),
        ends_of(found.difference, digits),
    )


def _own_table(comparison: DeviceComparison, serial: int) -> Table:
    heads = [
        f"{shorten(name)}, own {epochs}"
        for name, epochs in zip((comparison.first, comparison.second), comparison.own_epochs, strict=True)
    ]
    rows = (
        (_name_difference(d), *(Cell.number(own, _digits(d)) for own in (d.own_first, d.own_second)))
        for d in comparison.differences
        if not (math.isnan(d.own_first) and math.isnan(d.own_second))
    )
    caption = "Each device on all epochs that it scored itself, as many as stand in the heads"
    return table(f"own-{serial}", caption, ("", *heads), rows, folded=caption, further=True)


def _digits(found: PairedDifference) -> int:
    return 1 if found.statistic == ABSOLUTE_ERROR else 3


def _name_difference(found: PairedDifference) -> str:
    """Return what is compared: the statistic, and the class or the measure it speaks of."""
    if found.statistic == ABSOLUTE_ERROR:
        return f"{found.statistic} {shorten(say_measure(found.of))}"
    return f"{found.statistic} {say_class(found.of)}".strip()


def _say_same_epochs(comparison: DeviceComparison) -> str:
    """Say that two devices were taken on the same epochs, and on how many."""
    said = (
        f"Both on the same {counted(comparison.epochs, 'epoch')}: those of the {comparison.window_epochs} in the "
        "windows that the reference and both devices scored"
    )
    less = comparison.epochs - comparison.counted
    return f"{said} ({less} of them left out by the mapping)" if less else said


def _say_silence(comparison: DeviceComparison) -> str:
    """Say how often each of two devices was silent."""
    shares = [percent(share, 1) for share in comparison.silent_shares]
    return (
        f"{shorten(comparison.first)} gave no stage to {shares[0]} of the windows' epochs, "
        f"{shorten(comparison.second)} to {shares[1]}"
    )


def _say_own(comparison: DeviceComparison) -> str:
    """Say what each of two devices comes to on all epochs that it scored itself."""
    said = []
    for side, device in enumerate((comparison.first, comparison.second)):
        values = [
            f"{d.statistic} {figure((d.own_first, d.own_second)[side], 3)}"
            for d in comparison.differences
            if d.statistic in ("accuracy", "kappa") and not d.of
        ]
        said.append(f"{shorten(device)} {', '.join(values)} ({counted(comparison.own_epochs[side], 'epoch')})")
    return (
        f"Each on its own epochs, not to be compared: {'; '.join(said)}. A device that is silent where it would be "
        "wrong looks better there."
    )
