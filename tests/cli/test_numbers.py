"""Numbers of the command line that are none, or that no study needs, are wrong use: told at once, exit 2."""

from __future__ import annotations

import time

import pytest

from tests.commands import run
from tests.ferry import FERRY

NIGHT = ("night", str(FERRY / "reference/crew-1-night-1.edf"), str(FERRY / "band-a/crew-1-night-1.csv"))
CLOCK = ("clock", *NIGHT[1:])
STUDY = ("study", str(FERRY / "nights.csv"), "--out", "never-made")
BIAS = ("bias", str(FERRY / "nights.csv"))
PLAN = ("plan", "--between-sd", "20", "--within-sd", "30")
NINES = "9" * 20

CASES: list[tuple[str, ...]] = [
    *[(*PLAN, "--width", f"bias={width}") for width in ("inf", "nan", "-inf", "1e999", "0", "-1", "9" * 400)],
    *[(*PLAN, "--participants", sizes) for sizes in (NINES, "1000001", "5,1e9", "9" * 5000, "nan", "-5", "1")],
    (*PLAN, "--participants", ",".join(["5"] * 101)),
    *[(*PLAN, "--nights", sizes) for sizes in (NINES, "0", "inf")],
    *[(*PLAN, option, value) for option in ("--assurance", "--confidence") for value in ("nan", "inf", "1e300", "-1")],
    *[("plan", "--between-sd", value) for value in ("nan", "inf", "1e300", "-1")],
    *[(*PLAN, "--within-sd", value) for value in ("nan", "inf", "1e300", "-1")],
    *[("plan", "--kappa-between-sd", value) for value in ("nan", "inf", "1e9", "-1")],
    *[(*NIGHT, "--clock-offset", value) for value in ("nan", "inf", "-inf", "1e999", "x")],
    *[(*NIGHT, "--confidence", value) for value in ("nan", "inf", "1", "0")],
    *[(*STUDY, "--resamples", value) for value in ("1000000000000", "-1", "nan", "1e3")],
    *[(*STUDY, "--seed", value) for value in ("-1", "9007199254740992", NINES, "9" * 5000, "nan")],
    *[(*CLOCK, "--range", value) for value in ("nan", "inf", "1e300", "0")],
    *[(*CLOCK, "--seed", value) for value in ("-1", NINES)],
    *[(*STUDY, "--workers", value) for value in ("1000000000", "1025", "0", "-1", "nan")],
    *[(*BIAS, "--margin", f"TST={value}") for value in ("nan", "inf", "1e308", "-1", "0")],
    *[("demo", "never-made", "--seed", value) for value in ("-1", NINES)],
]


@pytest.mark.parametrize("words", CASES, ids=lambda words: " ".join(words[-2:])[:60])
def test_wrong_use_is_told_at_once(words: tuple[str, ...]) -> None:
    began = time.process_time()
    result = run(*words)
    assert time.process_time() - began < 10  # a hang, not a measurement
    assert (result.exit_code, result.stdout) == (2, "")
    assert words[-2] in result.stderr  # the option
    assert len(result.stderr) < 900 + len(words[-1])


@pytest.mark.parametrize(
    "words",
    [
        (*PLAN, "--width", "bias=1e300"),
        (*PLAN, "--width", "bias=0.000001"),
        (*PLAN, "--participants", "2,1000000", "--nights", "1,1000000"),
        ("plan", "--between-sd", "1000000", "--within-sd", "1000000", "--width", "bias=0.000001"),
        ("plan", "--kappa-between-sd", "2", "--kappa-within-sd", "2"),
    ],
    ids=lambda words: " ".join(words[-2:]),
)
def test_the_largest_numbers_that_are_taken_are_quick(words: tuple[str, ...]) -> None:
    began = time.process_time()
    result = run(*words)
    assert time.process_time() - began < 20  # a hang, not a measurement
    assert result.exit_code == 0, result.output
    for word in ("nan", "inf ", "Warning"):
        assert word not in result.output
