"""A recording of 300 MB: written once, where it stays; neither the page nor its command holds it in memory."""

from __future__ import annotations

import http.client
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.page.conftest import Served, ferry
from tests.readers.edf_bytes import HYPNOGRAM_TEXTS, EdfBytes, Signal, record_start, stage

_EPOCHS, _EPOCH_S = 960, 30
_CHANNELS, _SAMPLES = 20, 8_192  # of a channel in an epoch: 273 Hz, 2 bytes each
_NOTES = 100
_MB = 1024.0**2


def recording() -> Iterator[bytes]:
    """Yield an invented recording epoch by epoch: 8 hours of silence, and a hypnogram."""
    signals = (*(Signal(f"EEG {i}", size=2 * _SAMPLES) for i in range(_CHANNELS)), Signal(size=_NOTES))
    started = {"recording": b"Startdate 22-APR-2026 X X X", "date": "22.04.26", "time": "07.38.00"}
    head = EdfBytes(signals, records=f"{_EPOCHS}", duration=f"{_EPOCH_S}", **started)  # type: ignore[arg-type]
    yield head.encode()
    for i in range(_EPOCHS):
        yield bytes(2 * _SAMPLES * _CHANNELS)
        notes = record_start(f"+{_EPOCH_S * i}") + stage(_EPOCH_S * i, HYPNOGRAM_TEXTS[i // 40 % 5])
        yield notes.ljust(_NOTES, b"\0")


def peak_mb(pid: int | str) -> float:
    """Return the most memory that a process has had at once; 0 when it is gone."""
    try:
        lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    except OSError:
        return 0.0
    return next((float(line.split()[1]) / 1024 for line in lines if line.startswith("VmHWM:")), 0.0)


def give(served: Served, reference: Iterator[bytes], size: int) -> str:
    """Stream a reference beside a small file of the device; return where they are looked at."""
    device, layout = ferry("band-a/crew-3-night-2.csv"), ferry("band-a.toml")
    parts = {"reference": ("lab.edf", b""), "device": device, "device.layout": layout}
    heads = {
        name: f'\r\n--x1y2\r\nContent-Disposition: form-data; name="{name}{"" if "." in name else ".file"}"; '
        f'filename="{called}"\r\n\r\n'.encode()
        + data
        for name, (called, data) in parts.items()
    }
    end = b"\r\n--x1y2--\r\n"
    length = size + len(end) + sum(map(len, heads.values()))

    def body() -> Iterator[bytes]:
        yield heads.pop("device") + heads.pop("device.layout") + heads.pop("reference")
        yield from reference
        yield end

    connection = http.client.HTTPConnection("127.0.0.1", served.port, timeout=300)
    head = {"Cookie": served.cookie, "Content-Type": "multipart/form-data; boundary=x1y2"}
    connection.request("POST", "/begin/night", body(), {**head, "Content-Length": str(length)})
    answer = connection.getresponse()
    connection.close()
    assert answer.status == 303
    return str(answer.headers["location"])


def score(served: Served, work: str) -> float:
    """Score a night; return the most memory that the command has had."""
    served.post(work, {"do": "score"})
    pid, most = served.process.pid, 0.0
    while "data-progress" in (page := served.ask("GET", f"{work}/answer").text):
        for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split():
            most = max(most, peak_mb(child))
        time.sleep(0.02)
    assert "results.json" in page
    return most


@pytest.mark.skipif(not Path("/proc/self/status").is_file(), reason="this system does not tell peaks of memory so")
def test_memory_does_not_grow_with_a_recording(own: Served) -> None:
    small = ferry("reference/crew-3-night-2.edf")[1]
    command = score(own, give(own, iter([small]), len(small)))
    page, size = peak_mb(own.process.pid), sum(map(len, recording()))
    assert size > 300 * _MB
    work = give(own, recording(), size)
    assert own.ask("GET", work).text.count("It can be read.") == 2
    stored = [p for p in own.temporary.rglob("*") if p.is_file() and p.stat().st_size > 50 * _MB]
    assert [p.stat().st_size for p in stored] == [size]
    assert score(own, work) - command < 0.1 * size / _MB
    own.ask("GET", f"{work}/keep/everything.zip")
    assert peak_mb(own.process.pid) - page < 0.1 * size / _MB
    for _ in range(100):  # it is removed once it is sent
        if not list(own.temporary.rglob("*.zip")):
            break
        time.sleep(0.1)
    else:
        raise AssertionError
