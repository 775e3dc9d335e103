"""The JSON that scripts rely on: names of fields, no number that JSON lacks, and tables that add up."""

from __future__ import annotations

import json
import math
from collections import Counter

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sleepagree.hypnogram.ledger import EXCLUDED
from sleepagree.mapping.mapping import mapping_named
from sleepagree.night.compare import compare
from sleepagree.night.mappings import compare_mappings
from sleepagree.render.json_text import as_iso, dump, iterate_dump, number
from sleepagree.render.night_json import confusion_rows, epoch_rows, mappings_document, measure_rows, night_document
from tests.worked import pair, side

REFERENCE = "W*6 N1*2 N2*30 ?*2 N3*20 R*12 -*2 N2*9 W*3"
NO_REM = "wake*5 light*36 deep*20 light*7 deep*5 - -*2 light*8 off_body wake*3"

#: The fields of a night as published; sets of names, nested as the document is.
NIGHT = {
    "schema", "software", "inputs", "options", "window", "ledger", "mappings", "measures", "redistribution",
    "bias_sources", "disagreement", "answer", "cautions",
}  # fmt: skip
INPUT = {"name", "sha256", "start", "epochs", "epoch_seconds", "labels"}
WINDOW = {"from", "to", "rule", "epochs"}
LEDGER = {"window_epochs", "scored", "excluded", "outside", "labels", "notes"}
MAPPING = {
    "name", "reference_classes", "device_classes", "counts", "n", "left_out", "accuracy", "kappa", "pabak", "ac1",
    "mcc", "balanced_accuracy", "ceiling", "classes", "intervals",
}  # fmt: skip
KAPPA = {"value", "se", "low", "high", "block_low", "block_high", "reason"}
CLASS = {"class", "sensitivity", "specificity", "ppv", "npv", "f1", "kappa"}
MEASURE = {"measure", "unit", "reference", "device", "difference"}
DESTINATION = {"class", "epochs", "minutes", "share", "low", "high", "primary_low", "primary_high", "share_of_class"}
SOURCE = {"class", "bias_minutes", "gained", "lost"}
COMPARED = {*MAPPING, "commonest_accuracy", "share_of_ceiling", "bias_minutes", "declared"}


def scored(**options):
    return compare(pair(REFERENCE, side(NO_REM)), **options)


def document(**options):
    return json.loads(dump(night_document(scored(**options))))


def test_a_night_has_the_published_fields():
    found = document()
    assert found["schema"] == "sleepagree.night/2"
    # more fields may be there; these must be
    assert set(found) >= NIGHT
    assert set(found) - NIGHT == {"other_mappings", "clock"}
    assert set(found["inputs"]) == {"reference", "device"}
    assert all(set(side) >= INPUT for side in found["inputs"].values())
    assert set(found["window"]) == WINDOW
    assert set(found["ledger"]) == LEDGER
    assert set(found["ledger"]["excluded"]) == {s.word for s in EXCLUDED}
    assert set(found["ledger"]["outside"]) == set(found["ledger"]["labels"]) == {"reference", "device"}
    for mapping in (*found["mappings"], *found["other_mappings"]):
        assert set(mapping) - {"reasons"} == MAPPING
        assert set(mapping["kappa"]) == KAPPA
        assert set(mapping["ceiling"]) >= {"accuracy", "kappa"}
        assert all(set(c) - {"reasons"} == CLASS for c in mapping["classes"])
    assert all(set(m) - {"reason"} == MEASURE for m in found["measures"])
    for traced in found["redistribution"]:
        assert set(traced) >= {"stage", "epochs", "minutes", "to"}
        assert all(set(d) >= DESTINATION for d in traced["to"])
    for source in found["bias_sources"]:
        assert set(source) >= SOURCE
        assert all(set(flow) == {"from", "minutes"} for flow in source["gained"])
        assert all(set(flow) == {"to", "minutes"} for flow in source["lost"])


def test_measures_have_the_published_names():
    assert [m["measure"] for m in document()["measures"]] == [
        "TIB", "TST", "SOL", "WASO", "SE", "awakenings", "REM latency", "deep latency", "minutes wake", "minutes light",
        "minutes deep", "minutes rem", "percent light", "percent deep", "percent rem",
    ]  # fmt: skip


def test_mappings_have_the_published_fields():
    comparison = compare_mappings(pair(REFERENCE, side(NO_REM)), declared="rem-as-deep")
    found = json.loads(dump(mappings_document(comparison, options={"window": None})))
    assert found["schema"] == "sleepagree.mappings/2"
    assert set(found) >= {"schema", "inputs", "window", "ledger", "mappings"}
    for mapping in found["mappings"]:
        assert set(mapping) - {"reasons", "assumption"} == COMPARED
        assert set(mapping["share_of_ceiling"]) == {"accuracy", "kappa"}
        assert set(mapping["bias_minutes"]) == set(mapping["device_classes"])
    assert [m["name"] for m in found["mappings"] if m["declared"]] == ["rem-as-deep"]
    assert found["options"] == {"window": None, "clock_offset": 0.0, "confidence": 0.95}


def test_undefined_is_null_with_a_reason():
    found = document()
    apart = found["mappings"][0]
    assert apart["kappa"]["value"] is None
    assert apart["kappa"]["reason"] == "the device has no class for REM"
    rem = next(c for c in apart["classes"] if c["class"] == "rem")
    assert rem["sensitivity"] is None
    assert set(rem["reasons"]) >= {name for name in CLASS - {"class"} if rem[name] is None}
    latency = next(m for m in found["measures"] if m["measure"] == "REM latency")
    assert (latency["device"], latency["difference"], latency["reason"]) == (
        None,
        None,
        "the device has no label for it",
    )
    one_class = compare(pair("N2*9", side("light*9", reports=("wake", "light", "deep", "rem"))))
    mapping = json.loads(dump(night_document(one_class)))["mappings"][0]
    undefined = {name for name in ("mcc", "balanced_accuracy", "pabak", "ac1") if mapping[name] is None}
    assert undefined <= set(mapping["reasons"])
    assert mapping["kappa"]["reason"]


