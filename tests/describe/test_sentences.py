"""Sentences for a paper: every number in them stands in the results, every source belongs to what was run."""

from __future__ import annotations

import re

import drawn
import numpy as np
import pytest
from ferry import simulated_nights
from told import study_lines

from sleepagree.describe.answer import answer_sections, finding_of_night
from sleepagree.describe.blocks import Items, flat
from sleepagree.describe.citations import SOURCES, Citations
from sleepagree.describe.paragraphs import methods_of_night, results_of_night
from sleepagree.describe.study_paragraphs import finding_of_device, methods_of_study, results_of_study
from sleepagree.describe.words import join_words
from sleepagree.inference.resampling import IntervalMethod
from sleepagree.night.compare import NightAgreement
from sleepagree.study.results import StudyOptions
from sleepagree.study.summarise import summarise_study


@pytest.fixture(scope="module")
def study():
    return summarise_study(simulated_nights(4, 2), StudyOptions(resamples=60))


def test_finding_with_kappa_tells_accuracy_kappa_and_interval() -> None:
    night = drawn.night_with_rem()
    first = night.mappings[0]
    text = finding_of_night(night)
    assert f"In {100 * first.table.accuracy:.0f} of 100 epochs both say the same stage." in text
    assert f"Kappa is {first.table.kappa.value:.2f}" in text
    assert "{:.2f} to {:.2f} for answers in runs of epochs)".format(*first.intervals.kappa) in text
    assert text.endswith(".")


def test_finding_without_kappa_tells_where_the_unreported_stage_went() -> None:
    night = drawn.night_without_rem()
    (traced,) = night.redistribution
    main = max(traced.to, key=lambda d: d.epochs)
    first = night.mappings[0]
    assert f"; {100 * first.ceiling.accuracy:.0f} would be the most possible" in finding_of_night(night)
    assert f"Kappa is {night.others[0].table.kappa.value:.2f} " in finding_of_night(night)
    assert finding_of_night(night).endswith(f", REM left out, under '{night.others[0].mapping.name}'.")
    assert "both say the same stage, REM counted; " in finding_of_night(night)
    text = said_of_where_it_went(night)
    assert "no label for REM" in text
    assert f"{100 * main.share:.0f} %" in text
    assert f"{100 * main.primary_low:.0f} to {100 * main.primary_high:.0f} %" in text
    assert f"were called {main.name}" in text


def test_the_bias_of_each_class_stands_beside_the_minutes_of_the_reference() -> None:
    night = drawn.night_without_rem()
    (section,) = [s for s in answer_sections(night) if s.name == "sources-of-bias"]
    said = next(block for block in flat(section.blocks) if isinstance(block, Items)).items
    measured = {pair.measure: pair.reference for pair in night.measures}
    assert [f"({measured[f'minutes {name}']:.1f} by the reference)" in str(line) for name, line in
            zip(("wake", "light", "deep"), said, strict=True)] == [True] * 3  # fmt: skip


def said_of_where_it_went(night: NightAgreement) -> str:
    (section,) = [s for s in answer_sections(night) if s.name == "redistribution"]
    items = next(flat(section.blocks))
    assert isinstance(items, Items)
    return str(items.items[0])


def test_finding_names_the_reason_where_kappa_does_not_exist() -> None:
    from sleepagree.hypnogram.align import align
    from sleepagree.night.compare import compare
    from sleepagree.readers.memory import read_hypnogram

    reports = ("W", "N1", "N2", "N3", "R")
    awake = read_hypnogram(["W"] * 20, reports=reports)
    text = finding_of_night(compare(align(reference=awake, device=awake)))
    assert "In 100 of 100 epochs" in text
    assert "Kappa does not exist: both sides used one class only" in text


@pytest.mark.parametrize("rem", [True, False])
def test_methods_cite_in_rising_order_and_only_what_was_run(rem: bool) -> None:
    methods = methods_of_night(drawn.night_with_rem() if rem else drawn.night_without_rem())
    cited = [int(n) for group in re.findall(r"\[([\d, ]+)\]", methods.text) for n in group.split(", ")]
    first_uses = list(dict.fromkeys(cited))
    assert first_uses == list(range(1, len(methods.sources) + 1))
    assert (SOURCES["wilson"] in methods.sources) == (not rem)
    assert SOURCES["limits"] not in methods.sources
    assert SOURCES["kappa"] in methods.sources


