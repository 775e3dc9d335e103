"""From a table of nights to a folder of results: what is in it, and that its parts say the same."""

from __future__ import annotations

import csv
import gzip
import io
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from sklearn.metrics import cohen_kappa_score, confusion_matrix

from sleepagree.cli.running import run_study, write_study
from sleepagree.errors import InputError, OutputError
from sleepagree.files.writing import RESULT_FILES
from sleepagree.mapping.mapping import mapping_named
from sleepagree.study.chunks import unfinished_folder
from sleepagree.study.from_table import StudyRequest, load_nights
from sleepagree.study.results import StudyOptions
from sleepagree.study.run import ScoringOptions
from tests.ferry import FERRY, copy_ferry

EXCLUDED_WORDS = ("reference_gap", "reference_unscored", "reference_no_majority", "device_gap", "device_unscored")
REQUEST = StudyRequest(
    ScoringOptions(epochs=True), StudyOptions(resamples=100), told={"outside": "missing"}, command="sleepagree study"
)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("study")
    table = copy_ferry(folder / "ferry")
    (table.parent / "pad-b" / "crew-2-night-3.csv").write_text("nothing\n")
    write_study(load_nights(table), REQUEST, folder / "out")
    return folder / "out"


def rows_of(path: Path) -> list[dict[str, str]]:
    data = gzip.decompress(path.read_bytes()) if path.suffix == ".gz" else path.read_bytes()
    return list(csv.DictReader(io.StringIO(data.decode())))


def results_of(folder: Path) -> dict[str, Any]:
    return json.loads((folder / "results.json").read_text())  # type: ignore[no-any-return]


def test_the_folder_holds_what_is_promised_and_nothing_else(made: Path) -> None:
    files = {p.relative_to(made).as_posix() for p in made.rglob("*") if p.is_file()}
    plain = {name for name in files if "/" not in name}
    exact = {"results.json", "nights.csv", "bias.csv", "confusion.csv", "epochs.csv.gz"}
    assert plain == exact | {"report.html", "checklist.md"}
    assert plain <= RESULT_FILES
    tables = {name.removeprefix("tables/") for name in files if name.startswith("tables/")}
    of_device = ("bias", "confusion", "agreement", "accounting")
    expected = {f"{kind}_{device}" for kind in of_device for device in ("band-a", "pad-b")}
    expected |= {"where-stages-went_band-a", "comparison"}
    assert tables == {f"{name}.{end}" for name in expected for end in ("md", "tex")}
    figures = {name for name in files - plain if not name.startswith("tables/")}
    assert all(name.startswith("figures/") and name.endswith(".svg") for name in figures)
    assert sorted(p.name for p in made.parent.iterdir()) == ["ferry", "out"]


def test_figures_are_named_by_what_they_show_and_written_in_every_form_that_was_asked_for(tmp_path: Path) -> None:
    table = load_nights(copy_ferry(tmp_path / "ferry"))
    folders = [tmp_path / name for name in ("one", "two")]
    for folder in folders:
        write_study(table, REQUEST, folder, figures=("svg", "pdf", "png"))
    first, second = ({p.name: p.read_bytes() for p in (f / "figures").iterdir()} for f in folders)
    assert first == second
    assert not [name for name, data in first.items() if b"CreationDate" in data or b"dc:date" in data]
    begins = {".svg": b"<?xml", ".pdf": b"%PDF-", ".png": b"\x89PNG"}
    assert all(data.startswith(begins[Path(name).suffix]) for name, data in first.items())
    stems = {end: {Path(n).stem for n in first if n.endswith(end)} for end in begins}
    assert stems[".svg"] == stems[".pdf"] == stems[".png"]
    expected = {"bias-minutes-deep_band-a", "confusion-rem-left-out_band-a", "where-rem-went_band-a", "bias-tst_pad-b"}
    assert expected <= stems[".svg"]
    page = (folders[0] / "report.html").read_text()
    assert all(f'id="figure-{stem}"' in page for stem in stems[".svg"])


def test_the_epochs_add_up_to_the_confusion_table(made: Path) -> None:
    # scikit-learn counts the epochs file; classes by the rule of the mapping, written out here
    epochs = [r for r in rows_of(made / "epochs.csv.gz") if r["status"] == "scored" and r["device"] == "pad B"]
    fold = {"W": "wake", "N1": "light", "N2": "light", "N3": "deep", "R": "rem", "light": "light"}
    reference = [fold[r["reference"]] for r in epochs]
    device = [fold[r["device_stage"]] for r in epochs]
    classes = ["wake", "light", "deep", "rem"]
    counted = confusion_matrix(reference, device, labels=classes)
    told = {
        (r["reference"], r["device_class"]): int(r["epochs"])
        for r in rows_of(made / "confusion.csv")
        if (r["device"], r["mapping"]) == ("pad B", "wake-light-deep-rem")
    }
    assert [[told[a, b] for b in classes] for a in classes] == counted.tolist()
    (pad,) = [d for d in results_of(made)["devices"] if d["device"] == "pad B"]
    assert pad["mappings"][0]["counts"] == counted.tolist()
    assert pad["mappings"][0]["pooled"]["kappa"]["value"] == pytest.approx(cohen_kappa_score(reference, device))


