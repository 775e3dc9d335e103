"""An inspection as a document of the published schema."""

from __future__ import annotations

from datetime import datetime
from typing import Any, Final

from sleepagree.describe.cautions import caution_documents
from sleepagree.describe.notes import say_notes
from sleepagree.readers.inspection import FileInspection
from sleepagree.readers.layout_proposal import LayoutProposal

INSPECT_SCHEMA: Final = "sleepagree.inspect/2"


def inspection_document(inspection: FileInspection, proposal: LayoutProposal | None = None) -> dict[str, Any]:
    """Return an inspection, and the layout proposed for its file, as a document of the published schema."""
    return {
        "schema": INSPECT_SCHEMA,
        "file": inspection.file,
        "reader": inspection.reader,
        "start": _json_moment(inspection.start),
        "end": _json_moment(inspection.end),
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
            {"from": _json_moment(g.begin) or g.begin_s, "to": _json_moment(g.end) or g.end_s, "minutes": g.minutes}
            for g in inspection.gaps
        ],
        "overlaps": list(say_notes(inspection.overlaps)),
        "lights": {"off": _json_moment(inspection.lights_off), "on": _json_moment(inspection.lights_on)},
        "columns": {role: n if len(n) > 1 else n[0] for role, n in inspection.columns_by_role.items()},
        "unused": list(inspection.unused),
        "header": dict(inspection.header),
        "ignored": {"texts": len(inspection.ignored), "times": sum(count for _, count in inspection.ignored)},
        **{key: list(getattr(inspection, key)) for key in ("unknown", "problems", "would_do", "read_by_mne")},
        "notes": list(say_notes(inspection.notes)),
        "cautions": caution_documents(inspection.cautions),
        "first": [
            {"begins": _json_moment(s.begin) or s.begin, "seconds": s.seconds, "label": s.label, "stage": s.stage}
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


def _json_moment(value: datetime | float | None) -> str | float | None:
    return value.isoformat() if isinstance(value, datetime) else value
