"""How files of a kind were read, kept beyond one run: columns, labels and settings, but no file, person or date."""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import json
from collections.abc import Iterable
from pathlib import Path

from sleepagree.describe.proposal import layout_text
from sleepagree.errors import SleepAgreeError
from sleepagree.readers.layout import Layout, read_layout
from sleepagree.readers.proposing.proposal import layout_as_given


def of_its_kind(layout: Layout) -> Layout:
    """Return a layout without what holds for one file alone, or could name somebody."""
    return dataclasses.replace(layout, name="", begins=None, person=None, night=None, sheet=None)


@dataclasses.dataclass(frozen=True)
class Remembered:
    """Layouts in a folder of the user's, each under a digest of the names of all columns.

    Parameters
    ----------
    folder : Path
        Made when there is something to keep.
    """

    folder: Path

    def __len__(self) -> int:
        return len(self._files())

    def keep(self, columns: Iterable[str], layout: Layout) -> None:
        """Keep how a file with these columns is read; where nothing can be written, nothing is remembered."""
        with contextlib.suppress(OSError):
            self.folder.mkdir(parents=True, exist_ok=True)
            text = layout_text(layout_as_given(of_its_kind(layout)))
            self._file(columns).write_text(text, encoding="utf-8")

    def find(self, columns: Iterable[str]) -> Layout | None:
        """Return how a file with these columns was read last."""
        with contextlib.suppress(SleepAgreeError):
            return of_its_kind(read_layout(self._file(columns)))
        return None

    def forget(self) -> None:
        """Remove every layout."""
        for file in self._files():
            with contextlib.suppress(OSError):
                file.unlink()

    def _files(self) -> list[Path]:
        return sorted(self.folder.glob(f"{'[0-9a-f]' * 64}.toml"))

    def _file(self, columns: Iterable[str]) -> Path:
        return self.folder / f"{hashlib.sha256(json.dumps([*columns]).encode()).hexdigest()}.toml"
