"""Writing results: whole or not at all, and never over something that is not ours."""

from __future__ import annotations

import csv
import io
import os
import stat
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sleepagree.errors import OutputError
from sleepagree.files import writing as output
from sleepagree.files.writing import (
    Replaces,
    csv_text,
    encode_text,
    fresh_folder,
    refuse_folder,
    write_files,
    write_text,
)
from tests.commands import bytes_below

OURS = '{\n  "schema": "sleepagree.night/2"\n}\n'


def fill(folder: Path, *, overwrite: bool = False, files: tuple[str, ...] = ("results.json", "epochs.csv")) -> None:
    with fresh_folder(folder, overwrite=overwrite) as made:
        for name in files:
            (made / name).parent.mkdir(exist_ok=True)
            (made / name).write_text(OURS if name == "results.json" else "new\n")


# --- folders -------------------------------------------------------------------------------------------------


def test_a_new_folder_appears_with_everything_in_it(tmp_path):
    fill(tmp_path / "a" / "out")
    assert sorted(bytes_below(tmp_path)) == ["a/out/epochs.csv", "a/out/results.json"]


def test_a_new_folder_follows_the_umask(tmp_path):
    plain = tmp_path / "plain"
    plain.mkdir()
    fill(tmp_path / "out")
    assert stat.S_IMODE((tmp_path / "out").stat().st_mode) == stat.S_IMODE(plain.stat().st_mode)


def break_off(folder: Path, error: Exception, *, overwrite: bool = False) -> None:
    with fresh_folder(folder, overwrite=overwrite) as made:
        (made / "results.json").write_text("half")
        raise error


def test_nothing_is_there_when_the_block_fails(tmp_path):
    with pytest.raises(ZeroDivisionError):
        break_off(tmp_path / "out", ZeroDivisionError())
    assert list(tmp_path.iterdir()) == []


def test_an_old_folder_stays_as_it_was_when_the_block_fails(tmp_path):
    fill(tmp_path / "out", files=("results.json", "bias.csv"))
    before = bytes_below(tmp_path)
    with pytest.raises(OutputError, match="No space left"):
        break_off(tmp_path / "out", OSError(28, "No space left on device"), overwrite=True)
    assert bytes_below(tmp_path) == before
    assert sorted(p.name for p in tmp_path.rglob("*")) == ["bias.csv", "out", "results.json"]


def test_results_are_refused_without_overwrite(tmp_path):
    fill(tmp_path / "out")
    before = bytes_below(tmp_path)
    with pytest.raises(OutputError) as refusal:
        fill(tmp_path / "out")
    assert str(refusal.value) == (
        f"{tmp_path / 'out'}: the folder exists and is not empty. Give the name of a new folder, or overwrite=True to "
        "replace the results in it."
    )
    assert bytes_below(tmp_path) == before


def test_results_are_replaced_whole(tmp_path):
    fill(tmp_path / "out", files=("results.json", "bias.csv", "figures/bias.svg", "figures/old.svg"))
    fill(tmp_path / "out", overwrite=True, files=("results.json", "epochs.csv", "figures/bias.svg"))
    assert sorted(bytes_below(tmp_path / "out")) == ["epochs.csv", "figures/bias.svg", "results.json"]
    fill(tmp_path / "out", overwrite=True)
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == ["epochs.csv", "results.json"]


@pytest.mark.parametrize(
    "strangers",
    [
        {"letter.txt": "mine"},
        {"results.json": OURS, "letter.txt": "mine"},
        {"results.json": OURS, "figures/holiday.jpg": "mine"},
        {"results.json": OURS, "thesis/results.json": "mine"},
        {"results.json": OURS, ".hidden": "mine"},
        {"results.json": '{"schema": "somebody.else/1"}'},
        {"results.json": "mine"},
        {"epochs.csv": "no results.json beside it"},
    ],
    ids=["letter", "letter beside results", "picture", "subfolder", "hidden", "schema", "no json", "no results"],
)
def test_a_folder_with_other_files_is_never_replaced(tmp_path, strangers):
    for name, text in strangers.items():
        (tmp_path / "out" / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / "out" / name).write_text(text)
    before = bytes_below(tmp_path)
    with pytest.raises(OutputError, match="no results of sleepagree, so it is not replaced"):
        fill(tmp_path / "out", overwrite=True)
    assert bytes_below(tmp_path) == before


