"""A plugin of pytest that writes down every comparison with an expected figure.

``pytest -p tests.recorded_figures --figures FILE tests/published``: for each ``agrees_with_print`` and each
``== pytest.approx`` the test, the expression that is compared, what was expected, what came out, and what is allowed.
docs/make_validation.py makes its table of them.
"""

from __future__ import annotations

import ast
import json
import linecache
import math
import os
import sys
from pathlib import Path
from types import FrameType
from typing import Any

import numpy as np
import pytest

from tests import printed

_figures: list[dict[str, Any]] = []
_approx = pytest.approx


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--figures", help="write the comparisons here, as JSON")


def pytest_configure(config: pytest.Config) -> None:
    printed.taker = lambda value, text, allowed: _take(sys._getframe(2), value, float(text), text, allowed)
    pytest.approx = _RecordedApprox


def pytest_unconfigure(config: pytest.Config) -> None:
    printed.taker, pytest.approx = None, _approx
    if path := config.getoption("--figures"):
        Path(path).write_text(json.dumps(_figures), encoding="utf-8")


class _RecordedApprox:
    """What pytest.approx returns, and a note of what it is compared with."""

    # as pytest's own: numpy must leave the comparison to this class
    __array_ufunc__ = None
    __array_priority__ = 100
    __hash__ = None  # type: ignore[assignment]

    def __init__(  # names as pytest has them
        self,
        expected: Any,
        rel: float | None = None,
        abs: float | None = None,  # noqa: A002
        nan_ok: bool = False,
    ) -> None:
        self._whole = _approx(expected, rel=rel, abs=abs, nan_ok=nan_ok)
        self._expected = np.ravel(np.asarray(expected, dtype=float))
        self._rel = rel if rel is not None else (1e-6 if abs is None else 0.0)
        self._abs = abs if abs is not None else 1e-12

    def __repr__(self) -> str:
        return repr(self._whole)

    def __eq__(self, actual: object) -> bool:
        frame = sys._getframe(1)
        values = np.ravel(np.asarray(actual, dtype=float))
        for value, expected in zip(values.tolist(), self._expected.tolist(), strict=False):
            allowed = max(self._abs, self._rel * math.fabs(expected))
            _take(frame, value, expected, f"{expected:.12g}", allowed)
        return bool(self._whole == actual)

    def __ne__(self, actual: object) -> bool:
        return not self == actual


def _take(frame: FrameType, value: float, expected: float, text: str, allowed: float) -> None:
    test = os.environ.get("PYTEST_CURRENT_TEST", "").rpartition(" ")[0]
    if not test:  # while modules are imported
        return
    file, _, name = test.partition("::")
    _figures.append(
        {
            "file": Path(file).name,
            "test": name,
            "what": _compared(frame),
            "printed": text,
            "ours": value,
            "allowed": allowed,
            "agrees": abs(value - expected) <= allowed * (1 + 1e-9),
        }
    )


def _compared(frame: FrameType) -> str:
    """Return the expression that is compared, as the test has it, or nothing where only a variable stands there."""
    line, end, first, last = list(frame.f_code.co_positions())[frame.f_lasti // 2]
    if line is None or end is None or first is None or last is None:
        return ""
    lines = [linecache.getline(frame.f_code.co_filename, i).encode() for i in range(line, end + 1)]
    lines[-1] = lines[-1][:last]
    lines[0] = lines[0][first:]
    try:
        node = ast.parse(b"".join(lines).decode().strip(), mode="eval").body
    except SyntaxError:
        return ""
    shown = node.left if isinstance(node, ast.Compare) else node.args[0] if isinstance(node, ast.Call) else node
    return "" if isinstance(shown, ast.Name | ast.Constant) else " ".join(ast.unparse(shown).split())
