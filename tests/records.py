"""Records of the long runs: what was run, when, with what; docs/make_validation.py reads them from docs/evidence."""

from __future__ import annotations

import json
import platform
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

EVIDENCE = Path(__file__).parent.parent / "docs" / "evidence"


def about(*libraries: str) -> dict[str, Any]:
    """Return the day of a run and the versions that took part: Python, this package, numpy, and those named."""
    versions = {"python": platform.python_version()}
    for name in ("sleepagree", "numpy", *libraries):
        try:
            versions[name] = version(name)
        except PackageNotFoundError:
            versions[name] = "absent"
    return {"date": datetime.now(UTC).date().isoformat(), "versions": versions}


def write(path: Path | None, record: dict[str, Any]) -> None:
    """Show a record and, where a path is given, keep it there, whole or not at all."""
    text = json.dumps(record, indent=2, ensure_ascii=False) + "\n"
    print(text, end="")
    if path is not None:
        part = path.with_name(f"{path.name}.part")
        part.write_text(text, encoding="utf-8")
        part.replace(path)


def read(name: str) -> dict[str, Any] | None:
    """Return a record of docs/evidence, or None where nobody has made it."""
    path = EVIDENCE / f"{name}.json"
    return json.loads(path.read_text(encoding="utf-8")) if path.exists() else None
