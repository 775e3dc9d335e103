"""Commands as a user runs them, in this process, and what they leave in a folder."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from sleepagree.cli.group import main
from sleepagree.render import terminal


def run(*words: object) -> Result:
    """Run a command, warnings included."""
    return CliRunner().invoke(main, [str(word) for word in words], catch_exceptions=True)


def ended(*words: object, code: int = 0) -> Result:
    """Run a command that must end with this exit status."""
    result = run(*words)
    assert result.exit_code == code, result.output
    return result


def bytes_below(folder: Path) -> dict[str, bytes]:
    """Return what every file below a folder holds, by its path in the folder."""
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def without_folder(shown: str | bytes) -> list[str] | list[bytes]:
    """Return the lines that a study prints, but for the one that names its folder."""
    lines = shown.splitlines()
    return [line for line in lines if not line.startswith(b"Written to" if isinstance(line, bytes) else "Written to")]


def narrow_terminal(monkeypatch: pytest.MonkeyPatch, width: int = 40) -> None:
    """Let commands print in so many columns, as on a narrow terminal."""
    real = terminal.render_terminal
    monkeypatch.setattr(terminal, "render_terminal", lambda told, **options: real(told, **{**options, "width": width}))
