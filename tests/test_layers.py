"""The house: the order of its rooms, and inside each room the order of its files.

A module imports only from rooms above its own and, inside its room, from files that stand before it. Imports inside
functions count.
"""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "sleepagree"

#: Room, and its files in order, from the ground up.
ROOMS = {
    "errors": "",
    "caution": "",
    "shown": "",
    "files": "formulas kinds object_store toml writing reading packed markup",
    "mapping": "words languages sets checks mapping label_coverage files",
    "hypnogram": "spans epochs zones window ledger silence align clock_changes joining",
    "readers": "layout times.words columns encodings log_lines csv_table times.clock "
    "times.zones times.declared times.forms times.reading times.nights rows table.table "
    "table.shapes table.unused table.labels table.times table.lengths table.recordings "
    "table.reader table.parquet table.excel table.events edf.annotation_lists edf.header edf.stages "
    "edf.recording edf.writer json.fields json.intervals json.fhir json.mobile_health json.records "
    "json.beside json.file mne_files any_file in_memory memory inspection "
    "study_results proposing.column_kinds proposing.layout_proposal "
    "proposing.table_place proposing.stage_roles proposing.recording_roles "
    "proposing.epoch_lengths proposing.time_roles proposing.column_roles proposing.placed_roles "
    "proposing.json_proposal proposing.sheet_proposal proposing.proposal",
    "inference": "table_sums estimate one_night normal_theory people resampling limits equivalence "
    "reliability planning correction error_sizes class_probabilities group_means",
    "scoring": "ceiling coefficients class_sequences runs states following disagreement measures redistribution "
    "offsets table_agreement clock_blocks clock clock_check epoch_features",
    "night": "measures cautions intervals compare mappings answer",
    "study": "demo.simulate demo.write night_summary clocks table file_patterns from_folder paired_epochs scorers "
    "anonymous plan run chunks execution results cautions groups from_table comparison over_nights given_nights "
    "epoch_correction correction correction_file correct_nights summarise epoch_scores correction_learning "
    "proposed_patterns",
    "describe": "words facts correction_cautions cautions notes citations bias blocks refused paragraphs closing "
    "night_time mappings clock folder plan study_margins study_epochs study_paragraphs study_checklist correction "
    "answer night study_agreement study_bias_figures "
    "study_bias study_further study_tables study proposal file",
    "figures": "style drawing saving subjects class_bars hypnograms in_time night_kappas participants planning "
    "tables_of_counts bias_over_nights corrections",
    "render": "columns told_cautions json_text export figures night_json clock_json inspection_json notebook terminal "
    "page markdown latex night_folder correction_json correction_folder study_further_json study_json frames "
    "study_folder results",
    "page": "folder guard jobs moments questions remembered works views app serve",
    "cli": "interrupts options asking running page clock demo inspect mappings night nights plan group study bias "
    "calibrate correct",
}
ORDER = list(ROOMS)

#: Modules that ask the package's entrance by name, because what they need stands above them, and what they ask it: a
#: result shows itself, and what is not read yet is read.
AT_THE_ENTRANCE = {"shown": {"show_result"}, "caution": {"show_result"}, "hypnogram.align": {"read_hypnogram"}}


def modules() -> list[str]:
    """Return the dotted names of all modules below the package, packages' own files left out."""
    paths = (p.relative_to(PACKAGE).with_suffix("") for p in sorted(PACKAGE.rglob("*.py")))
    return [".".join(p.parts) for p in paths if p.name not in ("__init__", "__main__")]


def test_the_files_of_packages_hold_nothing() -> None:
    """But for the entrance of the whole, and that of the figures, which names what draws them."""
    holding = {
        str(path.parent.relative_to(PACKAGE))
        for path in PACKAGE.rglob("__init__.py")
        if len(ast.parse(path.read_text(encoding="utf-8")).body) > 1
    }
    assert holding == {".", "figures"}
    assert {name.partition(".")[0] for name in imported_by("figures.__init__")} <= {"figures"}


