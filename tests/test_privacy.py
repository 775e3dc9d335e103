"""Who slept stays where it stood: canary names in every field that may name a person, searched in every output."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pytest

from sleepagree.caution import FileName, Moment, Note, NoteKind, OtherText, OwnWord, ZoneName
from sleepagree.hypnogram.align import align
from sleepagree.readers.any_file import read_spans
from sleepagree.readers.layout import read_layout
from sleepagree.study.anonymous import anonymous_night, anonymous_table
from sleepagree.study.table import read_nights_table
from tests.canaries import CANARY, REMARKS, TRACE, fhir_bundle, name_everyone, outputs, planted, remarked_edf, told
from tests.commands import run
from tests.ferry import FERRY
from tests.said import said

QUICK = ("--resamples", "50")
EXPORTS = tuple(word for one in ("edf", "bids", "csv", "parquet") for word in ("--export", one))
#: A date or a time of day; not the volume and page of a citation (20:37-46).
MOMENT = re.compile(rb"\d{4}-\d{2}-\d{2}|\b\d{1,2}:\d{2}:\d{2}\b|(?<![;\d])\b(?:[01]\d|2[0-3]):[0-5]\d\b(?!-\d)")

#: Ends of stages of crew-1, night 1, worked out from nothing: any stages do, these cover most of that night.
BUNDLE = fhir_bundle(
    [
        ("awake", "2026-04-14T07:36:00+03:00", "2026-04-14T08:00:00+03:00"),
        ("asleepCore", "2026-04-14T08:00:00+03:00", "2026-04-14T10:00:00+03:00"),
        ("asleepDeep", "2026-04-14T10:00:00+03:00", "2026-04-14T11:00:00+03:00"),
        ("asleepREM", "2026-04-14T11:00:00+03:00", "2026-04-14T12:30:00+03:00"),
        ("awake", "2026-04-14T12:30:00+03:00", "2026-04-14T15:00:00+03:00"),
    ]
)


@pytest.fixture
def night(tmp_path: Path) -> tuple[Path, Path, Path]:
    """A reference and a device file, full of a name that is no label; and a layout with a remark."""
    source = FERRY / "reference" / "crew-1-night-1.edf"
    reference = tmp_path / "reference.edf"
    reference.write_bytes(remarked_edf(source, remarks=REMARKS))
    device = tmp_path / "device.csv"
    lines = (FERRY / "band-a" / "crew-1-night-1.csv").read_text().splitlines()
    rows = [f"{line},{CANARY},of {CANARY} Quill" for line in lines[1:]]
    device.write_bytes(planted("\n".join([f"{lines[0]},wearer,remark", *rows, ""]).encode()))
    layout = tmp_path / "band-a.toml"
    layout.write_bytes(planted(f"# {CANARY}'s band\n".encode() + (FERRY / "band-a.toml").read_bytes()))
    return reference, device, layout


def test_the_net_catches_what_it_is_meant_to_catch(night: tuple[Path, Path, Path], tmp_path: Path) -> None:
    reference, device, _ = night
    assert told(reference.read_bytes(), TRACE)
    assert told(device.read_bytes(), TRACE)
    assert told(BUNDLE.encode(), TRACE)
    assert told(f"x{CANARY.upper()}y".encode("utf-16-le"), TRACE)


@pytest.mark.parametrize("command", ["night", "mappings", "clock"])
def test_commands_on_one_night_name_nobody(command: str, night: tuple[Path, Path, Path], tmp_path: Path) -> None:
    reference, device, layout = night
    out, record = tmp_path / "out", tmp_path / "record.json"
    more = ("--out", out, *EXPORTS) if command == "night" else ()
    result = run(command, reference, device, "--layout", layout, "--json", record, *more)
    assert result.exit_code == 0, result.output
    assert len(outputs(result, out, record)) > 2000
    assert told(outputs(result, out, record), TRACE) == []


def test_a_health_record_names_nobody(night: tuple[Path, Path, Path], tmp_path: Path) -> None:
    device, out, record = tmp_path / "device.json", tmp_path / "out", tmp_path / "record.json"
    device.write_text(BUNDLE)
    told_zone = ("--reference-zone", "Europe/Helsinki")
    result = run("night", night[0], device, *told_zone, "--out", out, "--json", record)
    assert result.exit_code == 0, result.output
    assert told(outputs(result, out, record), TRACE) == []


def test_inspect_names_nobody(night: tuple[Path, Path, Path], tmp_path: Path) -> None:
    bundle = tmp_path / "device.json"
    bundle.write_text(BUNDLE)
    reference, device, layout = night
    for i, words in enumerate([(reference,), (device, "--layout", layout), (bundle,)]):
        record, start = tmp_path / f"{i}.json", tmp_path / f"{i}.toml"
        result = run("inspect", *words, "--json", record, "--write-layout", start)
        assert result.exit_code == 0, result.output
        # the names of a table's columns are told, its cells are not
        assert told(outputs(result, record, start), TRACE) == []
    assert json.loads((tmp_path / "0.json").read_text())["ignored"] == {"texts": 5, "times": 6}


def test_a_study_names_only_what_its_table_calls_people(tmp_path: Path) -> None:
    folder, out = tmp_path / "ferry", tmp_path / "out"
    shutil.copytree(FERRY, folder)
    for path in (folder / "reference").iterdir():
        path.write_bytes(remarked_edf(path, remarks=REMARKS))
    result = run("study", folder / "nights.csv", "--out", out, *QUICK)
    assert result.exit_code == 0, result.output
    assert told(outputs(result, out), TRACE) == []
    table = tmp_path / "bias.csv"
    result = run("bias", folder / "nights.csv", "--csv", table, "--json", tmp_path / "bias.json", *QUICK)
    assert result.exit_code == 0, result.output
    assert told(outputs(result, table, tmp_path / "bias.json"), TRACE) == []


def _spoil(data: bytes, old: bytes, new: bytes) -> bytes:
    assert old in data
    return data.replace(old, new.ljust(len(old))[: len(old)], 1)


#: Fault -> how it is put into the bytes of the reference. Messages show where, and what stands there if that can
#: be a number, a date or a label; the rest of the file never.
FAULTS = {
    "cut in the header": lambda data: data[:300],
    "cut in the annotations": lambda data: data[:-700],
    "no EDF": lambda data: b"1" + data[1:],
    "a date that is none": lambda data: data[:168] + b"99.99.26" + data[176:],
    "two dates": lambda data: data[:168] + b"01.01.20" + data[176:],
    "a number of signals that is none": lambda data: data[:252] + b"many" + data[256:],
    "an onset without sign": lambda data: _spoil(data, b"+60\x154\x14", b"?60\x154\x14"),
    "a remark with a control character": lambda data: _spoil(data, b"enters", b"en\x07ers"),
    "a remark that is not UTF-8": lambda data: _spoil(data, b"enters", b"en\xffers"),
    "a remark that is not closed": lambda data: _spoil(data, b"enters\x14\x00", b"enters\x00\x00"),
    "no stage at all": lambda data: data.replace(b"Sleep stage", b"Sloop stage"),
    "a stage that nothing explains": lambda data: data.replace(b"Sleep stage R", b"Sleep stage U"),
}


@pytest.mark.parametrize("fault", FAULTS)
@pytest.mark.parametrize("command", ["night", "inspect"])
def test_messages_about_a_broken_recording_name_nobody(
    fault: str, command: str, night: tuple[Path, Path, Path], tmp_path: Path
) -> None:
    reference, device, layout = night
    reference.write_bytes(FAULTS[fault](reference.read_bytes()))
    words = (reference, device, "--layout", layout) if command == "night" else (reference,)
    result = run(command, *words)
    if command == "night":
        assert result.exit_code == 1, result.output
        assert any(line.startswith("sleepagree: ") for line in result.stderr.splitlines())
    assert told(outputs(result), TRACE) == []


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("2026-04-14 07:43:30,Up", "2026-04-14 07:43:30,Sideways"),
        ("2026-04-14 07:43:30,Up", "late,Up"),
        ("2026-04-14 07:43:30,Up", "2026-04-14 07:43:30"),
        ("2026-04-14 07:43:30,Up", "2026-04-14 05:43:30,Up"),
        ("from,to,state", "from,to,mood"),
        ("2026-04-14 07:43:30,Up", '2026-04-14 07:43:30,"Up'),
    ],
)
def test_messages_about_a_broken_table_show_no_other_cell(
    old: str, new: str, night: tuple[Path, Path, Path], tmp_path: Path
) -> None:
    reference, device, layout = night
    device.write_text(device.read_text().replace(old, new, 1))
    for words in (("night", reference, device, "--layout", layout), ("inspect", device, "--layout", layout)):
        result = run(*words)
        assert told(outputs(result), TRACE) == []
        assert "Traceback" not in result.output


# --- folders ----------------------------------------------------------------------------------------------


def test_results_tell_no_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    home = tmp_path / CANARY
    home.mkdir()
    folder, out = home / "ferry", tmp_path / "out"
    shutil.copytree(FERRY, folder)
    outside = home / "elsewhere"
    outside.mkdir()
    (outside / "secret.csv").write_text("nothing\n")
    (folder / "band-a" / "crew-1-night-2.csv").write_text("nothing\n")
    table = folder / "nights.csv"
    text = table.read_text()
    text = text.replace("band-a/crew-2-night-1.csv", "../elsewhere/secret.csv")
    text = text.replace("band-a/crew-2-night-2.csv", str(outside / "secret.csv"))
    table.write_text(text)
    monkeypatch.chdir(home)
    for i, name in enumerate([table, Path("ferry/nights.csv")]):
        result = run("study", name, "--out", tmp_path / f"out{i}", *QUICK)
        assert result.exit_code == 3, result.output
        said = outputs(result, tmp_path / f"out{i}")
        assert told(said, TRACE) == []
        assert told(said, "elsewhere") == []
        assert b"band-a/crew-1-night-2.csv: " in said
    for name in ("results.json", "nights.csv", "bias.csv", "confusion.csv"):
        assert (tmp_path / "out0" / name).read_bytes() == (tmp_path / "out1" / name).read_bytes()
    assert not out.exists()


def test_a_night_tells_file_names_without_folders(tmp_path: Path) -> None:
    home = tmp_path / CANARY
    home.mkdir()
    for name in ("reference/crew-1-night-1.edf", "band-a/crew-1-night-1.csv", "band-a.toml"):
        shutil.copy(FERRY / name, home)
    out, record = tmp_path / "out", tmp_path / "record.json"
    words = (home / "crew-1-night-1.edf", home / "crew-1-night-1.csv", "--layout", home / "band-a.toml")
    result = run("night", *words, "--out", out, "--json", record)
    assert result.exit_code == 0, result.output
    # the next command to type repeats the paths that were typed; nothing else does
    repeated = result.stdout.partition("\nNEXT\n")[2].encode()
    assert told(outputs(result, out, record).replace(repeated, b""), TRACE) == []


# --- anonymous --------------------------------------------------------------------------------------------


@pytest.fixture
def named(tmp_path: Path) -> Path:
    """The ferry study under names that must not be told: of people, nights, files, folders and layouts."""
    folder = tmp_path / f"{CANARY}-home"
    shutil.copytree(FERRY, folder)
    text = (folder / "nights.csv").read_text()
    for part in ("reference", "band-a", "pad-b"):
        for path in list((folder / part).iterdir()):
            path.rename(path.with_name(path.name.replace("crew", CANARY)))
        text = text.replace(f"{part}/crew", f"{part}/{CANARY}")
    for name in ("band-a", "pad-b"):
        (folder / f"{name}.toml").rename(folder / f"{CANARY}-{name}.toml")
        text = text.replace(f"{name}.toml", f"{CANARY}-{name}.toml")
    text = re.sub(r"^crew-(\d),(\d),", rf"{CANARY}-\1,2026-04-0\2 of {CANARY},", text, flags=re.MULTILINE)
    table = folder / f"{CANARY}.csv"
    table.write_bytes(planted(text.encode()))
    (folder / "nights.csv").unlink()
    return table


def test_an_anonymous_study_tells_no_name_and_no_date(named: Path, tmp_path: Path) -> None:
    spoilt = named.parent / "band-a" / f"{CANARY}-2-night-2.csv"
    spoilt.write_text(spoilt.read_text().replace("Shallow", f"Sleep of {CANARY}", 1))
    out, plain = tmp_path / "out", tmp_path / "plain"
    result = run("study", named, "--out", out, "--anonymous", *QUICK)
    assert result.exit_code == 3, result.output
    said = outputs(result, out)
    assert told(said, TRACE) == []
    # the date of the package's own making stands nowhere; every date would be one of a night
    assert MOMENT.findall(said) == []
    results = json.loads((out / "results.json").read_text())
    assert results["options"]["anonymous"] is True
    assert results["inputs"] == {"name": "nights", "sha256": None}
    refusal = {"row": 6, "participant": "P02", "night": "2", "device": "band A"}
    assert [{k: r[k] for k in refusal} for r in results["nights"]["refused"]] == [refusal]
    assert run("study", named, "--out", plain, *QUICK).exit_code == 3
    with_names = json.loads((plain / "results.json").read_text())
    # the same numbers: names and dates are read by no statistic
    for part in ("devices", "comparisons", "scorers"):
        assert _without_names(with_names[part]) == _without_names(results[part])
    assert told(outputs(result, plain), TRACE)


def test_an_anonymous_study_tells_no_date_of_recordings_that_share_no_time(named: Path, tmp_path: Path) -> None:
    spoilt = named.parent / "band-a" / f"{CANARY}-2-night-2.csv"
    spoilt.write_text(spoilt.read_text().replace("2026", "2027"))
    result = run("study", named, "--out", tmp_path / "out", "--anonymous", *QUICK)
    assert result.exit_code == 3, result.output
    said = outputs(result, tmp_path / "out")
    assert b"the two recordings share no time" in said
    assert MOMENT.findall(said) == []


def _without_names(value: object) -> object:
    if isinstance(value, list):
        return [_without_names(item) for item in value]
    if not isinstance(value, dict):
        return value
    names = ("participant", "night", "first", "second", "reading")
    return {k: _without_names(v) for k, v in value.items() if k not in names or not isinstance(v, str)}


def test_an_anonymous_bias_table_tells_no_name(named: Path, tmp_path: Path) -> None:
    table, record = tmp_path / "bias.csv", tmp_path / "bias.json"
    result = run("bias", named, "--anonymous", "--csv", table, "--json", record, *QUICK)
    assert result.exit_code == 0, result.output
    assert told(outputs(result, table, record), TRACE) == []
    assert MOMENT.findall(outputs(result, table, record)) == []


@pytest.mark.parametrize("command", ["night", "mappings", "clock"])
@pytest.mark.parametrize("device", ["band-a", "pad-b"])
def test_an_anonymous_night_tells_no_name_and_no_date(command: str, device: str, named: Path, tmp_path: Path) -> None:
    folder, out, record = named.parent, tmp_path / "out", tmp_path / "record.json"
    words: tuple[object, ...] = (
        folder / "reference" / f"{CANARY}-1-night-1.edf",
        folder / device / f"{CANARY}-1-night-1.csv",
        "--layout",
        folder / f"{CANARY}-{device}.toml",
        "--json",
        record,
        *(("--reference-zone", "Europe/Helsinki") if device == "pad-b" else ()),
        *(("--out", out, *EXPORTS) if command == "night" else ()),
    )
    result = run(command, *words, "--anonymous")
    assert result.exit_code == 0, result.output
    said = outputs(result, out, record)
    assert told(said, TRACE) == []
    assert told(said, "Helsinki") == []
    assert MOMENT.findall(said) == []
    document = json.loads(record.read_text())
    assert [document["inputs"][side]["name"] for side in ("reference", "device")] == ["reference", "device"]
    plain = run(command, *words, "--overwrite")
    assert plain.exit_code == 0, plain.output
    # figures are those of the night with its names
    assert json.loads(record.read_text()).get("mappings") == document.get("mappings")
    assert MOMENT.findall(outputs(plain, record))


def test_a_window_in_dates_is_not_told_by_an_anonymous_night(named: Path, tmp_path: Path) -> None:
    folder, record = named.parent, tmp_path / "record.json"
    words = (folder / "reference" / f"{CANARY}-1-night-1.edf", folder / "band-a" / f"{CANARY}-1-night-1.csv")
    layout = ("--layout", folder / f"{CANARY}-band-a.toml")
    window = ("--window", "2026-04-14T08:00/2026-04-14T12:00")
    result = run("night", *words, *layout, *window, "--anonymous", "--json", record)
    assert result.exit_code == 0, result.output
    assert MOMENT.findall(outputs(result, record)) == []
    document = json.loads(record.read_text())
    assert document["options"]["window"] == "given"
    # four hours, in seconds after the start of the reference
    assert document["window"]["to"] - document["window"]["from"] == 4 * 3600
    assert document["window"]["epochs"] == 480


def test_numbers_of_people_and_nights_follow_the_table(named: Path) -> None:
    given, shown = read_nights_table(named), anonymous_table(read_nights_table(named))
    assert [row.participant for row in shown.rows] == [f"P0{row.participant[-1]}" for row in given.rows]
    assert [row.night for row in shown.rows] == [row.night[9] for row in given.rows]
    # where the files lie stays known, or nothing could be read
    assert [row.device_file for row in shown.rows] == [row.device_file for row in given.rows]


def test_remarks_of_readers_lose_names_and_times() -> None:
    reference = read_spans(FERRY / "reference" / "crew-1-night-1.edf").with_changes(
        notes=(
            Note.of(NoteKind.START_FROM_LAYOUT, start=Moment("2026-03-01 22:30:00")),
            Note.of(NoteKind.ZONE_BESIDE_FILE, zone=ZoneName("Europe/Helsinki"), file=FileName("crew-1-night-1.edf")),
            Note.of(NoteKind.LEVELS_READ, column=OwnWord("Quenby's stages"), file=FileName("sub-Quenby_events.json")),
            Note.of(NoteKind.IN_BED, begins=(Moment("22:30"),), ends=(Moment("06:10"),), more=0),
            Note.of(NoteKind.MNE_WARNING, text=OtherText("Quenby was here")),
            Note.of(NoteKind.BLANK_ROWS, count=3),
        )
    )
    layout = read_layout(FERRY / "band-a.toml")
    device = read_spans(FERRY / "band-a" / "crew-1-night-1.csv", layout=layout)
    paired = anonymous_night(align(reference=reference, device=device))
    assert said(paired.ledger.notes)[:6] == (
        "reference: start taken from the layout: (a time)",
        "reference: zone (a zone) not used: the reference tells its own",
        "reference: codes of column '(a name)' read by the Levels in a file",
        "reference: in bed from (a time) to (a time): time in bed is no stage and no lights mark, so it was not used; "
        "give a window to score it",
        "reference: MNE warns: (a remark)",
        "reference: 3 blank rows dropped",
    )
    assert paired.begin is None
    assert paired.reference_spans.start is None
    assert paired.device_spans.start is None


def test_the_header_that_names_everyone_is_a_legal_one(tmp_path: Path) -> None:
    # MNE as a second reader: it finds the name where the standard puts it, so the canary is in the right place
    import mne

    path = tmp_path / "night.edf"
    path.write_bytes(name_everyone((FERRY / "reference" / "crew-1-night-1.edf").read_bytes()))
    raw = mne.io.read_raw_edf(path, verbose="ERROR")
    assert CANARY in str(raw.info["subject_info"])


# --- a recording where something else was expected ----------------------------------------------------------

#: Where the header of an EDF file may have been cut: inside the name, at the ends of fields, before the records.
CUTS = (0, 1, 7, 8, 9, 14, 20, 40, 88, 120, 167, 176, 184, 200, 236, 255, 256, 257, 272, 300, 400, 511, 512, None)
SUFFIXES = (
    *(".csv", ".tsv", ".txt", ".json", ".ndjson", ".jsonl", ".toml", ".parquet", ".edf", ".bdf", ".fif", ".set"),
    *(".vmrk", ".amrk", ".dat", "", ".xml", ".html"),
)
FORMS = {
    "as it was": lambda data: data,
    "letters that are not ASCII": lambda data: data[:30] + b"\xe9\xff" + data[32:],
    "a byte-order mark before": lambda data: b"\xef\xbb\xbf" + data,
    "in UTF-16": lambda data: data.decode("latin-1").encode("utf-16"),
    "NUL for spaces in its version": lambda data: b"0" + b"\x00" * 7 + data[8:],
}


def _commands_on(path: Path, folder: Path) -> list[tuple[object, ...]]:
    """Return every command with this file in every place where it takes one."""
    good = (FERRY / "reference" / "crew-1-night-1.edf", FERRY / "band-a" / "crew-1-night-1.csv")
    table = folder / "nights.csv"
    header = "participant,night,device,reference,device_file,layout,reference_layout"
    cells = {"reference": good[0], "device_file": good[1], "layout": FERRY / "band-a.toml", "reference_layout": ""}
    rows = [",".join(map(str, ("a", i, "b", *(cells | {n: path}).values()))) for i, n in enumerate(cells)]
    table.write_text("\n".join([header, *rows, ""]))
    out = ("--out", folder / "out", "--overwrite")
    return [
        ("inspect", path),
        ("inspect", good[1], "--layout", path),
        *((c, path, good[1]) for c in ("night", "mappings", "clock")),
        *((c, good[0], path) for c in ("night", "mappings", "clock")),
        *(("night", *good, option, path) for option in ("--layout", "--reference-layout", "--mapping")),
        ("study", path, *out),
        ("bias", path),
        ("study", table, *out, *QUICK),
        ("study", FERRY / "nights.csv", "--mapping", path, *out),
        ("plan", "--from", path),
    ]


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("suffix", SUFFIXES)
def test_a_recording_in_any_place_under_any_name_tells_nobody(suffix: str, form: str, tmp_path: Path) -> None:
    source = name_everyone((FERRY / "reference" / "crew-1-night-1.edf").read_bytes())
    # each command at lengths of its own, so that all of them are met at all lengths over the suffixes and forms
    path = tmp_path / f"night{suffix}"
    shift = SUFFIXES.index(suffix) + list(FORMS).index(form)
    commands = _commands_on(path, tmp_path)
    for i, cut in enumerate(CUTS):
        path.write_bytes(planted(FORMS[form](source[:cut])))
        for words in commands[(i + shift) % 4 :: 4]:
            result = run(*words)
            assert told(outputs(result), TRACE) == [], (words, cut)
            assert result.exception is None or isinstance(result.exception, SystemExit), (words, cut)


@pytest.mark.parametrize("cut", CUTS[5:])
def test_a_description_of_columns_that_is_a_recording_tells_nobody(cut: int | None, tmp_path: Path) -> None:
    (tmp_path / "task_events.tsv").write_text("onset\tduration\tstaging\n0\t30\t1\n30\t30\t2\n60\t30\t1\n")
    source = name_everyone((FERRY / "reference" / "crew-1-night-1.edf").read_bytes())
    (tmp_path / "events.json").write_bytes(planted(source[:cut]))
    result = run("inspect", tmp_path / "task_events.tsv")
    assert result.exit_code == 1
    assert "this is an EDF recording" in result.stderr
    assert told(outputs(result), TRACE) == []