def test_elapsed_time_has_seconds_for_a_window():
    paired = pair(side("W*2 N2*2", start=None), side("wake*2 light*2", start=None))
    found = night_document(compare(paired))
    assert (found["window"]["from"], found["window"]["to"]) == (0.0, 120.0)
    assert found["inputs"]["reference"]["start"] is None


# --- tables --------------------------------------------------------------------------------------------------


def test_epoch_rows_add_up_to_the_ledger():
    night = scored()
    header, *rows = epoch_rows(night)
    assert header == [
        "epoch", "start", "reference_label", "reference_stage", "reference_class", "device_label", "device_stage",
        "device_class", "status",
    ]  # fmt: skip
    ledger = night.paired.ledger
    assert len(rows) == ledger.window_epochs == 86
    statuses = Counter(row[-1] for row in rows)
    assert statuses == {"scored": ledger.scored, **{k: n for k, n in ledger.excluded if n}}
    table = [dict(zip(header, row, strict=True)) for row in rows]
    for side_name, counts in (("reference", ledger.reference_labels), ("device", ledger.device_labels)):
        found = Counter(row[f"{side_name}_label"] for row in table if row[f"{side_name}_label"])
        assert found == {label: n for label, n in counts if n}
    jointly = [(r["reference_class"], r["device_class"]) for r in table if r["status"] == "scored"]
    first = night.mappings[0]
    for i, a in enumerate(first.mapping.reference_classes):
        for j, b in enumerate(first.mapping.device_classes):
            assert jointly.count((a, b)) == first.counts[i, j]
    assert table[0]["start"] == "2026-03-01T22:30:00"
    assert table[1]["start"] == "2026-03-01T22:30:30"


def test_confusion_rows_are_the_counts_with_their_shares():
    night = scored(mappings=[mapping_named("wake-sleep"), mapping_named("rem-apart")])
    header, *rows = confusion_rows(night)
    assert header == ["mapping", "reference", "device", "epochs", "share_of_row", "share_of_column"]
    assert len(rows) == 4 + 12
    for mapping in night.mappings:
        own = [row for row in rows if row[0] == mapping.mapping.name]
        assert [int(row[3]) for row in own] == mapping.counts.ravel().tolist()
    two = night.mappings[0].counts
    assert [float(row[4]) for row in rows[:4]] == pytest.approx((two / two.sum(axis=1, keepdims=True)).ravel())
    assert [float(row[5]) for row in rows[:4]] == pytest.approx((two / two.sum(axis=0)).ravel())


def test_measure_rows_leave_undefined_cells_empty_and_give_the_reason():
    rows = {row[0]: row[1:] for row in measure_rows(scored())}
    assert rows["measure"] == ["unit", "reference", "device", "difference", "reason"]
    assert rows["REM latency"][2:] == ["", "", "the device has no label for it"]
    assert rows["TIB"] == ["min", "43.0", "43.0", "0.0", ""]


# --- values --------------------------------------------------------------------------------------------------


def test_numbers_that_json_lacks_are_null():
    assert [number(v) for v in (math.nan, math.inf, -math.inf, np.float32(0.5), 3)] == [None, None, None, 0.5, 3.0]
    with pytest.raises(ValueError, match="not JSON compliant"):
        dump({"x": math.nan})


def test_moments_are_iso_texts():
    from datetime import datetime, timedelta, timezone

    plus_two = timezone(timedelta(hours=2))
    assert as_iso(None) is None
    assert as_iso(datetime(2026, 3, 1, 22, 30, tzinfo=plus_two)) == "2026-03-01T22:30:00+02:00"
    assert as_iso(datetime(2026, 3, 1, 22, 30, 0, 500_000)) == "2026-03-01T22:30:00.500000"


@given(
    st.recursive(
        st.text() | st.none() | st.booleans() | st.integers(), lambda x: st.lists(x) | st.dictionaries(st.text(), x)
    )
)
def test_any_text_survives_and_none_moves_the_cursor(value):
    text = dump(value)
    assert json.loads(text) == value
    assert not any(c in text for c in "\x1b\x9b\u202e\u2028\ufeff")
    text.encode()


# --- the text ---------------------------------------------------------------------------------------------


def test_pieces_of_a_large_document_are_its_text(monkeypatch: pytest.MonkeyPatch) -> None:
    document = {"crew": [{"name": f"sailor {i}", "words": ["a", 1.5, None, True, {}, []]} for i in range(30)]}
    whole = json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    for at_once in (1, 7, 10_000):
        monkeypatch.setattr("sleepagree.render.json_text._PIECES_AT_ONCE", at_once)
        pieces = list(iterate_dump(document))
        assert "".join(pieces) == whole == dump(document)
    assert max(map(len, pieces)) > 1000


def test_what_could_move_a_cursor_is_escaped_in_every_piece(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sleepagree.render.json_text._PIECES_AT_ONCE", 2)
    document = {"\x9b2J": ["\x7f", "\u202e", "\ud800", "plain", "é"]}
    text = dump(document)
    assert not {"\x9b", "\x7f", "\u202e", "\ud800"} & set(text)
    assert "é" in text
    assert json.loads(text) == document
