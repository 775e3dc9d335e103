"""Two devices on one night are compared on the epochs that both scored, and silence is counted by itself.

Every figure is taken again in the test from the raw sequences of letters, with numpy and scikit-learn alone.
"""

from __future__ import annotations

import base64
import csv
import json
import math
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from sklearn.metrics import cohen_kappa_score, recall_score

from sleepagree.cli.running import run_study, write_study
from sleepagree.describe.study_paragraphs import methods_of_study, results_of_study
from sleepagree.mapping.mapping import mapping_named
from sleepagree.render.study_json import study_document
from sleepagree.study import chunks, execution
from sleepagree.study.chunks import unfinished_folder
from sleepagree.study.comparison import JointNight, LeftOut, count_joint_night
from sleepagree.study.execution import Execution, run_rows
from sleepagree.study.from_table import StudyRequest, load_nights
from sleepagree.study.night_summary import NightSummary, pack_epochs
from sleepagree.study.paired_epochs import COLUMNS, read_paired_nights
from sleepagree.study.results import DeviceComparison, PairedDifference, StudyAgreement, StudyOptions
from sleepagree.study.run import ChunkResult, ScoringOptions, score_rows
from sleepagree.study.summarise import summarise_study
from tests.ferry import copy_ferry
from tests.said import said
from tests.told import study_lines, study_page

Letters = NDArray[np.str_]

STAGE = {"W": "W", "1": "N1", "2": "N2", "3": "N3", "R": "R", "?": "?"}
WORD = {"W": "wake", "L": "light", "D": "deep", "R": "rem", "?": "off wrist"}
CLASS = {"W": "W", "1": "L", "2": "L", "3": "D", "R": "R"}
REQUEST = StudyRequest(ScoringOptions(clock=False), StudyOptions(resamples=100))
COLUMNS_OF_TABLE = ("participant", "night", "device", "reference", "device_file", "layout", "reference_layout")


# --- invented nights --------------------------------------------------------------------------------------


def draw_reference(rng: np.random.Generator, epochs: int = 300) -> Letters:
    """Return stages that last a while, with some epochs unscored."""
    begins = rng.random(epochs) < 0.12
    begins[0] = True
    stages: Letters = rng.choice(list("WW1223R"), int(begins.sum()))[np.cumsum(begins) - 1]
    stages[0], stages[-1] = "W", "W"
    stages[40:43] = "?"
    return stages


def draw_device(rng: np.random.Generator, reference: Letters, wrong: float) -> Letters:
    """Return the reference's classes with a share of other words."""
    right = np.array([CLASS.get(stage, "L") for stage in reference])
    said: Letters = np.where(rng.random(right.size) < wrong, rng.choice(list("WLDR"), right.size), right)
    return said


def silent_where_wrong(reference: Letters, device: Letters) -> Letters:
    right = classes_of(reference)
    # every third wrong epoch is kept, or nothing were left to differ in
    silent = (device != right) & (reference != "?") & (np.arange(device.size) % 3 > 0)
    spoken: Letters = np.where(silent, ".", device)
    return spoken


def write_side(path: Path, letters: Letters, words: dict[str, str], *, begin_s: int = 0) -> None:
    rows = [f"{begin_s + 30 * i},30,{words[c]}" for i, c in enumerate(letters) if c != "."]
    path.write_text("\n".join(["onset,duration,stage", *rows]) + "\n")


def write_table(folder: Path, rows: list[dict[str, object]], name: str = "nights.csv") -> Path:
    (folder / "seconds.toml").write_text(
        '[file]\nduration_unit = "s"\n[stages]\n"off wrist" = "unscored"\n'
        'wake = "wake"\nlight = "light"\ndeep = "deep"\nrem = "rem"\n'
    )
    (folder / "lab.toml").write_text('[file]\nduration_unit = "s"\n')
    header = list(dict.fromkeys((*COLUMNS_OF_TABLE, *(key for row in rows for key in row))))
    with (folder / name).open("w", newline="") as stream:
        writer = csv.DictWriter(stream, header, restval="")
        writer.writeheader()
        writer.writerows(rows)
    return folder / name


