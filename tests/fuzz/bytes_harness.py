"""Coverage-guided fuzzing of the readers of bytes, by atheris: ``python -m tests.fuzz.bytes_harness edf 60``.

Atheris is no dependency of the project (``pip install atheris``); ``python -m tests.fuzz`` goes on without it. It
starts from a few small files, made here, and keeps nothing but an input that broke the invariant.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import atheris

with atheris.instrument_imports(
    include=[
        "sleepagree.readers",
        "sleepagree.study.table",
        "sleepagree.study.paired_epochs",
        "sleepagree.mapping.files",
    ]
):
    import sleepagree.readers.any_file  # noqa: F401 - instrumented when it is first imported
    from sleepagree.mapping.files import read_mapping
    from sleepagree.readers.layout import read_layout
    from sleepagree.study.paired_epochs import read_paired_nights
    from sleepagree.study.table import read_nights_table

import json

from tests.fuzz import inputs
from tests.fuzz.invariant import or_message, outcome_of
from tests.readers.edf_bytes import EdfBytes, Signal, annotation_file, hypnogram

FERRY = Path(__file__).parent.parent.parent / "fixtures" / "ferry"


def seeds(kind: str) -> list[bytes]:
    """Return a few small files of a kind."""
    if kind == "edf":
        signal = Signal("Hypnogram", tuple(bytes((c, 0)) for c in (0, 1, 2, 5)), 2, ("0", "9"), ("0", "9"))
        return [annotation_file(*hypnogram(5)).encode(), EdfBytes((signal,), duration="30", reserved="").encode()]
    if kind == "csv":
        rows = [
            "time,stage\n2026-03-01T22:30:00,wake\n2026-03-01T22:30:30,rem\n",
            "onset\tduration\tstage\n0\t30\tN1\n",
        ]
        return [row.encode() for row in [*rows, "start;end;stage\n2026-03-01 22:30;2026-03-01 22:31;light\n"]]
    if kind == "json":
        return [
            json.dumps(base).encode() for base in (inputs.STAGE_RECORD, inputs.RECORDS[:3], inputs.FHIR["entry"][:4])
        ]
    if kind == "layout":
        return [path.read_bytes() for path in FERRY.glob("*.toml")]
    if kind == "mapping":
        return [b'classes = ["wake", "sleep"]\n[reference]\nW = "wake"\nN1 = "sleep"\n[device]\nwake = "wake"\n']
    if kind == "paired":
        rows = [f"a,1,{epoch},{stage},{stage}" for epoch, stage in enumerate(("wake", "N2", "N3", "R"))]
        return ["\n".join(["participant,night,epoch,reference,device", *rows]).encode()]
    return [(FERRY / "nights.csv").read_bytes()[:600]]


def reader(kind: str) -> Callable[[Path], object]:
    readers: dict[str, Callable[[Path], object]] = {
        "layout": read_layout,
        "mapping": read_mapping,
        "nights": read_nights_table,
        "paired": lambda path: list(read_paired_nights(path)),
    }
    return readers.get(kind, outcome_of)


def main() -> None:
    kind, seconds = sys.argv[1], int(sys.argv[2])
    work = reader(kind)
    suffix = {"edf": ".edf", "json": ".json", "layout": ".toml", "mapping": ".toml"}.get(kind, ".csv")
    with tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as folder:
        path, corpus = Path(folder) / f"input{suffix}", Path(folder) / "corpus"
        corpus.mkdir()
        for i, seed in enumerate(seeds(kind)):
            (corpus / str(i)).write_bytes(seed)

        def one(data: bytes) -> None:
            path.write_bytes(data)
            or_message(lambda: work(path))

        options = [
            f"-max_total_time={seconds}",
            "-max_len=4096",
            "-timeout=4",
            "-rss_limit_mb=1024",
            "-print_final_stats=1",
        ]
        atheris.Setup([sys.argv[0], *options, f"-artifact_prefix={Path.cwd()}/broke-{kind}-", str(corpus)], one)
        atheris.Fuzz()


if __name__ == "__main__":
    main()
