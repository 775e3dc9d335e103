"""``sleepagree plan``: from stated SDs and from a finished study."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from scipy import stats

from tests.commands import run
from tests.ferry import FERRY

STATED = ("--between-sd", "20", "--within-sd", "15")
SMALL = ("--participants", "5,20", "--nights", "1,4")


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("plan") / "out"
    done = run("study", FERRY / "nights.csv", "--out", out, "--resamples", "50")
    assert done.exit_code == 0, done.output
    return out / "results.json"


def plan(*words: object, folder: Path) -> dict[str, Any]:
    record = folder / "plan.json"
    result = run("plan", *words, "--json", record, "--overwrite")
    assert result.exit_code == 0, result.output
    return json.loads(record.read_text())  # type: ignore[no-any-return]


def test_half_widths_of_the_bias_are_those_of_the_t_interval(tmp_path: Path) -> None:
    document = plan(*STATED, *SMALL, folder=tmp_path)
    assert document["schema"] == "sleepagree.plan/2"
    cells = {(c["participants"], c["nights"]): c["half_width"] for c in document["grid"]}
    assert sorted(cells) == [(5, 1), (5, 4), (20, 1), (20, 4)]
    for (people, nights), widths in cells.items():
        # variance of a mean of participants' means, and a quantile of t by scipy; the expected width of an interval
        # is that of its mean standard error, which lies below the root of the variance by the factor c4
        se = math.sqrt((20**2 + 15**2 / nights) / people)
        degrees = people - 1
        c4 = math.sqrt(2 / degrees) * math.exp(math.lgamma((degrees + 1) / 2) - math.lgamma(degrees / 2))
        reach = stats.t.ppf(0.975, degrees) * se
        assert widths["bias"] == pytest.approx(reach * c4, rel=1e-9)


def test_more_people_narrow_more_than_more_nights(tmp_path: Path) -> None:
    cells = {
        (c["participants"], c["nights"]): c["half_width"]["bias"]
        for c in plan(*STATED, "--participants", "10,40", "--nights", "1,4", folder=tmp_path)["grid"]
    }
    assert cells[40, 1] < cells[10, 4] < cells[10, 1]


def test_the_smallest_study_reaches_what_is_wanted(tmp_path: Path) -> None:
    document = plan(*STATED, *SMALL, "--width", "bias=10", folder=tmp_path)
    smallest = document["smallest"]["bias"]
    people, nights = smallest["participants"], smallest["nights"]
    words = ("--participants", f"{people - 1},{people}", "--nights", str(nights))
    cells = {c["participants"]: c["half_width"]["bias"] for c in plan(*STATED, *words, folder=tmp_path)["grid"]}
    assert cells[people] <= 10 < cells[people - 1]


def test_a_plan_from_a_study_names_where_its_figures_come_from(results: Path, tmp_path: Path) -> None:
    document = plan("--from", results, *SMALL, folder=tmp_path)
    study = json.loads(results.read_text())["devices"][0]
    assert study["device"] == "band A"
    bias = {b["measure"]: b for b in study["bias"]}
    assumed = document["assumed"]["statistics"]
    assert assumed["bias TST"]["between_sd"] == pytest.approx(bias["TST"]["between_sd"])
    assert assumed["bias TST"]["within_sd"] == pytest.approx(bias["TST"]["within_sd"])
    assert "results.json: 4 participants, 12 nights" in str(assumed["bias TST"])
    assert {"bias TST", "limits TST", "kappa"} <= set(assumed)


def test_another_device_and_another_measure(results: Path, tmp_path: Path) -> None:
    document = plan("--from", results, "--device", "pad B", "--measure", "WASO", *SMALL, folder=tmp_path)
    assert set(document["assumed"]["statistics"]) == {"bias WASO", "limits WASO"}


def test_the_text_is_a_grid_per_statistic() -> None:
    result = run("plan", *STATED, *SMALL, "--width", "bias=10")
    assert result.exit_code == 0
    assert result.stdout.startswith("WHAT IS ASSUMED")
    assert "HALF-WIDTH of the 95 % interval of bias (expected)" in result.stdout
    assert "SMALLEST STUDY for what is wanted" in result.stdout
    assert all(len(line) <= 100 for line in result.stdout.splitlines())
    assert run("plan", *STATED, *SMALL, "--json", "-").stdout.startswith("{")


@pytest.mark.parametrize(
    "words",
    [
        (),
        ("--within-sd", "3"),
        ("--between-sd", "many"),
        (*STATED, "--confidence", "0"),
        (*STATED, "--assurance", "1"),
        # the half-width of two people would be smaller than that of five
        (*STATED, "--assurance", "0.02"),
        (*STATED, "--participants", "few"),
        (*STATED, "--participants", ""),
        (*STATED, "--participants", "5,,6"),
        (*STATED, "--width", "bias"),
        # they choose from a finished study, and there is none
        (*STATED, "--device", "pad B"),
        (*STATED, "--measure", "TST"),
        # SDs that nothing would use
        ("--from", "results.json", "--within-sd", "3"),
        ("--from", "results.json", "--kappa-between-sd", "0.1"),
    ],
)
def test_wrong_use(words: tuple[str, ...]) -> None:
    result = run("plan", *words)
    assert result.exit_code == 2, result.output
    assert result.stderr.startswith("Usage: ")


@pytest.mark.parametrize(
    ("words", "lacking"),
    [
        (("--between-sd", "3", "--kappa-within-sd", "0.1"), "give --kappa-between-sd."),
        (("--kappa-between-sd", "0.1", "--within-sd", "5"), "give --between-sd."),
    ],
)
def test_one_half_of_two_sds_says_which_is_lacking(words: tuple[str, ...], lacking: str) -> None:
    result = run("plan", *words)
    assert result.exit_code == 2, result.output
    assert lacking in result.stderr


@pytest.mark.parametrize("words", [(*STATED, "--width", "naps=3"), ("--from", "nowhere.json")])
def test_values_that_mean_nothing(words: tuple[str, ...]) -> None:
    result = run("plan", *words)
    assert result.exit_code == 1, result.output
    assert result.stderr.startswith("sleepagree: ")
    assert "Traceback" not in result.output


def test_a_study_that_lacks_what_is_asked_for(results: Path) -> None:
    for words, said in (
        (("--device", "band C"), "the study has no such device. Found band C; expected one of band A, pad B"),
        (("--measure", "naps"), "the study has no such measure"),
        (("--width", "bias TIB of naps=3"), "of a statistic that is not planned"),
    ):
        result = run("plan", "--from", results, *words)
        assert result.exit_code == 1
        assert said in result.stderr


def _cut(key: str) -> Callable[[dict[str, Any]], Any]:
    return lambda document: {k: v for k, v in document.items() if k != key}


def _in_device(change: Callable[[dict[str, Any]], Any]) -> Callable[[dict[str, Any]], Any]:
    def spoilt(document: dict[str, Any]) -> dict[str, Any]:
        change(document["devices"][0])
        return document

    return spoilt


def test_results_of_an_earlier_edition_are_planned_from_alike(results: Path, tmp_path: Path) -> None:
    document = json.loads(results.read_text())
    assert document["schema"] == "sleepagree.study/2"
    told = [caution["text"] for caution in document["cautions"]]
    assert told
    earlier = tmp_path / "results.json"
    earlier.write_text(json.dumps({**document, "schema": "sleepagree.study/1", "cautions": told}))
    now, before = (plan("--from", path, *SMALL, folder=tmp_path) for path in (results, earlier))
    assert now == before


def _with_kappa(device: dict[str, Any]) -> list[dict[str, Any]]:
    return [mapping for mapping in device["mappings"] if "kappa" in mapping["averaged"]]


def test_a_number_that_no_study_has_is_named_with_its_field(results: Path, tmp_path: Path) -> None:
    document = json.loads(results.read_text())
    document["devices"][0]["bias"][0]["participants"] = math.inf
    path = tmp_path / "results.json"
    path.write_text(json.dumps(document).replace("Infinity", "1e400"))
    assert run("plan", "--from", path).stderr == (
        "sleepagree: results.json: field 'participants': a number of the results is none that a study can have. Found "
        "Infinity; expected a number from 0 to 1e+09. Give the results.json that 'sleepagree study --out' wrote, "
        "as it was written.\n"
    )


DAMAGE: dict[str, Callable[[dict[str, Any]], Any]] = {
    "a list": lambda document: [document],
    "another schema": lambda document: {**document, "schema": "sleepagree.night/1"},
    "no devices": _cut("devices"),
    "an empty list of devices": lambda document: {**document, "devices": []},
    "devices that are no list": lambda document: {**document, "devices": 3},
    "a device without bias": _in_device(lambda device: device.pop("bias")),
    "a device without a name": _in_device(lambda device: device.pop("device")),
    "bias of numbers": _in_device(lambda device: device.update(bias=[1, 2])),
    "no mappings": _in_device(lambda device: device.pop("mappings")),
    "a spread that is a text": _in_device(lambda device: [b.update(between_sd="x") for b in device["bias"]]),
    "participants without end": _in_device(lambda device: [b.update(participants=math.inf) for b in device["bias"]]),
    "nights that are no number": _in_device(lambda device: [b.update(nights="3") for b in device["bias"]]),
    "a spread without end": _in_device(lambda device: [b.update(between_sd_high=math.inf) for b in device["bias"]]),
    "a spread of kappa without end": _in_device(
        lambda device: [m["averaged"]["kappa"].update(between_sd=math.inf) for m in _with_kappa(device)]
    ),
    "a spread below zero": _in_device(lambda device: [b.update(between_sd=-1.0) for b in device["bias"]]),
}


@pytest.mark.parametrize("damage", DAMAGE)
def test_a_file_that_is_no_study(damage: str, results: Path, tmp_path: Path) -> None:
    path = tmp_path / "results.json"
    path.write_text(json.dumps(DAMAGE[damage](json.loads(results.read_text()))))
    result = run("plan", "--from", path)
    assert result.exit_code == 1, (result.output, result.exception)
    assert result.stderr.startswith("sleepagree: results.json")


def test_results_may_have_a_byte_order_mark(results: Path, tmp_path: Path) -> None:
    marked = tmp_path / "results.json"
    marked.write_text(results.read_text(encoding="utf-8"), encoding="utf-8-sig")
    assert plan("--from", marked, *SMALL, folder=tmp_path) == plan("--from", results, *SMALL, folder=tmp_path)


@pytest.mark.parametrize("data", [b"", b"{", b"\xff\xfe", b"[" * 100_000])
def test_bytes_that_are_no_study(data: bytes, tmp_path: Path) -> None:
    path = tmp_path / "results.json"
    path.write_bytes(data)
    result = run("plan", "--from", path)
    assert result.exit_code == 1, (result.output, result.exception)


# --- figures from few people, names, and what is printed --------------------------------------------------


def test_a_plan_from_four_people_shows_the_upper_bound_and_what_it_asks_for(results: Path, tmp_path: Path) -> None:
    words = ("--from", results, "--width", "bias TST=10")
    document = plan(*words, folder=tmp_path)
    assumed = document["assumed"]["statistics"]["bias TST"]
    assert assumed["participants"] == 4
    # of these four invented people the estimate is 0, and the bound is not
    assert assumed["between_sd"] == 0
    bound = assumed["between_sd_high"]
    assert bound > 5
    at_bound = document["at_upper_bound"]["smallest"]["bias TST"]
    stated = ("--between-sd", repr(bound), "--within-sd", repr(assumed["within_sd"]), "--width", "bias=10")
    same = plan(*stated, folder=tmp_path)["smallest"]["bias"]
    assert (at_bound["participants"], at_bound["nights"]) == (same["participants"], same["nights"])
    assert at_bound["participants"] > document["smallest"]["bias TST"]["participants"]
    result = run("plan", *words)
    assert f"TST 0.0, at most {bound:.1f} (upper bounds of 95 %)" in result.stderr
    assert "caution" not in result.stdout
    told = " ".join(result.stdout.split())
    assert f"at its upper bound: {at_bound['participants']} participants with {at_bound['nights']} night" in told
    said = [line.removeprefix("caution: ") for line in result.stderr.splitlines()]
    assert [caution["text"] for caution in document["cautions"]] == said
    assert "The SDs between nights of one person rest on 8 nights beyond each person's first" in said[1]
    assert run("plan", *words, "--quiet").stderr == ""


def test_stated_figures_and_many_people_need_no_caution(results: Path, tmp_path: Path) -> None:
    assert plan(*STATED, folder=tmp_path)["cautions"] == []
    document = json.loads(results.read_text())
    for row in document["devices"][0]["bias"]:
        row["participants"], row["nights"] = 10, 20
    for mapping in document["devices"][0]["mappings"]:
        if "kappa" in mapping["averaged"]:
            mapping["averaged"]["kappa"] |= {"participants": 10, "nights": 20}
    many = tmp_path / "results.json"
    many.write_text(json.dumps(document))
    told = plan("--from", many, folder=tmp_path)
    assert told["cautions"] == []
    assert told["at_upper_bound"] is None


def test_only_what_a_width_is_wanted_of_is_planned(results: Path, tmp_path: Path) -> None:
    document = plan("--from", results, "--width", "bias TST=10", *SMALL, folder=tmp_path)
    assert set(document["assumed"]["statistics"]) == {"bias TST"}
    result = run("plan", "--from", results, "--width", "bias TST=10", *SMALL)
    assert result.stdout.count("HALF-WIDTH") == 1
    # one of a measure that is named, and kappa because it is wanted
    document = plan("--from", results, "--measure", "SOL", "--width", "kappa=0.05", *SMALL, folder=tmp_path)
    assert set(document["assumed"]["statistics"]) == {"bias SOL", "limits SOL", "kappa"}
    assert document["smallest"]["kappa"]["wanted"] == 0.05
    # a measure that is not among those planned by default
    document = plan("--from", results, "--width", "limits WASO=30", "--width", "kappa=0.1", *SMALL, folder=tmp_path)
    assert set(document["assumed"]["statistics"]) == {"limits WASO", "kappa"}


def test_half_widths_are_printed_without_powers_of_ten() -> None:
    for wanted, of, said in (
        ("bias=5000", "30000", "bias ± 5000: 141 participants with 1 night each (reaches 4986)"),
        ("bias=1000000", "1000000", "bias ± 1000000: 6 participants with 1 night each (reaches 998572)"),
        ("bias=0.00001", "0.00002", "bias ± 0.00001: 18 participants with 1 night each (reaches 0.0000098)"),
    ):
        result = run("plan", "--between-sd", of, "--width", wanted, "--nights", "1")
        assert said in " ".join(result.stdout.split())


def test_a_width_that_is_not_planned_gets_a_remedy_that_helps(results: Path, tmp_path: Path) -> None:
    stated = run("plan", *STATED, "--width", "kappa=0.05")
    assert stated.stderr.endswith("kappa from --kappa-between-sd.\n")
    named = run("plan", "--from", results, "--measure", "SOL", "--width", "bias TST=10")
    assert named.stderr.endswith("or name its measure with --measure.\n")
    document = json.loads(results.read_text())
    for mapping in _with_kappa(document["devices"][0]):
        del mapping["averaged"]["kappa"]
    (tmp_path / "results.json").write_text(json.dumps(document))
    without = run("plan", "--from", tmp_path / "results.json", "--measure", "SOL", "--width", "kappa=0.05")
    told = "expected one of bias SOL, limits SOL. Give one of these names. What is alike on all nights of a study "
    assert told in without.stderr


@pytest.mark.parametrize(("one", "other"), [("bias TST", "bias TST"), ("bias minutes deep", "bias  Minutes Deep")])
def test_two_widths_of_one_statistic_are_refused(one: str, other: str, results: Path) -> None:
    result = run("plan", "--from", results, *SMALL, "--width", f"{one}=3", "--width", f"{other}=30")
    assert result.exit_code in (1, 2)
    assert "two half-widths are wanted of one statistic. Found bias" in " ".join(result.stderr.split())


def test_what_is_alike_on_all_nights_is_not_planned(results: Path, tmp_path: Path) -> None:
    """Four people without a difference do not show that others have none."""
    document = json.loads(results.read_text())
    for device in document["devices"]:
        (row,) = (row for row in device["bias"] if row["measure"] == "TST")
        row.update(between_sd=0, within_sd=0, between_sd_high=0, sd=0)
    (tmp_path / "results.json").write_text(json.dumps(document))
    planned = plan("--from", tmp_path / "results.json", *SMALL, folder=tmp_path)
    assert not any("TST" in name for name in planned["assumed"]["statistics"])
    assert any("minutes" in name for name in planned["assumed"]["statistics"])


@pytest.mark.parametrize("written", ["minutes REM", "minutes rem", "Minutes Rem"])
def test_a_measure_is_found_in_either_spelling(written: str, results: Path, tmp_path: Path) -> None:
    words = ("--from", results, "--device", "pad B", *SMALL)
    document = plan(*words, "--measure", written, "--width", f"bias {written}=20", folder=tmp_path)
    assert set(document["assumed"]["statistics"]) == {"bias minutes rem", "limits minutes rem"}
    assert document["smallest"]["bias minutes rem"]["wanted"] == 20
    result = run("plan", *words, "--measure", written)
    assert "of bias minutes REM (expected)" in result.stdout
    assert "minutes rem" not in result.output
    missing = run("plan", *words, "--measure", "naps")
    assert "minutes REM" in missing.stderr
    assert "minutes rem" not in missing.stderr


def test_a_file_that_is_not_there_is_said_not_to_be(tmp_path: Path) -> None:
    result = run("plan", "--from", tmp_path / "nosuch.json")
    assert result.exit_code == 1
    assert "nosuch.json: the file does not exist" in result.stderr


def test_a_plan_fits_a_terminal(results: Path) -> None:
    many = ",".join(str(n) for n in range(1, 15))
    for words in (("--from", results), (*STATED, "--kappa-between-sd", "0.1", "--nights", many)):
        result = run("plan", *words)
        assert result.exit_code == 0
        assert [line for line in result.stdout.splitlines() if len(line) > 80] == []


def test_half_widths_of_ratios_are_of_logarithms(tmp_path: Path) -> None:
    out = tmp_path / "out"
    words = ("--log-ratio", "--mapping", "wake-sleep", "--resamples", "5")
    assert run("study", FERRY / "nights.csv", "--out", out, *words).exit_code == 0
    row = next(b for b in json.loads((out / "results.json").read_text())["devices"][0]["bias"] if b["measure"] == "TST")
    document = plan("--from", out / "results.json", "--measure", "TST", *SMALL, folder=tmp_path)
    assumed = document["assumed"]["statistics"]["bias TST"]
    assert assumed["within_sd"] == pytest.approx(math.log(row["within_sd"]))
    assert "log ratios" in assumed["source"]
    told = run("plan", "--from", out / "results.json", "--width", "bias TST=0.05")
    assert "bias TST ± 0.05 (log ratio):" in told.stdout
    # the example of --help, in minutes, is a factor of 22,000
    refused = run("plan", "--from", out / "results.json", "--width", "bias TST=10")
    assert refused.exit_code == 1
    assert refused.stderr == (
        "sleepagree: --width: the study has log ratios of device and reference, and the wanted half-width is none. "
        "Found bias TST=10; expected less than 1: 0.05 is about 5 %. For minutes plan from the study without "
        "--log-ratio.\n"
    )
