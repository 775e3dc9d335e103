"""An inspection as lines of text."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import Final

from sleepagree.describe.notes import say_notes
from sleepagree.describe.words import DASH, moment
from sleepagree.errors import shorten
from sleepagree.mapping.words import UNSCORED
from sleepagree.readers.inspection import FileInspection, Gap
from sleepagree.render.columns import WIDTH, wrap
from sleepagree.text import table_lines

_GAPS: Final = 6
_LABEL_WIDTH: Final = 34


def inspection_lines(inspection: FileInspection) -> list[str]:
    """Return what a reader sees in a file, in blocks of at most 80 columns."""
    blocks = [
        _what(inspection),
        _header(inspection),
        _labels(inspection),
        _gaps(inspection),
        _overlaps(inspection),
        _other_texts(inspection),
        _sentences("NOTES", say_notes(inspection.notes)),
        _sentences("IN MNE", inspection.read_by_mne),
        _problems(inspection),
        _sentences("WHAT night WOULD DO", inspection.would_do),
    ]
    lines: list[str] = []
    for block in blocks:
        if block:
            lines += [*block, ""]
    return lines[:-1]


def _what(inspection: FileInspection) -> list[str]:
    lines = [f"FILE  {shorten(inspection.file)}", f"  {'reader':<14}{inspection.reader}"]
    if inspection.columns:
        columns = ", ".join(f"{role} from '{shorten(name)}'" for role, name in inspection.columns)
        lines += wrap(columns, indent=f"  {'columns':<14}", hang=" " * 16)
    if inspection.start is not None:
        lines.append(f"  {'begins':<14}{moment(inspection.start)}")
    if inspection.end is not None:
        lines.append(f"  {'ends':<14}{moment(inspection.end)}")
    if inspection.spans:
        span = "span" if inspection.spans == 1 else "spans"
        lines.append(f"  {'lasts':<14}{_duration(inspection.duration_s)} in {inspection.spans} {span}")
        lines.append(f"  {'zone':<14}{_zone(inspection)}")
        lines.append(f"  {'epoch':<14}{_epoch(inspection)}")
        lines.append(f"  {'lights':<14}{_lights(inspection)}")
    return lines


def _duration(seconds: float) -> str:
    hours, rest = divmod(round(seconds), 3600)
    minutes, left = divmod(rest, 60)
    return f"{hours} h {minutes:02d} min" + (f" {left:02d} s" if left else "")


def _zone(inspection: FileInspection) -> str:
    if inspection.start is None:
        return "none; elapsed seconds without a clock"
    return inspection.zone or "none; a clock reading"


def _epoch(inspection: FileInspection) -> str:
    if inspection.epoch_seconds is None:
        return "no fixed length"
    how = {"file": "told by the file", "layout": "told by the layout", "inferred": "inferred from the times"}
    return f"{inspection.epoch_seconds:g} s, {how.get(inspection.epoch_seconds_from, 'of unknown origin')}"


def _lights(inspection: FileInspection) -> str:
    marks = [
        f"{which} {_show(value)}"
        for which, value in (("off", inspection.lights_off), ("on", inspection.lights_on))
        if value is not None
    ]
    return ", ".join(marks) or "no marks"


def _show(value: datetime | float) -> str:
    return moment(value) if isinstance(value, datetime) else f"at {value:.10g} s"


def _labels(inspection: FileInspection) -> list[str]:
    if not inspection.labels:
        return []
    words = {None: "?  (unknown)", UNSCORED: "no stage"}
    rows = [
        (
            _cut(seen.label, _LABEL_WIDTH),
            words.get(seen.stage, shorten(seen.stage or "")),
            DASH if seen.epochs is None else str(seen.epochs),
            DASH if seen.minutes is None else f"{seen.minutes:.1f}",
        )
        for seen in inspection.labels
    ]
    return ["LABELS", *table_lines(("label", "stage", "30-s epochs", "minutes"), rows, left=2)]


def _header(inspection: FileInspection) -> list[str]:
    if not inspection.header:
        return []
    return ["COLUMNS", *table_lines(("name", "holds"), [(_cut(n, 32), kind) for n, kind in inspection.header], left=2)]


def _cut(text: str, width: int) -> str:
    shown = shorten(text)
    return shown if len(shown) <= width else shown[: width - 1] + "…"


def _gaps(inspection: FileInspection) -> list[str]:
    gaps = inspection.gaps
    if not gaps:
        return []
    total = sum(gap.minutes for gap in gaps)
    longest = sorted(sorted(gaps, key=lambda gap: -gap.minutes)[:_GAPS], key=lambda gap: gap.begin_s)
    many = f"{len(gaps)} gaps" if len(gaps) > 1 else "1 gap"
    which = "; the longest" if len(gaps) > _GAPS else ""
    return [f"GAPS  {many}, {total:.1f} min without a label{which}", *map(_gap_line, longest)]


def _gap_line(gap: Gap) -> str:
    if gap.begin is None or gap.end is None:
        return f"  {gap.begin_s:.10g} s to {gap.end_s:.10g} s  ({gap.minutes:.1f} min)"
    same_day = gap.begin.date() == gap.end.date()
    end = f"{gap.end:%H:%M:%S}" if same_day else moment(gap.end)
    return f"  {gap.begin:%Y-%m-%d %H:%M:%S} to {end}  ({gap.minutes:.1f} min)"


def _overlaps(inspection: FileInspection) -> list[str]:
    return _sentences("OVERLAPS", say_notes(inspection.overlaps))


def _other_texts(inspection: FileInspection) -> list[str]:
    """Return how many texts are no stages; what they say is not shown, for it may be about a person."""
    if not inspection.ignored:
        return []
    times = sum(count for _, count in inspection.ignored)
    texts = "1 text" if len(inspection.ignored) == 1 else f"{len(inspection.ignored)} texts"
    return [
        f"OTHER  {texts}, {times} time{'' if times == 1 else 's'}: no stages, and not shown, as they may name people"
    ]


def _sentences(title: str, sentences: tuple[str, ...]) -> list[str]:
    if not sentences:
        return []
    return [title, *(line for sentence in sentences for line in _paragraph(sentence))]


def _problems(inspection: FileInspection) -> list[str]:
    return _sentences("WHAT STANDS IN THE WAY", inspection.problems)


def _paragraph(text: str) -> Iterator[str]:
    """Yield a paragraph; lines of a layout inside it stay as they are."""
    for number, line in enumerate(text.split("\n")):
        if line.startswith("    "):
            yield _cut(line, WIDTH)
        else:
            yield from wrap(line.strip(), indent="  " if number == 0 else "    ", hang="    ")
