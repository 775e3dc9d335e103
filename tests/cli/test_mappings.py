"""``sleepagree mappings``: side by side in 80 columns, the same table of counts behind every mapping."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from sleepagree.cli.group import main
from tests.commands import ended

FERRY = Path(__file__).resolve().parents[2] / "fixtures" / "ferry"
NIGHTS = sorted(p.stem for p in (FERRY / "band-a").glob("*.csv"))
MINE = """\
name = "deep or not"
classes = ["deep", "rest"]
[reference]
W = "rest"
N1 = "rest"
N2 = "rest"
N3 = "deep"
R = "leave-out"
[device]
Up = "rest"
Shallow = "rest"
Deep = "deep"
"""


def invoke(name: str, device: str, *options: str, code: int = 0, command: str = "mappings"):
    files = [str(FERRY / "reference" / f"{name}.edf"), str(FERRY / device / f"{name}.csv")]
    zone = ["--reference-zone", "Europe/Helsinki"] if device == "pad-b" else []
    arguments = [command, *files, "--layout", str(FERRY / f"{device}.toml"), *zone, *options]
    return ended(*arguments, code=code)


@pytest.mark.parametrize("device", ["band-a", "pad-b"])
@pytest.mark.parametrize("name", NIGHTS)
def test_every_fixture_night_fits_in_80_columns(name, device):
    result = invoke(name, device)
    assert all(len(line) <= 80 for line in result.stdout.splitlines())
    # the lines that a reader needs before any figure of the table is compared with another
    assert "Kappas at different numbers of classes cannot be compared with each other" in result.stdout
    assert "Always saying the commonest class would have an accuracy of" in result.stdout
    assert "its kappa is 0 by definition" in " ".join(result.stdout.split())
    assert "No mapping was declared beforehand." in invoke(name, device, "--full").stderr


def test_the_mappings_of_a_device_without_rem():
    first_table = invoke("crew-3-night-2", "band-a").stdout.partition("BY CLASS")[0]
    rows = {line.split()[0]: line.split() for line in first_table.splitlines() if re.match(r"  [a-z-]+ +\d", line)}
    assert list(rows) == ["rem-apart", "rem-left-out", "rem-as-light", "rem-as-deep", "rem-as-wake", "wake-sleep"]
    assert rows["rem-apart"][1:4] == ["4", "by", "3"]


def test_a_declared_mapping_is_marked_and_ends_the_warning():
    result = invoke("crew-1-night-1", "band-a", "--declare", "rem-as-light")
    assert any(line.startswith("* rem-as-light ") for line in result.stdout.splitlines())
    assert "No mapping was declared beforehand." not in result.stderr
    # a mapping that exists and does not fit the two label sets
    refused = invoke("crew-1-night-1", "band-a", "--declare", "wake-light-deep-rem", code=1)
    assert refused.stdout == ""
    assert refused.stderr.startswith(
        "sleepagree: --declare: the declared mapping is not among those compared. Found wake-light-deep-rem; expected "
        "one of rem-apart, "
    )


def test_json_has_the_table_and_every_mapping_is_a_sum_of_its_cells():
    result = invoke("crew-1-night-1", "band-a", "--json", "-", "--declare", "wake-sleep")
    found = json.loads(result.stdout)
    assert found["schema"] == "sleepagree.mappings/2"
    by_name = {m["name"]: m for m in found["mappings"]}
    apart = np.array(by_name["rem-apart"]["counts"])
    assert by_name["rem-left-out"]["counts"] == apart[:3].tolist()
    assert by_name["rem-left-out"]["left_out"] == apart[3].sum()
    for row, name in enumerate(("rem-as-wake", "rem-as-light", "rem-as-deep")):
        folded = apart[:3].copy()
        folded[row] += apart[3]
        assert by_name[name]["counts"] == folded.tolist()
    two = by_name["wake-sleep"]
    assert two["counts"] == [[apart[0, 0], apart[0, 1:].sum()], [apart[1:, 0].sum(), apart[1:, 1:].sum()]]
    assert two["commonest_accuracy"] == apart[1:].sum() / apart.sum()
    assert [m["declared"] for m in found["mappings"]] == [m["name"] == "wake-sleep" for m in found["mappings"]]


def test_the_same_figures_as_night():
    options = ("--mapping", "rem-as-deep", "--json", "-")
    night = json.loads(invoke("crew-1-night-3", "band-a", *options, command="night").stdout)["mappings"][0]
    compared = json.loads(invoke("crew-1-night-3", "band-a", "--json", "-").stdout)["mappings"]
    other = next(m for m in compared if m["name"] == "rem-as-deep")
    assert night == {key: other[key] for key in night}


def test_a_mapping_of_ones_own_stands_beside_the_others(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(MINE)
    result = invoke("crew-1-night-1", "band-a", "--mapping", str(path), "--declare", "deep or not")
    assert any(line.startswith("* deep or not ") for line in result.stdout.splitlines())
    path.write_text(MINE.replace("deep or not", "wake-sleep"))
    refused = invoke("crew-1-night-1", "band-a", "--mapping", str(path), code=1)
    assert "two mappings have one name. Found wake-sleep" in refused.stderr


# --- the page about mappings ---------------------------------------------------------------------------------

PAGE = (Path(__file__).resolve().parents[2] / "docs" / "mappings.md").read_text("utf-8")


def test_the_table_of_the_page_is_what_the_command_prints():
    (block,) = re.findall(r"```text\n(.*?)```", PAGE, re.DOTALL)
    night = "crew-3-night-2"
    files = [str(FERRY / "reference" / f"{night}.edf"), str(FERRY / "band-a" / f"{night}.csv")]
    result = CliRunner().invoke(
        main, ["mappings", *files, "--layout", str(FERRY / "band-a.toml"), "--declare", "rem-apart"]
    )
    assert block in result.stdout


def test_the_mapping_file_of_the_page_works(tmp_path):
    (block,) = re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)
    path = tmp_path / "deep-or-not.toml"
    path.write_text(block)
    found = json.loads(invoke("crew-3-night-2", "band-a", "--mapping", str(path), "--json", "-").stdout)["mappings"]
    by_name = {m["name"]: np.array(m["counts"]) for m in found}
    wake, light, deep = by_name["rem-left-out"]
    rest = wake + light
    assert by_name["deep-or-not"].tolist() == [[deep[2], deep[:2].sum()], [rest[2], rest[:2].sum()]]


def test_the_page_says_of_every_mapping_what_its_classes_are():
    from sleepagree.mapping.mapping import BUILT_IN_MAPPINGS

    rows = {row[1].strip("` "): row for line in PAGE.splitlines() if len(row := line.split("|")) == 7}
    for mapping in BUILT_IN_MAPPINGS:
        told = rows[mapping.name][2]
        assert all(re.search(rf"\b{name}\b", told) for name in mapping.reference_classes), mapping.name