def test_the_message_names_the_other_files(tmp_path):
    folder = tmp_path / "out"
    folder.mkdir()
    for name in "edcba":
        (folder / name).write_text("mine")
    with pytest.raises(OutputError) as refusal:
        refuse_folder(folder, overwrite=True)
    assert str(refusal.value) == (
        f"{folder}: the folder holds files that are no results of sleepagree, so it is not replaced. Found 'a', 'b', "
        "'c' and 2 more. Give another name, or take these files out of it."
    )


@pytest.mark.parametrize("overwrite", [False, True])
def test_the_current_folder_stays_the_current_folder(tmp_path, monkeypatch, overwrite):
    monkeypatch.chdir(tmp_path)
    if overwrite:
        fill(Path())
    before = tmp_path.stat().st_ino
    fill(Path(), overwrite=overwrite)
    assert sorted(bytes_below(tmp_path)) == ["epochs.csv", "results.json"]
    assert tmp_path.stat().st_ino == before
    assert Path.cwd() == tmp_path


def test_a_folder_above_the_current_one_is_not_replaced(tmp_path, monkeypatch):
    (tmp_path / "work").mkdir()
    monkeypatch.chdir(tmp_path / "work")
    with pytest.raises(OutputError, match="not replaced"):
        fill(Path(".."), overwrite=True)
    assert Path.cwd() == tmp_path / "work"


def test_a_link_to_a_folder_keeps_its_target(tmp_path):
    (tmp_path / "disk").mkdir()
    (tmp_path / "out").symlink_to(tmp_path / "disk")
    inode = (tmp_path / "disk").stat().st_ino
    fill(tmp_path / "out")
    fill(tmp_path / "out", overwrite=True, files=("results.json",))
    assert (tmp_path / "out").is_symlink()
    assert (tmp_path / "disk").stat().st_ino == inode
    assert sorted(bytes_below(tmp_path / "disk")) == ["results.json"]


def test_links_inside_are_not_ours_to_follow(tmp_path):
    (tmp_path / "pictures").mkdir()
    (tmp_path / "pictures" / "cat.svg").write_text("mine")
    fill(tmp_path / "out")
    (tmp_path / "out" / "figures").symlink_to(tmp_path / "pictures")
    with pytest.raises(OutputError, match="'figures'"):
        fill(tmp_path / "out", overwrite=True, files=("results.json", "figures/cat.svg"))
    assert (tmp_path / "pictures" / "cat.svg").read_text() == "mine"


def test_a_file_or_a_dead_link_is_no_folder(tmp_path):
    (tmp_path / "file").write_text("mine")
    (tmp_path / "link").symlink_to(tmp_path / "nowhere")
    for name, found in (("file", "a file"), ("link", "a link to nothing")):
        with pytest.raises(OutputError) as refusal:
            fill(tmp_path / name, overwrite=True)
        assert str(refusal.value) == (
            f"{tmp_path / name}: this is not a folder. Found {found}. Give the name of a new folder."
        )
    assert (tmp_path / "file").read_text() == "mine"


def test_what_a_killed_run_left_is_not_in_the_way(tmp_path):
    fill(tmp_path / "out")
    (tmp_path / "out" / ".sleepagree-abc.part").mkdir()
    (tmp_path / "out" / ".sleepagree-abc.part" / "results.json").write_text("half")
    fill(tmp_path / "out", overwrite=True, files=("results.json",))
    (tmp_path / "out" / "results.json").unlink()
    fill(tmp_path / "out")


def test_a_name_too_long_is_one_error(tmp_path):
    for write in (fill, lambda p: write_text(p, "x")):
        with pytest.raises(OutputError, match="File name too long"):
            write(tmp_path / ("x" * 300))


def test_same_names_only_leaves_every_other_file(tmp_path):
    (tmp_path / "letter.txt").write_text("mine")
    (tmp_path / "results.json").write_text("mine")
    with fresh_folder(tmp_path, overwrite=True, replaces=Replaces.SAME_NAMES) as made:
        (made / "letter.txt").write_text("new")
    assert bytes_below(tmp_path) == {"letter.txt": b"new", "results.json": b"mine"}


def test_what_the_system_refuses_to_the_work_is_not_about_the_folder(tmp_path):
    with pytest.raises(FileNotFoundError), fresh_folder(tmp_path / "out"):
        (tmp_path / "missing").read_bytes()
    with pytest.raises(OutputError, match="cannot be written"), fresh_folder(tmp_path / "out") as made:
        (made / "missing" / "file").write_bytes(b"")
    assert not list(tmp_path.iterdir())


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_may_not_be_written_is_one_error(tmp_path):
    tmp_path.chmod(0o500)
    try:
        with pytest.raises(OutputError, match="cannot be written"):
            fill(tmp_path / "out")
    finally:
        tmp_path.chmod(0o700)


