"""What a notebook shows of a result: a few small tables as HTML, every text from inputs escaped."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from sleepagree.errors import counted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from sleepagree.night import NightAgreement
    from sleepagree.study import StudyAgreement


def table_html(caption: str, header: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Return a table with caption and header cells."""
    head = "".join(f'<th scope="col">{escape(cell)}</th>' for cell in header)
    body = "".join(
        "<tr>" + f'<th scope="row">{escape(row[0])}</th>' + "".join(f"<td>{escape(c)}</td>" for c in row[1:]) + "</tr>"
        for row in rows
    )
    return f"<table><caption>{escape(caption)}</caption><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


def night_html(night: NightAgreement) -> str:
    """Return the ledger, the matrix and the measures of one night."""
    from sleepagree.text import figure, signed, speak_measure

    first, ledger = night.mappings[0], night.paired.ledger
    kappa = first.table.kappa
    said = f"kappa {figure(kappa.value, 3)}" if kappa.defined else f"no kappa: {kappa.undefined_because}"
    counts = [
        (name, *(str(int(n)) for n in row))
        for name, row in zip(first.mapping.reference_classes, first.counts, strict=True)
    ]
    measures = [
        (speak_measure(p.measure), p.unit, figure(p.reference, 1), figure(p.device, 1), signed(p.difference))
        for p in night.measures
    ]
    account = [("scored", str(ledger.scored)), *((w.replace("_", " "), str(n)) for w, n in ledger.excluded if n)]
    title = f"{first.mapping.name}: accuracy {figure(first.table.accuracy, 3)}, {said}"
    return "".join(
        (
            table_html(f"{counted(ledger.window_epochs, 'epoch')} of the window", ("", "epochs"), account),
            table_html(title, ("reference \\ device", *first.mapping.device_classes), counts),
            table_html("Sleep measures", ("", "unit", "reference", "device", "difference"), measures),
        )
    )


def study_html(study: StudyAgreement) -> str:
    """Return the bias table of every device."""
    from sleepagree.text import figure, signed, speak_measure

    ratios = study.options.log_ratio
    digits = 3 if ratios else 1
    parts = []
    for device in study.devices:
        rows = [
            (
                speak_measure(row.measure),
                row.difference_unit,
                str(row.limits.nights),
                figure(row.printed.bias, 3) if ratios else signed(row.printed.bias),
                f"{figure(row.printed.bias_low, digits)} to {figure(row.printed.bias_high, digits)}",
                f"{figure(row.printed.lower, digits)} to {figure(row.printed.upper, digits)}",
            )
            for row in device.bias
        ]
        difference = "ratio" if ratios else "bias"
        header = ("", "unit", "nights", difference, f"{100 * study.options.level:g} %", "limits of agreement")
        people = counted(len(device.participants), "participant")
        title = f"{device.device}: device {'/' if ratios else '-'} reference, {people}"
        parts.append(table_html(title, header, rows))
    return "".join(parts)
