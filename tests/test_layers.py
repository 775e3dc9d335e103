"""The order of dependency: a module may import only from modules of layers above it."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "sleepagree"

#: Top to bottom; names in one line do not depend on each other unless they come earlier in it.
LAYERS = """
patterns record collector errors interrupts
steps
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
documents study_documents
tables text notebook clock_text plan_request plan_text study_text inspection_text
figures
report
night_folder study_folder
cli
""".split()


#: Results show themselves in a notebook; the import stands inside the method that shows.
LATE = {"night": {"notebook"}, "study_results": {"notebook"}}


def imports(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("sleepagree"):
            parts = node.module.split(".")
            found |= {parts[1]} if len(parts) > 1 else {alias.name for alias in node.names}
        elif isinstance(node, ast.Import):
            found |= {a.name.split(".")[1] for a in node.names if a.name.startswith("sleepagree.")}
    return found


def modules() -> list[Path]:
    return [
        p for p in sorted(PACKAGE.rglob("*.py")) if p.name not in ("__init__.py", "__main__.py") or p.parent != PACKAGE
    ]


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_come_from_layers_above(path: Path) -> None:
    own = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
    assert own in LAYERS, f"{own} has no place in the order of layers"
    allowed = {*LAYERS[: LAYERS.index(own)], own, "__version__", *LATE.get(own, ())}
    assert imports(path) <= allowed


def loaded_by(code: str) -> set[str]:
    script = f"import sys; {code}; print(' '.join(sorted({{m.split('.')[0] for m in sys.modules}})))"
    result = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    return set(result.stdout.split("\n")[-2].split())


def test_help_loads_no_heavy_library() -> None:
    loaded = loaded_by(
        "from click.testing import CliRunner; from sleepagree.cli import main; CliRunner().invoke(main, ['--help'])"
    )
    assert not loaded & {"numpy", "pandas", "sklearn", "mne", "matplotlib", "scipy"}


def test_one_night_loads_no_heavy_library() -> None:
    root = PACKAGE.parent / "fixtures" / "ferry"
    args = [
        "night",
        str(root / "reference/crew-1-night-1.edf"),
        str(root / "band-a/crew-1-night-1.csv"),
        "--layout",
        str(root / "band-a.toml"),
        "--json",
        "-",
        "--quiet",
    ]
    loaded = loaded_by(
        "from click.testing import CliRunner; from sleepagree.cli import main; "
        f"r = CliRunner().invoke(main, {args!r}); assert r.exit_code == 0, r.output"
    )
    assert "numpy" in loaded
    assert not loaded & {"pandas", "sklearn", "mne", "matplotlib", "scipy"}
