"""Statistics of a study against general-purpose libraries and hand-worked sums."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from scipy import stats
from sklearn.metrics import cohen_kappa_score

from sleepagree.caution import CautionKind
from sleepagree.describe.blocks import Figure, Items, flat
from sleepagree.describe.cautions import rank_caution
from sleepagree.describe.study import describe_study, next_command
from sleepagree.describe.study_margins import margins_table
from sleepagree.describe.study_paragraphs import finding_of_device, methods_of_study, results_of_study
from sleepagree.describe.words import interval
from sleepagree.hypnogram.align import align
from sleepagree.mapping.mapping import mapping_named
from sleepagree.render.study_json import bias_rows, confusion_rows, night_rows, study_document
from sleepagree.scoring import coefficients
from sleepagree.scoring.offsets import ClockHint
from sleepagree.study.groups import fold_nights
from sleepagree.study.night_summary import MEASURE_NAMES, NightSummary, Refusal
from sleepagree.study.results import StudyAgreement, StudyOptions
from sleepagree.study.run import ScoringOptions
from sleepagree.study.summarise import summarise_study
from sleepagree.study.table import NightRow, NightsTable
from tests.ferry import simulated_nights
from tests.said import said
from tests.told import bias_lines, first_screen, study_lines, study_page

NIGHTS = simulated_nights()
STUDY = summarise_study(NIGHTS, StudyOptions(resamples=400))
BAND, PAD = STUDY.devices


def test_each_device_gets_its_finest_mapping_and_ones_with_kappa() -> None:
    assert [m.mapping.name for m in BAND.mappings] == ["rem-apart", "rem-left-out", "wake-sleep"]
    assert [m.mapping.name for m in PAD.mappings] == ["wake-light-deep-rem", "wake-sleep"]


def test_pooled_kappa_is_that_of_all_epochs_together() -> None:
    studied = PAD.mappings[0]
    rows, columns = [], []
    for i in range(4):
        for j in range(4):
            n = int(studied.counts[i, j])
            rows += [i] * n
            columns += [j] * n
    found = studied.find("kappa")
    assert found is not None
    # scikit-learn as an oracle
    assert found.pooled.value == pytest.approx(cohen_kappa_score(rows, columns), abs=1e-12)


def test_beside_the_ceiling_stands_the_devices_kappa_on_its_table() -> None:
    apart = BAND.mappings[0]
    wide = [pair for (i, j), n in np.ndenumerate(apart.counts) for pair in [(i, j)] * int(n)]
    # scikit-learn as an oracle: REM, the last row, is never found
    expected = cohen_kappa_score(*zip(*wide, strict=True), labels=range(4))
    assert apart.kappa_beside_ceiling == pytest.approx(expected)
    assert expected < apart.ceiling.kappa
    ceiling = study_document(STUDY)["devices"][0]["mappings"][0]["ceiling"]
    assert ceiling["device_kappa"] == pytest.approx(expected)
    words = " ".join(" ".join(study_lines(STUDY)).split())
    assert f"counting REM as never found as the ceiling does, has kappa {expected:.3f}." in words
    assert PAD.mappings[0].kappa_beside_ceiling == PAD.mappings[0].find("kappa").pooled.value


def test_averaged_kappa_is_the_mean_of_participants_means() -> None:
    studied = PAD.mappings[0]
    by_person: dict[str, list[float]] = {}
    for night, kappa in zip(PAD.nights, studied.night_kappa, strict=True):
        by_person.setdefault(night.participant, []).append(float(kappa))
    means = [np.mean(v) for v in by_person.values()]
    found = studied.find("kappa")
    assert found is not None
    assert found.averaged.value == pytest.approx(np.mean(means), abs=1e-12)
    assert found.averaged_sd == pytest.approx(np.std(means, ddof=1), abs=1e-12)


def test_every_mapping_is_a_sum_of_the_native_tables() -> None:
    for device in STUDY.devices:
        for studied in device.mappings:
            staged = sum(int(n.native.sum()) for n in device.nights)
            assert int(studied.counts.sum()) + studied.left_out == staged
            assert (fold_nights(device.nights, studied.mapping).sum(axis=0) == studied.counts).all()


def test_bias_is_the_mean_of_participants_mean_differences() -> None:
    row = next(b for b in BAND.bias if b.measure == "minutes deep")
    people = [n.participant for n in BAND.nights]
    means = [np.mean((row.device - row.reference)[[p == who for p in people]]) for who in dict.fromkeys(people)]
    assert row.limits.bias == pytest.approx(np.mean(means), abs=1e-9)
    # scipy as an oracle for the t interval over participants
    low, high = stats.t.interval(0.95, len(means) - 1, np.mean(means), stats.sem(means))
    assert (row.limits.bias_low, row.limits.bias_high) == pytest.approx((low, high), abs=1e-9)


def test_minutes_of_a_class_come_from_the_first_mapping() -> None:
    row = next(b for b in BAND.bias if b.measure == "minutes deep")
    counts = BAND.mappings[0].night_counts
    assert row.device.tolist() == (counts[:, :, 2].sum(axis=1) / 2).tolist()
    assert row.reference.tolist() == (counts[:, 2].sum(axis=1) / 2).tolist()


def test_a_measure_the_device_cannot_give_is_not_in_its_table() -> None:
    assert "REM latency" not in {b.measure for b in BAND.bias}
    assert "REM latency" in {b.measure for b in PAD.bias}


def test_bias_accounts_add_up_per_night_and_pooled() -> None:
    for device in STUDY.devices:
        for source in device.bias_sources:
            for account in (source.pooled, source.per_night):
                total = sum(m for _, m in account.gained) - sum(m for _, m in account.lost)
                assert account.bias_min == pytest.approx(total, abs=1e-9)
            low, high = source.ends("bias")
            assert low < source.per_night.bias_min < high
            flows = [("from", name) for name, _ in account.gained] + [("to", name) for name, _ in account.lost]
            assert [(found.way, found.other) for found in source.intervals] == [("bias", ""), *flows]


def test_bias_of_a_class_equals_its_row_of_the_bias_table() -> None:
    # as the same float: a bias of 4.45 in one place and of 4.449999 in the other is told as +4.5 and as +4.4
    for device in STUDY.devices:
        for source in device.bias_sources:
            row = next(b for b in device.bias if b.measure == f"minutes {source.pooled.name}")
            told = source.per_night.bias_min, *source.ends("bias")
            assert told == (row.limits.bias, row.limits.bias_low, row.limits.bias_high)
            own: dict[str, list[Fraction]] = {}
            for night, reference, other in zip(device.nights, row.reference, row.device, strict=True):
                own.setdefault(night.participant, []).append(Fraction(other) - Fraction(reference))
            means = [sum(differences) / len(differences) for differences in own.values()]
            assert told[0] == pytest.approx(float(sum(means) / len(means)), abs=1e-9)


def test_redistribution_shares_add_up_to_one() -> None:
    (rem,) = BAND.redistribution
    assert rem.stage == "R"
    assert sum(d.share.value for d in rem.to) == pytest.approx(1, abs=1e-12)
    assert sum(d.epochs for d in rem.to) == rem.epochs == int(BAND.mappings[0].counts[3].sum())
    assert PAD.redistribution == ()


def test_two_devices_are_compared_on_the_nights_both_have() -> None:
    (comparison,) = STUDY.comparisons
    assert (comparison.first, comparison.second, comparison.nights) == ("band A", "pad B", 10)
    kappa = next(d for d in comparison.differences if d.statistic == "kappa")
    assert kappa.difference.value == pytest.approx(kappa.second - kappa.first, abs=1e-12)
    two = next(m for m in PAD.mappings if m.mapping.name == comparison.mapping)
    assert kappa.second == pytest.approx(float(coefficients.kappa(two.counts)), abs=1e-12)


def test_comparison_uses_only_shared_nights() -> None:
    without = [n for n in NIGHTS if not (n.device == "pad B" and n.participant == "crew-0")]
    (comparison,) = summarise_study(without, StudyOptions(resamples=50)).comparisons
    assert (comparison.participants, comparison.nights) == (4, 8)


def test_the_second_device_minus_the_first_changes_sign_when_they_change_places() -> None:
    turned = sorted(NIGHTS, key=lambda n: n.device, reverse=True)
    (there,) = STUDY.comparisons
    (back,) = summarise_study(turned, StudyOptions(resamples=50)).comparisons
    assert (back.first, back.second) == ("pad B", "band A")
    for one, other in zip(there.differences, back.differences, strict=True):
        assert one.difference.value == pytest.approx(-other.difference.value, abs=1e-12)


def test_one_participant_has_nights_as_units_and_says_so() -> None:
    alone = [n for n in simulated_nights(1, 6) if n.device == "pad B"]
    study = summarise_study(alone, StudyOptions(resamples=200))
    assert any("speak of this person only" in text for text in said(study.cautions))
    kappa = study.devices[0].mappings[0].find("kappa")
    assert kappa is not None
    assert kappa.pooled.units == 6
    assert "nights" in kappa.pooled.percentile.method


@pytest.mark.parametrize(("people", "nights"), [(1, 2), (1, 3), (2, 1), (4, 2)])
def test_no_interval_leaves_the_range_of_its_statistic(people: int, nights: int) -> None:
    study = summarise_study(simulated_nights(people, nights, seed=8), StudyOptions(resamples=50))
    for device in study.devices:
        for studied in device.mappings:
            for statistic in studied.statistics:
                least = -1 if statistic.name in ("kappa", "pabak", "ac1", "mcc") else 0
                for found in (statistic.pooled, statistic.averaged):
                    ends = [e for x in (found.percentile, found.bca, found.delta) for e in (x.low, x.high)]
                    known = [e for e in ends if not math.isnan(e)]
                    assert all(least <= e <= 1 for e in known), (statistic.name, statistic.class_name, ends)
        for traced in device.redistribution:
            for to in traced.to:
                share, minutes = to.share.primary, to.minutes.primary
                assert math.isnan(share.low) or (share.low >= 0 and share.high <= 1)
                assert math.isnan(minutes.low) or minutes.low >= 0
        for source in device.bias_sources:
            assert all(math.isnan(i.low) or i.low >= 0 for i in source.intervals if i.way != "bias")


def thinned(night: NightSummary, percent: float) -> NightSummary:
    """The same night in a longer window, of which so many per cent are scored on both sides."""
    window = round(100 * night.scored / percent)
    rest = window - night.scored
    return replace(night, window_epochs=window, excluded=(("device_gap", rest),))


def test_nights_that_are_scored_in_part_only_are_counted_and_named() -> None:
    assert not any("scored part" in text for text in said(STUDY.cautions))
    nights = list(NIGHTS)
    nights[0], nights[4] = thinned(NIGHTS[0], 23), thinned(NIGHTS[4], 85)
    study = summarise_study(nights, StudyOptions(resamples=20))
    (caution,) = [text for text in said(study.cautions) if "scored part" in text]
    who = [f"{n.participant} {n.night}" for n in (NIGHTS[0], NIGHTS[4])]
    assert caution.startswith(f"band A: on 2 of 10 nights less than 90 % of the window's epochs have a stage on both "
                              f"sides ({who[0]}: 23 %, {who[1]}: 85 %).")  # fmt: skip
    rows = list(night_rows(study))
    at = rows[0].index("scored_percent")
    told = {row[0]: float(row[at]) for row in rows[1:]}
    assert [number for number, percent in told.items() if percent < 90] == [str(NIGHTS[0].row), str(NIGHTS[4].row)]


def test_one_participant_is_one_and_has_nights_as_units_in_every_sentence() -> None:
    alone = [n for n in simulated_nights(1, 6) if n.device == "pad B"]
    study = summarise_study(alone, StudyOptions(resamples=50))
    texts = [*study_lines(study), results_of_study(study), methods_of_study(study).text, study._repr_html_(),
             study_page(study)]  # fmt: skip
    everything = "\n".join(texts)
    assert "1 participants" not in everything
    assert "over participants" not in everything
    assert "mean of participants" not in everything
    assert "AGREEMENT OF 'pad B'\n  95 % intervals are those of the delta method with nights as the units" in everything


@pytest.mark.parametrize(("people", "by_delta"), [(5, True), (12, False)])
def test_every_sentence_tells_the_interval_that_is_given(people: int, by_delta: bool) -> None:
    study = summarise_study(simulated_nights(people, 1), StudyOptions(resamples=50))
    page = study_page(study)
    methods = methods_of_study(study).text
    primary = [s.pooled.primary is s.pooled.delta for d in study.devices for m in d.mappings for s in m.statistics]
    assert any(primary) == by_delta
    for text in (page, methods):
        assert "delta method" in text  # that of minutes, whatever the number of people
        assert ("bootstrap-t intervals from 50 resamples in which whole participants were drawn" in text) != by_delta
        assert "come from resampling" not in text
        assert "same resampling" not in text


def test_the_caution_of_skewed_differences_fits_what_there_is() -> None:
    nights = simulated_nights(12, 1)
    many = [n for n in nights if n.device == "pad B"]
    place = list(MEASURE_NAMES).index
    changed = []
    for i, night in enumerate(many):
        values = list(night.device_measures)
        values[place("sol_min")] = 0.0 if i % 2 else 60.0 * (i == 0)
        values[place("rem_latency_min")] = 200.0 if i == 3 else night.reference_measures[place("rem_latency_min")]
        changed.append(replace(night, device_measures=tuple(values)))
    study = summarise_study(changed, StudyOptions(resamples=20))
    (caution,) = [text for text in said(study.cautions) if "skewed" in text]
    measures = caution.split("differences in ")[1].split(" are skewed")[0].split(", ")
    assert {"SOL", "REM latency"} <= set(measures)
    drawn = re.search(r"The report of a study draws the differences in ([^.]+)\.", caution)
    assert drawn is None or all(m == "TST" or m.startswith("minutes ") for m in drawn[1].split(", "))
    ratios = re.search(r"\(--log-ratio\) are another way for ([^.]+)\.", caution)
    assert ratios is not None
    assert "SOL" not in ratios[1].split(", ")
    assert "REM latency" in ratios[1].split(", ")
    logs = summarise_study(changed, StudyOptions(resamples=20, log_ratio=True))
    assert not any("--log-ratio" in text for text in said(logs.cautions))


def test_limits_that_are_lines_come_with_their_equations() -> None:
    rng = np.random.default_rng(2)
    nights = []
    for night in [n for n in simulated_nights(30, 1) if n.device == "pad B"]:
        minutes = float(rng.uniform(200, 480))
        said = minutes + rng.normal() * minutes**2 / 4000
        values = [list(night.reference_measures), list(night.device_measures)]
        values[0][1], values[1][1] = minutes, said
        nights.append(replace(night, reference_measures=tuple(values[0]), device_measures=tuple(values[1])))
    study = summarise_study(nights, StudyOptions(resamples=20))
    (row,) = [b for b in study.devices[0].bias if b.measure == "TST"]
    assert row.lines is not None
    magnitude = (row.reference + row.device) / 2
    # numpy as an oracle: with one night each both lines are those of ordinary least squares
    slope, intercept = np.polyfit(magnitude, row.device - row.reference, 1)
    residuals = np.abs(row.device - row.reference - intercept - slope * magnitude)
    spread_slope, spread_intercept = np.polyfit(magnitude, residuals, 1)
    document = next(b for b in study_document(study)["devices"][0]["bias"] if b["measure"] == "TST")
    assert document["lines"]["intercept"] == pytest.approx(intercept)
    assert document["lines"]["spread_intercept"] == pytest.approx(spread_intercept)
    assert document["lines"]["reach"] == pytest.approx(1.959964 * math.sqrt(math.pi / 2), rel=1e-6)
    rows = bias_rows(study)
    cells = dict(zip(rows[0], next(r for r in rows if r[1] == "TST"), strict=True))
    assert float(cells["line_intercept"]) == pytest.approx(intercept)
    assert float(cells["slope"]) == pytest.approx(slope)
    assert float(cells["spread_slope"]) == pytest.approx(spread_slope)
    told = " ".join(line.strip() for line in bias_lines(study))
    assert f"bias = {intercept:.1f} " in told
    assert f"{abs(spread_slope):.3f} A)" in told
    # the caption of the figure says it in words, at levels that a tenth of the nights lie below and above
    low = np.quantile(magnitude, 0.1).round()
    reach = 1.959964 * math.sqrt(math.pi / 2) * (spread_intercept + spread_slope * low)
    ends = [f"{intercept + slope * low + side * reach:+.0f}" for side in (-1, 1)]
    caption = next(f.caption for f in study_figures(study) if f.name.startswith("bias-tst"))
    assert f"at {low:g} min the limits are {ends[0]} to {ends[1]}" in caption
    assert " A" not in caption.replace("Altman", "")
    assert f"bias = {intercept:.1f}".replace("-", "−") in study_page(study).replace("-", "−")


def test_methods_say_what_was_done_about_multiplicity() -> None:
    nights = simulated_nights(4, 1)
    margins = (("TST", 30.0), ("WASO", 20.0))
    options = [StudyOptions(resamples=0, margins=margins[:n]) for n in (0, 1, 2)]
    told = [methods_of_study(summarise_study(nights, o)).text for o in options]
    assert all("not adjusted for the number of measures, classes and devices" in text for text in told)
    assert ["(Holm)" in text for text in told] == [False, False, True]


def study_figures(study: StudyAgreement) -> list[Figure]:
    sections = describe_study(study).sections
    return [block for section in sections for block in flat(section.blocks) if isinstance(block, Figure)]


def test_few_participants_get_a_caution() -> None:
    assert any("5 participants are few" in text for text in said(STUDY.cautions))


def test_the_same_seed_gives_the_same_intervals_and_another_seed_others() -> None:
    def low(seed: int) -> float:
        study = summarise_study(NIGHTS, StudyOptions(resamples=100, seed=seed))
        found = study.devices[1].mappings[0].find("kappa")
        assert found is not None
        return found.pooled.percentile.low

    assert low(5) == low(5)
    assert low(5) != low(6)


def test_order_of_nights_does_not_change_estimates() -> None:
    turned = summarise_study(NIGHTS[::-1], StudyOptions(resamples=50))
    pad = next(d for d in turned.devices if d.device == "pad B")
    for one, other in zip(pad.bias, PAD.bias, strict=True):
        assert one.limits.bias == pytest.approx(other.limits.bias, nan_ok=True)
        assert one.limits.sd == pytest.approx(other.limits.sd, nan_ok=True)


def test_refusals_are_kept_and_counted() -> None:
    study = summarise_study([*NIGHTS, Refusal(99, "crew-9", "1", "band A", "no stage")], StudyOptions(resamples=50))
    document = study_document(study)
    assert document["nights"]["given"] == len(NIGHTS) + 1
    assert document["nights"]["refused"][0]["reason"] == "no stage"
    assert any("1 of the device-nights given could not be scored" in c for c in said(study.cautions))
    rows = list(night_rows(study))
    assert rows[-1][:6] == ["99", "crew-9", "1", "band A", "refused", "no stage"]
    assert {len(row) for row in rows} == {len(rows[0])}


def test_tables_have_one_width_and_bias_has_the_published_columns() -> None:
    for rows in (bias_rows(STUDY), confusion_rows(STUDY), list(night_rows(STUDY))):
        assert {len(row) for row in rows} == {len(rows[0])}
    assert bias_rows(STUDY)[0][:10] == [
        "device", "measure", "unit", "participants", "nights", "reference_mean", "reference_sd", "device_mean",
        "device_sd", "bias",
    ]  # fmt: skip


def test_equivalence_against_a_stated_margin() -> None:
    study = summarise_study(NIGHTS, StudyOptions(resamples=50, margins=(("TST", 60.0),)))
    row = next(b for b in study.devices[1].bias if b.measure == "TST")
    assert row.equivalence is not None
    people = [n.participant for n in PAD.nights]
    means = np.array([np.mean((row.device - row.reference)[[p == w for p in people]]) for w in dict.fromkeys(people)])
    # two one-sided t tests by scipy
    p = max(
        stats.ttest_1samp(means, -60.0, alternative="greater").pvalue,
        stats.ttest_1samp(means, 60.0, alternative="less").pvalue,
    )
    assert row.equivalence.p_value == pytest.approx(p, abs=1e-12)


def test_log_ratio_limits_are_of_log_ratios() -> None:
    study = summarise_study(NIGHTS, StudyOptions(resamples=50, log_ratio=True))
    row = next(b for b in study.devices[1].bias if b.measure == "TST")
    people = [n.participant for n in PAD.nights]
    logs = np.log(row.device / row.reference)
    means = [np.mean(logs[[p == w for p in people]]) for w in dict.fromkeys(people)]
    assert row.limits.bias == pytest.approx(np.mean(means), abs=1e-12)


def geometric_mean(values: np.ndarray, people: list[str]) -> float:
    """Geometric mean over participants of their geometric means, by scipy."""
    mine = [stats.gmean(values[[p == who for p in people]]) for who in dict.fromkeys(people)]
    return float(stats.gmean(mine))


def test_log_ratios_are_given_as_ratios_in_files_text_and_sentences() -> None:
    study = summarise_study(NIGHTS, StudyOptions(resamples=50, log_ratio=True))
    device = study.devices[1]
    row = next(b for b in device.bias if b.measure == "TST")
    people = [n.participant for n in device.nights]
    reference, said = geometric_mean(row.reference, people), geometric_mean(row.device, people)
    document = next(b for b in study_document(study)["devices"][1]["bias"] if b["measure"] == "TST")
    assert document["unit"] == "ratio"
    assert document["reference_mean"] == pytest.approx(reference, rel=1e-12)
    assert document["device_mean"] == pytest.approx(said, rel=1e-12)
    assert document["bias"] == pytest.approx(said / reference, rel=1e-12)
    ends = ("bias_low", "bias_high", "lower", "lower_low", "upper", "upper_high")
    ratios = {end: math.exp(getattr(row.limits, end)) for end in ends}
    assert {end: document[end] for end in ends} == pytest.approx(ratios)
    assert document["bootstrap_low"] < document["bias"] < document["bootstrap_high"]
    assert document["bootstrap_low"] > 0.5
    assert document["sd"] == pytest.approx(math.exp(row.limits.sd))
    rows = bias_rows(study)
    cells = dict(zip(rows[0], next(r for r in rows if r[:2] == ["pad B", "TST"]), strict=True))
    assert (cells["unit"], float(cells["bias"])) == ("ratio", document["bias"])
    shown = f"{said / reference:.3f}"
    lines = bias_lines(study)
    line = next(x for x in lines[lines.index("BIAS OF 'pad B'") :] if x.split()[:2] == ["TST", "min"])
    assert line.split()[2:5] == [f"{reference:.1f}", f"{said:.1f}", shown]
    assert f"TST {said / reference:.3f} ({ratios['bias_low']:.3f} to {ratios['bias_high']:.3f})" in results_of_study(
        study
    )
    assert "natural logarithms" in methods_of_study(study).text
    page = study_page(study)
    assert f"ratio device / reference {shown}" in page
    assert "Bias (device" not in page
    assert shown in study._repr_html_()


def test_a_measure_with_zeros_has_no_ratio_and_says_why() -> None:
    nights = [replace(n, device_measures=(n.device_measures[0], n.device_measures[1], 0.0, *n.device_measures[3:]))
              for n in NIGHTS]  # fmt: skip
    study = summarise_study(nights, StudyOptions(resamples=20, log_ratio=True))
    row = next(b for b in study.devices[0].bias if b.measure == "SOL")
    document = next(b for b in study_document(study)["devices"][0]["bias"] if b["measure"] == "SOL")
    assert math.isnan(row.limits.bias)
    assert (document["bias"], document["bootstrap_low"]) == (None, None)
    assert any(x.startswith("  SOL: The log ratio needs values above 0") for x in bias_lines(study))


def test_spreads_of_groups_are_on_the_scale_of_the_table() -> None:
    nights = [replace(n, group="one" if n.participant < "crew-2" else "two") for n in NIGHTS]
    study = summarise_study(nights, StudyOptions(resamples=20, log_ratio=True, by="deck"))
    bias = next(b for b in study_document(study)["devices"][0]["bias"] if b["measure"] == "TST")
    row = next(b for b in study.devices[0].bias if b.measure == "TST")
    assert row.by_group is not None
    assert bias["by_group"]["within_sd"] == pytest.approx(math.exp(row.by_group.within_sd))


def test_methods_name_how_groups_were_compared() -> None:
    grouped = [replace(n, group="one" if n.participant < "crew-2" else "two") for n in NIGHTS]
    said = methods_of_study(summarise_study(grouped, StudyOptions(resamples=20, by="deck")))
    assert "Bias by deck is given as means of groups (mixed model with a random intercept" in said.text
    assert any("Random-effects models for longitudinal data" in source for source in said.sources)
    first = {n.participant: n for n in reversed(grouped)}
    said = methods_of_study(summarise_study([*first.values()], StudyOptions(resamples=20, by="deck")))
    assert "means of groups (analysis of variance); whether" in said.text
    assert "means of groups" not in methods_of_study(summarise_study(NIGHTS, StudyOptions(resamples=20))).text


def test_nobody_who_differs_leaves_a_bias_untold() -> None:
    """Every night the same: no interval, and nothing may be "anything from –"."""
    alike = [replace(NIGHTS[0], participant=f"p{i}", night=str(i)) for i in range(4)]
    text = " ".join(" ".join(first_screen(summarise_study(alike, StudyOptions(resamples=20)))).split())
    assert "from –" not in text
    assert "is the same in everybody, so that nothing tells how sure it is" in text


def test_a_margin_is_of_the_difference_whatever_the_limits() -> None:
    plain, logs = (
        summarise_study(NIGHTS, StudyOptions(resamples=20, margins=(("TST", 30.0),), log_ratio=log_ratio))
        for log_ratio in (False, True)
    )
    tests = [next(b for b in s.devices[0].bias if b.measure == "TST").equivalence for s in (plain, logs)]
    assert tests[0] == tests[1]
    assert any("the margin of ±30 min" in line for line in bias_lines(logs))
    row, of_logs = (next(b for b in s.devices[0].bias if b.measure == "TST") for s in (plain, logs))
    assert of_logs.containment is not None
    # the limits that are tested are those of minutes, whatever the table tells
    assert of_logs.containment.limits == pytest.approx((row.limits.lower, row.limits.upper))
    assert margins_table([of_logs], "").rows[1][3].text == interval(*of_logs.containment.limits, 1)


@pytest.mark.parametrize("name", ["band A", "the band that the night crew of the ferry wore in spring, size small"])
@pytest.mark.parametrize("log_ratio", [False, True])
def test_no_line_is_wider_than_a_terminal(log_ratio: bool, name: str) -> None:
    nights = [replace(n, device=name) if n.device == "band A" else n for n in NIGHTS]
    study = summarise_study(nights, StudyOptions(resamples=20, log_ratio=log_ratio))
    assert [x for x in (*study_lines(study), *bias_lines(study)) if len(x) > 80] == []


def test_a_summary_survives_json() -> None:
    import json

    for night in NIGHTS[:4]:
        back = NightSummary.from_document(json.loads(json.dumps(night.to_document())))
        assert (back.native == night.native).all()
        assert json.dumps(back.to_document()) == json.dumps(night.to_document())


def test_study_document_is_plain_json() -> None:
    import json

    text = json.dumps(study_document(STUDY), allow_nan=False)
    document = json.loads(text)
    assert document["schema"] == "sleepagree.study/2"
    device = document["devices"][1]
    assert set(device) >= {"device", "participants", "nights", "mappings", "bias", "redistribution", "bias_sources"}
    kappa = device["mappings"][0]["pooled"]["kappa"]
    assert kappa["low"] < kappa["value"] < kappa["high"]
    assert device["mappings"][0]["averaged"]["kappa"]["sd"] > 0


def test_kappa_of_a_night_with_one_class_is_undefined_and_does_not_spoil_the_mean() -> None:
    dull = [n for n in simulated_nights(3, 1) if n.device == "pad B"]
    counts = np.zeros_like(dull[0].crossed)
    counts[1 + dull[0].reference_set.stages.index("W"), 1 + dull[0].device_set.stages.index("W")] = 900
    study = summarise_study([replace(dull[0], crossed=counts), *dull[1:]], StudyOptions(resamples=50))
    studied = study.devices[0].mappings[0]
    assert math.isnan(studied.night_kappa[0])
    found = studied.find("kappa")
    assert found is not None
    assert found.averaged.value == pytest.approx(np.mean(studied.night_kappa[1:]))
    assert found.averaged.notes[0] == "1 of 3 participants have no value and were left out"


def test_a_class_without_a_word_has_no_bias_to_account_for() -> None:
    study = summarise_study(NIGHTS, StudyOptions(mappings=(mapping_named("wake-light-deep-rem"),), resamples=20))
    names = {d.device: [s.pooled.name for s in d.bias_sources] for d in study.devices}
    assert names["pad B"] == ["wake", "light", "deep", "rem"]
    assert names["band A"] == ["wake", "light", "deep"]


def _with_minutes_off(minutes: dict[int, float], people: int = 24) -> StudyAgreement:
    """Return a study of pad B, one night each, whose sleep is off by so many minutes more on some nights."""
    place = list(MEASURE_NAMES).index("tst_min")
    nights = []
    for i, night in enumerate(n for n in simulated_nights(people, 1) if n.device == "pad B"):
        values = list(night.device_measures)
        values[place] = night.reference_measures[place] + 4 * math.sin(i) + minutes.get(i, 0.0)
        nights.append(replace(night, device_measures=tuple(values)))
    return summarise_study(nights, StudyOptions(resamples=20, margins=(("TST", 30.0), ("SOL", 20.0))))


def test_bad_nights_are_counted_and_told_not_to_be_normal() -> None:
    study = _with_minutes_off({3: 150.0, 9: -120.0})
    (row,) = [b for b in study.devices[0].bias if b.measure == "TST"]
    document = next(b for b in study_document(study)["devices"][0]["bias"] if b["measure"] == "TST")
    assert document["outside"] == 2
    assert document["expected_outside"] == pytest.approx(1.2)
    shares = {s["above"]: s for s in document["shares_above"]}
    assert {bound: s["nights"] for bound, s in shares.items()} == {15: 2, 30: 2, 60: 2}
    assert document["centiles"] is None
    (caution,) = [text for text in said(study.cautions) if "suppose normality, these nights are not" in text]
    assert "TST (2 of 24)" in caution
    assert not any("TST" in text for text in said(_with_minutes_off({}).cautions) if "suppose normality" in text)
    told = " ".join(line.strip() for line in bias_lines(study))
    assert "TST 2 of 24 8 % (2 to 26)" in " ".join(told.split())
    assert row.containment is not None
    assert document["containment"]["contained"] is False
    assert re.search(
        r"TST: the lower limit of agreement, -\d+\.\d, is not shown to be within the margin of ±30 min: its one-sided "
        r"bound is -\d+\.\d and the upper limit of agreement, \d",
        " ".join(told.split()),
    )
    assert "2 of 24 nights are further off" in told


def test_adjusted_p_values_of_margins_are_those_of_holm() -> None:
    study = _with_minutes_off({})
    rows = [b for b in study.devices[0].bias if b.equivalence is not None]
    for plain, adjusted in (("equivalence", "equivalence_adjusted"), ("containment", "containment_adjusted")):
        p = sorted((getattr(row, plain).p_value, getattr(row, adjusted)) for row in rows)
        assert p[0][1] == pytest.approx(min(1.0, 2 * p[0][0]))
        assert p[1][1] == pytest.approx(max(p[0][1], p[1][0]))
    assert "hold over the 2 measures with a margin" in " ".join(line.strip() for line in bias_lines(study))


def test_few_people_are_told_how_often_a_failing_device_is_missed() -> None:
    text = [t for t in said(_with_minutes_off({}, people=10).cautions) if "is not seen to fail" in t]
    assert text == [
        "pad B: with 10 participants a device that fails on 15 % of people is not seen to fail on anybody in 20 % of "
        "studies."
    ]
    assert not any("is not seen to fail" in t for t in said(_with_minutes_off({}, people=20).cautions))


def test_a_slope_is_told_with_what_noise_can_do() -> None:
    minutes = {i: 60.0 * math.cos(i) for i in range(24)}
    study = _with_minutes_off(minutes)
    for row in study.devices[0].bias:
        known = row.limits.slope_low > 0 or row.limits.slope_high < 0
        assert (row.sloped is not None) == (known and row.lines is None)
    sloped = [row for row in study.devices[0].bias if row.sloped is not None]
    told = " ".join(line.strip() for line in bias_lines(study))
    assert bool(sloped) == ("The difference changes with the level" in told) == ("Noise alone can give" in told)
    assert sloped


def test_names_that_differ_in_case_or_spaces_alone_are_told() -> None:
    assert not any("capital letters" in text for text in said(STUDY.cautions))
    own = [n for n in NIGHTS if n.device == "pad B"]
    renamed = [replace(own[0], device="Pad  B "), replace(own[1], participant=own[2].participant.upper()), *own[2:]]
    study = summarise_study(renamed, StudyOptions(resamples=20))
    alike = [c for c in study.cautions if c.kind is CautionKind.NAMES_ALIKE]
    assert [dict(c.values) for c in alike] == [
        {"of": "device", "names": (("Pad  B ", "pad B"),)},
        {"of": "participant", "names": ((own[2].participant.upper(), own[2].participant),)},
    ]
    assert sorted(study.cautions, key=rank_caution)[:2] == alike


def test_of_the_cautions_of_a_study_those_on_what_was_scored_come_before_its_size() -> None:
    nights = [thinned(NIGHTS[0], 23), *NIGHTS[1:]]
    study = summarise_study(nights, StudyOptions(resamples=20))
    kinds = [c.kind for c in sorted(study.cautions, key=rank_caution)]
    assert kinds[0] is CautionKind.NIGHTS_SPARSE
    assert CautionKind.FEW_PARTICIPANTS in kinds
    (items,) = [
        block
        for section in describe_study(study).sections
        if section.name == "cautions"
        for block in section.blocks[:1]
        if isinstance(block, Items)
    ]
    assert "scored part" in str(items.items[0])


def test_the_first_sentence_tells_the_most_that_is_possible_without_a_label() -> None:
    first = BAND.mappings[0]
    best = first.ceiling.accuracy
    assert 0 < best < 1
    said_of = f"'{first.mapping.name}' ({100 * best:.1f} % would be the most possible without a label for REM), a kappa"
    assert said_of in finding_of_device(BAND, STUDY)
    assert "most possible" not in finding_of_device(PAD, STUDY)


def test_a_stage_that_a_mapping_takes_into_a_class_is_no_fault_of_a_device_that_says_the_class() -> None:
    stages = ["W", "N1", "N2", "N3", "R"] * 8
    words = {"W": "wake", "N1": "NREM", "N2": "NREM", "N3": "NREM", "R": "rem"}
    right = align(reference=stages, device=[words[stage] for stage in stages])
    assert "no label" not in summarise_study([("crew-1", "1", "pad B", right)]).finding
    wrong = align(reference=stages, device=[words[s] if s != "N3" else "rem" for s in stages])
    assert "; it has no label for N3, of which 100.0 %" in summarise_study([("crew-1", "1", "pad B", wrong)]).finding


def test_rows_of_two_devices_are_device_nights() -> None:
    assert results_of_study(STUDY).startswith("20 of 20 device-nights of 10 nights were scored.")
    assert "(20 device-nights)" in methods_of_study(STUDY).text
    one = summarise_study([n for n in NIGHTS if n.device == "pad B"], StudyOptions(resamples=20))
    assert results_of_study(one).startswith("10 of 10 nights were scored.")


def test_a_report_tells_no_folder_outside_that_of_its_table() -> None:
    off = replace(NIGHTS[0], row=2, clock_hint=ClockHint.OFFSET.value, best_offset_s=240.0)
    study = summarise_study([off, *NIGHTS[1:]], StudyOptions(resamples=20))
    row = NightRow(2, off.participant, off.night, off.device, ("/deck/r.edf",), "band/d.csv", layout="../l.toml")
    table = NightsTable("nights.csv", Path("/deck/study"), "", (row,))
    options = ScoringOptions(window="overlap")
    assert next_command(study, table, options) == ("sleepagree clock r.edf band/d.csv --layout l.toml --window overlap")
    assert "/deck/r.edf study/band/d.csv --layout study/../l.toml" in next_command(
        study, table, options, folder="study"
    )
    remote = replace(row, device_file="s3://lab/SECRET/d.csv?sig=SECRET")
    assert next_command(study, replace(table, rows=(remote,)), options) == ""


def test_a_correction_is_learnt_from_nights_that_are_read_alike(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sleepagree.describe.study.is_open", lambda _: False)
    calm = replace(STUDY, cautions=())
    table = NightsTable("nights.csv", Path("/deck/study"), "", ())
    options = ScoringOptions(mappings=("wake-sleep",), window="overlap", outside="wake", reports=("wake", "light"))
    assert next_command(calm, table, options, folder="study") == (
        "sleepagree calibrate study/nights.csv --out DIR --device 'band A' --mapping wake-sleep --window overlap "
        "--reports wake,light"
    )
    without_rem = StudyOptions(mappings=("rem-left-out",), resamples=20)
    left_out = summarise_study([n for n in NIGHTS if n.device == "band A"], without_rem)
    assert next_command(replace(left_out, cautions=()), table, options) == ""
    by = replace(calm, options=replace(calm.options, by="deck"))
    assert next_command(by, table, options) == ""
    assert not [s for s in describe_study(by).answer if s.name == "answer-next"]


def test_own_figures_of_two_devices_need_no_rows_of_a_table() -> None:
    nights = [replace(n, row=i) for i, n in enumerate(simulated_nights(4, 3), 1)]
    with_rows, without = (
        [
            d
            for d in summarise_study(given, StudyOptions(resamples=0)).comparisons[0].differences
            if "error" in d.statistic
        ]
        for given in (nights, [replace(n, row=0) for n in nights])
    )
    assert with_rows
    assert [(d.own_first, d.own_second) for d in with_rows] == [(d.own_first, d.own_second) for d in without]
