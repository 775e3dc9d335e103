"""Invented nights and studies for the tests of figures, reports and sentences."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from functools import lru_cache
from types import SimpleNamespace
from typing import Any

import numpy as np
from generated import FIVE, err_in_runs, generate_stages

from sleepagree.hypnogram.align import align
from sleepagree.inference.estimate import Estimate
from sleepagree.inference.limits import LimitsOfAgreement, fit_limits_of_agreement
from sleepagree.inference.resampling import BootstrapIntervals
from sleepagree.mapping.mapping import mapping_named
from sleepagree.mapping.words import speak
from sleepagree.night.compare import NightAgreement, compare
from sleepagree.readers.memory import read_hypnogram
from sleepagree.study.results import BiasRow, DeviceStudy, PooledStatistic, StudyAgreement, StudyMapping, StudyOptions

BEGIN = datetime(2026, 4, 14, 22, 41, 30)

#: A file name that is markup, a formula, a template and an end of a script at once.
HOSTILE = "<img src=x onerror=alert(1)>$x^2${{7*7}}</script>&.csv"


def invented_night(
    *,
    seed: int = 4,
    epochs: int = 600,
    rem: bool = True,
    gaps: bool = True,
    labels: tuple[str, ...] = ("Up", "Doze", "Deep", "Dream"),
    reference_name: str = "crew-1.edf",
    device_name: str = "band.csv",
    start: datetime | None = BEGIN,
) -> NightAgreement:
    """Return a night; without ``rem`` the device says deep where it should say REM."""
    rng = np.random.default_rng(seed)
    reference = generate_stages(rng, epochs=epochs)
    said = err_in_runs(rng, reference, error_share=0.3)
    of_stage = [labels[0], labels[1], labels[1], labels[2], labels[3] if rem else labels[2]]
    device: list[str | None] = [of_stage[s] for s in said]
    scored: list[str | None] = [FIVE[s] for s in reference]
    if gaps:
        device[100:140] = [None] * 40
        scored[300:310] = ["?"] * 10
    words = dict(zip(labels, ("wake", "light", "deep", "rem"), strict=True))
    reports = ["wake", "light", "deep", "rem"] if rem else ["wake", "light", "deep"]
    stages = {label: word for label, word in words.items() if rem or word != "rem"}
    return compare(
        align(
            reference=read_hypnogram(scored, start=start, name=reference_name, reports=FIVE),
            device=read_hypnogram(device, start=start, name=device_name, stages=stages, reports=reports),
        )
    )


@lru_cache(maxsize=4)
def night_with_rem() -> NightAgreement:
    """Return a night of a device that can report REM."""
    return invented_night()


@lru_cache(maxsize=4)
def night_without_rem() -> NightAgreement:
    """Return a night of a device that cannot."""
    return invented_night(rem=False)


# --- results that hold only what one figure draws ---------------------------------------------------------


def counts_of(counts: Any, reference_classes: tuple[str, ...], device_classes: tuple[str, ...]) -> SimpleNamespace:
    """Return counts under a mapping with these classes."""
    mapping = SimpleNamespace(reference_classes=reference_classes, device_classes=device_classes, speak=speak)
    return SimpleNamespace(counts=np.array(counts), mapping=mapping)


def study_of_nights(*, bias: tuple[BiasRow, ...] = (), mappings: Any = (), names: Sequence[tuple[str, str]]) -> Any:
    """Return a study of one device, of whose nights only participant and name are known."""
    nights = tuple(SimpleNamespace(participant=who, night=night) for who, night in names)
    people = tuple(dict.fromkeys(who for who, _ in names))
    device = DeviceStudy("band A", nights, people, mappings, bias, (), (), (), None)
    return StudyAgreement((device,), (), len(nights), (), (), StudyOptions(), ())


def study_of_measure(
    reference: Any, device: Any, participant: Any, *, limits: LimitsOfAgreement | None = None, **more: Any
) -> StudyAgreement:
    """Return a study of one measure, TST unless told, from the values of both sides, one each night."""
    values = {"reference": np.asarray(reference, float), "device": np.asarray(device, float)}
    found = limits or fit_limits_of_agreement(**values, participant=participant)
    told = {"measure": "TST", "unit": "min", "reliability": None, "bootstrap": None, "equivalence": None, **more}
    return study_of_nights(bias=(BiasRow(limits=found, **values, **told),), names=[(who, "1") for who in participant])


def study_of_kappas(kappa: Any, names: Sequence[tuple[str, str]], pooled: Estimate) -> StudyAgreement:
    """Return a study that holds the kappa of every night, without a count, and the pooled one."""
    mapping, values = mapping_named("wake-sleep"), np.asarray(kappa, float)
    counts = np.zeros((values.size, 2, 2), int)
    intervals = BootstrapIntervals(pooled, pooled, pooled, values.size, 0, 0)
    found = (PooledStatistic("kappa", "", intervals, intervals, 0.0),)
    studied = StudyMapping(mapping, counts.sum(axis=0), 0, counts, found, values, values, None, None)
    return study_of_nights(mappings=(studied,), names=names)