# --- files ---------------------------------------------------------------------------------------------------


def test_a_file_is_kept_unless_asked(tmp_path):
    path = tmp_path / "x.json"
    write_text(path, "one", overwrite=False)
    with pytest.raises(OutputError) as refusal:
        write_text(path, "two", overwrite=False)
    assert str(refusal.value) == (
        f"{path}: the output exists. Found a file; expected a name that is free. Give another name, or "
        "overwrite=True to replace it."
    )
    assert path.read_text() == "one"
    write_text(path, "two", overwrite=True)
    assert path.read_text() == "two"
    assert [p.name for p in tmp_path.iterdir()] == ["x.json"]


def test_files_that_belong_together_are_written_together(tmp_path, monkeypatch):
    (tmp_path / "b").write_text("old")
    with pytest.raises(OutputError):
        write_files({tmp_path / "a": b"new", tmp_path / "b": b"new"})
    assert bytes_below(tmp_path) == {"b": b"old"}

    class Full:
        def __init__(self, stream):
            self.stream = stream

        def __enter__(self):
            return self

        def __exit__(self, *args):
            self.stream.close()

        def write(self, data):
            raise OSError(28, "No space left on device")

    monkeypatch.setattr(output.os, "fdopen", lambda fd, mode, real=os.fdopen: Full(real(fd, mode)))
    with pytest.raises(OutputError, match="No space left on device"):
        write_files({tmp_path / "a": b"new", tmp_path / "b": b"new"}, overwrite=True)
    assert bytes_below(tmp_path) == {"b": b"old"}


def test_a_folder_in_the_way_and_a_missing_folder_are_told_apart(tmp_path):
    (tmp_path / "folder").mkdir()
    with pytest.raises(OutputError, match="this is a folder"):
        write_text(tmp_path / "folder", "x")
    with pytest.raises(OutputError, match="the folder of the file does not exist"):
        write_text(tmp_path / "absent" / "file", "x")


def test_half_a_surrogate_pair_is_written_as_its_escape():
    assert encode_text("a\udcff–") == b"a\\udcff\xe2\x80\x93"


# --- CSV -----------------------------------------------------------------------------------------------------


def test_formulas_are_neutralised_and_numbers_are_not():
    text = csv_text([["=cmd()", "+1+2", "-12.5", "@x", "N2", "a,b", 'q"q', "-0.0", "\tx", "1e-3"]])
    assert text == '\'=cmd(),\'+1+2,-12.5,\'@x,N2,"a,b","q""q",-0.0,\'\tx,1e-3\n'


@given(st.lists(st.lists(st.text(), min_size=1, max_size=4), min_size=1, max_size=4))
def test_any_table_reads_back_but_for_the_apostrophes(rows):
    read = list(csv.reader(io.StringIO(csv_text(rows), newline="")))
    assert len(read) == len(rows)
    for given_row, found in zip(rows, read, strict=True):
        for cell, back in zip(given_row, found, strict=True):
            assert back in (cell, "'" + cell)
            assert not back.startswith(("=", "@", "\t", "\r"))
            if back.startswith(("+", "-")):
                float(back)


def test_every_file_of_a_studys_folder_is_known_as_ours(tmp_path):
    """Else --overwrite would refuse the folder that the command itself wrote."""
    from click.testing import CliRunner

    from sleepagree.cli.group import main
    from tests.ferry import copy_ferry

    table = copy_ferry(tmp_path / "ferry")
    arguments = ["study", str(table), "--out", str(tmp_path / "out"), "--resamples", "20", "--quiet"]
    for options in ([], ["--overwrite"]):
        result = CliRunner().invoke(main, [*arguments, *options])
        assert result.exit_code == 0, result.output
    refuse_folder(tmp_path / "out", overwrite=True)


@pytest.mark.parametrize("delimiter", [",", "\t", ";"])
def test_cells_that_hold_the_delimiter_or_a_line_end_come_back(delimiter):
    # Python's csv module as the reader
    rows = [["a,b", "c\td", "e;f"], ["g\rh", 'i"j', "k\nl"]]
    text = csv_text(rows, delimiter=delimiter)
    assert list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)) == rows