def test_methods_of_a_night_cite_the_long_run_variance_and_no_bootstrap() -> None:
    methods = methods_of_night(drawn.invented_night())
    assert "bootstrap" not in methods.text
    assert "allows for answers that last from epoch to epoch" in methods.text
    assert SOURCES["positive_sequence"] in methods.sources


def test_methods_tell_intervals_window_clock_and_labels() -> None:
    text = methods_of_night(drawn.night_with_rem()).text
    for part in (
        "from the first to the last epoch to which the reference gave a stage",
        "as the files tell them",
        "(as declared)",
    ):
        assert part in text, part


@pytest.mark.parametrize("rem", [True, False])
def test_every_number_of_the_results_paragraph_stands_in_the_results(rem: bool) -> None:
    night = drawn.night_with_rem() if rem else drawn.night_without_rem()
    known = [night.paired.ledger.window_epochs, night.paired.ledger.scored, 95, 15, 100 * night.level]
    known += [count for _, count in night.paired.ledger.excluded]
    known.append(100 * night.paired.ledger.scored / night.paired.ledger.window_epochs)
    for m in (*night.mappings, *night.others):
        table = m.table
        known += [table.accuracy, table.n, table.kappa.value, *m.intervals.kappa[:2], m.ceiling.accuracy]
        known += [c.sensitivity for c in table.classes]
    known += [pair.difference for pair in night.measures]
    for traced in night.redistribution:
        known += [traced.minutes, *(100 * d.share for d in traced.to)]
    for source in night.bias_sources:
        known += [source.bias_min, *(m for _, m in source.gained), *(-m for _, m in source.lost)]
    runs = night.disagreement.runs
    known += [runs.count, runs.mean_length / 2, runs.longest / 2, runs.expected_count, runs.expected_mean_length / 2]
    known.append(runs.z)
    hours, minutes = divmod(night.paired.ledger.window_epochs / 2, 60)
    known += [hours, minutes]
    text = results_of_night(night)
    for found in re.findall(r"(?<![\w.])[+-]?\d+(?:\.\d+)?", text.replace("'wake-sleep'", "").replace("F1", "")):
        digits = len(found.partition(".")[2])
        near = [v for v in known if np.isfinite(v) and abs(v - float(found)) <= 0.5 * 10.0**-digits + 1e-9]
        assert near, f"{found} in: {text}"


def test_words_of_a_list() -> None:
    assert join_words([]) == ""
    assert join_words(["a", "b", "c"]) == "a, b and c"


def test_unknown_sources_are_refused() -> None:
    with pytest.raises(KeyError, match="hearsay"):
        Citations().mark("hearsay")


def test_sources_have_authors_a_year_and_a_full_stop() -> None:
    for key, text in SOURCES.items():
        assert re.search(r"\b(19|20)\d\d\b", text), key
        assert text.endswith("."), key
        assert re.match(r"[A-Z][\w-]+ [A-Z]", text), key


def test_finding_of_a_device_tells_participants_and_intervals(study) -> None:
    band, pad = study.devices
    text = finding_of_device(band, study)
    accuracy = band.mappings[0].find("accuracy").pooled.primary
    assert "8 nights of 4 participants, band A" in text
    assert (
        f"{100 * accuracy.value:.1f} % (95 % interval {100 * accuracy.low:.1f} to {100 * accuracy.high:.1f} %)" in text
    )
    assert "no label for REM" in text
    assert "intervals over participants" in text
    kappa = pad.mappings[0].find("kappa").pooled.primary
    assert f"kappa of {kappa.value:.2f} ({kappa.low:.2f} to {kappa.high:.2f})" in finding_of_device(pad, study)


def test_methods_of_a_study_name_the_intervals_that_were_used(study) -> None:
    methods = methods_of_study(study)
    assert SOURCES["mover"] in methods.sources
    assert SOURCES["exact_limits"] not in methods.sources
    assert SOURCES["two_tests"] not in methods.sources
    one_each = summarise_study(simulated_nights(4, 1), StudyOptions(resamples=20, margins=(("TST", 30.0),)))
    methods = methods_of_study(one_each)
    assert SOURCES["exact_limits"] in methods.sources
    assert SOURCES["mover"] not in methods.sources
    assert SOURCES["two_tests"] in methods.sources
    assert "TST ±30" in methods.text


def test_methods_of_a_study_name_no_number_that_its_nights_are_too_few_for() -> None:
    two = methods_of_study(summarise_study(simulated_nights(1, 2), StudyOptions(resamples=20)))
    assert SOURCES["ccc"] not in two.sources
    assert "Slopes" not in two.text
    assert "the tables give intraclass correlation ICC(A,1)" in two.text
    many = methods_of_study(summarise_study(simulated_nights(12, 1), StudyOptions(resamples=20)))
    for source in ("slopes", "icc", "ccc"):
        assert SOURCES[source] in many.sources