def test_the_epochs_add_up_to_the_ledgers(made: Path) -> None:
    counted: dict[tuple[str, str, str], dict[str, int]] = {}
    for r in rows_of(made / "epochs.csv.gz"):
        night = counted.setdefault((r["participant"], r["night"], r["device"]), {})
        night[r["status"]] = night.get(r["status"], 0) + 1
    nights = [r for r in rows_of(made / "nights.csv") if r["outcome"] == "scored"]
    assert len(nights) == len(counted) == 23
    for r in nights:
        found = counted[r["participant"], r["night"], r["device"]]
        assert sum(found.values()) == int(r["window_epochs"])
        assert found["scored"] == int(r["scored"])
        # one word for each status, in both files; the night with two scorers has epochs without a majority
        told = {key: int(r[key]) for key in EXCLUDED_WORDS}
        assert {key: found.get(key, 0) for key in told} == told
    assert sum(night.get("reference_no_majority", 0) for night in counted.values()) > 0


def test_bias_of_csv_and_json_are_the_same(made: Path) -> None:
    told = {(d["device"], b["measure"]): b for d in results_of(made)["devices"] for b in d["bias"]}
    rows = rows_of(made / "bias.csv")
    assert [(r["device"], r["measure"]) for r in rows] == list(told)
    for r in rows:
        record = told[r["device"], r["measure"]]
        for key in ("bias", "bias_low", "bias_high", "sd", "lower", "upper", "icc", "ccc", "mae"):
            assert r[key] == ("" if record[key] is None else repr(float(record[key]))), key
    assert any(r["lower"] for r in rows)


def test_a_refused_night_stands_in_every_part(made: Path) -> None:
    results = results_of(made)
    assert results["nights"]["given"] == 24
    assert results["nights"]["scored"] == 23
    (refusal,) = results["nights"]["refused"]
    assert {k: refusal[k] for k in ("row", "participant", "night", "device")} == {
        "row": 19, "participant": "crew-2", "night": "3", "device": "pad B",
    }  # fmt: skip
    (line,) = [r for r in rows_of(made / "nights.csv") if r["outcome"] == "refused"]
    assert line["reason"] == refusal["reason"]
    assert line["row"] == "19"
    assert "pad-b/crew-2-night-3.csv" in (made / "report.html").read_text()
    assert all(r["night"] != "3" or r["participant"] != "crew-2" or r["device"] != "pad B"
               for r in rows_of(made / "epochs.csv.gz"))  # fmt: skip


def test_results_tell_what_they_were_made_from_and_with(made: Path) -> None:
    import hashlib

    from sleepagree.readers.any_file import read_spans

    results = results_of(made)
    assert results["schema"] == "sleepagree.study/2"
    table = made.parent / "ferry" / "nights.csv"
    assert results["inputs"]["name"] == "nights.csv"
    assert results["inputs"]["sha256"] == hashlib.sha256(table.read_bytes()).hexdigest()
    given = {str(i): r for i, r in enumerate(rows_of(table), start=2)}
    nights = {r["row"]: r for r in rows_of(made / "nights.csv") if r["outcome"] == "scored"}
    files = {str(n["row"]): n for n in results["inputs"]["nights"]}
    assert list(files) == list(nights)
    for number, night in nights.items():
        references = [table.parent / name for name in given[number]["reference"].split(";")]
        device = table.parent / given[number]["device_file"]
        # that of an EDF file passes over the fields about the patient, as its reader does
        hashes = [read_spans(path).origin.sha256 for path in references]
        assert night["reference_file"] == ";".join(path.name for path in references)
        assert night["reference_sha256"] == ";".join(hashes)
        assert night["device_file"] == device.name
        assert night["device_sha256"] == hashlib.sha256(device.read_bytes()).hexdigest()
        assert [f["sha256"] for f in files[number]["reference"]] == hashes
        assert files[number]["device"] == {"name": device.name, "sha256": night["device_sha256"]}
    assert "The hashes of the files of every night stand in nights.csv" in (made / "report.html").read_text()
    options = results["options"]
    assert (options["seed"], options["resamples"], options["confidence"]) == (0, 100, 0.95)
    assert options["outside"] == "missing"
    assert set(results["software"]) >= {"sleepagree", "numpy", "python"}


# --- all or nothing ---------------------------------------------------------------------------------------


