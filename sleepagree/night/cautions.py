"""Where the numbers of one night would mislead a reader who does not know how the two files came about."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import Final

import numpy as np

from sleepagree.describe.words import speak
from sleepagree.errors import counted
from sleepagree.hypnogram.align import PairedNight
from sleepagree.hypnogram.spans import EPOCH_S
from sleepagree.mapping.stages import (
    COVERAGE,
    StageMapping,
    StageSet,
    canonical_stage,
    fitting_mappings,
    is_sleep,
)
from sleepagree.scoring.measures import MeasurePair

#: From here on time that one side did not score is told beside the measures, whichever comes first.
_MUCH_UNCOUNTED_SHARE: Final = 0.02
_MUCH_UNCOUNTED_MIN: Final = 10.0

_PER_MIN: Final = 60 / EPOCH_S

#: Order in a listing, the unclear ones last.
_ORDER: Final = ("W", "N1", "N2", "light", "light-or-rem", "N3", "R", "nrem", "sleep")


# --- words that the device lacks --------------------------------------------------------------------------


@lru_cache(maxsize=256)
def unsaid_classes(mapping: StageMapping, device_set: StageSet) -> tuple[str, ...]:
    """Return the device classes of a mapping that nothing the device can report is taken into.

    Parameters
    ----------
    mapping : StageMapping
        How stages form classes; a built-in one may be asked for though it does not fit.
    device_set : StageSet
        What the device can report.
    """
    said = {target for stage, target in mapping.device if stage in device_set.reportable}
    said |= {target for _, target in mapping.device_labels}  # the mapping file says that the device has these labels
    return tuple(name for name in mapping.device_classes if name not in said)


def unsaid_cautions(paired: PairedNight, mappings: Sequence[StageMapping]) -> list[str]:
    """Say which mappings ask the device for words that it does not have."""
    out = []
    for mapping in mappings:
        unsaid = unsaid_classes(mapping, paired.device_set)
        if not unsaid:
            continue
        words = _join(map(speak, unsaid))
        codes = mapping.reference_codes(paired.reference_set)
        rows = [i for i, c in enumerate(codes) if c >= 0 and mapping.reference_classes[c] in unsaid]
        epochs = int(paired.count_native()[rows].sum())
        why = "so it is declared" if paired.device_set.declared else "its file holds no such label"
        fitting = [m.name for m in fitting_mappings(paired.reference_set, paired.device_set)]
        instead = f" Mappings that fit this device: {', '.join(fitting)}." if fitting else ""
        cost = (
            f"all {counted(epochs, f'{words} epoch')} of the reference count as errors, whatever the device does, and "
            "kappa and accuracy say so"
            if epochs
            else f"the reference has no {words} epoch to lose on this night, but others may"
        )
        out.append(f"The device cannot report {words} ({why}), yet '{mapping.name}' asks for it: {cost}.{instead}")
    return out


# --- which file is which ----------------------------------------------------------------------------------


def swapped_caution(paired: PairedNight) -> tuple[str, ...]:
    """Ask whether the two files are swapped, where the device tells finer stages than the reference."""
    return _swapped_caution(paired.reference_set.stages, paired.device_set.stages)


@lru_cache(maxsize=256)
def _swapped_caution(of_reference: tuple[str, ...], of_device: tuple[str, ...]) -> tuple[str, ...]:
    reference, device = _definite(of_reference), _definite(of_device)
    finer = {d for d in device - reference if any(COVERAGE[d] < COVERAGE[r] for r in reference)}
    coarser = {r for r in reference if any(COVERAGE[d] < COVERAGE[r] for d in finer)}
    if not finer or any(COVERAGE[r] < COVERAGE[d] for r in reference for d in device):
        return ()
    return (
        f"The device's file tells finer stages ({_listing(finer)}) than the reference's ({_listing(coarser)}): are the "
        "two files swapped? The reference is named first, the device second.",
    )


def _definite(stages: Iterable[str]) -> set[str]:
    return {stage for stage in stages if stage in COVERAGE and is_sleep(stage) is not None}


def _listing(stages: set[str]) -> str:
    return ", ".join(_word(stage) for stage in _ORDER if stage in stages)


def _word(stage: str) -> str:
    return {"W": "wake", "N3": "deep", "R": "REM"}.get(stage, stage)


def contradiction_caution(paired: PairedNight) -> list[str]:
    """Say which declaration was used, where the command and the layout differ on what the device can report."""
    told, device_set = paired.sides[1].reports, paired.device_set
    if told is None or not device_set.declared:
        return []
    by_layout = tuple(dict.fromkeys(canonical_stage(word) or word for word in told))
    used = set(device_set.reportable)
    if len(device_set.labels) > len(paired.sides[1].labels) and "W" not in by_layout:
        used -= {"W"}  # came with the silence that was taken as wake, whose label no file holds
    if used == set(by_layout):
        return []
    asked = tuple(stage for stage in device_set.reportable if stage in used)
    return [
        f"The device's layout says that it can report {_join(map(_word, by_layout))}; --reports says "
        f"{_join(map(_word, asked))}, which was used."
    ]


# --- time that does not count -----------------------------------------------------------------------------


def uncounted_time(paired: PairedNight, measures: Sequence[MeasurePair]) -> str:
    """Return what time that one side did not score does to the measures; "" where it is little.

    Parameters
    ----------
    paired : PairedNight
        The two sides.
    measures : sequence of MeasurePair
        Measures of the night.
    """
    ledger = paired.ledger
    missing = ledger.window_epochs - ledger.scored
    if missing <= _MUCH_UNCOUNTED_SHARE * ledger.window_epochs and missing <= _MUCH_UNCOUNTED_MIN * _PER_MIN:
        return ""
    sides = next(((p.reference, p.device) for p in measures if p.measure == "TST"), (math.nan, math.nan))
    scored_min = ledger.scored / _PER_MIN
    of_scored = [f"{100 * tst / scored_min:.1f} %" for tst in sides if not math.isnan(tst)]
    text = (
        f"TST, WASO, SE and the minutes of stages count only the {scored_min:.1f} min that both sides scored; "
        f"{missing / _PER_MIN:.1f} min of the window are not in them, but are in TIB."
    )
    if len(of_scored) == len(sides):
        text += f" Over the scored time alone SE would be {of_scored[0]} (reference) and {of_scored[1]} (device)."
    return text + _early_sleep(paired)


def _early_sleep(paired: PairedNight) -> str:
    """Return how much earlier the reference fell asleep than its SOL says, where the device did not score that."""
    asleep = np.array([*(is_sleep(s) is True for s in paired.reference_set.stages), False])[paired.reference]
    counted = asleep & paired.scored
    if not counted.any():
        return ""
    early = int(counted.argmax()) - int(asleep.argmax())
    if not early:
        return ""
    return (
        f" SOL counts to the first sleep that both scored; by the reference alone sleep began {early / _PER_MIN:.1f} "
        "min before that."
    )


def _join(words: Iterable[str]) -> str:
    *head, last = words
    return f"{', '.join(head)} and {last}" if head else last
