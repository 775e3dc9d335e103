"""What one side can report: declared, or taken from its labels."""

from __future__ import annotations

import pytest

from sleepagree.errors import UnknownStageError
from sleepagree.mapping.sets import StageSet, make_stage_set
from sleepagree.mapping.words import AASM_STAGES, UNSCORED

LAB = make_stage_set(AASM_STAGES, AASM_STAGES)


def reporting(*stages: str) -> StageSet:
    """A side with one label per stage, all of them declared."""
    return make_stage_set(stages, stages, reports=stages)


def test_reports_taken_from_the_labels_leave_out_the_unscored():
    found = make_stage_set(("W", "?", "N2"), ("W", UNSCORED, "N2"))
    assert (found.reportable, found.declared) == (("W", "N2"), False)
    assert found.scored == (True, False, True)


def test_declared_reports_may_go_beyond_the_file_but_not_stay_behind_it():
    found = make_stage_set(("W", "light"), ("W", "light"), reports=("wake", "light", "deep", "rem"))
    assert (found.reportable, found.declared) == (("W", "light", "N3", "R"), True)
    with pytest.raises(UnknownStageError) as refusal:
        make_stage_set(("up", "dream"), ("W", "R"), reports=("wake", "light"), path="pad.csv")
    assert str(refusal.value) == (
        "pad.csv: reports: the file holds a stage (R) that the declared stages rule out. Found label 'dream' in the "
        "file, declared wake, light; expected every stage of the file among the declared. Add it to reports (or "
        "'reports' in the layout), or map the label to another stage."
    )
    with pytest.raises(UnknownStageError, match=r"a word that is no stage\. Found lite"):
        make_stage_set(("W",), ("W",), reports=("wake", "lite"))


def test_stage_sets_refuse_nonsense():
    with pytest.raises(ValueError, match="2 labels but 1 stages"):
        StageSet(("a", "b"), ("W",), ("W",))
    with pytest.raises(ValueError, match="distinct"):
        StageSet(("a", "a"), ("W", "W"), ("W",))
