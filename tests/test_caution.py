"""Facts: every kind is made somewhere and has one sentence, which is made of its values; names go by their type."""

from __future__ import annotations

import ast
import json
import pickle
import re
from pathlib import Path

import pytest

from sleepagree.caution import (
    Caution,
    CautionKind,
    FileName,
    Moment,
    Note,
    NoteKind,
    OtherText,
    OwnWord,
    ZoneName,
    without_names,
)
from sleepagree.describe import cautions, notes
from sleepagree.describe.cautions import caution_document, say_caution
from sleepagree.describe.notes import say_note

PACKAGE = Path(__file__).parent.parent / "sleepagree"
FACTS = (
    Note.of(NoteKind.IN_BED, begins=(Moment("22:30"),), ends=(Moment("06:10"),), more=2).of_side("device"),
    Note.of(NoteKind.ZONE_BESIDE_FILE, zone=ZoneName("Europe/Helsinki"), file=FileName("a.csv")),
    Note.of(NoteKind.HYPNOGRAM_SIGNAL, signal=OwnWord("Hypnogram")),
    Note.of(NoteKind.MNE_WARNING, text=OtherText("odd")),
    Caution.of(CautionKind.LONG_STEP, seconds=300.0).of_side("device"),
)


def given_by(node: ast.AST) -> list[ast.expr]:
    """Return where a kind stands that becomes a fact: what a call is given, what another fact stands for, or what is
    told before its values; a tuple of kinds alone is only looked for."""
    if isinstance(node, ast.Call):
        return node.args
    if isinstance(node, ast.Dict):
        return node.values
    if isinstance(node, ast.Tuple) and len(node.elts) > 1:
        kinds = [ast.unparse(part).partition(".")[0] for part in node.elts[:2]]
        return node.elts[:1] if kinds[0] != kinds[1] else []
    return []


def made() -> dict[str, set[str]]:
    """Return the kinds that modules make facts of, and where; the rooms that say them are left out."""
    found: dict[str, set[str]] = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        room = path.relative_to(PACKAGE).parts[0]
        if room in ("describe", "report", "render", "caution.py"):
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            for argument in given_by(node):
                if isinstance(argument, ast.Attribute) and isinstance(argument.value, ast.Name):
                    found.setdefault(f"{argument.value.id}.{argument.attr}", set()).add(path.name)
    return found


@pytest.mark.parametrize(("kinds", "table"), [(CautionKind, cautions.SENTENCES), (NoteKind, notes.SENTENCES)])
def test_every_kind_has_one_sentence_and_is_made_somewhere(kinds, table):
    assert set(table) == set(kinds)
    assert {f"{kinds.__name__}.{kind.name}" for kind in kinds} - made().keys() == set()


def test_sentences_are_made_of_the_values():
    assert say_note(FACTS[1]) == "zone Europe/Helsinki not used: a.csv tells its own"
    assert say_caution(FACTS[4]).startswith("device: stages are told in steps of 5 min: ")
    on_nights = Caution.of(CautionKind.ON_NIGHTS, device="band A", count=3, caution=FACTS[4])
    assert say_caution(on_nights) == f"band A, 3 nights: {say_caution(FACTS[4])}"


@pytest.mark.parametrize("fact", FACTS, ids=lambda fact: fact.kind)
def test_facts_come_back_equal_and_of_the_same_types(fact):
    again = type(fact).from_document(json.loads(json.dumps(fact.to_document())))
    assert again == pickle.loads(pickle.dumps(fact)) == fact
    assert hash(again) == hash(fact)
    assert [type(value) for _, value in again.values] == [type(value) for _, value in fact.values]


def test_a_caution_of_nights_comes_back():
    caution = Caution.of(CautionKind.ON_NIGHTS, device="pad B", count=1, caution=FACTS[4])
    assert Caution.from_document(json.loads(json.dumps(caution.to_document()))) == caution


def test_names_go_by_type_not_by_looks():
    note = Note.of(NoteKind.LEVELS_READ, column="10:30", file=FileName("x.json"))
    assert without_names(note, {})["column"] == "10:30"  # no moment, whatever it looks like
    assert without_names(note, {})["file"] == "a file"
    assert without_names(note, {"x.json": "the device"})["file"] == "the device"
    in_bed = without_names(FACTS[0], {})
    assert (in_bed["begins"], in_bed["ends"], in_bed.side) == (("(a time)",), ("(a time)",), "device")
    nested = without_names(Caution.of(CautionKind.ON_NIGHTS, device="band A", count=1, caution=FACTS[1]), {})
    assert nested["caution"]["zone"] == "(a zone)"


#: What only commands and the local page say, and the words of the command line themselves.
OF_COMMANDS = (
    "cli",
    "page",
    "render",
    "errors.py",
    "readers/inspection.py",
    "readers/study_results.py",
    "study/proposed_patterns.py",
    "study/from_folder.py",
    "study/demo",
)
OF_REPORTS = {path.name for path in (PACKAGE / "describe").glob("*.py")} - {"cautions.py", "notes.py", "words.py"}
COMMAND_WORD = re.compile(r"(?<![\w-])--[a-z]|sleepagree [a-z]+'|FIRST\+SECOND|in nights\.csv")