def row(who: int, device: str, file: str, **more: object) -> dict[str, object]:
    common = {"layout": "seconds.toml", "reference_layout": "lab.toml"}
    return {
        "participant": f"crew-{who}", "night": "1", "device": device, "reference": f"lab-{who}.csv",
        "device_file": file, **common, **more,
    }  # fmt: skip


class Nights:
    """Nights of some people with two devices: letters, files and rows of a table, device by device."""

    def __init__(self, folder: Path, *, people: int = 6, twin: bool = False) -> None:
        rng = np.random.default_rng(11)
        self.folder = folder
        self.sides: list[tuple[Letters, Letters, Letters]] = []
        self.rows: list[dict[str, object]] = []
        for who in range(people):
            reference = draw_reference(rng)
            one = draw_device(rng, reference, 0.25)
            one[0] = one[-1] = "W"
            two = silent_where_wrong(reference, one) if twin else draw_device(rng, reference, 0.15)
            if not twin:
                one[rng.random(one.size) < 0.05] = "."
                two[rng.random(two.size) < 0.10] = "."
                two[60:66] = "?"
            write_side(folder / f"lab-{who}.csv", reference, STAGE)
            write_side(folder / f"band-{who}.csv", one, WORD)
            write_side(folder / f"pad-{who}.csv", two, WORD)
            self.sides.append((reference, one, two))
            self.rows += [row(who, "band A", f"band-{who}.csv"), row(who, "pad B", f"pad-{who}.csv")]

    def study(self, request: StudyRequest = REQUEST) -> StudyAgreement:
        return run_study(load_nights(write_table(self.folder, self.rows)), request)

    def by_device(self) -> list[dict[str, object]]:
        return sorted(self.rows, key=lambda r: str(r["device"]))


def compared(study: StudyAgreement) -> DeviceComparison:
    (comparison,) = study.comparisons
    return comparison


def difference(comparison: DeviceComparison, statistic: str, of: str = "") -> PairedDifference:
    return next(d for d in comparison.differences if (d.statistic, d.of) == (statistic, of))


# --- a twin that is silent where it would be wrong --------------------------------------------------------


def test_a_twin_that_is_silent_where_it_is_wrong_is_no_better(tmp_path: Path) -> None:
    comparison = compared(Nights(tmp_path, twin=True).study())
    assert comparison.differences
    for d in comparison.differences:
        assert d.first == d.second, d
        found = d.difference.primary
        assert found.value == 0, d
        assert math.isnan(found.low), d  # both are alike on every night: nothing tells how sure that is
    kappa = difference(comparison, "kappa")
    # on its own epochs it looks far better: that is what the comparison must not say
    assert kappa.own_second > kappa.own_first + 0.1
    # wrong or silent is one thing where silence counts as wrong, and the silence itself is told
    assert comparison.with_silence.first == comparison.with_silence.second < difference(comparison, "accuracy").first
    assert comparison.silent[0] == 0 < comparison.silent[1]


def test_silence_counted_as_disagreement_shows_that_the_twin_is_not_better(tmp_path: Path) -> None:
    nights = Nights(tmp_path, twin=True)
    # half of what it is right in too: silence is then worse than speaking
    for who, (reference, one, two) in enumerate(nights.sides):
        two[1:-1:2] = "."
        write_side(tmp_path / f"pad-{who}.csv", two, WORD)
        assert (two[two != "."] == one[two != "."]).all(), reference
    comparison = compared(nights.study())
    assert difference(comparison, "kappa").difference.value == 0
    silence = comparison.with_silence
    assert silence.second < silence.first
    assert silence.difference.primary.high < 0
    assert silence.difference.value == pytest.approx(silence.second - silence.first, abs=1e-12)


# --- against the raw sequences ----------------------------------------------------------------------------


def classes_of(reference: Letters) -> Letters:
    return np.array([CLASS.get(stage, "?") for stage in reference])


@pytest.fixture(scope="module")
def nights(tmp_path_factory: pytest.TempPathFactory) -> Nights:
    return Nights(tmp_path_factory.mktemp("joint"))


@pytest.fixture(scope="module")
def study(nights: Nights) -> StudyAgreement:
    return nights.study()


def joint_of(sides: tuple[Letters, Letters, Letters]) -> NDArray[np.bool_]:
    found = np.ones(sides[0].size, bool)
    for side in sides:
        found &= (side != ".") & (side != "?")
    return found


