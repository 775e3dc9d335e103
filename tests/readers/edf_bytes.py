"""Builds EDF, EDF+, BDF and BDF+ files byte by byte, so that tests can put in what no library would write."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

HYPNOGRAM_TEXTS = ("Sleep stage W", "Sleep stage N1", "Sleep stage N2", "Sleep stage N3", "Sleep stage R")


def tal(onset: str, *texts: str, duration: str | None = None) -> bytes:
    """One annotation list, its parts as they are given."""
    stamp = onset if duration is None else f"{onset}\x15{duration}"
    return ("\x14".join((stamp, *texts)) + "\x14\x00").encode()


def record_start(onset: str = "+0", *texts: str) -> bytes:
    return tal(onset, "", *texts)


def stage(onset: str | int, text: str, duration: str | int | None = 30) -> bytes:
    onset = f"+{onset}" if isinstance(onset, int) else onset
    return tal(onset, text, duration=None if duration is None else str(duration))


@dataclass(frozen=True)
class Signal:
    label: str = "EDF Annotations"
    records: Sequence[bytes] = ()
    size: int = 0
    physical: tuple[str, str] = ("-1", "1")
    digital: tuple[str, str] = ("-32768", "32767")


@dataclass(frozen=True)
class EdfBytes:
    """A file in the making; every field may be wrong on purpose."""

    signals: tuple[Signal, ...]
    version: bytes = b"0       "
    patient: bytes = b"X X X X"
    recording: bytes = b"Startdate 01-MAR-2026 X X X"
    date: str = "01.03.26"
    time: str = "22.30.00"
    header_size: str | None = None
    reserved: str = "EDF+C"
    records: str | None = None
    duration: str = "0"
    sample_size: int = 2
    tail: bytes = b""
    fields: dict[str, str] = field(default_factory=dict)

    def but(self, **changes: object) -> EdfBytes:
        return replace(self, **changes)  # type: ignore[arg-type]

    def encode(self) -> bytes:
        n = len(self.signals)
        count = max((len(s.records) for s in self.signals), default=0)
        sizes = []
        for s in self.signals:
            size = max([s.size, *(len(r) for r in s.records)])
            sizes.append(-(-size // self.sample_size) * self.sample_size)
        head = self.version + self.patient.ljust(80) + self.recording.ljust(80)
        head += f"{self.date:8}{self.time:8}".encode("latin-1")
        head += (self.header_size if self.header_size is not None else str(256 * (n + 1))).ljust(8).encode()
        head += self.reserved.ljust(44).encode()
        head += (self.records if self.records is not None else str(count)).ljust(8).encode()
        head += self.duration.ljust(8).encode() + str(n).ljust(4).encode()
        columns = [
            [s.label.ljust(16) for s in self.signals],
            [" " * 80] * n,
            [" " * 8] * n,
            [s.physical[0].ljust(8) for s in self.signals],
            [s.physical[1].ljust(8) for s in self.signals],
            [s.digital[0].ljust(8) for s in self.signals],
            [s.digital[1].ljust(8) for s in self.signals],
            [" " * 80] * n,
            [str(size // self.sample_size).ljust(8) for size in sizes],
            [" " * 32] * n,
        ]
        head += "".join("".join(column) for column in columns).encode()
        body = b"".join(
            s.records[i].ljust(size, b"\x00") for i in range(count) for s, size in zip(self.signals, sizes, strict=True)
        )
        return head + body + self.tail

    def write(self, folder: Path, name: str = "night.edf") -> Path:
        path = folder / name
        path.write_bytes(self.encode())
        return path


def annotation_file(*lists: bytes, room: int = 2, **changes: object) -> EdfBytes:
    """A file of annotations only: one record that starts with its start, ``room`` 0x00 bytes at its end."""
    record = b"".join((record_start(), *lists)) + bytes(room)
    return EdfBytes((Signal(records=(record,)),)).but(**changes)


def raw_annotation_file(record: bytes, *, room: int = 2, **changes: object) -> EdfBytes:
    """As :func:`annotation_file`, with the bytes of the record as they are given."""
    return EdfBytes((Signal(records=(record + bytes(room),)),)).but(**changes)


def hypnogram(n: int = 20, *, duration: str | int | None = 30, step: int = 30) -> tuple[bytes, ...]:
    return tuple(stage(step * i, HYPNOGRAM_TEXTS[i % 5], duration) for i in range(n))
