"""Refused nights with one reason stand together, whatever came first in their files."""

from __future__ import annotations

from pathlib import Path

import pytest

from sleepagree.describe.refused import refused_items
from sleepagree.errors import Front, UnknownStageError
from sleepagree.readers.any_file import read_spans
from sleepagree.study.night_summary import Refusal


def refusal(tmp_path: Path, night: int, labels: tuple[str, ...]) -> Refusal:
    """Return the refusal of a night whose labels nothing explains."""
    path = tmp_path / f"{night}.csv"
    rows = "".join(f"2026-04-2{night} 07:0{i}:00,{label}\n" for i, label in enumerate(labels))
    path.write_text(f"time,stage\n{rows}", encoding="utf-8")
    with pytest.raises(UnknownStageError) as caught:
        read_spans(path)
    error = caught.value
    assert error.labels == labels  # in the order of the file, as they are asked for
    told = error.told(Front.TABLE, tmp_path)
    return Refusal(night + 1, "crew-1", str(night), "band A", told, parts=error.parts(Front.TABLE, tmp_path))


def test_one_reason_stands_once_in_whatever_order_labels_came(tmp_path: Path) -> None:
    orders = [("Up", "Shallow"), ("Shallow", "Up"), ("Up", "Shallow")]
    items = refused_items([refusal(tmp_path, i, labels) for i, labels in enumerate(orders, start=1)])
    told = [item for item in items.items if isinstance(item, str)]
    assert len(told) == 1
    assert told[0].startswith("3 nights: 2 unknown stage labels.")
    assert told[0].index('"Shallow"') < told[0].index('"Up"')
