"""The whole window of a device: silence counted as disagreement, and totals beside all of the reference, by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest

from sleepagree.hypnogram.align import align
from sleepagree.readers.memory import read_hypnogram
from sleepagree.render.study_json import study_document
from sleepagree.study.night_summary import NightSummary, pack_epochs, summarise_night
from sleepagree.study.results import StudyAgreement, StudyOptions
from sleepagree.study.summarise import summarise_study
from tests.ferry import simulated_nights
from tests.told import study_lines


def night(reference: list[str | None], device: list[str | None], who: str) -> NightSummary:
    sides = read_hypnogram(reference), read_hypnogram(device, reports=("wake", "light", "deep", "rem", "asleep"))
    paired = align(reference=sides[0], device=sides[1])
    return summarise_night(paired, participant=who, night="1", device="pad B")


#: The device is silent in two of ten epochs (one is REM), the reference in one that the device calls deep.
REFERENCE = ["W", "W", "N2", "N2", "N2", None, "N3", "R", "R", "W"]
DEVICE = ["wake", "light", "light", "light", None, "deep", "deep", "rem", None, "wake"]


def study() -> StudyAgreement:
    other = ["wake", "wake", "light", "light", "light", None, "deep", "rem", "rem", "wake"]
    nights = [night(REFERENCE, DEVICE, "crew-1"), night(REFERENCE, other, "crew-2")]
    return summarise_study(nights, StudyOptions(resamples=50))


def test_silence_counted_as_disagreement_is_the_count_by_hand() -> None:
    silence = study().devices[0].silence
    assert silence is not None
    # of nine epochs with a class: six agree in the first night (W, N2, N2, N3, R, W), nine in the second
    assert (silence.asked, silence.silent) == (18, 2)
    assert silence.agreement.value == pytest.approx((6 + 9) / 18)


def test_totals_are_of_all_epochs_of_the_reference_and_of_no_others() -> None:
    totals = {total.measure: total.limits for total in study().devices[0].totals}
    assert set(totals) == {"TST", "minutes wake", "minutes light", "minutes deep", "minutes rem"}
    # sleep: six epochs of the reference; 3 light, 1 deep, 1 REM and 3, 1, 2 of the device where it has a stage
    assert totals["TST"].reference_mean == 3.0
    assert totals["TST"].device_mean == pytest.approx((5 + 6) / 2 * 0.5)
    assert totals["minutes deep"].device_mean == totals["minutes deep"].reference_mean == 0.5
    assert totals["minutes rem"].reference_mean == 1.0
    assert totals["minutes rem"].device_mean == pytest.approx((1 + 2) / 2 * 0.5)
    joint = {row.measure: row.limits for row in study().devices[0].bias}
    assert joint["minutes rem"].reference_mean == pytest.approx((1 + 2) / 2 * 0.5)  # the silent epoch is not in it


def test_silence_is_told_on_the_terminal_and_in_json() -> None:
    found = study()
    told = " ".join(line.strip() for line in study_lines(found))
    assert "Of the 18 epochs to which the reference gave a class the device gave no stage to 2." in told
    assert "Left out on both sides: 1 epoch with a stage of the device alone." in told
    assert "THE WHOLE WINDOW OF 'pad B'" in told
    device = study_document(found)["devices"][0]
    assert device["silence_counted"]["value"] == pytest.approx(15 / 18)
    assert device["silence_counted"]["without_reference"] == 1
    assert [total["measure"] for total in device["whole_window"]][:2] == ["TST", "minutes wake"]


def test_a_device_that_is_never_silent_has_the_accuracy_of_its_table() -> None:
    for device in summarise_study(simulated_nights(3, 2), StudyOptions(resamples=20)).devices:
        accuracy = device.mappings[0].find("accuracy")
        assert accuracy is not None
        assert device.silence is not None
        share = accuracy.pooled.value * (device.silence.asked - device.silence.silent) / device.silence.asked
        assert device.silence.agreement.value == pytest.approx(share)


def test_changes_between_nights_are_told_where_people_have_several() -> None:
    several = summarise_study(simulated_nights(4, 3), StudyOptions(resamples=20))
    assert any("follow changes between nights?" in line.lower() for line in study_lines(several))
    assert study_document(several)["devices"][0]["bias"][1]["changes"]["participants"] == 4
    alone = summarise_study(simulated_nights(4, 1), StudyOptions(resamples=20))
    assert not any("follow changes between nights?" in line.lower() for line in study_lines(alone))
    assert study_document(alone)["devices"][0]["bias"][1]["changes"] is None


def test_a_summary_keeps_its_window_through_its_document() -> None:
    one = night(REFERENCE, DEVICE, "crew-1")
    again = NightSummary.from_document(one.to_document())
    assert (again.crossed == one.crossed).all()
    assert again.crossed.sum() == one.window_epochs


def test_a_word_that_no_class_has_room_for_leaves_no_total_of_what_it_may_be() -> None:
    """Two epochs "asleep" may be light, deep or REM; they are no wake, and the night's sleep is known."""
    device = ["wake", "wake", "asleep", "asleep", "light", "deep", "deep", "rem", "rem", "wake"]
    reference = ["W", "W", "N3", "N3", "N2", "N3", "N3", "R", "R", "W"]
    both = summarise_study([night(reference, device, "crew-1")], StudyOptions(resamples=20))
    found = both.devices[0]
    assert {total.measure for total in found.totals} == {"TST", "minutes wake"}
    assert found.silence is not None
    assert (found.silence.asked, found.silence.without_class) == (8, 2)
    told = " ".join(line.strip() for line in study_lines(both))
    assert "Left out on both sides: 2 epochs with a stage of the device that is in no class." in told


def test_two_devices_are_measured_on_epochs_in_which_both_say_sleep_or_wake() -> None:
    """Both devices are right wherever they say wake or sleep; one has a word that may be either for eight epochs."""
    reference = ["W"] * 6 + ["N2"] * 20 + ["R"] * 10
    words = {"W": "wake", "N2": "light", "R": "rem"}
    plain = [words[stage] for stage in reference]
    vague = plain[:10] + ["wake-or-sleep"] * 8 + plain[18:]
    nights = []
    for who in ("crew-1", "crew-2"):
        for name, device in (("pad B", plain), ("band A", vague)):
            paired = align(reference=read_hypnogram(reference), device=read_hypnogram(device))
            one = summarise_night(paired, participant=who, night="1", device=name)
            nights.append(replace(one, epochs=pack_epochs(paired.reference, paired.device, begin_s=0.0)))
    found = summarise_study(nights, StudyOptions(resamples=20)).comparisons[0]
    errors = [(pair.first, pair.second) for pair in found.differences if pair.of == "TST"]
    assert errors == [(0.0, 0.0)]
