"""A study as lines of text, in the order and words of its report."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from sleepagree.describe.bias import say_bias_source
from sleepagree.describe.words import DASH, duration, figure, say_measure, signed, speak
from sleepagree.errors import counted, shorten
from sleepagree.inference.regression_limits import SD_PER_MEAN_ABSOLUTE, RegressionLimits
from sleepagree.inference.resampling import BootstrapIntervals
from sleepagree.render.columns import WIDTH, columns_of, cut, table_lines, wrap
from sleepagree.scoring.clock import combined_offsets
from sleepagree.study.night_summary import Refusal
from sleepagree.study.summarise import BiasRow, DeviceComparison, DeviceStudy, PairedDifference, StudyAgreement

#: As many nights with one reason, or more, are told together; of those, so many are named.
_FEWEST_TO_GROUP: Final = 3
_SHOWN_OF_A_GROUP: Final = 3


def study_lines(study: StudyAgreement) -> list[str]:
    """Return a study at a glance."""
    blocks = [_refused(study), _nights(study)]
    for device in study.devices:
        blocks += [
            _agreement(device, study),
            _bias(device, study),
            _redistribution(device),
            _sources(device),
            _clock(device),
        ]
    blocks += [_comparison(c) for c in study.comparisons]
    blocks.append(_scorers(study))
    lines: list[str] = []
    for block in blocks:
        if block:
            lines += [*block, ""]
    return lines[:-1]


def bias_lines(study: StudyAgreement) -> list[str]:
    """Return the bias tables alone, below the nights that were refused."""
    lines = [*_refused(study), ""] if study.refused else []
    for device in study.devices:
        lines += [*_bias(device, study), ""]
    return lines[:-1]


def _refused(study: StudyAgreement) -> list[str]:
    if not study.refused:
        return []
    return [f"REFUSED: {len(study.refused)} of {counted(study.given, 'night')}", *refusal_lines(study.refused)]


def refusal_lines(refused: Sequence[Refusal]) -> list[str]:
    """Return refused nights with their reasons; a reason that several share stands once, with the first of them."""
    groups: dict[str, list[Refusal]] = {}
    for refusal in refused:
        groups.setdefault(_shared_part(refusal.reason), []).append(refusal)
    lines: list[str] = []
    for shared, members in groups.items():
        if len(members) < _FEWEST_TO_GROUP:
            for refusal in members:
                lines += wrap(f"{_whose(refusal)}: {refusal.reason}", hang="    ")
            continue
        lines += wrap(f"{len(members)} nights: {shared}", hang="    ")
        for refusal in members[:_SHOWN_OF_A_GROUP]:
            file = refusal.reason.removesuffix(shared).removesuffix(": ")
            lines += wrap(": ".join(part for part in (_whose(refusal), file) if part), indent="    ", hang="      ")
        if len(members) > _SHOWN_OF_A_GROUP:
            lines.append(f"    and {len(members) - _SHOWN_OF_A_GROUP} more")
    return lines


def _shared_part(reason: str) -> str:
    """Return a reason without the file at its head, which differs from night to night."""
    head, colon, rest = reason.partition(": ")
    return rest if colon and "." in head and "\n" not in head else reason


def _whose(refusal: Refusal) -> str:
    who = f"{shorten(refusal.participant)} {shorten(refusal.night)} {shorten(refusal.device)}"
    return f"line {refusal.row}, {who}"


def _nights(study: StudyAgreement) -> list[str]:
    lines = ["WHAT WAS COMPARED"]
    for device in study.devices:
        window = sum(n.window_epochs for n in device.nights)
        scored = sum(n.scored for n in device.nights)
        people, nights = len(device.participants), len(device.nights)
        lines += wrap(
            f"{shorten(device.device)}: {counted(people, 'participant')}, {counted(nights, 'night')}, "
            f"{counted(window, 'epoch')} ({duration(window)})",
            hang="      ",
        )
        lines.append(f"    scored on both sides {scored} ({100 * scored / window:.1f} %)")
        totals: dict[str, int] = {}
        for night in device.nights:
            for word, count in night.excluded:
                totals[word] = totals.get(word, 0) + count
        rest = ", ".join(f"{word.replace('_', ' ')} {count}" for word, count in totals.items() if count)
        lines.append(f"    not scored: {rest or 'none'}")
    return lines


def interval(found: BootstrapIntervals, digits: int = 3) -> str:
    """Return a value with its interval."""
    estimate = found.primary
    if not estimate.defined:
        return DASH
    ends = "" if math.isnan(estimate.low) else f" ({_from_to(estimate.low, estimate.high, digits)})"
    return f"{estimate.value:.{digits}f}{ends}"


def _agreement(device: DeviceStudy, study: StudyAgreement) -> list[str]:
    units = "participants" if len(device.participants) > 1 else "nights"
    lines = wrap(
        f"AGREEMENT of {shorten(device.device)} ({100 * study.options.level:g} % intervals over {units})", indent=""
    )
    for studied in device.mappings:
        lines.append(f"  {shorten(studied.mapping.name)}, {counted(int(studied.counts.sum()), 'epoch')}")
        found = [(name, studied.find(name)) for name in ("accuracy", "kappa")]
        rows = [(name, interval(f.pooled), interval(f.averaged)) for name, f in found if f is not None]
        header = ("", "pooled", f"mean of {units}")
        lines += [f"  {line}" for line in table_lines(header, rows, left=3)]
        if not studied.mapping.is_square:
            lines.append(
                f"    ceiling   accuracy {figure(studied.ceiling.accuracy, 3)}, kappa "
                f"{figure(studied.ceiling.kappa, 3)} for any device with these labels"
            )
        classes = []
        for name in studied.mapping.device_classes:
            sensitivity = studied.find("sensitivity", name)
            if sensitivity is not None:
                classes.append(f"{speak(name)} {interval(sensitivity.pooled, 2)}")
        lines += wrap(f"sensitivity {'; '.join(classes)}", indent="    ", hang="              ")
    return lines


def _bias(device: DeviceStudy, study: StudyAgreement) -> list[str]:
    ratios = study.options.log_ratio
    nights = max((row.limits.nights for row in device.bias), default=0)
    what = "device / reference of geometric means" if ratios else "device - reference"
    title = f"BIAS of {shorten(device.device)} over {counted(nights, 'night')} ({what}), with limits of agreement"
    lines = wrap(title, indent="")
    lines += _bias_table(device, study)
    fewer = [f"{r.name} {r.limits.nights}" for r in device.bias if r.limits.nights < nights]
    if fewer:
        lines += wrap(f"fewer nights have a value on both sides: {', '.join(fewer)}", hang="    ")
    for row in device.bias:
        if ratios and math.isnan(row.limits.bias):
            lines += wrap(f"{row.name}: {row.limits.reason('bias')}", hang="    ")
    for row in device.bias:
        if row.lines is not None:
            lines += wrap(
                f"{row.name}: the spread changes with the level A (mean of both sides): {line_equations(row.lines)}",
                hang="    ",
            )
    for row in device.bias:
        if row.equivalence is not None:
            verdict = {True: "within", False: "not shown to be within", None: "undecided against"}[
                row.equivalence.equivalent
            ]
            margin = f"±{row.equivalence.margin_high:g} {unit_word(row.unit)}".rstrip()
            lines += wrap(
                f"{row.name}: the mean difference is {verdict} the margin of {margin} "
                f"(two one-sided tests, p = {figure(row.equivalence.p_value, 3)})"
            )
    if device.bias:
        lines += wrap(f"method: {device.bias[-1].limits.method}", hang="    ")
    return lines


def unit_word(unit: str) -> str:
    """Return a measure's unit as it stands beside a number."""
    return {"min": "min", "count": ""}.get(unit, "%")


