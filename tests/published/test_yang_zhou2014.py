"""Yang Z, Zhou M (2014). Kappa statistic for clustered matched-pair data. Stat Med 33:2612.

Data of their first example, 21 clusters with 51 items, seen in the authors' published program; results
recomputed, as the paper's own printed output was not seen.
"""

import numpy as np

from sleepagree.agreement import accuracy, clustered_se, independent_se, kappa, kappa_influence
from tests.printed import agrees_with_print

# Per cluster: items scored 0 by both, 0 and 1, 1 and 0, 1 by both.
CLUSTERS = np.array(
    [
        [1, 0, 2, 0], [0, 0, 1, 2], [0, 0, 0, 3], [0, 0, 0, 1], [0, 0, 1, 2], [0, 0, 0, 4], [0, 0, 0, 3],
        [0, 0, 0, 2], [0, 1, 0, 1], [0, 0, 0, 1], [1, 0, 0, 2], [0, 0, 0, 2], [0, 0, 0, 3], [0, 0, 0, 2],
        [0, 0, 2, 0], [1, 0, 0, 2], [1, 0, 0, 2], [0, 0, 1, 2], [0, 0, 0, 2], [0, 0, 0, 1], [0, 0, 0, 2],
    ]
).reshape(21, 2, 2)  # fmt: skip
POOLED = CLUSTERS.sum(axis=0)


def test_pooled_table() -> None:
    assert POOLED.tolist() == [[4, 1], [7, 39]]
    assert agrees_with_print(accuracy(POOLED), ".843137")
    assert agrees_with_print(kappa(POOLED), ".422096")


def test_clustered_standard_error_and_interval() -> None:
    se = float(clustered_se(CLUSTERS, influence=kappa_influence(POOLED)))
    assert agrees_with_print(se, ".155379")
    # The figures go by z = 1.96.
    assert agrees_with_print(kappa(POOLED) - 1.96 * se, ".117553")
    assert agrees_with_print(kappa(POOLED) + 1.96 * se, ".726639")


def test_standard_error_that_ignores_clusters() -> None:
    assert agrees_with_print(independent_se(POOLED, influence=kappa_influence(POOLED)), ".160616")


def test_clustered_standard_error_of_the_accuracy() -> None:
    # The same formula with the influence of po, I(x = y) - po: .059544 recomputed by the ratio estimator.
    influence = np.eye(2) - float(accuracy(POOLED))
    assert agrees_with_print(clustered_se(CLUSTERS, influence=influence), ".059544")


def test_matrix_form_of_the_authors() -> None:
    # V = K^2/(K-1) p'Omega p in the cells' shares, by the delta method with numerical derivatives of kappa.
    shares = POOLED.ravel() / 51
    step = 1e-6
    gradient = np.empty(4)
    for cell in range(4):
        up, down = shares.copy(), shares.copy()
        up[cell] += step
        down[cell] -= step
        # Kappa is taken of shares that need not add up to 1, as in the delta method for ratios.
        gradient[cell] = (float(kappa(up.reshape(2, 2))) - float(kappa(down.reshape(2, 2)))) / (2 * step)
    totals = CLUSTERS.reshape(21, 4) - np.outer(CLUSTERS.sum(axis=(1, 2)), shares)
    variance = 21 / 20 * ((totals @ gradient) ** 2).sum() / 51**2
    assert abs(float(clustered_se(CLUSTERS, influence=kappa_influence(POOLED))) - np.sqrt(variance)) < 1e-8


def test_two_unclustered_kappas_of_other_authors() -> None:
    # 50 subjects, data of Vanbelle S, Albert A (2008), kappas and standard errors as given by the public
    # program of Vanbelle S (2017): seen. With clusters of one its standard error has no K/(K-1).
    for cells, value, se in (
        ((35, 2, 6, 7), ".5381062", ".1410519"),
        ((34, 3, 2, 11), ".7464503", ".1066508"),
    ):
        table = np.array(cells).reshape(2, 2)
        subjects = np.repeat(np.eye(4), cells, axis=0).reshape(50, 2, 2)
        influence = kappa_influence(table)
        assert agrees_with_print(kappa(table), value)
        assert agrees_with_print(independent_se(table, influence=influence), se)
        assert agrees_with_print(clustered_se(subjects, influence=influence) * np.sqrt(49 / 50), se)