def test_epochs_and_silence_are_those_of_the_sequences(nights: Nights, study: StudyAgreement) -> None:
    comparison = compared(study)
    assert (comparison.participants, comparison.nights, comparison.left_out) == (6, 6, ())
    assert comparison.window_epochs == sum(s[0].size for s in nights.sides)
    assert comparison.epochs == comparison.counted == sum(int(joint_of(s).sum()) for s in nights.sides)
    for side in (1, 2):
        quiet = sum(int(((s[side] == ".") | (s[side] == "?")).sum()) for s in nights.sides)
        assert comparison.silent[side - 1] == quiet
        own = sum(int(((s[0] != "?") & (s[side] != ".") & (s[side] != "?")).sum()) for s in nights.sides)
        assert comparison.own_epochs[side - 1] == own
        assert comparison.epochs < own


def test_agreement_is_that_of_the_joint_epochs(nights: Nights, study: StudyAgreement) -> None:
    comparison = compared(study)
    assert comparison.mapping == "wake-light-deep-rem"
    truth = np.concatenate([classes_of(s[0])[joint_of(s)] for s in nights.sides])
    said = [np.concatenate([s[side][joint_of(s)] for s in nights.sides]) for side in (1, 2)]
    for k, answer in enumerate(said):
        d = difference(comparison, "kappa")
        assert (d.first, d.second)[k] == pytest.approx(cohen_kappa_score(truth, answer), abs=1e-12)
        d = difference(comparison, "accuracy")
        assert (d.first, d.second)[k] == pytest.approx((truth == answer).mean(), abs=1e-12)
        recalls = recall_score(truth, answer, labels=list("WLDR"), average=None)
        for name, recall in zip(("wake", "light", "deep", "rem"), recalls, strict=True):
            d = difference(comparison, "sensitivity", name)
            assert (d.first, d.second)[k] == pytest.approx(recall, abs=1e-12)
    for d in comparison.differences:
        assert d.difference.value == pytest.approx(d.second - d.first, abs=1e-12)


def test_own_figures_are_those_of_each_device_alone(nights: Nights, study: StudyAgreement) -> None:
    d = difference(compared(study), "kappa")
    for side, own in ((1, d.own_first), (2, d.own_second)):
        alone = [(s[0] != "?") & (s[side] != ".") & (s[side] != "?") for s in nights.sides]
        truth = np.concatenate([classes_of(s[0])[keep] for s, keep in zip(nights.sides, alone, strict=True)])
        answer = np.concatenate([s[side][keep] for s, keep in zip(nights.sides, alone, strict=True)])
        assert own == pytest.approx(cohen_kappa_score(truth, answer), abs=1e-12)
    assert d.own_first != d.first


def test_absolute_errors_are_those_of_measures_of_the_joint_epochs(nights: Nights, study: StudyAgreement) -> None:
    errors: dict[str, list[list[float]]] = {}
    for sides in nights.sides:
        keep = joint_of(sides)
        truth = measures_by_hand(classes_of(sides[0]), keep)
        for k in (1, 2):
            for name, value in measures_by_hand(sides[k], keep).items():
                errors.setdefault(name, [[], []])[k - 1].append(abs(value - truth[name]))
    for name, (one, two) in errors.items():
        d = difference(compared(study), "absolute error", name)
        assert (d.first, d.second) == pytest.approx((np.mean(one), np.mean(two)), abs=1e-9), name


def measures_by_hand(letters: Letters, keep: NDArray[np.bool_]) -> dict[str, float]:
    asleep = keep & (letters != "W")
    onset = int(np.flatnonzero(asleep)[0])
    tst = asleep.sum() / 2
    deep = (keep & (letters == "D")).sum() / 2
    return {
        "TST": tst,
        "SOL": onset / 2,
        "WASO": (keep & (letters == "W"))[onset:].sum() / 2,
        "SE": 100 * tst / (letters.size / 2),
        "REM latency": (int(np.flatnonzero(keep & (letters == "R"))[0]) - onset) / 2,
        "deep latency": (int(np.flatnonzero(keep & (letters == "D"))[0]) - onset) / 2,
        "minutes deep": deep,
        "percent deep": 100 * deep / tst,
        "minutes wake": (keep & (letters == "W")).sum() / 2,
    }


