"""Nights whose every field that may name a person does so, and a net that catches the name in any output."""

from __future__ import annotations

import gzip
import json
from collections import Counter
from collections.abc import Iterable, Iterator
from pathlib import Path

from click.testing import Result

from sleepagree.readers.edf.recording import read_edf_annotations
from sleepagree.readers.edf.writer import encode_edf_annotations

#: No word of the trade, of the package or of a library holds it.
CANARY = "Quenby"
#: What is looked for, in any case and encoding of letters.
TRACE = "uenby"


#: How many names were put in, and how much was searched for them and held none, for the record of tests/trust.py.
COUNTS: Counter[str] = Counter()
#: What outputs() has put together -> how many outputs it holds.
_OUTPUTS: dict[bytes, int] = {}


def planted(data: bytes) -> bytes:
    """Count the names in what is about to be written as input."""
    COUNTS["names put in"] += data.count(CANARY.encode())
    return data


def name_everyone(data: bytes) -> bytes:
    """Return an EDF file whose patient, recording, transducer, prefilter and reserved fields hold the name."""
    n = int(data[252:256])
    out = bytearray(data)
    out[8:88] = f"MCH-{CANARY} F 02-MAY-1951 {CANARY}_Quill".ljust(80).encode()
    start_date = bytes(out[88:168]).split()[:2]
    out[88:168] = (b" ".join(start_date) + f" {CANARY}-7 {CANARY}_T {CANARY}_E".encode()).ljust(80)
    for first, width in ((16, 80), (136, 80), (224, 32)):
        for i in range(n):
            at = 256 + first * n + width * i
            out[at : at + width] = f"of {CANARY}".ljust(width).encode()
    return planted(bytes(out))


def remarked_edf(source: Path, *, remarks: Iterable[str] = ()) -> bytes:
    """Return an EDF hypnogram with scorers' remarks among its stages and the name in its header."""
    read = read_edf_annotations(source)
    notes = [(60.0 + i, None if i % 2 else 4.0, text) for i, text in enumerate(remarks)]
    annotations = [(a.onset_s, a.duration_s, a.text) for a in read.annotations if a.text != "Recording starts"]
    return name_everyone(encode_edf_annotations([*annotations, *notes], start=read.header.start))


REMARKS = (
    f"{CANARY} turns over",
    f"Dr. {CANARY} enters",
    f"snore@@{CANARY}",
    f"call {CANARY}'s family",
    f"{CANARY} turns over",
)


def fhir_bundle(intervals: Iterable[tuple[str, str, str]]) -> str:
    """Return a FHIR Bundle of stages in which every resource names the person."""
    system = "http://hl7.org/fhir/uv/phr/CodeSystem/"
    entries: list[dict[str, object]] = [
        {"resource": {"resourceType": "Patient", "id": CANARY, "name": [{"family": CANARY}]}},
        {"resource": {"resourceType": "Device", "owner": {"display": CANARY}, "serialNumber": CANARY}},
    ]
    for code, start, end in intervals:
        observation = {
            "resourceType": "Observation",
            "id": f"{CANARY}-{start}",
            "status": "final",
            "code": {"coding": [{"system": system + "observation-pghd-codes", "code": "sleepAnalysis"}]},
            "subject": {"reference": f"Patient/{CANARY}", "display": CANARY},
            "performer": [{"reference": f"Patient/{CANARY}", "display": f"{CANARY} Quill"}],
            "device": {"reference": f"Device/{CANARY}", "display": f"{CANARY}'s band"},
            "note": [{"text": f"{CANARY} felt tired"}],
            "effectivePeriod": {"start": start, "end": end},
            "valueCodeableConcept": {
                "coding": [{"system": system + "sleep-analysis-codes", "code": code, "display": CANARY}],
                "text": CANARY,
            },
        }
        entries.append({"fullUrl": f"urn:{CANARY}", "resource": observation})
    bundle = json.dumps({"resourceType": "Bundle", "id": CANARY, "type": "collection", "entry": entries})
    planted(bundle.encode())
    return bundle


def written(folder: Path) -> Iterator[tuple[str, bytes]]:
    """Yield every file below a folder, unpacked, and its name."""
    for path in sorted(folder.rglob("*")):
        yield path.name, b""
        if path.is_file():
            yield str(path), _unpacked(path)


def _unpacked(path: Path) -> bytes:
    """Return what a file holds, in the open: a name in a compressed column is a name told."""
    data = path.read_bytes()
    if path.suffix == ".gz":
        return gzip.decompress(data)
    if path.suffix == ".parquet":
        import pyarrow.parquet as pq

        table = pq.read_table(path)
        return data + repr((table.schema, table.schema.metadata, table.to_pydict())).encode()
    return data


def outputs(result: Result, *folders: Path) -> bytes:
    """Return everything that a command said or wrote."""
    parts = [result.stdout.encode(), result.stderr.encode(), repr(result.exception).encode()]
    n = 2
    for folder in folders:
        if folder.is_file():
            parts.append(folder.read_bytes())
            n += 1
        else:
            found = list(written(folder))
            parts += [data for name, content in found for data in (name.encode(), content)]
            n += sum(content != b"" for _, content in found)
    whole = b"\n".join(parts)
    _OUTPUTS.clear()  # the last one is what is searched next
    _OUTPUTS[whole] = n
    return whole


def told(data: bytes, word: str) -> list[str]:
    """Return the lines that hold a word: empty is what one wants."""
    found = []
    for line in data.split(b"\n"):
        plain = line.replace(b"\x00", b"").decode("utf-8", "backslashreplace")
        if word.casefold() in plain.casefold():
            at = plain.casefold().index(word.casefold())
            found.append(plain[max(0, at - 60) : at + 60])
    if word == TRACE and not found:
        COUNTS["outputs"] += _OUTPUTS.pop(data, 1)
        COUNTS["bytes searched"] += len(data)
    return found
