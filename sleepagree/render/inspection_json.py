"""An inspection as a document of the published schema."""

from __future__ import annotations

from datetime import datetime
from functools import partial
from typing import Any, Final

from sleepagree.describe.cautions import caution_documents
from sleepagree.describe.notes import say_notes
from sleepagree.readers.inspection import FileInspection
from sleepagree.readers.layout_proposal import LayoutProposal

INSPECT_SCHEMA: Final = "sleepagree.inspect/2"
_LISTS: Final = ("unknown", "settled", "problems", "would_do", "read_by_mne")


def inspection_document(inspection: FileInspection, proposal: LayoutProposal | None = None) -> dict[str, Any]:
    """Return an inspection, and the layout proposed for its file, as a document of the published schema."""
    shown = partial(_json_moment, is_dated=inspection.is_dated)
    return {
        "schema": INSPECT_SCHEMA,
        "file": inspection.file,
        "reader": inspection.reader,
        "start": shown(inspection.start) if inspection.is_dated else None,
        "end": shown(inspection.end) if inspection.is_dated else None,
        "zone": inspection.zone,
        "duration_minutes": inspection.duration_s / 60,
        "spans": inspection.spans,
        "epoch_seconds": inspection.epoch_seconds,
        "epoch_seconds_from": inspection.epoch_seconds_from or None,
        "labels": [
            {"label": seen.label, "stage": seen.stage, "epochs": seen.epochs, "minutes": seen.minutes}
            for seen in inspection.labels
        ],
        "gaps": [
            {"from": shown(g.begin) or g.begin_s, "to": shown(g.end) or g.end_s, "minutes": g.minutes}
            for g in inspection.gaps
        ],
        "overlaps": list(say_notes(inspection.overlaps)),
        "lights": {"off": shown(inspection.lights_off), "on": shown(inspection.lights_on)},
        "columns": {role: n if len(n) > 1 else n[0] for role, n in inspection.columns_by_role.items()},
        "unused": list(inspection.unused),
        "header": dict(inspection.header),
        "ignored": {"texts": len(inspection.ignored), "times": sum(count for _, count in inspection.ignored)},
        **{
            key: list(getattr(inspection, key)) for key in ("unknown", "settled", "problems", "would_do", "read_by_mne")
        },
        "notes": list(say_notes(inspection.notes)),
        "cautions": caution_documents(inspection.cautions),
        "first": [
            {"begins": shown(s.begin) or s.begin, "seconds": s.seconds, "label": s.label, "stage": s.stage}
            for s in inspection.first
        ],
        "proposal": None if proposal is None else _proposal(proposal),
    }


def _proposal(proposal: LayoutProposal) -> dict[str, Any]:
    return {
        "settings": [
            {
                "key": setting.key,
                "value": setting.value,
                "why": setting.why.value,
                "others": [{"value": other.value, "when": other.when} for other in setting.others],
            }
            for setting in proposal.settings
            if not setting.is_comment
        ],
        "labels": [
            {
                "label": m.label,
                "rows": m.rows,
                "stage": m.word or None,
                "languages": list(m.languages),
                "called": m.called or None,
            }
            for m in proposal.labels
        ],
    }


def _json_moment(value: datetime | float | None, *, is_dated: bool) -> str | float | None:
    """Return a moment as JSON has it; a time of day where its day is not told."""
    if not isinstance(value, datetime):
        return value
    return value.isoformat() if is_dated else value.time().isoformat()