def test_agreement_with_silence_is_a_share_of_the_epochs_of_the_reference(
    nights: Nights, study: StudyAgreement
) -> None:
    comparison = compared(study)
    asked = np.concatenate([s[0] != "?" for s in nights.sides])
    truth = np.concatenate([classes_of(s[0]) for s in nights.sides])
    assert comparison.asked == int(asked.sum())
    for k, found in ((1, comparison.with_silence.first), (2, comparison.with_silence.second)):
        said = np.concatenate([s[k] for s in nights.sides])
        assert found == pytest.approx(((said == truth) & asked).sum() / asked.sum(), abs=1e-12)


def test_an_epoch_that_a_mapping_leaves_out_is_not_silence(tmp_path: Path) -> None:
    one, two = mapping_named("rem-left-out"), mapping_named("wake-sleep")
    nights = Nights(tmp_path)
    for who, letters in enumerate(nights.sides):
        for side, name in zip(letters[1:], ("band", "pad"), strict=True):
            side[side == "R"] = "L"
            write_side(tmp_path / f"{name}-{who}.csv", side, WORD)
    reports = ("wake", "light", "deep")
    asked = replace(REQUEST, scoring=replace(REQUEST.scoring, reports=reports, mappings=(one, two)))
    study = nights.study(replace(asked, statistics=replace(asked.statistics, mappings=(one, two))))
    comparison = compared(study)
    joint = [joint_of(s) for s in nights.sides]
    assert comparison.epochs == sum(int(j.sum()) for j in joint)
    band, pad = study.devices
    sides = [(one, device.nights[0].device_set) for device in study.devices]
    for i, (s, keep) in enumerate(zip(nights.sides, joint, strict=True)):
        found = count_joint_night((band.nights[i], pad.nights[i]), mapping=one, sides=sides)
        assert isinstance(found, JointNight)
        assert found.epochs == keep.sum()
        assert found.counts.sum(axis=(1, 2)).tolist() == [(keep & (s[0] != "R")).sum()] * 2
        asks = (s[0] != "R") & (s[0] != "?")
        same = [int((asks & (s[k] == classes_of(s[0]))).sum()) for k in (1, 2)]
        assert (found.asked, *found.same) == (asks.sum(), *same)
    # minutes of a class: epochs in REM are in none of the classes of the first mapping
    expected = []
    for s, keep in zip(nights.sides, joint, strict=True):
        seen = keep & (s[0] != "R")
        truth = (seen & (s[0] == "3")).sum() / 2
        expected.append([abs((seen & (s[k] == "D")).sum() / 2 - truth) for k in (1, 2)])
    d = difference(comparison, "absolute error", "minutes deep")
    assert (d.first, d.second) == pytest.approx(np.mean(expected, axis=0).tolist(), abs=1e-9)


# --- windows and clocks of their own ----------------------------------------------------------------------


def test_rows_with_other_windows_and_clocks_meet_on_the_grid_of_the_reference(tmp_path: Path) -> None:
    nights = Nights(tmp_path)
    for who, (_, _, two) in enumerate(nights.sides):
        # the pad's clock is 10 min late, it begins at epoch 20 and ends after epoch 279; its window is the overlap
        write_side(tmp_path / f"pad-{who}.csv", np.array([*two[20:280]]), WORD, begin_s=600 + 600)
        ends = np.flatnonzero(two[20:280] != ".")
        two[: 20 + ends[0]] = "x"
        two[20 + ends[-1] + 1 :] = "x"
        nights.rows[2 * who + 1] |= {"clock_offset": -600, "window": "overlap"}
    comparison = compared(nights.study())
    cut = [(s[0][s[2] != "x"], s[1][s[2] != "x"], s[2][s[2] != "x"]) for s in nights.sides]
    assert comparison.window_epochs == sum(s[0].size for s in cut)
    assert comparison.epochs == sum(int(joint_of(s).sum()) for s in cut)
    truth = np.concatenate([classes_of(s[0])[joint_of(s)] for s in cut])
    for k in (1, 2):
        answer = np.concatenate([s[k][joint_of(s)] for s in cut])
        d = difference(comparison, "kappa")
        assert (d.first, d.second)[k - 1] == pytest.approx(cohen_kappa_score(truth, answer), abs=1e-12)