def imported_by(module: str) -> set[str]:
    """Return the modules and rooms of this package that a module imports, as dotted names."""
    path = PACKAGE.joinpath(*module.split(".")).with_suffix(".py")
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("sleepagree"):
            own = node.module.removeprefix("sleepagree").lstrip(".")
            found |= {f"{own}.{alias.name}".lstrip(".") for alias in node.names}
        elif isinstance(node, ast.Import):
            found |= {a.name.removeprefix("sleepagree.") for a in node.names if a.name.startswith("sleepagree.")}
    return found


@pytest.mark.parametrize("module", modules())
def test_a_module_imports_from_rooms_above_and_files_before(module: str) -> None:
    room, _, name = module.partition(".")
    assert room in ORDER, f"{room} has no place in the order of rooms"
    rooms = {imported.partition(".")[0] for imported in imported_by(module)} - {room, "__version__"}
    climbing = {r for r in rooms if r not in ORDER[: ORDER.index(room)]}
    assert not climbing, f"{module} imports from {climbing}"
    files = ROOMS[room].split()
    if not files:
        return
    assert name in files, f"{name} has no place in the order of {room}"
    later = {
        f for f in files[files.index(name) + 1 :] for imported in imported_by(module) if in_file(imported, room, f)
    }
    assert not later, f"{module} imports from {later}, which come after it"


def test_only_these_ask_the_entrance_of_the_package() -> None:
    found: dict[str, set[str]] = {}
    for module in modules():
        path = PACKAGE.joinpath(*module.split(".")).with_suffix(".py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "sleepagree":
                found.setdefault(module, set()).add(node.attr)
    asked = {module: names - {"__version__"} for module, names in found.items()}
    assert {module: names for module, names in asked.items() if names} == AT_THE_ENTRANCE


def in_file(imported: str, room: str, file: str) -> bool:
    """Whether an imported name lies in a file of a room."""
    return imported == f"{room}.{file}" or imported.startswith(f"{room}.{file}.")


def test_the_order_names_no_file_that_is_not_there() -> None:
    there = set(modules())
    named = {f"{room}.{file}" for room, files in ROOMS.items() for file in files.split()}
    assert named <= there
    assert not {room for room, files in ROOMS.items() if not files and room not in there}


def test_no_two_test_files_share_a_name() -> None:
    """Files of folders that are no packages would be one module to pytest, and the second would not be collected."""
    tests = Path(__file__).parent
    loose = [p.name for p in tests.rglob("test_*.py") if not (p.parent / "__init__.py").exists()]
    assert sorted(loose) == sorted(set(loose))


def loaded_by(code: str) -> set[str]:
    script = f"import sys; {code}; print(' '.join(sorted({{m.split('.')[0] for m in sys.modules}})))"
    result = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    return set(result.stdout.split("\n")[-2].split())


def test_help_loads_no_heavy_library() -> None:
    loaded = loaded_by(
        "from click.testing import CliRunner; from sleepagree.cli.group import main; "
        "CliRunner().invoke(main, ['--help'])"
    )
    assert not loaded & {"numpy", "pandas", "sklearn", "mne", "matplotlib", "scipy"}


@pytest.mark.parametrize("asked", [["--json", "-", "--quiet"], ["--quiet"]], ids=["json", "terminal"])
def test_one_night_loads_no_heavy_library(asked: list[str]) -> None:
    root = PACKAGE.parent / "fixtures" / "ferry"
    args = [
        "night",
        str(root / "reference/crew-1-night-1.edf"),
        str(root / "band-a/crew-1-night-1.csv"),
        "--layout",
        str(root / "band-a.toml"),
        *asked,
    ]
    loaded = loaded_by(
        "from click.testing import CliRunner; from sleepagree.cli.group import main; "
        f"r = CliRunner().invoke(main, {args!r}); assert r.exit_code == 0, r.output"
    )
    assert "numpy" in loaded
    assert not loaded & {"pandas", "sklearn", "mne", "matplotlib", "scipy"}
