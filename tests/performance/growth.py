"""How cost grows: time and memory at four sizes each, with a line and a power law through them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from tests.performance.cohorts import study_peak
from tests.performance.harness import MIB, Settings, Timing, alternate, command, cores, process
from tests.performance.inputs import class_arrays, count_tables, write_night, write_nights

MILLION = 1_000_000


@dataclass(frozen=True)
class Curve:
    """One cost at several sizes.

    Parameters
    ----------
    key : str
        What the estimate calls it.
    what, size_of, unit : str
        For the table.
    sizes : tuple of int
        Nights, epochs, resamples or workers.
    medians, lows, highs : tuple of float
        Of the repeats at each size, in ``unit``.
    inverse : bool
        Whether the line goes through 1 / size: work that is shared.
    note : str
        What else to know.
    """

    key: str
    what: str
    size_of: str
    unit: str
    sizes: tuple[int, ...]
    medians: tuple[float, ...]
    lows: tuple[float, ...]
    highs: tuple[float, ...]
    inverse: bool = False
    note: str = ""

    @property
    def line(self) -> tuple[float, float]:
        """Constant and slope of the least-squares line through size (or 1 / size) and median."""
        x = np.array(self.sizes, float)
        slope, constant = np.polyfit(1 / x if self.inverse else x, self.medians, 1)
        return float(constant), float(slope)

    @property
    def exponent(self) -> float:
        """Slope of log median on log size."""
        return float(np.polyfit(np.log(self.sizes), np.log(self.medians), 1)[0])

    @property
    def worst(self) -> float:
        """Largest distance of a median from the line, as a share of the line."""
        constant, slope = self.line
        x = np.array(self.sizes, float)
        fitted = constant + slope * (1 / x if self.inverse else x)
        return float(np.max(np.abs(np.array(self.medians) / fitted - 1)))

    def as_record(self) -> dict[str, Any]:
        """Return everything as plain values."""
        constant, slope = self.line
        more = {"constant": constant, "slope": slope, "exponent": self.exponent, "worst": self.worst}
        return asdict(self) | more


def timed_curve(
    key: str, what: str, size_of: str, sizes: Sequence[int], timings: Sequence[Timing], **more: Any
) -> Curve:
    """Return the curve of some timings."""
    medians, ranges = tuple(t.median for t in timings), [t.range for t in timings]
    return Curve(
        key, what, size_of, "s", tuple(sizes), medians, tuple(r[0] for r in ranges), tuple(r[1] for r in ranges), **more
    )


def score(table: Any, nights: int, *, workers: int = 1) -> None:
    """Read and score the first nights of a table as a study does: with the clock looked at and epochs kept."""
    from dataclasses import replace

    from sleepagree.study.execution import Execution, run_rows
    from sleepagree.study.run import ScoringOptions

    part = replace(table, rows=table.rows[:nights])
    for _ in run_rows(part, ScoringOptions(epochs=True), execution=Execution(workers=workers)):
        pass


def nights_from_files(settings: Settings) -> list[Curve]:
    """Time nights from files: read and scored, and as a whole study with its results and report."""
    from sleepagree.study.table import read_nights_table

    sizes = (4, 8, 12, 16) if settings.smoke else (250, 500, 1000, 2000)
    write_nights(settings.folder, sizes[-1], table=True)
    lines = (settings.folder / "nights.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    for n in sizes:
        (settings.folder / f"{n}.csv").write_text("".join(lines[: n + 1]), encoding="utf-8")
    table = read_nights_table(settings.folder / "nights.csv")
    timings = alternate([lambda n=n: score(table, n) for n in sizes], repeats=settings.repeats)
    out = settings.folder / "out"

    def whole(n: int) -> Callable[[], None]:
        given = str(settings.folder / f"{n}.csv")
        return process(command("study", given, "--out", str(out), "--quiet", "--overwrite"))

    studies = alternate([whole(n) for n in sizes], repeats=settings.repeats)
    return [
        timed_curve("score", "nights from files: read and scored, one process", "nights", sizes, timings),
        timed_curve("study", "nights from files: the whole command `study`, one process", "nights", sizes, studies),
        memory_curve(
            "study memory",
            "nights from files: peak memory of `study`",
            sizes,
            [settings.folder / f"{n}.csv" for n in sizes],
            out,
        ),
    ]


def memory_curve(key: str, what: str, sizes: Sequence[int], tables: Sequence[Path], out: Path) -> Curve:
    """Return the peak of the whole process of a study at several sizes."""
    peaks = tuple(study_peak(t, out) / MIB for t in tables)
    return Curve(key, what, "nights", "MiB", tuple(sizes), peaks, peaks, peaks)


def epochs_of_a_night(settings: Settings) -> list[Curve]:
    """Time nights of 2 to 16 hours."""
    from sleepagree.readers.any_file import read_spans
    from sleepagree.study.table import read_nights_table

    sizes = (60, 120, 180, 240) if settings.smoke else (240, 480, 960, 1920)
    nights = settings.size(200, 2)
    words = ("Awake", "Light", "Light", "Deep", "REM")
    files, tables = [], []
    for epochs in sizes:
        folder = settings.folder / str(epochs)
        folder.mkdir()
        reference, device = class_arrays(nights, epochs)
        files.append([write_night(folder, i, reference[i], device[i], words) for i in range(nights)])
        rows = [f"p{i},1,pad B,{r.name},{d.name}\n" for i, (r, d) in enumerate(files[-1])]
        (folder / "nights.csv").write_text(
            "participant,night,device,reference,device_file\n" + "".join(rows), encoding="utf-8"
        )
        tables.append(read_nights_table(folder / "nights.csv"))

    def read(pairs: Sequence[tuple[Path, Path]]) -> None:
        for pair in pairs:
            for path in pair:
                read_spans(path)

    reading = alternate([lambda pairs=pairs: read(pairs) for pairs in files], repeats=settings.repeats)
    scoring = alternate([lambda t=table: score(t, nights) for table in tables], repeats=settings.repeats)
    of = "epochs a night"
    return [
        timed_curve("read epochs", f"{nights} nights from files: read", of, sizes, reading),
        timed_curve("score epochs", f"{nights} nights from files: read and scored", of, sizes, scoring),
    ]


def resamples(settings: Settings) -> list[Curve]:
    """Time the cluster bootstrap of pooled kappa with all its intervals."""
    from sleepagree.inference.resampling import rng_for
    from sleepagree.scoring import coefficients
    from tests.bootstraps import bootstrap

    sizes = (20, 40, 80, 160) if settings.smoke else (1250, 2500, 5000, 10_000)
    nights = settings.size(1000, 40)
    tables = count_tables(*class_arrays(nights), 5)

    def run(n: int) -> Callable[[], object]:
        influence = coefficients.kappa_influence
        return lambda: bootstrap(tables, coefficients.kappa, rng=rng_for(0, "x"), resamples=n, influence=influence)

    timings = alternate([run(n) for n in sizes], repeats=2 * settings.repeats)
    what = f"cluster bootstrap of kappa over {nights} participants"
    return [timed_curve("resamples", what, "resamples", sizes, timings)]


def workers(settings: Settings) -> list[Curve]:
    """Time one to four processes; beyond the cores of the machine they cannot help."""
    from sleepagree.study.table import read_nights_table

    sizes = (1, 2, 3, 4)
    nights = settings.size(4000, 8)
    write_nights(settings.folder, nights, table=True)
    table = read_nights_table(settings.folder / "nights.csv")
    few = min(nights, 1000)  # fewer are scored without workers

    # the few before each timed run stop the workers of the run before, start new ones and let them import
    work = [lambda n=n, rows=rows: score(table, rows, workers=n) for n in sizes for rows in (few, nights)]
    timings = alternate(work, repeats=max(1, settings.repeats // 2 + 1))[1::2]
    what = f"{nights} nights from files: read and scored by workers that have started"
    note = f"{cores()} cores are there; more workers cannot help"
    return [timed_curve("workers", what, "workers", sizes, timings, inverse=True, note=note)]


def paired_nights(settings: Settings) -> list[Curve]:
    """Time whole studies from a table of paired epochs, and take their peak memory."""
    from tests.performance.parquet_tables import write_table

    sizes = (10, 20, 30, 40) if settings.smoke else (2500, 5000, 10_000, 20_000)
    tables = [settings.folder / f"{n}.parquet" for n in sizes]
    for n, path in zip(sizes, tables, strict=True):
        write_table(path, n)
    out = settings.folder / "out"
    timings = alternate(
        [process(command("study", str(t), "--out", str(out), "--quiet", "--overwrite")) for t in tables],
        repeats=max(1, settings.repeats // 2 + 1),
    )
    what = "nights of 960 paired epochs in Parquet"
    return [
        timed_curve("paired", f"{what}: the whole command `study`", "nights", sizes, timings),
        memory_curve("paired memory", f"{what}: peak memory of `study`", sizes, tables, out),
    ]


CURVES: tuple[Callable[[Settings], list[Curve]], ...] = (
    nights_from_files,
    epochs_of_a_night,
    resamples,
    workers,
    paired_nights,
)


# --- in words ---------------------------------------------------------------------------------------------


def show_curves(curves: Sequence[Curve]) -> str:
    """Return the curves as a table in Markdown: medians, the line through them, the exponent of a power law."""
    lines = [
        "| what | n | median at each n | line | furthest from it | grows with n to the power |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    for curve in curves:
        constant, slope = curve.line
        per = " / n" if curve.inverse else " n"
        sign = "-" if slope < 0 else "+"
        line = f"{constant:.3g} {sign} {_plain(abs(slope))}{per} {curve.unit}"
        sizes = ", ".join(f"{n:,}" for n in curve.sizes)
        medians = ", ".join(f"{m:.3g}" for m in curve.medians)
        note = f" ({curve.note})" if curve.note else ""
        lines.append(
            f"| {curve.what}{note} | {sizes} {curve.size_of} | {medians} {curve.unit} | {line} | {curve.worst:.0%} | "
            f"{curve.exponent:.2f} |"
        )
    return "\n".join(lines)


def _plain(value: float) -> str:
    """Return three digits of a number, without an exponent."""
    return np.format_float_positional(value, precision=3, fractional=False, trim="-")


def estimate_million(curves: Sequence[Curve]) -> str:
    """Return what a million nights would take, from the slopes of the curves, as a table in Markdown."""
    of = {curve.key: curve for curve in curves}
    per_night = of["score"].line[1]
    summing = max(0.0, of["study"].line[1] - per_night)
    lines = [
        f"Scoring takes {per_night * 1e3:.2g} ms a night and is shared; summing up and writing take "
        f"{summing * 1e3:.2g} ms a night in one process.",
        "",
        "| a million nights | hours | memory of the process that sums up |",
        "| --- | --- | --- |",
    ]
    memory = _at_million(of["study memory"]) / 1024
    for processes in (1, 8, 64):
        hours = MILLION * (per_night / processes + summing) / 3600
        noun = "process" if processes == 1 else "processes on as many cores"
        lines.append(f"| from files, {processes} {noun} | {hours:.2g} | {memory:.2g} GiB |")
    hours, memory = _at_million(of["paired"]) / 3600, _at_million(of["paired memory"]) / 1024
    lines.append(f"| from paired epochs in Parquet, one process | {hours:.2g} | {memory:.2g} GiB |")
    return "\n".join(lines)


def _at_million(curve: Curve) -> float:
    constant, slope = curve.line
    return constant + slope * MILLION