# --- what cannot be compared ------------------------------------------------------------------------------


def test_nights_with_another_reference_are_left_out_and_told(tmp_path: Path) -> None:
    nights = Nights(tmp_path)
    reference = nights.sides[2][0].copy()
    reference[100] = "3" if reference[100] != "3" else "2"
    write_side(tmp_path / "second.csv", reference, STAGE)
    nights.rows[5]["reference"] = "second.csv"
    study = nights.study()
    comparison = compared(study)
    assert (comparison.nights, comparison.left_out) == (5, ((LeftOut.REFERENCE.value, 1),))
    assert comparison.epochs == sum(int(joint_of(s).sum()) for i, s in enumerate(nights.sides) if i != 2)
    assert (
        "band A and pad B: on 1 of the 6 nights that both watched the two rows have different references (other files, "
        "or one file that is read in two ways), so their epochs are not the same; it is left out of the comparison."
    ) in said(study.cautions)
    assert study_document(study)["comparisons"][0]["nights_left_out"] == {"other_reference": 1}


def test_one_reference_that_is_read_in_two_ways_is_no_common_one(tmp_path: Path) -> None:
    nights = Nights(tmp_path)
    (tmp_path / "other.toml").write_text('[file]\nduration_unit = "s"\n[stages]\nN3 = "N2"\n')
    for odd in nights.rows[1::2]:
        odd["reference_layout"] = "other.toml"
    study = nights.study()
    assert study.comparisons == ()
    assert any(
        text.startswith("band A and pad B were worn on the same nights, but are not compared: the two rows have")
        for text in said(study.cautions)
    )


def test_devices_that_never_spoke_together_are_not_compared(tmp_path: Path) -> None:
    nights = Nights(tmp_path, people=2)
    for who, (_, one, two) in enumerate(nights.sides):
        write_side(tmp_path / f"band-{who}.csv", one[:150], WORD)
        write_side(tmp_path / f"pad-{who}.csv", two[150:], WORD, begin_s=4500)
    study = nights.study()
    assert study.comparisons == ()
    assert (
        "band A and pad B were worn on the same nights, but are not compared: no epoch has a stage from the reference "
        "and from both devices."
    ) in said(study.cautions)


def test_summaries_without_epochs_are_not_compared_and_it_is_said(study: StudyAgreement) -> None:
    bare = [replace(n, epochs=None) for device in study.devices for n in device.nights]
    found = summarise_study(bare, StudyOptions(resamples=20))
    assert found.comparisons == ()
    assert (
        "band A and pad B were worn on the same nights, but are not compared: the nights were summed up without the "
        "labels of their epochs, so nothing tells which epochs both scored."
    ) in said(found.cautions)


# --- the same whatever the order, the chunks and the workers ----------------------------------------------


def comparisons_of(folder: Path, rows: list[dict[str, object]], name: str, **options: Any) -> str:
    table = load_nights(write_table(folder, rows))
    write_study(table, REQUEST, folder / name, **options)
    return json.dumps(json.loads((folder / name / "results.json").read_text())["comparisons"])


def test_order_chunks_and_workers_change_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    request = replace(REQUEST, report=False)
    monkeypatch.setattr(f"{__name__}.REQUEST", request)
    nights = Nights(tmp_path)
    whole = comparisons_of(tmp_path, nights.rows, "whole")
    assert json.loads(whole)
    for size in (1, 5):
        # all rows of one device before those of the other: no chunk holds a night whole
        monkeypatch.setattr(chunks, "CHUNK_ROWS", size)
        assert comparisons_of(tmp_path, nights.by_device(), f"apart-{size}") == whole
    monkeypatch.setattr(execution, "FEWEST_ROWS_FOR_WORKERS", 1)
    assert comparisons_of(tmp_path, nights.by_device(), "workers", workers=2) == whole


