"""The order of dependency: a module may import only from modules of layers above it."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "sleepagree"

#: Top to bottom; names in one line do not depend on each other unless they come earlier in it. Files of the rooms
#: that describe and render stand there one by one.
LAYERS = """
errors shown interrupts
describe.words describe.blocks
stages
hypnogram estimate cells normal_factors
output object_store
epochs zones
readers
margins
shares
coefficients class_figures agreement ceiling measures by_participant
regression_limits limits reliability equivalence
resampling planning
pairing
class_sequences
redistribution
offsets clock clock_check disagreement
mapping_files sources
night_cautions night
night_summary scorers mapping_comparison
nights_table paired_table folder_study anonymous
study_results study_groups study_flows joint_epochs study_comparison study_cautions
anonymous
study_run study study_export simulate export inspection starter_layout demo
describe.citations describe.bias describe.paragraphs describe.closing describe.night
documents study_documents
render.columns
tables text clock_text plan_request plan_text study_text inspection_text
figures
report
render.terminal render.figures render.page render.notebook
night_folder study_folder
cli
""".split()


#: Rooms whose files have places of their own.
ROOMS = ("describe", "render")


def place(module: str) -> str:
    """Return the layer of a module, given without the name of the package."""
    parts = module.split(".")
    return ".".join(parts[:2]) if parts[0] in ROOMS else parts[0]


def imports(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] == "sleepagree":
            _, _, module = node.module.partition(".")
            # what is imported from a room itself is one of its files
            whole = not module or module in ROOMS
            found |= {place(f"{module}.{alias.name}".lstrip(".")) for alias in node.names} if whole else {place(module)}
        elif isinstance(node, ast.Import):
            found |= {place(a.name.removeprefix("sleepagree.")) for a in node.names if a.name.startswith("sleepagree.")}
    return found


def modules() -> list[Path]:
    return [
        p for p in sorted(PACKAGE.rglob("*.py")) if p.name not in ("__init__.py", "__main__.py") or p.parent != PACKAGE
    ]


def layer_of(path: Path) -> str:
    return place(".".join(path.relative_to(PACKAGE).with_suffix("").parts))


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_come_from_layers_above(path: Path) -> None:
    if path.parent.name in ROOMS and path.name == "__init__.py":
        assert not imports(path)
        return
    own = layer_of(path)
    assert own in LAYERS, f"{own} has no place in the order of layers"
    allowed = {*LAYERS[: LAYERS.index(own)], own, "__version__"}
    assert imports(path) <= allowed


def test_words_and_figures_stand_beside_each_other() -> None:
    """Figures take the words for numbers and stages, nothing else; what describes a result draws nothing."""
    by_figures = {name for path in (PACKAGE / "figures").glob("*.py") for name in imports(path)}
    assert {name for name in by_figures if name.startswith(ROOMS)} == {"describe.words"}
    by_words = {name for path in (PACKAGE / "describe").glob("*.py") for name in imports(path)}
    assert not {name for name in by_words if name.startswith(("figures", "render", "report"))}


def loaded_by(code: str) -> set[str]:
    script = f"import sys; {code}; print(' '.join(sorted({{m.split('.')[0] for m in sys.modules}})))"
    result = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    return set(result.stdout.split("\n")[-2].split())


def test_help_loads_no_heavy_library() -> None:
    loaded = loaded_by(
        "from click.testing import CliRunner; from sleepagree.cli import main; CliRunner().invoke(main, ['--help'])"
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
        "from click.testing import CliRunner; from sleepagree.cli import main; "
        f"r = CliRunner().invoke(main, {args!r}); assert r.exit_code == 0, r.output"
    )
    assert "numpy" in loaded
    assert not loaded & {"pandas", "sklearn", "mne", "matplotlib", "scipy"}
