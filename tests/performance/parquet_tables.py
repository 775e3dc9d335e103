"""Budget 10: a table of paired epochs, streamed."""

from __future__ import annotations

import time

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from sleepagree.study.paired_epochs import read_paired_nights
from tests.performance.harness import MIB, Row, Settings, Timing, memory_row, peak_memory, stated
from tests.performance.inputs import class_arrays

_MEMORY = """
from pathlib import Path
from sleepagree.study.paired_epochs import read_paired_nights
begin()
for night in read_paired_nights(Path({path!r})):
    pass
"""
STAGES = np.array(["W", "N1", "N2", "N3", "R"])


def write_table(path, nights: int, *, group: int = 500) -> None:
    """Write ``nights`` nights of 960 invented epochs, ``group`` nights a row group."""
    schema = pa.schema(
        [(n, pa.dictionary(pa.int32(), pa.string())) for n in ("participant", "night")]
        + [("epoch", pa.int32())]
        + [(n, pa.dictionary(pa.int32(), pa.string())) for n in ("reference", "device")]
    )
    stages = pa.array(STAGES)
    with pq.ParquetWriter(path, schema, compression="zstd") as writer:
        for begin in range(0, nights, group):
            count = min(group, nights - begin)
            reference, device = class_arrays(count, seed=begin)
            people = pa.array([f"p{begin + i:06d}" for i in range(count)])
            rows = np.repeat(np.arange(count, dtype=np.int32), 960)
            columns = [
                pa.DictionaryArray.from_arrays(pa.array(rows), people),
                pa.DictionaryArray.from_arrays(pa.array(np.zeros(count * 960, np.int32)), pa.array(["1"])),
                pa.array(np.tile(np.arange(960, dtype=np.int32), count)),
                pa.DictionaryArray.from_arrays(pa.array(reference.ravel().astype(np.int32)), stages),
                pa.DictionaryArray.from_arrays(pa.array(device.ravel().astype(np.int32)), stages),
            ]
            writer.write_table(pa.table(columns, schema=schema))


def streamed(settings: Settings) -> list[Row]:
    nights = settings.size(100_000, 60)
    path = settings.folder / "paired.parquet"
    write_table(path, nights)

    begin = time.perf_counter()
    for batch in pq.ParquetFile(path).iter_batches(batch_size=480_000):
        batch.num_rows  # noqa: B018
    reading = time.perf_counter() - begin
    begin = time.perf_counter()
    count = sum(1 for _ in read_paired_nights(path))
    ours = time.perf_counter() - begin
    _, peak = peak_memory(_MEMORY.format(path=str(path)))
    what = f"{nights} nights, {nights * 960 / 1e6:.1f} M rows: {count / ours:,.0f} nights a second"
    return [
        stated("10", f"{what}, against reading alone", Timing((ours,)), Timing((reading,))),
        memory_row("10", "peak of the whole process, streamed", peak, 500 * MIB),
    ]
