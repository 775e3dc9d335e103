"""What a reader of a study should be warned of, in plain sentences."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from sleepagree.scoring.offsets import ClockHint
from sleepagree.study.night_summary import Refusal
from sleepagree.study.results import BiasRow, DeviceStudy, ScorerSummary, StudyOptions

FEW_PARTICIPANTS: Final = 10

#: Skewness of the differences from which on a caution is given; 1 is commonly called high (common practice, no source).
MUCH_SKEW: Final = 1.0


#: Nights with a smaller part of their window scored on both sides are named.
LEAST_SCORED_SHARE: Final = 0.9

_NAMED: Final = 6


def study_cautions(
    devices: tuple[DeviceStudy, ...],
    refused: tuple[Refusal, ...],
    options: StudyOptions,
    scorers: tuple[ScorerSummary, ...] = (),
) -> tuple[str, ...]:
    """Return the cautions of a study, each once, devices in order."""
    out = []
    if refused:
        out.append(f"{len(refused)} of the nights given could not be scored; they are listed with their reasons.")
    for device in devices:
        out += _size_cautions(device)
        out += _sparse_cautions(device)
        out += _consensus_cautions(device, scorers)
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


def _sparse_cautions(device: DeviceStudy) -> list[str]:
    """Name the nights of which a large part of the window was not scored on both sides."""
    sparse = [n for n in device.nights if n.scored < LEAST_SCORED_SHARE * n.window_epochs]
    if not sparse:
        return []
    sparse.sort(key=lambda n: n.scored / n.window_epochs)
    named = ", ".join(f"{n.participant} {n.night}: {100 * n.scored / n.window_epochs:.0f} %" for n in sparse[:_NAMED])
    more = f" and {len(sparse) - _NAMED} more" if len(sparse) > _NAMED else ""
    return [
        f"{device.device}: on {len(sparse)} of {len(device.nights)} nights less than "
        f"{100 * LEAST_SCORED_SHARE:.0f} % of the window's epochs have a stage on both sides ({named}{more}). "
        "Measures, and the bias made of them, are those of the scored part; 'scored_percent' in nights.csv finds such "
        "nights."
    ]


def _consensus_cautions(device: DeviceStudy, scorers: tuple[ScorerSummary, ...]) -> list[str]:
    """Say that a consensus makes agreement look higher, with both figures."""
    several = [n for n in device.nights if n.scorers]
    if not several:
        return []
    undecided = sum(dict(n.excluded).get("reference_no_majority", 0) for n in several)
    kappas = [
        f"{s.with_consensus:.3f} with the consensus and {s.with_scorers:.3f} with single scorers under '{s.mapping}' "
        f"(means, the same {'night' if s.nights == 1 else f'{s.nights} nights'} in both)"
        for s in scorers
        if s.device == device.device and not math.isnan(s.with_consensus) and not math.isnan(s.with_scorers)
    ]
    said = f": kappa is {'; '.join(kappas)}" if kappas else ""
    return [
        f"{device.device}: on {len(several)} of {len(device.nights)} nights the reference is what more than half of "
        f"several scorers say, and {undecided} epochs without such a majority are left out. Those are epochs that are "
        f"hard to stage, so agreement comes out higher than with any one person{said}."
    ]


def _skew_cautions(device: DeviceStudy) -> list[str]:
    """Return a caution where differences are so skewed that intervals of the limits cover less than they say."""
    skewed = [row for row in device.bias if _is_skewed(row)]
    if not skewed:
        return []
    drawn = [row.name for row in skewed if row.is_drawn]
    positive = [row.name for row in skewed if not row.of_ratios and _all_above_zero(row)]
    remedies = [f"The report draws the differences in {', '.join(drawn)}."] if drawn else []
    if positive:
        remedies.append(f"Ratios (--log-ratio) are another way for {', '.join(positive)}.")
    kind = "ratios" if skewed[0].of_ratios else "differences"
    text = (
        f"{device.device}: {kind} in {', '.join(row.name for row in skewed)} are skewed. Limits of agreement suppose "
        "that they are roughly normal; the intervals of the limits then cover less than they say."
    )
    return [" ".join([text, *remedies])]


def _is_skewed(row: BiasRow) -> bool:
    if row.of_ratios and math.isnan(row.limits.bias):
        return False
    difference = np.log(row.device) - np.log(row.reference) if row.of_ratios else row.device - row.reference
    known = difference[~np.isnan(difference)]
    spread = float(known.std()) if known.size >= FEW_PARTICIPANTS else 0.0
    return spread > 0 and abs(float(((known - known.mean()) ** 3).mean())) / spread**3 > MUCH_SKEW


def _all_above_zero(row: BiasRow) -> bool:
    both = ~(np.isnan(row.reference) | np.isnan(row.device))
    return bool((row.reference[both] > 0).all() and (row.device[both] > 0).all())


def _clock_cautions(device: DeviceStudy) -> list[str]:
    """Return cautions on single nights; what is said of all nights together stands beside the results."""
    out = []
    moved = [n for n in device.nights if n.clock_hint == ClockHint.OFFSET]
    if moved:
        offsets = _listing([f"{n.participant} {n.night}: {n.best_offset_s:+.0f} s" for n in moved])
        out.append(
            f"{device.device}: on {len(moved)} of {len(device.nights)} nights agreement has a sharp peak at another "
            f"clock offset ({offsets}): look at these nights with 'sleepagree clock'. A constant offset is a clock, a "
            "scattered one is not."
        )
    doubtful = [n for n in device.nights if n.clock_hint in (ClockHint.DOUBT, ClockHint.ZONE)]
    if doubtful:
        named = _listing([f"{n.participant} {n.night}" for n in doubtful])
        out.append(
            f"{device.device}: on {len(doubtful)} of {len(device.nights)} nights agreement is near chance, and would "
            f"be higher at another time ({named}): the recordings may not belong together, or a clock or zone may be "
            "off. 'sleepagree night' says more of such a night."
        )
    return out


def _listing(texts: list[str]) -> str:
    return ", ".join(texts[:_NAMED]) + (f" and {len(texts) - _NAMED} more" if len(texts) > _NAMED else "")


def _night_cautions(device: DeviceStudy) -> list[str]:
    """Return the cautions of nights, each once with the number of nights it concerns."""
    counts: dict[str, int] = {}
    for night in device.nights:
        for caution in dict.fromkeys(night.cautions):
            counts[caution] = counts.get(caution, 0) + 1
    return [f"{device.device}, {count} night{'s' if count > 1 else ''}: {text}" for text, count in counts.items()]
