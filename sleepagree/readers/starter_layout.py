"""A layout to start from: what was seen in a file, as commented TOML with the unknown labels to fill in."""

from __future__ import annotations

from typing import Final

from sleepagree.errors import shorten
from sleepagree.files.toml import toml_text
from sleepagree.mapping.words import STAGE_WORDS, fold_label, fold_table
from sleepagree.readers.inspection import STAGE_ORDER, FileInspection
from sleepagree.readers.layout import Layout, Overlaps, told_values, toml_value

_EPOCH_KNOWN_FROM: Final = {
    "file": "the file tells it",
    "inferred": "inferred from its times",
    "layout": "as the layout said",
}
#: Keys that have lines of their own, whether a layout says them or not.
_TOLD_APART: Final = ("epoch_seconds", "start", "end", "duration", "stage", "date", "begins", "zone", "overlaps")


def starter_layout(inspection: FileInspection, *, layout: Layout | None = None) -> str:
    """Return a commented layout for files like the one inspected.

    Parameters
    ----------
    inspection : FileInspection
        What was seen.
    layout : Layout, optional
        The layout it was read with; what it says is kept.

    Returns
    -------
    str
        TOML. Unknown labels stand in ``[stages]`` with an empty text to fill in, which a reader refuses until
        then; labels that need no line stand there as comments.
    """
    given = layout or Layout()
    lines = [
        f"# How to read files like {_comment(inspection.file)}.",
        "# A line that begins with # is a comment: take the # away to use it.",
        "",
        "# What the device can report at all. A night without a stage is not a device without it.",
        _line(
            "reports", list(given.reports) if given.reports else _reports_words(inspection), used=bool(given.reports)
        ),
        "",
        *_epoch_lines(inspection, given),
        "",
        "[file]",
        *_file_lines(inspection, given),
        "",
        "[stages]",
        "# label = stage: one of " + ", ".join(STAGE_WORDS) + ";",
        '# or "unscored" for time without a stage, or "not-a-stage" for rows that are no scoring.',
        *_stage_lines(inspection, given),
    ]
    return "\n".join(lines) + "\n"


def _epoch_lines(inspection: FileInspection, given: Layout) -> list[str]:
    found = inspection.epoch_seconds
    how = _EPOCH_KNOWN_FROM.get(inspection.epoch_seconds_from, "not known")
    return [
        f"# Length of an epoch in seconds ({how}).",
        _line("epoch_seconds", given.epoch_seconds or found or 30.0, used=given.epoch_seconds is not None),
    ]


def _file_lines(inspection: FileInspection, given: Layout) -> list[str]:
    columns = dict(inspection.columns)
    lines = []
    if inspection.header:
        lines.append("# Columns of the file: " + ", ".join(_value(_comment(name)) for name, _ in inspection.header))
        lines += [f'{role} = ""    # fill in' for role in ("start", "stage") if getattr(given, role) is None]
        lines += [
            f'# {role} = ""    # {what}'
            for role, what in (("end", "if a column tells when a row ends"), ("duration", "or how long it lasts"))
            if getattr(given, role) is None
        ]
    for role in ("start", "end", "duration", "stage", "date"):
        named = getattr(given, role)
        if named or role in columns:
            lines.append(_line(role, named or columns[role], used=named is not None))
    lines += [f"{key} = {toml_value(value)}" for key, value in told_values(given).items() if key not in _TOLD_APART]
    if inspection.time_forms:
        lines.append("# The times can be read in more than one way: say which by taking one # away.")
        for form, when in inspection.time_forms:
            lines.append(_line("time", form, used=False) + (f"    # {when}" if when else ""))
    if given.begins is not None:
        lines.append(f"begins = {given.begins.isoformat()}")
    elif inspection.start is None and not inspection.time_forms:
        lines.append("# begins = 2026-03-01T22:30:00    # clock time of second 0")
    if given.zone is not None:
        lines.append(_line("zone", given.zone, used=True))
    elif inspection.zone is None:
        lines.append('# zone = "Europe/Helsinki"    # zone of the clock, if the other side tells one')
    refused = given.overlaps is Overlaps.REFUSE
    if not refused or inspection.overlaps:
        value = "later-wins" if refused else given.overlaps.value
        lines.append(_line("overlaps", value, used=not refused) + '    # or "shorter-wins"')
    return lines


def _stage_lines(inspection: FileInspection, given: Layout) -> list[str]:
    lines = [f"{toml_text(label)} = {_value(word)}" for label, word in given.stages.items()]
    seen = {label.label: label for label in inspection.labels}
    for name in inspection.unknown:
        found = seen.get(name)
        size = f"{found.minutes:.1f} min: " if found and found.minutes is not None else ""
        lines.append(f'{toml_text(name)} = ""    # {size}fill in')
    explained = fold_table(given.stages)
    for found in inspection.labels:
        if fold_label(found.label) not in explained and found.label not in inspection.unknown:
            lines.append(f"# {toml_text(found.label)} = {_value(found.stage or '')}    # known without this line")
    return lines


def _reports_words(inspection: FileInspection) -> list[str]:
    # what the unknown labels will be is not known, so the usual four are as good a start as any
    held = set() if inspection.unknown else {seen.stage for seen in inspection.labels}
    words = {"W": "wake", "R": "rem", "N3": "deep"} if "light" in held else {}
    return [words.get(stage, stage) for stage in STAGE_ORDER if stage in held] or ["wake", "light", "deep", "rem"]


def _line(key: str, value: str | float | list[str], *, used: bool) -> str:
    return f"{'' if used else '# '}{key} = {_value(value)}"


def _value(value: str | float | list[str]) -> str:
    if isinstance(value, list):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    return toml_text(value) if isinstance(value, str) else toml_value(value)


def _comment(text: str) -> str:
    return shorten("".join(c if c.isprintable() else "?" for c in text))
