"""Statistics of count tables against scikit-learn, statsmodels and tables worked by hand."""

from __future__ import annotations

import copy
import doctest
import math
import pickle
import subprocess
import sys
import warnings
from pathlib import Path
from statistics import NormalDist
from types import SimpleNamespace

import numpy as np
import pytest
from sklearn.metrics import (
    balanced_accuracy_score,
    cohen_kappa_score,
    confusion_matrix,
    matthews_corrcoef,
    multilabel_confusion_matrix,
    precision_recall_fscore_support,
)
from statsmodels.stats.inter_rater import cohens_kappa
from statsmodels.stats.proportion import proportion_confint

from sleepagree.inference.estimate import normal_quantile, wilson_interval
from sleepagree.inference.table_sums import sum_table, widen_columns
from sleepagree.scoring import coefficients
from sleepagree.scoring import table_agreement as agreement
from sleepagree.scoring.coefficients import CLASS_STATISTICS, TABLE_STATISTICS, kappa_se
from sleepagree.scoring.table_agreement import chance_corrected_kappa, summarise_table
from tests.generated import FIVE, FOLDINGS, count_epochs, fold, generate_nights
from tests.printed import agrees_with_print

EXACT = {"rtol": 0.0, "atol": 1e-12}
NAMES = {5: FIVE, 4: ("W", "light", "N3", "R"), 3: ("W", "NREM", "R"), 2: ("W", "sleep")}

TABLE_T = np.array([[50, 20, 10], [30, 300, 40], [5, 45, 100]])
TABLE_U = np.array([[50, 30, 0], [30, 340, 0], [5, 145, 0]])
WAKE_NREM_REM = ("W", "NREM", "REM")
NIGHT_OF_900 = np.array(
    [[80, 8, 10, 0, 2], [15, 10, 20, 0, 5], [10, 12, 330, 25, 23], [0, 0, 40, 110, 0], [3, 5, 32, 0, 160]]
)


@pytest.fixture(scope="module")
def nights() -> list[tuple[np.ndarray, np.ndarray]]:
    return list(generate_nights(200, seed=20))


def _assert_same(found: float, oracle: float) -> None:
    np.testing.assert_allclose(found, oracle, **EXACT)  # nan equals nan


# ------------------------------------------------------------------------------------------ 200 generated nights


@pytest.mark.parametrize("classes", [5, 4, 3, 2])
def test_scores_of_200_nights_equal_scikit_learn(nights, classes) -> None:
    labels = list(range(classes))
    tables = []
    for reference, device in nights:
        table = count_epochs(fold(reference, classes), fold(device, classes), classes)
        assert (table == confusion_matrix(fold(reference, classes), fold(device, classes), labels=labels)).all()
        tables.append(table)
    scores = SimpleNamespace(**{s.name: s.kernel(np.array(tables)) for s in (*TABLE_STATISTICS, *CLASS_STATISTICS)})
    undefined_kappas = undefined_correlations = 0
    for i, (reference, device) in enumerate(nights):
        truth, said = fold(reference, classes), fold(device, classes)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # scikit-learn warns where a value is 0/0
            _assert_same(scores.kappa[i], cohen_kappa_score(truth, said, labels=labels))
            precision, recall, f_score, _ = precision_recall_fscore_support(
                truth, said, labels=labels, zero_division=np.nan
            )
            # Its balanced accuracy leaves out absent classes, with a warning where the device used them.
            _assert_same(scores.balanced_accuracy[i], balanced_accuracy_score(truth, said))
            binary = multilabel_confusion_matrix(truth, said, labels=labels)
            class_kappas = [cohen_kappa_score(truth == c, said == c) for c in labels]
            correlation = matthews_corrcoef(truth, said)
        _assert_same(scores.accuracy[i], np.mean(truth == said))
        _assert_same(scores.ppv[i], precision)
        _assert_same(scores.sensitivity[i], recall)
        _assert_same(scores.f1[i], f_score)
        _assert_same(scores.class_kappa[i], class_kappas)
        tn, fp, fn = binary[:, 0, 0], binary[:, 0, 1], binary[:, 1, 0]
        with np.errstate(invalid="ignore"):
            _assert_same(scores.specificity[i], tn / (tn + fp))
            _assert_same(scores.npv[i], tn / (tn + fn))
        if len(set(truth.tolist())) == 1 or len(set(said.tolist())) == 1:
            undefined_correlations += 1
            assert correlation == 0  # its convention for 0/0
            assert math.isnan(scores.mcc[i])
        else:
            _assert_same(scores.mcc[i], correlation)
        undefined_kappas += math.isnan(scores.kappa[i])
    # The odd nights did what they are there for.
    assert undefined_kappas >= 5
    assert undefined_correlations > undefined_kappas


