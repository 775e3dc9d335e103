"""Yang Z, Zhou M (2014). Kappa statistic for clustered matched-pair data. Stat Med 33:2612-2633, example 1.

The data were seen in the authors' own published program. The printed results were not seen; the figures were
recomputed with statsmodels (independence) and by the matrix form of the authors' variance (clustered), which
is repeated here.
"""

import numpy as np
import pytest

from sleepagree.scoring import coefficients
from tests.bootstraps import bootstrap, level_of_textbook

# 21 clusters, cells (00, 01, 10, 11) of (first response, second response)
CELLS = """
1 0 2 0 / 0 0 1 2 / 0 0 0 3 / 0 0 0 1 / 0 0 1 2 / 0 0 0 4 / 0 0 0 3 / 0 0 0 2 / 0 1 0 1 / 0 0 0 1 / 1 0 0 2 /
0 0 0 2 / 0 0 0 3 / 0 0 0 2 / 0 0 2 0 / 1 0 0 2 / 1 0 0 2 / 0 0 1 2 / 0 0 0 2 / 0 0 0 1 / 0 0 0 2
"""
TABLES = np.array([[int(cell) for cell in cluster.split()] for cluster in CELLS.split("/")]).reshape(21, 2, 2)


def intervals(kernel=coefficients.kappa, influence=coefficients.kappa_influence, resamples=4000):
    return bootstrap(
        TABLES,
        kernel,
        rng=np.random.default_rng(2014),
        resamples=resamples,
        level=level_of_textbook(0.95, 21),
        influence=influence,
        unit="clusters",
    )


def test_pooled_table():
    assert TABLES.sum(axis=0).tolist() == [[4, 1], [7, 39]]
    assert TABLES.sum() == 51


def test_clustered_standard_error_and_interval():
    found = intervals()
    assert found.value == pytest.approx(0.422096, abs=5e-7)
    assert found.delta.se == pytest.approx(0.155379, abs=5e-7)
    # recomputed with the quantile rounded to 1.96; ours is that of Student's t with 20 degrees of freedom
    half = 1.96 * found.delta.se
    assert (found.value - half, found.value + half) == pytest.approx((0.117553, 0.726639), abs=1e-6)


def test_the_authors_matrix_form_gives_the_same():
    # V = K^2/(K-1) p' Omega p with Omega = (I - w 1') diag(w^2) (I - 1 w'), for the estimate as a weighted mean
    # of cluster means of psi; w are the clusters' shares of the items
    pooled = TABLES.sum(axis=0)
    psi = coefficients.kappa_influence(pooled)
    size = TABLES.sum(axis=(1, 2))
    w = size / size.sum()
    p = np.einsum("cij,ij->c", TABLES, psi) / size
    k = len(w)
    left = np.eye(k) - np.outer(w, np.ones(k))
    omega = left @ np.diag(w**2) @ left.T
    assert intervals().delta.se == pytest.approx(np.sqrt(k / (k - 1) * p @ omega @ p), rel=1e-9)


def test_raw_agreement():
    found = intervals(coefficients.accuracy, influence=None, resamples=10)
    assert found.value == pytest.approx(0.843137, abs=5e-7)
    assert found.delta.se == pytest.approx(0.059544, abs=5e-7)


def test_cluster_bootstrap_agrees_with_the_closed_form():
    found = intervals()
    assert found.percentile.se == pytest.approx(0.163, abs=0.01)
    assert (found.percentile.low, found.percentile.high) == pytest.approx((0.09, 0.74), abs=0.02)
    assert found.bca.se == pytest.approx(found.delta.se, rel=0.15)  # the jackknife