def test_kept_chunks_carry_the_epochs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(chunks, "CHUNK_ROWS", 5)
    nights = Nights(tmp_path)
    table = load_nights(write_table(tmp_path, nights.by_device()))
    whole = study_document(run_study(table, REQUEST))["comparisons"]
    kept = unfinished_folder(tmp_path / "out")
    run = Execution(keep=kept, resume=True)
    list(run_rows(table, REQUEST.scoring, execution=run))
    monkeypatch.setattr(execution, "score_rows", lambda *_: pytest.fail("a kept chunk was scored again"))
    assert study_document(run_study(table, REQUEST, execution=run))["comparisons"] == whole


def test_a_chunk_of_an_earlier_form_is_scored_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    nights = Nights(tmp_path, people=2)
    table = load_nights(write_table(tmp_path, nights.rows))
    run = Execution(keep=tmp_path / "kept", resume=True)
    with monkeypatch.context() as earlier:
        earlier.setattr(chunks, "_KEPT_FORM", 1)
        list(run_rows(table, REQUEST.scoring, execution=run))
    seen: list[tuple[int, int]] = []
    list(run_rows(table, REQUEST.scoring, execution=run, progress=lambda *told: seen.append(told)))
    # nothing was taken for done
    assert seen == [(0, 4), (4, 4)]