@pytest.mark.parametrize("classes", [5, 4, 3, 2])
def test_kappa_and_variances_of_200_nights_equal_statsmodels(nights, classes) -> None:
    compared = 0
    for reference, device in nights:
        table = count_epochs(fold(reference, classes), fold(device, classes), classes)
        estimate = chance_corrected_kappa(table)
        if not estimate.defined:
            continue
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # statsmodels divides by a standard error of 0
            oracle = cohens_kappa(table)
        _assert_same(estimate.value, oracle.kappa)
        assert abs(float(kappa_se(table)) ** 2 - oracle.var_kappa) < 1e-12
        if estimate.se > 0:
            compared += 1
            _assert_same(estimate.low, max(oracle.kappa_low, -1.0))
            _assert_same(estimate.high, min(oracle.kappa_upp, 1.0))
    assert compared >= 180


def test_a_summary_of_one_night_equals_the_kernels(nights) -> None:
    for reference, device in nights[:60]:
        table = count_epochs(reference, device, 5)
        night = summarise_table(table, reference_classes=FIVE, device_classes=FIVE)
        for statistic in TABLE_STATISTICS:
            found = getattr(night, statistic.key)
            _assert_same(found.value if statistic.key == "kappa" else found, statistic.kernel(table))
        for statistic in CLASS_STATISTICS:
            _assert_same([getattr(stage, statistic.key) for stage in night.classes], statistic.kernel(table))


_CLASS_KEYS = ("sensitivity", "specificity", "ppv", "npv", "f1")


# ------------------------------------------------------------------------------------ tables worked by hand


def test_table_t_by_class() -> None:
    # Constructed; recomputed by hand and with scikit-learn.
    night = summarise_table(TABLE_T, reference_classes=WAKE_NREM_REM, device_classes=WAKE_NREM_REM)
    for stage, printed in zip(
        night.classes,
        (
            (".625", ".932692", ".588235", ".941748", ".606061", ".543326"),
            (".810811", ".717391", ".821918", ".702128", ".816327", ".526039"),
            (".666667", ".888889", ".666667", ".888889", ".666667", ".555556"),
        ),
        strict=True,
    ):
        found = (stage.sensitivity, stage.specificity, stage.ppv, stage.npv, stage.f1, stage.kappa)
        for value, figure in zip(found, printed, strict=True):
            assert agrees_with_print(value, figure), (stage.name, value, figure)
    assert [(stage.reference_epochs, stage.device_epochs) for stage in night.classes] == [
        (80, 85),
        (370, 365),
        (150, 150),
    ]


def test_table_t_as_a_whole() -> None:
    night = summarise_table(TABLE_T, reference_classes=WAKE_NREM_REM, device_classes=WAKE_NREM_REM)
    assert night.n == 600
    assert night.accuracy == 0.75
    assert agrees_with_print(night.kappa.value, ".539995")
    assert agrees_with_print(night.mcc, ".540078")
    assert agrees_with_print(night.mcc, ".540078")
    # 105650/sqrt(197050 x 194200), by hand
    assert abs(night.mcc - 105650 / math.sqrt(197050 * 194200)) < 1e-15
    assert agrees_with_print(night.balanced_accuracy, ".700826")
    assert agrees_with_print(np.mean([stage.f1 for stage in night.classes]), ".696351")
    assert night.reasons == ()