def texts_outside_docstrings(path: Path) -> list[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    alone = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    texts = [node for node in ast.walk(tree) if isinstance(node, ast.Constant) and isinstance(node.value, str)]
    return [node.value for node in texts if id(node) not in alone]


def test_no_caution_and_no_error_has_a_word_of_the_command_line_in_its_text():
    found = []
    for path in sorted(PACKAGE.rglob("*.py")):
        inside = path.relative_to(PACKAGE).as_posix()
        if inside.startswith(OF_COMMANDS) or (inside.startswith("describe/") and path.name in OF_REPORTS):
            continue
        found += [(inside, text) for text in texts_outside_docstrings(path) if COMMAND_WORD.search(text)]
    assert found == []


ON_NIGHTS = {"device": "band A", "count": 1, "nights": 9, "named": (("crew-1", "1"),)}
KAPPAS = {"kappa": 0.0, "kappa_there": 0.6}
CHANGE = {"hour": "02:00", "to_hour": "03:00", "zones": ("Europe/Helsinki",), "is_forward": True, "date": "2026-03-29"}
SKEWED = {"device": "band A", "of_ratios": False, "measures": ("SOL",), "drawn": (), "above_zero": ("SOL",)}
VALUES = {
    CautionKind.SILENCE_IS_WAKE: {"count": 1, "minutes": 2.0, "longest_min": 2.0},
    CautionKind.REPORTS_FROM_LABELS: {"missing": ("R",), "reports": ("W", "light", "N3")},
    CautionKind.REPORTS_CONTRADICT: {"layout": ("W", "R"), "used": ("W",)},
    CautionKind.LONG_WAKE: {"before": 200, "after": 10},
    CautionKind.TIME_LEFT_OVER: {"minutes": 90.0, "asleep_min": 60.0},
    CautionKind.LONE_MARK: {"mark": "Lights off"},
    CautionKind.NO_KAPPA: {"classes": ("rem",), "mapping": "rem-apart"},
    CautionKind.CLOCK_DOUBT: KAPPAS,
    CautionKind.CLOCK_UNTOLD: KAPPAS,
    CautionKind.CLOCK_ZONE: {"seconds": 3600.0, **KAPPAS},
    CautionKind.CLOCK_OFFSET: {"seconds": 120.0, **KAPPAS},
    CautionKind.CLOCK_CHANGE: CHANGE,
    CautionKind.CLOCK_JUMP: {"before": 0.0, "after": 300.0, **KAPPAS},
    CautionKind.NO_MAPPING_DECLARED: {},
    CautionKind.NIGHTS_SPARSE: {**ON_NIGHTS, "scored_percent": (80.0,), "least_percent": 90.0},
    CautionKind.SKEWED: SKEWED,
    CautionKind.CLOCKS_OFF: {**ON_NIGHTS, "seconds": (60.0,)},
    CautionKind.CLOCKS_DOUBTFUL: ON_NIGHTS,
    CautionKind.WINDOW_BY_DEVICE: {"learnt": ("lights",)},
    CautionKind.WINDOW_OF_REFERENCE: {"count": 2},
}


@pytest.mark.parametrize("kind", VALUES)
def test_a_caution_names_arguments_in_python_and_options_in_commands(kind):
    caution = Caution.of(kind, **VALUES[kind])
    of_nights = Caution.of(CautionKind.ON_NIGHTS, device="band A", count=2, caution=caution)
    for each in (caution, of_nights):
        in_python, in_command = str(each), say_caution(each)
        assert COMMAND_WORD.search(in_command)
        assert not COMMAND_WORD.search(in_python)
        assert "\x02" not in in_python + in_command


def test_every_kind_that_names_what_can_be_set_is_looked_at():
    paths = [PACKAGE / "describe" / name for name in ("cautions.py", "correction_cautions.py")]
    body = [node for path in paths for node in ast.parse(path.read_text(encoding="utf-8")).body]
    functions = {node.name: node for node in body if isinstance(node, ast.FunctionDef)}
    naming = {name for name, node in functions.items() if names_option(ast.unparse(node))}
    plans = {CautionKind.PLAN_RESTS_ON_FEW}  # no function of Python plans
    found = {
        kind
        for kind, sentence in cautions.SENTENCES.items()
        if (names_option(sentence) if isinstance(sentence, str) else sentence.__name__ in naming)
    }
    assert found - plans == set(VALUES)


def names_option(text: str) -> bool:
    return re.search(r"\b(Option|Step)\.[A-Z]", text) is not None


def test_the_object_of_a_document():
    assert caution_document(Caution.of(CautionKind.ON_NIGHTS, device="band A", count=2, caution=FACTS[4])) == {
        "kind": "on_nights",
        "side": None,
        "values": {
            "device": "band A",
            "count": 2,
            "caution": {"kind": "long_step", "side": "device", "values": {"seconds": 300.0}},
        },
        "text": f"band A, 2 nights: {say_caution(FACTS[4])}",
    }
