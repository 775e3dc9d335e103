"""Rings round nights outside the limits of agreement: the caption tells those that are drawn, and no others."""

from __future__ import annotations

import re
from typing import Any

import drawn
import numpy as np
import pytest
from matplotlib.axes import Axes

from sleepagree import figures
from sleepagree.describe.blocks import Figure, flat
from sleepagree.describe.study_bias_figures import bias_figures
from sleepagree.inference.limits import Scale, Spread, fit_limits_of_agreement, fit_regression_limits
from sleepagree.study.results import StudyAgreement


def fanning_out(nights: int, *, strays: int = 0) -> dict[str, Any]:
    """Return nights whose differences grow with the level, none beyond the limits but so many strays."""
    reference = np.linspace(100, 500, nights)
    device = reference + np.where(np.arange(nights) % 2, 1, -1) * 0.1 * reference
    middle = slice(nights // 2, nights // 2 + strays)
    device[middle] = reference[middle] + 300
    return {"reference": reference, "device": device, "participant": [f"crew-{serial}" for serial in range(nights)]}


def with_lines(data: dict[str, Any]) -> StudyAgreement:
    """Return a study whose limits are lines."""
    return drawn.study_of_measure(**data, lines=fit_regression_limits(**data, spread=Spread.VARYING))


def rings(ax: Axes) -> int:
    """Return how many rings are drawn."""
    return sum(len(line.get_xdata()) for line in ax.lines if line.get_markersize() == 8.0)


def caption(study: StudyAgreement) -> str:
    """Return what stands below the figure of differences."""
    blocks = bias_figures(study.devices[0], study, 0)
    return next(b.caption for b in flat(blocks) if isinstance(b, Figure) and b.name.startswith("bias-"))


def tells_rings(study: StudyAgreement) -> bool:
    """Return whether the caption speaks of rings."""
    return re.search(r"\brings?\b", caption(study), re.IGNORECASE) is not None


@pytest.mark.parametrize(
    ("nights", "strays", "told", "words"),
    [
        (60, 0, 0, ""),
        (60, 1, 1, "A ring marks the night outside them."),
        (200, 2, 2, "Rings mark the 2 nights outside the limits."),
        (400, 2, 2, "Rings mark the 2 nights outside the limits."),
        (401, 2, 0, ""),
        (450, 20, 0, ""),
    ],
)
def test_rings_of_limits_that_are_lines_are_told_where_they_are_drawn(
    nights: int, strays: int, told: int, words: str
) -> None:
    study = with_lines(fanning_out(nights, strays=strays))
    assert rings(figures.draw_bias_against_level(study)) == told
    assert "limits are drawn as lines" in caption(study)
    assert caption(study).endswith(words)
    assert tells_rings(study) == (told > 0)


@pytest.mark.parametrize("scale", list(Scale))
@pytest.mark.parametrize("late", [0.1, 0.7, 33.3, 333.3])
def test_nights_on_limits_of_no_width_have_no_ring(late: float, scale: Scale) -> None:
    reference = np.array([400.1, 410.2, 395.3, 420.4, 380.7])
    device = reference + late if scale is Scale.RAW else reference * (1 + late)
    data = {"reference": reference, "device": device, "participant": list("abcde")}
    limits = fit_limits_of_agreement(**data, scale=scale)
    assert limits.upper - limits.lower == pytest.approx(0, abs=1e-9)
    study = drawn.study_of_measure(**data, limits=limits)
    assert rings(figures.draw_bias_against_level(study)) == 0
    assert not tells_rings(study)


def test_nights_on_lines_of_no_width_have_no_ring() -> None:
    reference = np.array([400.1, 410.2, 395.3, 420.4, 380.7, 401.3])
    study = with_lines({"reference": reference, "device": 1.1 * reference + 0.3, "participant": list("abcdef")})
    assert rings(figures.draw_bias_against_level(study)) == 0
    assert not tells_rings(study)