def test_table_t_one_class_against_the_rest() -> None:
    # Binary MCC and (sensitivity + specificity)/2 come from folding everything else together.
    for position, (printed_mcc, printed_mean) in enumerate(
        ((".543661", ".778846"), (".526120", ".764101"), (".555556", ".777778"))
    ):
        margins = sum_table(TABLE_T)
        tp = margins.diagonal[position]
        fn, fp = margins.rows[position] - tp, margins.columns[position] - tp
        binary = np.array([[tp, fn], [fp, margins.n - tp - fn - fp]])
        assert agrees_with_print(coefficients.mcc(binary), printed_mcc)
        assert agrees_with_print(coefficients.balanced_accuracy(binary), printed_mean)


def test_table_u_a_device_that_never_says_rem() -> None:
    # Constructed; recomputed by hand and with scikit-learn.
    night = summarise_table(TABLE_U, reference_classes=WAKE_NREM_REM, device_classes=WAKE_NREM_REM)
    assert night.accuracy == 0.65
    assert agrees_with_print(night.kappa.value, ".225330")
    assert agrees_with_print(night.mcc, ".281074")
    assert agrees_with_print(night.balanced_accuracy, ".514640")
    assert agrees_with_print(np.mean([stage.f1 for stage in night.classes]), ".458141")
    wake, nrem, rem = night.classes
    found = (nrem.sensitivity, nrem.specificity, nrem.ppv, nrem.npv, nrem.f1)
    for value, figure in zip(found, (".918919", ".239130", ".660194", ".647059", ".768362"), strict=True):
        assert agrees_with_print(value, figure)
    assert agrees_with_print(wake.f1, ".606061")
    assert (rem.sensitivity, rem.specificity, rem.npv, rem.f1, rem.kappa) == (0.0, 1.0, 0.75, 0.0, 0.0)
    assert math.isnan(rem.ppv)
    assert rem.reasons == (("ppv", "the device never reported this class"),)
    assert rem.reason("ppv") == "the device never reported this class"
    assert rem.reason("f1") == ""


@pytest.mark.parametrize(
    ("classes", "table", "po", "k", "ase", "correlation"),
    [
        (5, NIGHT_OF_900.tolist(), ".766667", ".666314", ".020067", ".667371"),
        (
            4,
            [[80, 18, 0, 2], [25, 372, 25, 28], [0, 40, 110, 0], [3, 37, 0, 160]],
            ".802222",
            ".698191",
            ".020631",
            ".698663",
        ),
        (3, [[80, 18, 2], [25, 547, 28], [3, 37, 160]], ".874444", ".745750", ".022329", ".745907"),
        (2, [[80, 20], [28, 772]], ".946667", ".739130", ".035835", ".739830"),
    ],
)
def test_folding_one_night(classes, table, po, k, ase, correlation) -> None:
    # Constructed; recomputed with statsmodels. Accuracy rises with each folding, kappa falls at the last.
    merge = np.eye(classes, dtype=np.int64)[list(FOLDINGS[classes])]
    folded = merge.T @ NIGHT_OF_900 @ merge
    assert folded.tolist() == table
    night = summarise_table(folded, reference_classes=NAMES[classes], device_classes=NAMES[classes])
    assert agrees_with_print(night.accuracy, po)
    assert agrees_with_print(night.kappa.value, k)
    assert agrees_with_print(night.kappa.se, ase)
    assert agrees_with_print(night.mcc, correlation)


# --------------------------------------------------------------------- a device that lacks a class of the reference


REM_APART = {"reference_classes": ("wake", "light", "deep", "rem"), "device_classes": ("wake", "light", "deep")}
NO_REM_COLUMN = np.array([[70, 25, 5], [30, 380, 40], [0, 45, 105], [10, 150, 40]])


def test_accuracy_without_a_column_counts_the_lacking_class_as_not_agreed() -> None:
    night = summarise_table(NO_REM_COLUMN, **REM_APART)
    assert night.n == 900
    assert night.accuracy == (70 + 380 + 105) / 900
    assert night.unreported == ("rem",)