def name_with_unit(row: BiasRow) -> str:
    """Return a measure with the unit of its values, where the name does not say it."""
    name = shorten(row.name)
    says_it = row.measure.startswith(("minutes ", "percent "))
    return name if says_it else f"{name} {unit_word(row.unit)}".rstrip()


def line_equations(lines: RegressionLimits) -> str:
    """Return limits that are straight lines in the level A as equations."""
    spread = f"{lines.spread_intercept:.1f} {_plus(lines.spread_slope)} A"
    reach = lines.multiplier * SD_PER_MEAN_ABSOLUTE
    return f"bias = {lines.intercept:.1f} {_plus(lines.slope)} A, limits = bias ± {reach:.3f} ({spread})"


def _plus(slope: float) -> str:
    return f"{'-' if slope < 0 else '+'} {abs(slope):.3f}"


def _bias_table(device: DeviceStudy, study: StudyAgreement) -> list[str]:
    level = f"{100 * study.options.level:g} %"
    header = ("", "reference", "device", "ratio" if study.options.log_ratio else "bias", level, "limits")
    rows = []
    for row in device.bias:
        limits = row.printed
        digits = 3 if row.of_ratios else 1
        rows.append(
            (
                cut(name_with_unit(row), 24),
                figure(limits.reference_mean, 1),
                figure(limits.device_mean, 1),
                figure(limits.bias, digits) if row.of_ratios else signed(limits.bias, digits),
                _from_to(limits.bias_low, limits.bias_high, digits),
                _from_to(limits.lower, limits.upper, digits),
            )
        )
    return _fitting_table(header, rows)


def _from_to(low: float, high: float, digits: int) -> str:
    return DASH if math.isnan(low) else f"{figure(low, digits)} to {figure(high, digits)}"


