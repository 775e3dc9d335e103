"""Write docs/examples.md from the scripts in docs/examples and what they print; ``--check`` says if it is stale."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parent.parent
TARGET = ROOT / "docs" / "examples.md"
SCRIPTS = ("one_night", "a_study", "own_stager", "correcting")

_HEAD = """# Examples

Scripts in docs/examples with what they print, made by `python docs/make_examples.py`; do not edit. They run in the
folder that holds `fixtures`. All data are invented. What each name takes and gives: [Python](python.md); figures:
[gallery](gallery.md).
"""


def shown(name: str) -> str:
    """Run a script and return its section."""
    path = ROOT / "docs" / "examples" / f"{name}.py"
    done = subprocess.run([sys.executable, str(path)], cwd=ROOT, capture_output=True, text=True, check=False)
    if done.returncode or done.stderr:
        raise SystemExit(f"{path}:\n{done.stderr}")
    printed = "\n".join(line.rstrip() for line in done.stdout.splitlines())
    code = path.read_text(encoding="utf-8")
    return f"## {name.replace('_', ' ').capitalize()}\n\n```python\n{code}```\n\n```text\n{printed}\n```\n"


if __name__ == "__main__":
    text = "\n".join((_HEAD, *map(shown, SCRIPTS)))
    if "--check" not in sys.argv[1:]:
        TARGET.write_text(text, encoding="utf-8")
    elif TARGET.read_text(encoding="utf-8") != text:
        raise SystemExit("docs/examples.md is stale: run python docs/make_examples.py")