def test_statistics_of_the_whole_table_need_every_class() -> None:
    night = summarise_table(NO_REM_COLUMN, **REM_APART)
    reason = "the device has no class for REM"
    assert night.kappa.undefined_because == reason
    assert night.kappa.n == 900
    for key in ("pabak", "ac1", "mcc", "balanced_accuracy"):
        assert math.isnan(getattr(night, key))
        assert night.reason(key) == reason
    assert night.reason("kappa") == reason
    assert night.reason("accuracy") == ""


def test_two_lacking_classes_are_both_named() -> None:
    night = summarise_table(
        NO_REM_COLUMN[:, :2], reference_classes=("wake", "light", "deep", "rem"), device_classes=("wake", "light")
    )
    assert night.reason("kappa") == "the device has no class for deep and REM"


def test_classes_of_a_table_without_a_column() -> None:
    night = summarise_table(NO_REM_COLUMN, **REM_APART)
    wake, _light, deep, rem = night.classes
    # Deep against the rest by hand: TP 105, FN 45, FP 85, TN 665.
    assert deep.sensitivity == 105 / 150
    assert deep.specificity == 665 / 750
    assert deep.ppv == 105 / 190
    assert deep.npv == 665 / 710
    assert deep.f1 == 210 / 340
    _assert_same(deep.kappa, cohens_kappa(np.array([[105, 45], [85, 665]])).kappa)
    assert wake.comparable
    assert wake.reasons == ()
    assert not rem.comparable
    assert (rem.reference_epochs, rem.device_epochs) == (200, 0)
    assert all(math.isnan(value) for value in (rem.sensitivity, rem.specificity, rem.npv, rem.f1, rem.kappa))
    assert {sentence for _, sentence in rem.reasons} == {"the device cannot report this class"}
    assert {key for key, _ in rem.reasons} == {*_CLASS_KEYS, "kappa"}


def test_columns_in_another_order_are_put_right() -> None:
    shuffled = summarise_table(
        TABLE_T[:, [2, 0, 1]], reference_classes=WAKE_NREM_REM, device_classes=("REM", "W", "NREM")
    )
    straight = summarise_table(TABLE_T, reference_classes=WAKE_NREM_REM, device_classes=WAKE_NREM_REM)
    assert shuffled.kappa == straight.kappa
    assert shuffled.classes == straight.classes
    assert shuffled.counts.tolist() == TABLE_T[:, [2, 0, 1]].tolist()


def test_widened_table_keeps_type_and_cells() -> None:
    wide = widen_columns(NO_REM_COLUMN[:, [2, 0]].astype(np.int16), device_index=(2, 0))
    assert wide.dtype == np.int16
    assert wide[:, 2].tolist() == NO_REM_COLUMN[:, 2].tolist()
    assert wide[:, 0].tolist() == NO_REM_COLUMN[:, 0].tolist()
    assert not wide[:, [1, 3]].any()


# ---------------------------------------------------------------------------------------------- undefined cases


def _summary(table: list[list[int]]) -> agreement.TableAgreement:
    return summarise_table(np.array(table), reference_classes=("W", "sleep"), device_classes=("W", "sleep"))


def test_no_epoch_at_all() -> None:
    night = _summary([[0, 0], [0, 0]])
    assert night.n == 0
    assert night.kappa.undefined_because == "the table holds no epoch"
    keys = ("accuracy", "kappa", "pabak", "ac1", "mcc", "balanced_accuracy")
    assert night.reasons == tuple((key, "the table holds no epoch") for key in keys)
    assert {text for stage in night.classes for _, text in stage.reasons} == {"the table holds no epoch"}


def test_both_sides_asleep_throughout() -> None:
    night = _summary([[0, 0], [0, 960]])
    assert night.accuracy == 1.0
    assert math.isnan(night.kappa.value)
    assert night.kappa.undefined_because == "both sides used one class only, so chance agreement is 1"
    assert (night.pabak, night.ac1, night.balanced_accuracy) == (1.0, 1.0, 1.0)
    assert night.reason("mcc") == "each side used one class only, so there is nothing to correlate"
    wake, sleep = night.classes
    assert wake.reason("sensitivity") == "the reference has no epoch of this class"
    assert wake.reason("f1") == "neither side used this class"
    assert wake.specificity == 1.0
    assert sleep.reason("specificity") == "the reference has no epoch of any other class"
    assert sleep.reason("npv") == "the device reported no other class"
    assert sleep.reason("kappa") == "both sides gave this class to every epoch, so chance agreement is 1"


