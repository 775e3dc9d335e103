"""The older name of a part of :mod:`sleepagree.output`."""

from __future__ import annotations

from sleepagree.output import write_files

__all__ = ["write_files"]
