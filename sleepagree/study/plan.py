"""A study planned from the spreads of a finished one, or from stated ones."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any, Final

from sleepagree.caution import Caution, CautionKind
from sleepagree.errors import counted
from sleepagree.inference.planning import (
    UPPER_CONFIDENCE,
    LimitsPrecision,
    MeanPrecision,
    PlanGrid,
    Precision,
    VarianceComponents,
    plan_grid,
)
from sleepagree.readers.study_results import DeviceSpreads, Spread

_USUAL_MEASURES: Final = 5


def stated_statistics(
    difference: tuple[float | None, float | None], kappa: tuple[float | None, float | None]
) -> dict[str, Precision]:
    """Return the statistics to plan from SDs (between participants, within one) of differences and of kappa."""
    statistics: dict[str, Precision] = {}
    for names, (between, within) in ((("bias", "limits"), difference), (("kappa",), kappa)):
        if between is not None:
            components = VarianceComponents(between, math.nan if within is None else within, "stated")
            statistics |= {name: _precision(name, components) for name in names}
    return statistics


def measured_statistics(found: DeviceSpreads, measures: Iterable[str] = (), *, source: str) -> dict[str, Precision]:
    """Return the statistics to plan from a finished study.

    Parameters
    ----------
    found : DeviceSpreads
        What varies between the nights of a device.
    measures : iterable of str
        Measures of which bias and limits are planned; none for TST and minutes of the first classes.
    source : str
        The file that it comes from.

    Returns
    -------
    dict of str to Precision
        "bias TST", "limits TST" and so on, and "kappa"; a measure of one participant is left out, and what is alike on
        all nights: that does not tell how much others vary.
    """
    usual = ["TST", *(measure for measure in found.differences if measure.startswith("minutes "))]
    wanted = [*measures] or [measure for measure in usual if measure in found.differences][:_USUAL_MEASURES]
    statistics: dict[str, Precision] = {}
    for measure in wanted:
        components = _components_of_differences(found.differences[measure], source)
        if components is not None and _vary(components):
            names = f"bias {measure}", f"limits {measure}"
            statistics |= {name: _precision(name, components) for name in names}
    if found.kappa is not None:
        kappa = found.kappa
        told = f"kappa of a night under '{found.kappa_mapping}'"
        components = VarianceComponents(
            kappa.between_sd,
            kappa.within_sd,
            told,
            kappa.between_sd_high,
            kappa.participants,
            repeated=max(kappa.nights - kappa.participants, 0),
        )
        if _vary(components):
            statistics["kappa"] = MeanPrecision(components)
    return statistics


def _vary(components: VarianceComponents) -> bool:
    return components.between_sd > 0.0 or components.within_sd > 0.0


def plan_study(statistics: Mapping[str, Precision], **settings: Any) -> PlanGrid:
    """Return the plan, and where SDs rest on few participants the same with them at their upper bounds.

    Parameters
    ----------
    statistics : mapping of str to Precision
        What is planned.
    **settings
        As for :func:`sleepagree.inference.planning.plan_grid`.
    """
    grid = plan_grid(statistics, **settings)
    if not any(part.rests_on_few for _, part in grid.assumed):
        return grid
    at_bound = {name: _precision(name, one.components.at_upper_bound) for name, one in statistics.items()}
    return replace(grid, at_upper_bound=plan_grid(at_bound, **settings))


def plan_cautions(grid: PlanGrid) -> tuple[Caution, ...]:
    """Return what a reader of a plan should be warned of."""
    few = {name.partition(" ")[2] or name: (name, part) for name, part in grid.assumed if part.rests_on_few}
    within = {name.partition(" ")[2] or name: part for name, part in grid.assumed if part.within_rests_on_few}
    out = []
    if few:
        between_sds = tuple(
            (measure, part.between_sd, part.between_sd_high, 3 if name == "kappa" or part.of_log_ratios else 1)
            for measure, (name, part) in few.items()
        )
        count = min(part.participants for _, part in few.values())
        values: dict[str, Any] = {"participants": count, "confidence": UPPER_CONFIDENCE, "between_sds": between_sds}
        out.append(Caution.of(CautionKind.PLAN_RESTS_ON_FEW, **values))
    if within:
        within_sds = tuple(
            (measure, part.within_sd, part.within_sd_high, 3 if measure == "kappa" or part.of_log_ratios else 1)
            for measure, part in within.items()
        )
        count = min(part.repeated for part in within.values())
        values = {"repeated": count, "confidence": UPPER_CONFIDENCE, "within_sds": within_sds}
        out.append(Caution.of(CautionKind.PLAN_RESTS_ON_FEW_NIGHTS, **values))
    return tuple(out)


def _precision(name: str, components: VarianceComponents) -> Precision:
    return LimitsPrecision(components) if name.startswith("limits") else MeanPrecision(components)


def _components_of_differences(found: Spread, source: str) -> VarianceComponents | None:
    between, within = found.between_sd, found.within_sd
    if math.isnan(between):
        between, within = found.sd, math.nan
    if found.participants < 2 or math.isnan(between):
        return None
    told = f"{source}: {counted(found.participants, 'participant')}, {counted(found.nights, 'night')}"
    told += "; of log ratios: 0.05 is about 5 %" if found.of_log_ratios else ""
    repeated = 0 if math.isnan(within) else found.nights - found.participants
    return VarianceComponents(
        between, within, told, found.between_sd_high, found.participants, found.of_log_ratios, repeated
    )