def test_a_folder_with_files_is_refused_before_anything_is_read(tmp_path: Path) -> None:
    table = load_nights(copy_ferry(tmp_path / "ferry"))
    out = tmp_path / "out"
    out.mkdir()
    (out / "thesis.txt").write_text("draft")
    rows: list[int] = []
    with pytest.raises(OutputError):
        write_study(table, REQUEST, out, progress=lambda done, total: rows.append(done))
    with pytest.raises(OutputError, match="no results of sleepagree"):
        write_study(table, REQUEST, out, overwrite=True)
    assert rows == []
    assert [p.name for p in out.iterdir()] == ["thesis.txt"]


def test_an_old_folder_of_results_is_replaced_whole(tmp_path: Path) -> None:
    table = load_nights(copy_ferry(tmp_path / "ferry"))
    out = tmp_path / "out"
    write_study(table, REQUEST, out)
    (out / "figures" / "old.svg").write_text("<svg/>")
    before = (out / "results.json").read_bytes()
    with pytest.raises(OutputError):
        write_study(table, REQUEST, out)
    assert (out / "figures" / "old.svg").exists()
    write_study(table, replace(REQUEST, report=False), out, overwrite=True)
    assert (out / "results.json").read_bytes() == before
    assert sorted(p.name for p in out.iterdir()) == [
        "bias.csv", "checklist.md", "confusion.csv", "epochs.csv.gz", "nights.csv", "results.json", "tables",
    ]  # fmt: skip


def test_a_study_without_one_night_that_can_be_scored(tmp_path: Path) -> None:
    table = copy_ferry(tmp_path / "ferry")
    for path in (table.parent / "reference").iterdir():
        path.write_bytes(b"nothing")
    with pytest.raises(InputError, match="no night can be scored") as refusal:
        run_study(load_nights(table), REQUEST)
    # 24 rows with one reason, of which a message names three
    assert "24 device-nights: " in str(refusal.value)
    assert "and 21 more" in str(refusal.value)
    assert str(refusal.value).count("this is no EDF or BDF file") == 1


def test_finished_nights_wait_beside_the_folder(tmp_path: Path) -> None:
    assert unfinished_folder(tmp_path / "results.v2") == tmp_path / "results.v2.unfinished"
    assert unfinished_folder(Path("results")) == Path("results.unfinished")
    below = tmp_path / "out" / "below"
    below.mkdir(parents=True)
    assert unfinished_folder(below / "..") == tmp_path / "out.unfinished"


# --- other kinds of studies -------------------------------------------------------------------------------


def test_a_mapping_that_is_asked_for_is_the_only_one(tmp_path: Path) -> None:
    table = load_nights(copy_ferry(tmp_path / "ferry"))
    mapping = mapping_named("wake-sleep")
    asked = StudyRequest(ScoringOptions((mapping,)), StudyOptions((mapping,), resamples=50))
    study = run_study(table, asked)
    assert {m.mapping.name for d in study.devices for m in d.mappings} == {"wake-sleep"}


def test_a_table_of_paired_epochs_is_a_study(made: Path, tmp_path: Path) -> None:
    """The epochs file of a study, given back as a table of paired epochs, gives the same counts."""
    rows = [r for r in rows_of(made / "epochs.csv.gz") if r["device"] == "pad B"]
    table = tmp_path / "epochs.csv"
    with table.open("w", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(["participant", "night", "epoch", "reference", "device"])
        for r in rows:
            reference = "" if r["reference"] == "unscored" else r["reference"]
            writer.writerow([r["participant"], r["night"], r["epoch"], reference, r["device_stage"]])
    out = tmp_path / "out"
    study = write_study(load_nights(table), REQUEST, out)
    assert study.given == 11
    assert not (out / "epochs.csv.gz").exists()  # they are in the table that was given
    (pad,) = [d for d in results_of(made)["devices"] if d["device"] == "pad B"]
    (again,) = results_of(out)["devices"]
    assert again["mappings"][0]["counts"] == pad["mappings"][0]["counts"]
    assert again["mappings"][0]["pooled"]["accuracy"]["value"] == pad["mappings"][0]["pooled"]["accuracy"]["value"]
    assert [b["bias"] for b in again["bias"]] == [b["bias"] for b in pad["bias"]]


def test_the_study_that_comes_back_is_the_one_that_was_written(tmp_path: Path) -> None:
    from sleepagree.describe.study import next_command
    from tests.told import study_files, study_lines

    table = load_nights(FERRY / "nights.csv")
    written = write_study(table, REQUEST, tmp_path / "out")
    again = run_study(table, REQUEST)
    assert study_lines(written) == study_lines(again)
    assert written.cautions == again.cautions
    typed = next_command(written, table, REQUEST.scoring)
    files = study_files(written, command=REQUEST.command, table=table, next_typed=typed)
    assert (tmp_path / "out" / "report.html").read_bytes() == files["report.html"]
