"""What every test runs under."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

# How long an example takes to draw says how busy the machine is, not whether the code is right: there are no timed
# tests here.
settings.register_profile("untimed", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("untimed")

_TOOLS = ("faults", "fuzz", "mutation", "performance")


def pytest_addoption(parser: pytest.Parser) -> None:
    """Let expected texts be written anew, which is never done unless it is asked for."""
    parser.addoption("--regenerate-golden", action="store_true", help="write the texts of tests/golden anew")


def pytest_ignore_collect(collection_path: Path) -> bool | None:
    """Leave out what holds no test: conftest files, and programs that want tools which the tests do not install."""
    name = collection_path.name
    if name == "conftest.py":
        return True
    if collection_path.suffix != ".py" or name.startswith("test_"):
        return None
    return True if collection_path.parent.name in _TOOLS else None