def test_a_device_that_says_one_class_only() -> None:
    night = _summary([[0, 100], [0, 860]])
    assert night.kappa.value == 0.0
    assert night.reason("mcc") == "the device used one class only, so there is nothing to correlate"
    assert night.classes[0].reason("ppv") == "the device never reported this class"


def test_a_reference_of_one_class_only() -> None:
    night = _summary([[0, 0], [100, 860]])
    assert night.kappa.value == 0.0
    assert night.reason("mcc") == "the reference used one class only, so there is nothing to correlate"
    assert night.balanced_accuracy == 860 / 960


def test_each_side_keeps_to_another_class() -> None:
    # Reference awake, device asleep throughout: agreement 0, chance 0, so kappa is 0 and defined.
    night = _summary([[0, 960], [0, 0]])
    assert night.kappa.value == 0.0
    assert night.reason("mcc") == "each side used one class only, so there is nothing to correlate"


# ------------------------------------------------------------------------------------- intervals of kappa


def test_no_interval_of_width_nothing() -> None:
    for table in ([[5, 0], [0, 3]], [[0, 4], [0, 9]], [[0, 0], [3, 9]], [[0, 6], [6, 0]]):
        estimate = chance_corrected_kappa(np.array(table))
        assert estimate.defined
        assert estimate.se == 0.0
        assert math.isnan(estimate.low)
        assert math.isnan(estimate.high)
        assert estimate.method.endswith("no interval, because the standard error is 0 here")


def test_limits_are_cut_at_the_ends_of_the_scale_and_say_so() -> None:
    high = chance_corrected_kappa(np.array([[9, 1], [0, 10]]))
    assert high.high == 1.0
    assert high.low > 0
    assert high.method.endswith("limits cut at -1 and 1")
    low = chance_corrected_kappa(np.array([[0, 5], [4, 1]]))
    assert low.low == -1.0
    inside = chance_corrected_kappa(TABLE_T)
    assert "cut" not in inside.method


def test_level_of_the_interval() -> None:
    wide, narrow = chance_corrected_kappa(TABLE_T, level=0.99), chance_corrected_kappa(TABLE_T, level=0.5)
    for estimate in (wide, narrow):
        z = NormalDist().inv_cdf(0.5 + estimate.level / 2)
        assert estimate.high - estimate.value == pytest.approx(z * estimate.se, abs=1e-15)
        assert estimate.value - estimate.low == pytest.approx(z * estimate.se, abs=1e-15)


@pytest.mark.parametrize("level", [0.5, 0.8, 0.9, 0.95, 0.99])
def test_quantile_equals_the_standard_librarys(level) -> None:
    assert abs(normal_quantile(level) - NormalDist().inv_cdf(0.5 + level / 2)) < 1e-15


@pytest.mark.parametrize("level", [0.0, 1.0, -0.1, 95.0, math.nan])
def test_level_outside_its_range(level) -> None:
    with pytest.raises(ValueError, match="level must lie between 0 and 1, such as"):
        chance_corrected_kappa(TABLE_T, level=level)


# --------------------------------------------------------------------------------------------- Wilson's interval


