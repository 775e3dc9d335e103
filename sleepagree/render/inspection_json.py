"""An inspection as a document of the published schema."""

from __future__ import annotations

from datetime import datetime
from functools import partial
from typing import Final

from sleepagree.describe.cautions import caution_documents
from sleepagree.describe.file import say_prospect
from sleepagree.describe.notes import say_notes
from sleepagree.readers.inspection import FileInspection
from sleepagree.readers.proposing.layout_proposal import LayoutProposal
from sleepagree.render.json_text import Document, attributes

INSPECT_SCHEMA: Final = "sleepagree.inspect/2"
_LISTS: Final = ("unknown", "settled", "problems")


def inspection_document(inspection: FileInspection, proposal: LayoutProposal | None = None) -> Document:
    """Return an inspection, and the layout proposed for its file, as a document of the published schema."""
    shown = partial(_json_moment, is_dated=inspection.is_dated)
    return {
        "schema": INSPECT_SCHEMA,
        **attributes(inspection, "file", "reader"),
        "start": shown(inspection.start) if inspection.is_dated else None,
        "end": shown(inspection.end) if inspection.is_dated else None,
        "zone": inspection.zone,
        "duration_minutes": inspection.duration_s / 60,
        **attributes(inspection, "spans", "epoch_seconds"),
        "epoch_seconds_from": inspection.epoch_seconds_from or None,
        "labels": [attributes(seen, "label", "stage", "epochs", "minutes") for seen in inspection.labels],
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
        **{key: list(getattr(inspection, key)) for key in _LISTS},
        "would_do": list(say_prospect(inspection)),
        "read_by_mne": list(inspection.read_by_mne),
        "notes": list(say_notes(inspection.notes)),
        "cautions": caution_documents(inspection.cautions),
        "first": [
            {"begins": shown(s.begin) or s.begin, **attributes(s, "seconds", "label", "stage")}
            for s in inspection.first
        ],
        "proposal": None if proposal is None else _proposal(proposal),
    }


def _proposal(proposal: LayoutProposal) -> Document:
    return {
        "settings": [
            {
                **attributes(setting, "key", "value"),
                "why": setting.why.value,
                "others": [{"value": o.value, "when": o.begins or o.day or o.when} for o in setting.others],
            }
            for setting in proposal.settings
            if not setting.is_comment
        ],
        "labels": [
            {
                **attributes(meaning, "label", "rows"),
                "stage": meaning.word or None,
                "languages": list(meaning.languages),
                "called": meaning.called or None,
            }
            for meaning in proposal.labels
        ],
    }


def _json_moment(value: datetime | float | None, *, is_dated: bool) -> str | float | None:
    """Return a moment as JSON has it; a time of day where its day is not told."""
    if not isinstance(value, datetime):
        return value
    return value.isoformat() if is_dated else value.time().isoformat()
