"""What a reader of a study should be warned of, in plain sentences."""

from __future__ import annotations

from typing import Final

import numpy as np

from sleepagree.night_summary import Refusal
from sleepagree.study_results import DeviceStudy, StudyOptions

FEW_PARTICIPANTS: Final = 10

#: Skewness of the differences from which on a caution is given; 1 is commonly called high (common practice, no source).
MUCH_SKEW: Final = 1.0


def study_cautions(
    devices: tuple[DeviceStudy, ...], refused: tuple[Refusal, ...], options: StudyOptions
) -> tuple[str, ...]:
    """Return the cautions of a study, each once, devices in order."""
    out = []
    if refused:
        out.append(f"{len(refused)} of the nights given could not be scored; they are listed with their reasons.")
    for device in devices:
        out += _size_cautions(device)
        out += _skew_cautions(device)
        out += _clock_cautions(device)
        out += _night_cautions(device)
    sizes = {len(m.mapping.reference_classes) for d in devices for m in d.mappings if m.mapping.is_square}
    if len(sizes) > 1:
        out.append("Kappas at different numbers of classes cannot be compared with each other.")
    if options.mappings and len(options.mappings) > 1:
        out.append("Choosing a mapping after seeing its kappa inflates it: report the one named beforehand.")
    return tuple(dict.fromkeys(out))


def _size_cautions(device: DeviceStudy) -> list[str]:
    count = len(device.participants)
    if count == 1:
        return [
            f"{device.device}: all nights are of one participant, so the results speak of this person only; intervals "
            "treat nights as the units."
        ]
    if count < FEW_PARTICIPANTS:
        return [
            f"{device.device}: {count} participants are few for a bootstrap over participants: intervals are those "
            "of the delta method with quantiles of t, and still say little about other people."
        ]
    return []


def _skew_cautions(device: DeviceStudy) -> list[str]:
    """Return a caution where differences are so skewed that intervals of the limits cover less than they say."""
    skewed = []
    for row in device.bias:
        known = (row.device - row.reference)[~np.isnan(row.device - row.reference)]
        spread = float(known.std()) if known.size >= FEW_PARTICIPANTS else 0.0
        if spread > 0 and abs(float(((known - known.mean()) ** 3).mean())) / spread**3 > MUCH_SKEW:
            skewed.append(row.measure)
    if not skewed:
        return []
    return [
        f"{device.device}: differences in {', '.join(skewed)} are skewed. Limits of agreement suppose that they are "
        "roughly normal; the intervals of the limits then cover less than they say. Look at the plot of differences, "
        "or use --log-ratio."
    ]


def _clock_cautions(device: DeviceStudy) -> list[str]:
    moved = [n for n in device.nights if abs(n.best_offset_s) >= 60 and n.offset_gain >= 0.03]
    if not moved:
        return []
    offsets = ", ".join(f"{n.participant} {n.night}: {n.best_offset_s:+.0f} s" for n in moved[:6])
    more = f" and {len(moved) - 6} more" if len(moved) > 6 else ""
    return [
        f"{device.device}: on {len(moved)} of {len(device.nights)} nights agreement peaks at another clock offset "
        f"({offsets}{more}). A constant offset is a clock, a scattered one is not."
    ]


def _night_cautions(device: DeviceStudy) -> list[str]:
    """Return the cautions of nights, each once with the number of nights it concerns."""
    counts: dict[str, int] = {}
    for night in device.nights:
        for caution in dict.fromkeys(night.cautions):
            counts[caution] = counts.get(caution, 0) + 1
    return [f"{device.device}, {count} night{'s' if count > 1 else ''}: {text}" for text, count in counts.items()]
