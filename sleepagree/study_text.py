"""A study as lines of text, in the order and words of its report."""

from __future__ import annotations

import math

from sleepagree.clock import combined_offsets
from sleepagree.errors import shorten
from sleepagree.redistribution import speak
from sleepagree.resampling import BootstrapIntervals
from sleepagree.study import DeviceComparison, DeviceStudy, StudyAgreement
from sleepagree.text import DASH, figure, show_duration, signed, speak_measure, table_lines, wrap


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
    lines = [f"REFUSED: {len(study.refused)} of {study.given} nights"]
    for refusal in study.refused:
        who = f"line {refusal.row}, {shorten(refusal.participant)} {shorten(refusal.night)} {shorten(refusal.device)}"
        lines += wrap(f"{who}: {refusal.reason}", hang="    ")
    return lines


def _nights(study: StudyAgreement) -> list[str]:
    lines = ["WHAT WAS COMPARED"]
    for device in study.devices:
        window = sum(n.window_epochs for n in device.nights)
        scored = sum(n.scored for n in device.nights)
        lines.append(
            f"  {shorten(device.device)}: {len(device.participants)} participants, {len(device.nights)} nights, "
            f"{window} epochs ({show_duration(window)})"
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
    ends = "" if math.isnan(estimate.low) else f" ({estimate.low:.{digits}f} to {estimate.high:.{digits}f})"
    return f"{estimate.value:.{digits}f}{ends}"


def _agreement(device: DeviceStudy, study: StudyAgreement) -> list[str]:
    lines = [f"AGREEMENT of {shorten(device.device)} ({100 * study.options.level:g} % intervals over participants)"]
    for studied in device.mappings:
        lines.append(f"  {shorten(studied.mapping.name)}, {int(studied.counts.sum())} epochs")
        for name in ("accuracy", "kappa"):
            found = studied.find(name)
            if found is not None:
                lines.append(
                    f"    {name:<9} pooled {interval(found.pooled)}, mean of participants {interval(found.averaged)}"
                )
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
    level = f"{100 * study.options.level:g} %"
    header = ("", "nights", "reference", "device", "bias", level, "limits of agreement")
    rows = []
    for row in device.bias:
        limits = row.limits
        digits = 1
        ends = DASH if math.isnan(limits.bias_low) else f"{limits.bias_low:.1f} to {limits.bias_high:.1f}"
        agree = DASH if math.isnan(limits.lower) else f"{limits.lower:.1f} to {limits.upper:.1f}"
        named = row.measure.startswith(("minutes", "percent"))
        unit = "" if named or row.unit == "count" else "min" if row.unit == "min" else "%"
        rows.append(
            (
                f"{shorten(speak_measure(row.measure))} {unit}".rstrip(),
                str(limits.nights),
                figure(limits.reference_mean, digits),
                figure(limits.device_mean, digits),
                signed(limits.bias, digits),
                ends,
                agree,
            )
        )
    lines = [f"BIAS of {shorten(device.device)} (device - reference)", *table_lines(header, rows)]
    for row in device.bias:
        if row.equivalence is not None:
            verdict = {True: "within", False: "not shown to be within", None: "undecided against"}[
                row.equivalence.equivalent
            ]
            lines += wrap(
                f"{speak_measure(row.measure)}: bias is {verdict} the margin of ±{row.equivalence.margin_high:g} "
                f"(two one-sided tests, p = {figure(row.equivalence.p_value, 3)})"
            )
    if device.bias:
        lines += wrap(f"method: {device.bias[-1].limits.method}", hang="    ")
    return lines


def _redistribution(device: DeviceStudy) -> list[str]:
    lines: list[str] = []
    for traced in device.redistribution:
        lines.append(
            f"WHERE {speak(traced.stage)} WENT with {shorten(device.device)} ({traced.epochs / 2:.1f} min in all)"
        )
        for d in traced.to:
            estimate = d.share.primary
            ends = "" if math.isnan(estimate.low) else f" ({100 * estimate.low:.0f} to {100 * estimate.high:.0f} %)"
            lines.append(
                f"  {speak(d.name):<9}{100 * estimate.value:>6.1f} %{ends:<18}{interval(d.minutes, 1):>26} min a night"
            )
    return lines


def _sources(device: DeviceStudy) -> list[str]:
    lines = [f"WHERE EACH BIAS of {shorten(device.device)} COMES FROM (minutes a night)"]
    for source in device.bias_sources:
        lines += wrap(source.per_night.sentence(), hang="      ")
    return lines


def _clock(device: DeviceStudy) -> list[str]:
    _, _, sentence = combined_offsets([n.best_offset_s for n in device.nights])
    return [f"CLOCK of {shorten(device.device)}", *wrap(sentence, hang="  ")]


def _comparison(comparison: DeviceComparison) -> list[str]:
    first, second = shorten(comparison.first), shorten(comparison.second)
    lines = [
        f"{second} AGAINST {first}: {comparison.nights} nights of {comparison.participants} participants, "
        f"'{comparison.mapping}'"
    ]
    header = ("", first, second, "difference (interval)")
    rows = []
    for d in comparison.differences:
        digits = 1 if d.statistic == "absolute error" else 3
        name = f"{d.statistic} {speak_measure(d.class_name) if d.class_name else ''}".strip()
        rows.append((name, figure(d.first, digits), figure(d.second, digits), interval(d.difference, digits)))
    return lines + table_lines(header, rows)


def _scorers(study: StudyAgreement) -> list[str]:
    lines: list[str] = []
    for s in study.scorers:
        nights = "night" if s.nights == 1 else "nights"
        lines += wrap(
            f"{shorten(s.device)}, '{s.mapping}', {s.nights} {nights} with several scorers: kappa between scorers "
            f"{figure(s.between_scorers, 3)}, of the device with each scorer {figure(s.with_scorers, 3)} "
            f"({figure(100 * s.share, 0)} % of that), with the consensus {figure(s.with_consensus, 3)}.",
            hang="    ",
        )
    return ["SCORERS", *lines] if lines else []
