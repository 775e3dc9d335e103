"""Inputs that fuzzing found to break the invariant, kept so that they never do again."""

from __future__ import annotations

from pathlib import Path

import pytest

from sleepagree.errors import SleepAgreeError
from sleepagree.study.paired_epochs import read_paired_nights

PAIRED = "participant,night,epoch,reference,device\na,1,0,wake,wake\na,1,1,N2,light\n"


def test_a_return_within_the_header_of_paired_epochs(tmp_path: Path) -> None:
    # found by coverage: the header went to the csv module, which refuses a return outside quotation marks
    path = tmp_path / "paired.csv"
    path.write_bytes(b"partice,\revice\na,1ice\na,1,0,waje,w>ke\na,1,1,N2,N2\n")
    with pytest.raises(SleepAgreeError, match=r"paired\.csv: line 1: column participant is missing"):
        list(read_paired_nights(path))


def test_lines_of_paired_epochs_that_end_in_a_return(tmp_path: Path) -> None:
    for end in ("\n", "\r", "\r\n"):
        path = tmp_path / "paired.csv"
        path.write_bytes(PAIRED.replace("\n", end).encode())
        (night,) = read_paired_nights(path)
        assert (night.participant, night.scored) == ("a", 2)
        assert night.native.tolist() == [[1, 0], [0, 1]]