def _fitting_table(header: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    """Return a table within the width of a terminal: its last columns below the others where need be."""
    lines = table_lines(header, rows)
    if max(map(columns_of, lines)) <= WIDTH:
        return lines
    half = (len(header) + 2) // 2
    parts = [(0, *range(1, half)), (0, *range(half, len(header)))]
    return [
        line
        for part in parts
        for line in table_lines([header[i] for i in part], [[row[i] for i in part] for row in rows])
    ]


def _redistribution(device: DeviceStudy) -> list[str]:
    lines: list[str] = []
    for traced in device.redistribution:
        lines.append(
            f"WHERE {speak(traced.stage)} WENT with {cut(device.device, 40)} ({traced.epochs / 2:.1f} min in all)"
        )
        for d in traced.to:
            estimate = d.share.primary
            ends = "" if math.isnan(estimate.low) else f" ({100 * estimate.low:.0f} to {100 * estimate.high:.0f} %)"
            lines.append(
                f"  {speak(d.name):<9}{100 * estimate.value:>6.1f} %{ends:<18}{interval(d.minutes, 1):>26} min a night"
            )
    return lines


def _sources(device: DeviceStudy) -> list[str]:
    lines = wrap(f"WHERE EACH BIAS of {shorten(device.device)} COMES FROM (minutes a night)", indent="")
    for source in device.bias_sources:
        lines += wrap(say_bias_source(source.per_night), hang="      ")
    return lines


def _clock(device: DeviceStudy) -> list[str]:
    _, _, sentence = combined_offsets([n.best_offset_s for n in device.nights])
    return [f"CLOCK of {cut(device.device, 70)}", *wrap(sentence, hang="  ")]


def _comparison(comparison: DeviceComparison) -> list[str]:
    first, second = shorten(comparison.first), shorten(comparison.second)
    people = counted(comparison.participants, "participant")
    nights = counted(comparison.nights, "night")
    lines = wrap(f"{second} AGAINST {first}: {nights} of {people}, '{comparison.mapping}'", indent="")
    lines += wrap(f"{same_epochs(comparison)}; {silent_words(comparison)}.", hang="    ")
    header = ("", cut(first, 14), cut(second, 14), "difference (interval)")
    rows = []
    for d in comparison.differences:
        digits = comparison_digits(d)
        rows.append((name_difference(d), figure(d.first, digits), figure(d.second, digits), _difference(d, digits)))
    lines += table_lines(header, rows)
    found = comparison.with_silence
    lines += wrap(
        f"Silence counted as disagreement: agreement of {first} {figure(found.first, 3)}, of {second} "
        f"{figure(found.second, 3)}, difference {_difference(found, 3)}.",
        hang="    ",
    )
    lines += wrap(own_words(comparison), hang="    ")
    return lines


def _difference(found: PairedDifference, digits: int) -> str:
    return interval(found.difference, digits)


def comparison_digits(difference: PairedDifference) -> int:
    """Return the digits behind the point with which a compared figure is shown."""
    return 1 if difference.statistic == "absolute error" else 3


def name_difference(difference: PairedDifference) -> str:
    """Return what is compared: the statistic, and the class or the measure it speaks of."""
    of = difference.class_name
    return f"{difference.statistic} {say_measure(of) if of else ''}".strip()


def same_epochs(comparison: DeviceComparison) -> str:
    """Say that two devices were taken on the same epochs, and on how many."""
    said = (
        f"Both on the same {counted(comparison.epochs, 'epoch')}: those of the {comparison.window_epochs} in the "
        "windows that the reference and both devices scored"
    )
    less = comparison.epochs - comparison.counted
    return f"{said} ({less} of them left out by the mapping)" if less else said


def silent_words(comparison: DeviceComparison) -> str:
    """Say how often each of two devices was silent."""
    shares = [f"{100 * share:.1f} %" for share in comparison.silent_shares]
    return (
        f"{shorten(comparison.first)} gave no stage to {shares[0]} of the windows' epochs, "
        f"{shorten(comparison.second)} to {shares[1]}"
    )


def own_words(comparison: DeviceComparison) -> str:
    """Say what each of two devices comes to on all epochs that it scored itself."""
    said = []
    for side, device in enumerate((comparison.first, comparison.second)):
        values = [
            f"{d.statistic} {figure((d.own_first, d.own_second)[side], 3)}"
            for d in comparison.differences
            if d.statistic in ("accuracy", "kappa") and not d.class_name
        ]
        said.append(f"{shorten(device)} {', '.join(values)} ({counted(comparison.own_epochs[side], 'epoch')})")
    return f"Each on its own epochs, not to be compared: {'; '.join(said)}."


def _scorers(study: StudyAgreement) -> list[str]:
    lines: list[str] = []
    for s in study.scorers:
        nights = "night" if s.of_nights == 1 else "nights"
        lines += wrap(
            f"{shorten(s.device)}, '{s.mapping}', {s.nights_told} {nights} with several scorers: kappa between scorers "
            f"{figure(s.between_scorers, 3)}, of the device with each scorer {figure(s.with_scorers, 3)} "
            f"({_share(s.share_intervals)}), with the consensus {figure(s.with_consensus, 3)}.",
            hang="    ",
        )
    return ["SCORERS", *lines] if lines else []


def _share(found: BootstrapIntervals) -> str:
    """Return a share of what scorers reach, with its interval or why it has none."""
    share = found.primary
    if not share.defined:
        return "no share of that"
    if math.isnan(share.low):
        return f"{100 * share.value:.0f} % of that, without an interval: {'; '.join(found.notes)}"
    return (
        f"{100 * share.value:.0f} % of that, {100 * share.level:g} % interval {100 * share.low:.0f} to "
        f"{100 * share.high:.0f} %"
    )
