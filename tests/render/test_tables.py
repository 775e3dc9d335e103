"""Results as DataFrames: the same numbers as the results, units in the names, names stay text."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from pandas.testing import assert_frame_equal

from sleepagree.night.compare import compare
from sleepagree.night.mappings import compare_mappings
from sleepagree.render.frames import (
    tabulate_bias,
    tabulate_bias_sources,
    tabulate_classes,
    tabulate_confusion,
    tabulate_epochs,
    tabulate_mappings,
    tabulate_measures,
    tabulate_nights,
    tabulate_redistribution,
    tabulate_study_confusion,
)
from sleepagree.study.results import StudyOptions
from sleepagree.study.summarise import summarise_study
from tests.ferry import simulated_nights
from tests.worked import pair, side

REFERENCE = "W N1 N1 N2 N2 N3 N3 R R R W N2"
NO_REM = "wake wake light light deep deep light deep light deep wake light"


@pytest.fixture(scope="module")
def night():
    return compare(pair(REFERENCE, side(NO_REM)))


def test_confusion(night):
    expected = pd.DataFrame(
        [[2, 0, 0], [1, 3, 1], [0, 1, 1], [0, 1, 2]],
        index=pd.Index(["wake", "light", "deep", "rem"], name="reference"),
        columns=pd.Index(["wake", "light", "deep"], name="device"),
    )
    assert_frame_equal(tabulate_confusion(night), expected)


def test_classes(night):
    found = tabulate_classes(night)
    assert found.index.tolist() == ["wake", "light", "deep", "rem"]
    assert found.columns.tolist() == ["sensitivity", "specificity", "ppv", "npv", "f1", "kappa"]
    assert found.loc["light", "sensitivity"] == 3 / 5
    assert found.loc["deep", "ppv"] == 1 / 4
    assert found.loc["rem"].isna().all()


def test_measures_are_numbers_with_their_units(night):
    found = tabulate_measures(night)
    assert found.loc["TST", ["unit", "reference", "device", "difference"]].tolist() == ["min", 5.0, 4.5, -0.5]
    assert found["reference"].dtype == float
    assert np.isnan(found.loc["minutes rem", "device"])
    assert found.loc["minutes rem", "reason"] == "the device has no label for it"


def test_epochs_keep_labels_as_text():
    paired = pair(side("0 0 2 ? 2", stages={0: "W", 2: "N2"}), side("1 1 - 3 3", stages={1: "wake", 3: "light"}))
    found = tabulate_epochs(compare(paired))
    assert found["reference_label"].tolist() == ["0", "0", "2", "?", "2"]
    assert found["device_label"].tolist()[:2] == ["1", "1"]
    assert found["status"].tolist() == ["scored", "scored", "device_gap", "reference_unscored", "scored"]
    assert found.index.tolist() == [0, 1, 2, 3, 4]


def test_redistribution_and_bias_sources(night):
    where = tabulate_redistribution(night)
    assert where[["stage", "class", "epochs", "share"]].to_numpy().tolist() == [
        ["R", "wake", 0, 0.0],
        ["R", "light", 1, pytest.approx(1 / 3)],
        ["R", "deep", 2, pytest.approx(2 / 3)],
    ]
    flows = tabulate_bias_sources(night)
    assert flows.groupby("class", sort=False)["minutes"].sum().to_dict() == {"wake": 0.5, "light": 0.0, "deep": 1.0}


def test_nothing_to_trace_is_an_empty_frame():
    night = compare(pair("W N2 N3 R", "wake light deep rem"))
    assert tabulate_redistribution(night).empty
    no_epoch = tabulate_redistribution(compare(pair("W N2 N3 N2", "wake light light light")))
    assert no_epoch[["share", "low", "primary_high"]].dtypes.unique().tolist() == [np.dtype(float)]


def test_mappings():
    found = tabulate_mappings(compare_mappings(pair(REFERENCE, side(NO_REM)), declared="wake-sleep"))
    assert found.index.tolist()[0] == "rem-apart"
    assert found.loc["rem-left-out", ["epochs", "left_out_epochs"]].tolist() == [9, 3]
    assert found.loc["rem-left-out", "kappa"] == pytest.approx(24 / 51)
    assert found["declared"].tolist() == [False] * 5 + [True]


def test_studies_keep_the_names_of_people_as_text():
    import dataclasses

    nights = [
        dataclasses.replace(s, participant=f"00{s.participant[-1]}", night=f"0{s.night}") for s in simulated_nights(3)
    ]
    study = summarise_study(nights, StudyOptions(resamples=20))
    found = tabulate_nights(study)
    assert set(found["participant"]) == {n.participant for n in nights}
    assert all(name.startswith("00") for name in found["participant"])
    assert all(name.startswith("0") for name in found["night"])
    assert found["scored"].dtype.kind == "i"
    assert set(tabulate_bias(study)["device"]) == {"band A", "pad B"}
    assert tabulate_study_confusion(study)["epochs"].dtype.kind == "i"
