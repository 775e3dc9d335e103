"""Extremes: however far or near values lie, every text of a figure is on its paper and no two ticks run together."""

from __future__ import annotations

from functools import partial
from typing import Any

import drawn
import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.patches import Rectangle
from on_paper import crowded_ticks, faults_of, texts_drawn

from sleepagree import figures
from sleepagree.inference.estimate import Estimate


def kappas(pooled: float, low: float = np.nan, high: float = np.nan, *, nights: int = 4) -> Axes:
    """Draw nights with kappas around a pooled one."""
    names = [(f"crew-{serial}", "1") for serial in range(nights)]
    values = np.clip(pooled + np.linspace(-0.02, 0.02, nights), -1, 1)
    because = "Nothing was counted." if np.isnan(pooled) else ""
    found = Estimate(pooled, low, high, undefined_because=because)
    return figures.draw_night_kappas(drawn.study_of_kappas(values, names, found))


EXTREMES: dict[str, Any] = {
    **{f"kappas pooled {v}": partial(kappas, v) for v in (-1, -0.97, -0.3, 0.0, 0.04, 0.5, 0.9, 0.96, 0.99, 1.0)},
    "kappas band below": partial(kappas, 0.85, -1.0, 1.0),
    "kappas one night": partial(kappas, 1.0, nights=1),
    "kappas many": partial(kappas, 0.99, nights=90),
    "kappas unknown": partial(kappas, np.nan),
}


@pytest.mark.parametrize("name", EXTREMES)
def test_extreme_values_leave_every_text_on_the_paper(name: str) -> None:
    ax = EXTREMES[name]()
    assert not faults_of(ax)
    assert not crowded_ticks(ax)


@pytest.mark.parametrize("pooled", [-1.0, 0.9, 0.96, 0.99, 1.0])
def test_the_pooled_kappa_is_written_between_the_ends_of_the_axis(pooled: float) -> None:
    ax = kappas(pooled)
    (box,) = [box for text, box in texts_drawn(ax) if text == f"pooled {pooled:.2f}"]
    place = ax.get_window_extent()
    assert place.x0 - 1 <= box.x0 < box.x1 <= place.x1 + 1


@pytest.mark.parametrize(("low", "high"), [(-1.0, 1.0), (-0.4, 0.99), (0.7, 0.9)])
def test_the_interval_of_the_pooled_kappa_is_drawn_whole(low: float, high: float) -> None:
    ax = kappas(0.85, low, high)
    (band,) = [patch for patch in ax.patches if isinstance(patch, Rectangle)]
    assert (band.get_x(), band.get_x() + band.get_width()) == pytest.approx((low, high))
    left, right = ax.get_xlim()
    assert left <= low < high <= right