@pytest.mark.parametrize("level", [0.8, 0.95, 0.99])
def test_wilson_interval_equals_statsmodels(level) -> None:
    n = np.array([1, 2, 10, 150, 960, 96_000_000])
    for hits in (np.zeros_like(n), n // 3, n // 2, n - 1, n):
        low, high = wilson_interval(hits, n, level=level)
        oracle_low, oracle_high = proportion_confint(hits, n, alpha=1 - level, method="wilson")
        _assert_same(low, oracle_low)
        _assert_same(high, oracle_high)


def test_wilson_interval_of_rem_shares() -> None:
    # Table U: 5 of 150 REM epochs went to W. By hand: centre (5 + z^2/2)/(150 + z^2) = .044986,
    # half-width z sqrt(5 x 145/150 + z^2/4)/(150 + z^2) = .030666.
    low, high = wilson_interval(5, 150)
    assert agrees_with_print((float(low) + float(high)) / 2, ".044986")
    assert agrees_with_print((float(high) - float(low)) / 2, ".030666")


def test_wilson_interval_touches_the_ends_exactly() -> None:
    low, high = wilson_interval([0, 7], [7, 7])
    assert low[0] == 0.0
    assert high[1] == 1.0


def test_wilson_interval_of_nothing() -> None:
    low, high = wilson_interval(0, 0)
    assert math.isnan(low)
    assert math.isnan(high)


# ------------------------------------------------------------------------------------------- wrong use


def test_many_tables_where_one_is_wanted() -> None:
    with pytest.raises(ValueError, match=r"one table of shape \(k, k\), not \(2, 3, 3\)"):
        chance_corrected_kappa(np.ones((2, 3, 3)))


@pytest.mark.parametrize("index", [(0, 0), (0, 4), (-1, 0)])
def test_positions_of_device_classes_that_make_no_sense(index) -> None:
    with pytest.raises(ValueError, match="device_index must hold different positions from 0 to 3"):
        widen_columns(NO_REM_COLUMN[:, :2], device_index=index)


def test_positions_that_do_not_fit_the_columns() -> None:
    with pytest.raises(ValueError, match="device_index names 2 columns, but counts has shape"):
        widen_columns(NO_REM_COLUMN, device_index=(0, 1))


@pytest.mark.parametrize(
    ("table", "rows", "columns", "error", "message"),
    [
        ([[1.0, 2.0], [3.0, 4.0]], "ab", "ab", TypeError, "counts must hold integers, not float64"),
        ([[1, 2], [3, 4]], "abc", "ab", ValueError, r"counts has shape \(2, 2\), but the classes ask for \(3, 2\)"),
        ([[1, -2], [3, 4]], "ab", "ab", ValueError, "counts must not be negative, but the smallest is -2"),
        ([[1, 2], [3, 4]], "aa", "ab", ValueError, "reference_classes must name each class once"),
        ([[1, 2], [3, 4]], "ab", "bb", ValueError, "device_classes must name each class once"),
        ([[1, 2], [3, 4]], "ab", "ac", ValueError, r"\['c'\] are not"),
        ([[1]], "a", "a", ValueError, "at least two reference classes and one device class are needed"),
    ],
)
def test_summaries_check_their_table(table, rows, columns, error, message) -> None:
    with pytest.raises(error, match=message):
        summarise_table(np.array(table), reference_classes=tuple(rows), device_classes=tuple(columns))


# ---------------------------------------------------------------------------------------- results as objects


def test_results_cannot_be_written_to_and_survive_pickling() -> None:
    night = summarise_table(TABLE_U, reference_classes=WAKE_NREM_REM, device_classes=WAKE_NREM_REM)
    for copied in (night, pickle.loads(pickle.dumps(night)), copy.deepcopy(night)):
        assert copied.counts.tolist() == TABLE_U.tolist()
        assert copied.kappa == night.kappa
        with pytest.raises(ValueError, match="read-only"):
            copied.counts[0, 0] = 7


def test_the_summary_keeps_its_own_copy_of_the_counts() -> None:
    table = TABLE_T.copy()
    night = summarise_table(table, reference_classes=WAKE_NREM_REM, device_classes=WAKE_NREM_REM)
    table[0, 0] = 0
    assert night.counts[0, 0] == 50


def test_import_stays_light() -> None:
    code = (
        "import sys, sleepagree.scoring.table_agreement as a, sleepagree.scoring.ceiling, numpy as np;"
        "a.summarise_table(np.eye(3, dtype=int), reference_classes='abc', device_classes='abc');"
        "print([m for m in ('scipy', 'pandas', 'statistics', 'mne', 'sklearn', 'matplotlib') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_worked_examples_of_the_methods_page() -> None:
    page = Path(__file__).parents[2] / "docs" / "methods_agreement.md"
    outcome = doctest.testfile(str(page), module_relative=False, encoding="utf-8")
    assert outcome.failed == 0
    assert outcome.attempted >= 10