def test_methods_of_a_study_name_the_limits_of_each_design() -> None:
    whole, alone = simulated_nights(6, 2), [n for n in simulated_nights(6, 2) if n.device == "pad B"]
    first = alone[0].participant
    mixed = [n for n in whole if n.device == "band A"] + [n for n in alone if n.participant == first]
    methods = methods_of_study(summarise_study(mixed, StudyOptions(resamples=20))).text
    assert "intervals of the limits are MOVER intervals" in methods
    assert "Where a measure has the nights of one participant only, bias with a t interval and limits" in methods
    assert "exact by the noncentral t distribution" in methods


def test_results_of_a_study_speak_of_each_device_and_of_their_difference(study) -> None:
    paragraphs = results_of_study(study).split("\n\n")
    assert paragraphs[0] == "16 of 16 device-nights of 8 nights were scored."
    assert "band A" in paragraphs[1]
    assert "pad B" in paragraphs[2]
    bias = next(b for b in study.devices[0].bias if b.measure == "TST").limits
    assert f"limits of agreement {bias.lower:.1f} to {bias.upper:.1f}" in paragraphs[1]
    assert "a difference of" in paragraphs[3]


def test_methods_of_a_study_name_the_interval_that_its_size_calls_for() -> None:
    few = methods_of_study(summarise_study(simulated_nights(4, 1), StudyOptions(resamples=20)))
    assert SOURCES["clustered_kappa"] in few.sources
    assert SOURCES["expanded_percentile"] not in few.sources
    assert "delta method" in few.text
    many = methods_of_study(summarise_study(simulated_nights(12, 1), StudyOptions(resamples=50)))
    assert SOURCES["bootstrap_t"] in many.sources
    assert "bootstrap-t intervals from 50 resamples" in many.text
    assert "for minutes or where participants are fewer than 10 or very uneven, those of the delta method" in many.text


@pytest.mark.parametrize("resamples", [0, 1, 39])
def test_a_study_with_too_few_resamples_has_intervals_of_the_delta_method(resamples: int) -> None:
    study = summarise_study(simulated_nights(12, 1), StudyOptions(resamples=resamples))
    for statistic in study.devices[0].mappings[0].statistics:
        pooled = statistic.pooled
        assert pooled.kind is IntervalMethod.DELTA
        assert pooled.primary.low < pooled.value < pooled.primary.high
        assert f"no interval from {resamples} resamples, and 40 are needed" in pooled.notes
    methods = methods_of_study(study)
    assert SOURCES["bootstrap_t"] not in methods.sources
    assert "resamples" not in methods.text


def test_a_night_without_a_stage_is_not_a_device_without_it() -> None:
    from sleepagree.hypnogram.align import align
    from sleepagree.night.compare import compare
    from sleepagree.readers.memory import read_hypnogram

    reference = read_hypnogram(["W", "N2", "R", "N3", "R", "W"] * 20)
    device = read_hypnogram(["W", "N2", "N2", "N3", "N2", "W"] * 20)
    text = said_of_where_it_went(compare(align(reference=reference, device=device)))
    assert text.startswith("The device's file holds no label for REM. ")


def test_methods_of_a_study_tell_long_steps_and_zones_that_were_given() -> None:
    from pathlib import Path

    from sleepagree.cli.running import run_study
    from sleepagree.study.from_table import StudyRequest, load_nights
    from sleepagree.study.run import ScoringOptions

    table = load_nights(Path(__file__).parents[2] / "fixtures" / "ferry" / "nights.csv")
    found = run_study(table, StudyRequest(ScoringOptions(clock=False), StudyOptions(resamples=5)))
    methods = methods_of_study(found, table=table).text
    # the invented pad writes 60-s epochs in UTC; the table gives the zone of the recordings it is compared with
    assert "Pad B tells stages in steps of 60 s (12 nights)" in methods
    zones = [row.reference_zone for row in table.rows if row.reference_zone]
    assert zones
    assert f"{zones[0]} for that of the reference ({len(zones)} rows)" in methods
    assert "zone of a clock" not in methods_of_study(found).text


def test_a_level_above_99_per_cent_is_not_rounded_to_all() -> None:
    study = summarise_study(simulated_nights(4, 3), StudyOptions(resamples=20, level=0.999))
    assert "99.9 % of pairs of nights" in " ".join(" ".join(study_lines(study)).split())