@pytest.mark.parametrize("damage", ["bytes", "length"])
def test_epochs_that_were_damaged_on_disk_are_scored_again(
    damage: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    nights = Nights(tmp_path, people=2)
    table = load_nights(write_table(tmp_path, nights.rows))
    run = Execution(keep=tmp_path / "kept", resume=True)
    (whole,) = run_rows(table, REQUEST.scoring, execution=run)
    path = tmp_path / "kept" / "chunk-000000.json"
    document = json.loads(path.read_text())
    text = document["outcomes"][1]["epochs"]["packed"]
    other = pack_epochs(np.zeros(7, np.int16), np.zeros(7, np.int16), begin_s=0.0)
    spoilt = text[:40] + ("A" if text[40] != "A" else "B") + text[41:]
    document["outcomes"][1]["epochs"]["packed"] = (
        spoilt if damage == "bytes" else base64.b64encode(other.packed).decode()
    )
    path.write_text(json.dumps(document))
    scored: list[int] = []

    def score(rows: Any, *rest: Any) -> ChunkResult:
        scored.append(len(rows))
        return score_rows(rows, *rest)

    monkeypatch.setattr(execution, "score_rows", score)
    (again,) = run_rows(table, REQUEST.scoring, execution=run)
    assert scored == [4]
    assert [o.to_document() for o in again.outcomes] == [o.to_document() for o in whole.outcomes]  # type: ignore[union-attr]


def test_nights_of_a_single_device_hold_no_epochs(tmp_path: Path) -> None:
    nights = Nights(tmp_path)
    # two people with both devices, four with one
    nights.rows = nights.rows[:4] + nights.rows[4::2]
    found = [n for device in nights.study().devices for n in device.nights]
    assert {n.participant for n in found if n.epochs is not None} == {"crew-0", "crew-1"}
    assert sum(n.epochs is not None for n in found) == 4


# --- tables of paired epochs ------------------------------------------------------------------------------


def read_tables(nights: Nights) -> list[NightSummary]:
    """Write the same nights as two tables of paired epochs and read them; the pad's begins at another epoch."""
    found = []
    for side, device in ((1, "band A"), (2, "pad B")):
        path = nights.folder / f"{device}.csv"
        with path.open("w", newline="") as stream:
            writer = csv.writer(stream)
            writer.writerow(COLUMNS)
            for who, sides in enumerate(nights.sides):
                for i, (stage, said) in enumerate(zip(sides[0], sides[side], strict=True)):
                    label = {".": "", "?": "unscored"}.get(said, WORD.get(said, ""))
                    writer.writerow([f"crew-{who}", "1", i, STAGE[stage], label])
        found += list(read_paired_nights(path, device=device))
    return found


def test_tables_of_paired_epochs_give_the_same_comparison(nights: Nights, study: StudyAgreement) -> None:
    found = summarise_study(read_tables(nights), REQUEST.statistics)
    # labels are the same, and the numbers of epochs take the place of times
    assert study_document(found)["comparisons"] == study_document(study)["comparisons"]


def test_tables_of_paired_epochs_meet_by_their_numbers(tmp_path: Path) -> None:
    texts = {
        "band A": "a,1,5,W,wake\na,1,6,N2,light\na,1,7,N2,deep\na,1,8,R,rem\n",
        "pad B": "a,1,7,N2,light\na,1,8,R,\na,1,9,W,wake\n",
    }
    found = []
    for device, text in texts.items():
        path = tmp_path / f"{device}.csv"
        path.write_text(",".join(COLUMNS) + "\n" + text)
        found += list(read_paired_nights(path, device=device))
    comparison = compared(summarise_study(found, StudyOptions(resamples=20)))
    # epochs 7 and 8 are in both tables; at 8 the pad is silent
    assert (comparison.window_epochs, comparison.epochs, comparison.silent) == (2, 1, (0, 1))


# --- what is told -----------------------------------------------------------------------------------------


def test_the_joint_epochs_and_silence_are_told_first(study: StudyAgreement) -> None:
    comparison = compared(study)
    text = " ".join(" ".join(study_lines(study)).split())
    shares = [f"{100 * share:.1f} %" for share in comparison.silent_shares]
    told = (
        f"Both on the same {comparison.epochs} epochs: those of the 1800 in the windows that the reference and both "
        f"devices scored; band A gave no stage to {shares[0]} of the windows' epochs, pad B to {shares[1]}."
    )
    silence = comparison.with_silence
    after = (
        f"Silence counted as disagreement: agreement of band A {silence.first:.3f}, of pad B {silence.second:.3f}, "
        f"difference {silence.difference.value:.3f} ("
    )
    own = "Each on its own epochs, not to be compared: band A accuracy "
    assert 0 < text.index(told) < text.index("sensitivity wake", text.index(told)) < text.index(after) < text.index(own)
    page = study_page(study)
    assert told.replace("'", "&#39;") in page.replace("\xa0", " ")
    results = results_of_study(study)
    assert f"there on the same {comparison.epochs} epochs, those that the reference and both scored" in results
    assert "With silence counted as disagreement, agreement was " in results
    assert (
        "on the same epochs of them, those that the reference and both devices scored" in methods_of_study(study).text
    )


def test_the_document_holds_epochs_silence_and_own_figures(study: StudyAgreement) -> None:
    comparison = compared(study)
    (document,) = study_document(study)["comparisons"]
    assert document["epochs"] == comparison.epochs
    assert document["silent"] == {
        "band A": comparison.silent[0] / comparison.window_epochs,
        "pad B": comparison.silent[1] / comparison.window_epochs,
    }
    assert document["own_epochs"] == {"band A": comparison.own_epochs[0], "pad B": comparison.own_epochs[1]}
    kappa = next(d for d in document["differences"] if d["statistic"] == "kappa" and d["of"] is None)
    assert kappa["own"]["first"] == difference(comparison, "kappa").own_first
    silence = document["with_silence"]
    assert (silence["first"], silence["second"]) == (comparison.with_silence.first, comparison.with_silence.second)
    assert silence["difference"]["low"] < silence["difference"]["value"] < silence["difference"]["high"]


# --- devices without REM ----------------------------------------------------------------------------------


def test_what_the_mapping_leaves_out_is_in_no_number_of_own_epochs(tmp_path: Path) -> None:
    """The same band under two names: REM, which it has no label for, is left out of all that is told of both."""
    table = copy_ferry(tmp_path / "ferry")
    shutil.copytree(table.parent / "band-a", table.parent / "band-c")
    for path in (table.parent / "band-c").iterdir():
        path.write_bytes(path.read_bytes() + b"\n")  # another file
    head, *rows = table.read_text(encoding="utf-8").splitlines(keepends=True)
    band = [row for row in rows if "band A" in row]
    twins = [row.replace("band A", "band C").replace("band-a/", "band-c/") for row in band]
    table.write_text("".join([head, *band, *twins]), encoding="utf-8")
    study = run_study(load_nights(table), REQUEST)
    comparison = compared(study)
    assert comparison.mapping == "rem-left-out"
    staged = sum(int(n.native.sum()) for n in study.devices[0].nights)
    rem = sum(int(n.native[n.reference_set.stages.index("R")].sum()) for n in study.devices[0].nights)
    assert rem > 0
    assert comparison.own_epochs == (staged - rem, staged - rem)
