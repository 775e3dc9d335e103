"""A reading of the clock as "sleepagree.clock/1"."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Final

from sleepagree.caution import Caution
from sleepagree.describe.cautions import caution_documents
from sleepagree.hypnogram.align import PairedNight
from sleepagree.render.json_text import Document, attributes, number, numbers, software
from sleepagree.render.night_json import inputs_document, window_document
from sleepagree.scoring.clock import TUNING_WARNING, ClockReading
from sleepagree.scoring.clock_blocks import OffsetCurve
from sleepagree.scoring.offsets import LOWEST_PEAK_SCORE

CLOCK_SCHEMA: Final = "sleepagree.clock/1"


def clock_document(reading: ClockReading, paired: PairedNight, cautions: Sequence[Caution] = ()) -> Document:
    """Return a reading of the clock, with the night that it was read from; offsets add to the one in its options."""
    return {
        **reading_document(reading),
        "options": {"clock_offset": paired.clock_offset_s, "confidence": reading.level},
        "cautions": caution_documents(cautions),
        "software": software(),
        "inputs": inputs_document(paired),
        "window": window_document(paired),
    }


def reading_document(reading: ClockReading) -> Document:
    """Return a reading of the clock."""
    return {
        "schema": CLOCK_SCHEMA,
        **attributes(reading, "mapping"),
        **numbers(reading, offset_seconds="offset_s", low="low_s", high="high_s"),
        **numbers(reading, "kappa_at_zero", "kappa_at_best", drift_seconds_per_hour="drift_s_per_h"),
        **numbers(reading, "drift_low", "drift_high", offset_at_middle_seconds="offset_at_middle_s"),
        **numbers(reading, "kappa_with_drift", outside_seconds="outside_s"),
        **attributes(reading, offset_is_at_edge="is_at_edge", drift_is_at_edge="drift_is_at_edge"),
        **attributes(reading, "proposed", "reason"),
        "peak": {
            "score": number(reading.peak_score),
            "score_needed": LOWEST_PEAK_SCORE,
            **numbers(reading, width_seconds="peak_width_s", halves_within_epoch="halves_within_epoch"),
        },
        "thirds": [
            {
                **numbers(part, from_seconds="from_s", to_seconds="to_s", offset_seconds="offset_s"),
                **numbers(part, "kappa_at_best", "kappa_at_zero"),
            }
            for part in reading.thirds
        ],
        "jump": None if reading.jump is None else {key: number(value) for key, value in asdict(reading.jump).items()},
        "wake_sleep": None if reading.wake_sleep is None else _curve_document(reading.wake_sleep),
        "curve": _points(reading.curve),
        "warning": TUNING_WARNING,
    }


def _curve_document(curve: OffsetCurve) -> Document:
    offset_s, at_best = curve.best
    return {
        "offset_seconds": number(offset_s),
        "kappa_at_zero": number(curve.at_zero),
        "kappa_at_best": number(at_best),
        "curve": _points(curve),
    }


def _points(curve: OffsetCurve) -> list[list[float | None]]:
    return [[number(offset), number(kappa)] for offset, kappa in zip(curve.offsets_s, curve.kappa, strict=True)]
