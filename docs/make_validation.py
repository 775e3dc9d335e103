"""Make docs/validation.md: ``python docs/make_validation.py``; ``--check`` only says whether it is up to date.

The published examples are run on the spot (seconds). What takes longer keeps a record in docs/evidence, each by a
command that the page names: trust, fuzzing, kills, mutants, calibration. A record tells its day, versions and settings.
"""

from __future__ import annotations

import argparse
import ast
import json
import math
import re
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parent.parent
EVIDENCE = ROOT / "docs" / "evidence"
PUBLISHED = ROOT / "tests" / "published"
PAGE = ROOT / "docs" / "validation.md"
HEAD = """# Validation

Made by `python docs/make_validation.py` from the tests and the records in docs/evidence; do not edit it by hand. What
stands under a heading can be had again with the command that is named there.
"""
#: Import -> the library's name, what it computes again, and the tests that ask it most.
LIBRARIES = {
    "sklearn": (
        "scikit-learn",
        "accuracy, kappa, weighted kappa, confusion matrices, MCC, precision and recall",
        (
            "scoring/test_agreement",
            "laws/test_night_laws",
            "laws/test_counts_laws",
            "study/test_scorers",
            "render/test_study_folder",
        ),
    ),
    "statsmodels": (
        "statsmodels",
        "variances of kappa, Wilson intervals, regressions, mixed models, equivalence",
        ("scoring/test_agreement", "inference/test_limits", "scoring/test_redistribution", "laws/test_night_laws"),
    ),
    "scipy": (
        "scipy",
        "bootstrap (percentile, BCa), t and noncentral t, chi, optimisation",
        ("inference/test_resampling", "inference/test_limits", "inference/test_planning", "published/test_carkeet2015"),
    ),
    "pingouin": ("pingouin", "intraclass correlations and their intervals", ("inference/test_reliability",)),
    "mne": (
        "MNE",
        "EDF+ and other recordings, read again",
        ("readers/test_mne_files", "readers/test_edf_quirks", "readers/test_edf_writer", "render/test_export"),
    ),
    "edfio": (
        "edfio",
        "EDF+ and BDF+ files, written and read again",
        ("readers/test_edf", "readers/test_edf_writer", "render/test_export"),
    ),
    "pandas": (
        "pandas",
        "tables, read and grouped again",
        ("laws/test_night_laws", "readers/test_sources", "render/test_export"),
    ),
    "pyarrow": ("pyarrow", "Parquet, written and read again", ("readers/test_parquet", "render/test_export")),
    "zoneinfo": ("zoneinfo", "clock changes", ("hypnogram/test_zones", "readers/test_times", "hypnogram/test_align")),
    "selenium": ("a headless browser", "the report: keyboard, sorting, print, no network", ("browser/test_pages",)),
}
#: More figures of one test than this are summed up in one row.
MOST_ROWS = 60
#: Coverage of 95 % intervals that needs no word: outside it is set in bold.
COVERS = (93.0, 97.0)


def main() -> int:
    """Write the page, or compare it."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--check", action="store_true", help="change nothing; exit 1 when the page is not up to date")
    check = parser.parse_args().check
    page = made_page(run_published())
    if not check:
        PAGE.write_text(page, encoding="utf-8")
        return 0
    old = PAGE.read_text(encoding="utf-8") if PAGE.exists() else ""
    differing = [(a, b) for a, b in zip(old.splitlines(), page.splitlines(), strict=False) if a != b]
    if old == page:
        return 0
    first = differing[0] if differing else ("(another number of lines)", "")
    print(f"docs/validation.md is not up to date: run python docs/make_validation.py\n- {first[0]}\n+ {first[1]}")
    return 1


def made_page(figures: list[dict[str, Any]]) -> str:
    """Return the page."""
    records = {path.stem: json.loads(path.read_text(encoding="utf-8")) for path in sorted(EVIDENCE.glob("*.json"))}
    parts = [
        HEAD,
        *in_figures(figures, records),
        *published(figures),
        *libraries(),
        *calibration(records),
        *fuzzing(records["fuzz"]),
        *trust(records["trust"], records["kill"]),
        *mutation(records["mutation"]),
        text_of("not_validated"),
    ]
    return re.sub(r"\n{3,}", "\n\n", "\n".join(parts)).rstrip() + "\n"


def run_published() -> list[dict[str, Any]]:
    """Run the published examples; return every comparison with a figure."""
    with tempfile.TemporaryDirectory() as folder:
        kept = Path(folder) / "figures.json"
        plugin = ("-p", "no:cacheprovider", "-p", "tests.recorded_figures", "--figures", str(kept))
        done = subprocess.run(
            [sys.executable, "-m", "pytest", "-q", *plugin, str(PUBLISHED)],
            cwd=ROOT,
            capture_output=True,
            text=True,
            check=False,
        )
        if done.returncode:
            sys.exit(done.stdout + done.stderr)
        figures: list[dict[str, Any]] = json.loads(kept.read_text(encoding="utf-8"))
    # a check that a figure is *not* that of another formula is no agreement
    return [figure for figure in figures if figure["agrees"]]


# --- pieces -----------------------------------------------------------------------------------------------


def text_of(name: str) -> str:
    """Return words that are written by hand."""
    return (EVIDENCE / f"{name}.md").read_text(encoding="utf-8")


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> Iterator[str]:
    yield "| " + " | ".join(head) + " |"
    yield "| --- " * len(head) + "|"
    for row in rows:
        yield "| " + " | ".join(str(cell).replace("|", "\\|") for cell in row) + " |"
    yield ""


def made_on(record: dict[str, Any]) -> str:
    versions = ", ".join(f"{name} {number}" for name, number in record["versions"].items() if number != "absent")
    return f"({record['date']}; {versions})"


def share(part: float, whole: float) -> str:
    return f"{100 * part / whole:.0f} %"


# --- sections ---------------------------------------------------------------------------------------------


def in_figures(figures: list[dict[str, Any]], records: dict[str, Any]) -> Iterator[str]:
    fuzz, trusted, kill, mutants = (records[name] for name in ("fuzz", "trust", "kill", "mutation"))
    cases = {group: sum(tests.values()) for group, tests in trusted["cases"].items()}
    names = trusted["canaries"]
    seen = len({figure["file"] for figure in figures})
    broken = "none broke the invariant" if not fuzz["broken"] else f"{len(fuzz['broken'])} broke the invariant"
    rows = [
        (
            "published examples",
            f"{len(figures)} comparisons with figures seen or recomputed as each of {seen} sources says, agree",
            "python docs/make_validation.py",
        ),
        ("inputs fuzzed", f"{fuzz['inputs']:,}; {broken}", fuzz["command"]),
        ("faults survived", f"{cases['faults']} cases", trusted["command"]),
        (
            "killed and resumed",
            f"{kill['killed']} kills, {kill['resumed_to_the_same_bytes']} studies byte-equal",
            kill["command"],
        ),
        (
            "canaries",
            f"{names['names put in']:,} names put into inputs, none in {names['outputs']:,} outputs "
            f"({names['bytes searched'] / 1e6:.0f} MB)",
            trusted["command"],
        ),
        ("hostile text", f"{cases['hostile text']} cases", trusted["command"]),
        ("same bytes", f"{cases['determinism']} cases", trusted["command"]),
        (
            "mutants killed",
            f"{mutants['killed']} of {mutants['mutants']} ({share(mutants['killed'], mutants['mutants'])}), "
            f"code of {mutants['date']}",
            mutants["command"],
        ),
    ]
    yield from table(("what", "figure", "command"), [(what, figure, f"`{words}`") for what, figure, words in rows])


def published(figures: list[dict[str, Any]]) -> Iterator[str]:
    yield "## Published examples\n"
    yield (
        "Every comparison with a figure in tests/published. Most of the papers were not opened: a figure was seen in "
        "print, or in a public copy or test suite that quotes the source, or recomputed from the source's data with "
        "other software. The words under each source say which; single figures are not marked, so the number of "
        "comparisons above is no number of printed figures. `allowed` is half a unit of the last printed "
        "digit, or more where a source cut or rounded twice. `difference` is ours minus expected.\n"
    )
    for path in sorted(PUBLISHED.glob("test_*.py")):
        citation, _, words = (ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or "").partition("\n\n")
        yield f"### {' '.join(citation.split())}\n"
        yield f"{' '.join(words.split())} `{path.name}`\n"
        own = [figure for figure in figures if figure["file"] == path.name]
        if own:
            rows = list(figure_rows(own))
            yield from table(("example", "compared", "expected", "ours", "difference", "allowed"), rows)
        silent = [name for name in tests_of(path) if name not in {function_of(figure) for figure in own}]
        if silent:
            yield f"Without a figure of its own: {'; '.join(map(plain, silent))}.\n"


def tests_of(path: Path) -> list[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return [node.name for node in tree.body if isinstance(node, ast.FunctionDef) and node.name.startswith("test_")]


def function_of(figure: dict[str, Any]) -> str:
    return str(figure["test"]).partition("[")[0]


def plain(test: str) -> str:
    return test.removeprefix("test_").replace("_", " ")


def figure_rows(figures: list[dict[str, Any]]) -> Iterator[tuple[str, ...]]:
    for function in dict.fromkeys(map(function_of, figures)):
        own = [figure for figure in figures if function_of(figure) == function]
        if len(own) > MOST_ROWS:
            worst = max(abs(figure["ours"] - float(figure["printed"])) / figure["allowed"] for figure in own)
            said = "the largest difference is " + ("below 1 %" if worst < 0.01 else f"{100 * worst:.0f} %") + " of it"
            yield plain(function), f"{len(own)} figures", "", "", said, f"{own[0]['allowed']:.2g}"
            continue
        cases = list(dict.fromkeys(figure["test"] for figure in own))
        for figure in own:
            case = f", case {cases.index(figure['test']) + 1}" if len(cases) > 1 else ""
            what = figure["what"] if len(figure["what"]) <= 70 else figure["what"][:67] + "..."
            decimals = min(9, max(0, math.ceil(-math.log10(figure["allowed"])) + 1))
            ours = round(figure["ours"], decimals) + 0.0
            difference = round(ours - float(figure["printed"]), decimals) + 0.0
            yield (
                plain(function) + case,
                f"`{what}`" if what else "",
                figure["printed"],
                f"{ours:.{decimals}f}",
                f"{difference:+.{decimals}f}" if difference else "0",
                f"{figure['allowed']:.2g}",
            )


def libraries() -> Iterator[str]:
    yield "## Libraries as second opinions\n"
    yield "General-purpose libraries compute the same in tests, on generated tables, nights and files.\n"
    rows = []
    for root, (name, what, files) in LIBRARIES.items():
        for file in files:
            if root not in imports_of(ROOT / "tests" / f"{file}.py"):
                sys.exit(f"tests/{file}.py does not ask {name} any more: say what does in docs/make_validation.py")
        rows.append((name, what, ", ".join(f"`{file}`" for file in files)))
    yield from table(("library", "what it computes again", "above all in tests/"), rows)


def imports_of(path: Path) -> set[str]:
    """Return the packages that a file imports anywhere."""
    roots = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            roots |= {alias.name.partition(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            roots.add(node.module.partition(".")[0])
        elif isinstance(node, ast.Call) and ast.unparse(node.func) == "pytest.importorskip":
            roots.add(str(ast.literal_eval(node.args[0])).partition(".")[0])
    return roots


def covered(percent: float) -> str:
    shown = f"{percent:.1f} %"
    return shown if COVERS[0] <= percent <= COVERS[1] else f"**{shown}**"


def _as_independent(figures: dict[str, float], what: str) -> str:
    return "" if what == "accuracy" else f" ({figures['independent']:.1f} %)"


def calibration(records: dict[str, Any]) -> Iterator[str]:
    studies, nights = records["calibration_studies"], records["calibration_nights"]
    clock, limits = records["calibration_clock"], records["calibration_limits"]
    yield "## Calibration by simulation\n"
    yield (
        f"How often 95 % intervals hold a truth that is known because it was simulated. **Bold**: below {COVERS[0]:g} "
        f"or above {COVERS[1]:g} %.\n"
    )
    yield "### Studies\n"
    yield (
        f"`{studies['command']}`: {studies['studies']:,} studies of each size, {studies['nights']} nights each, "
        f"{studies['resamples']:,} resamples, seed {studies['seed']} {made_on(studies)}. {text_of('calibration')}"
    )
    people = list(studies["coverage"])
    names = [row["interval"] for row in studies["coverage"][people[0]]]
    by_name = {n: {row["interval"]: row["covers_percent"] for row in studies["coverage"][n]} for n in people}
    yield from table(
        ("interval", *(f"{n} people" for n in people)),
        [(name, *(covered(by_name[n][name]) for n in people)) for name in names],
    )
    yield text_of("calibration_studies")
    yield from calibration_of_people(records["calibration_people"])
    yield "### Single nights\n"
    yield (
        f"`{nights['command']}`: {nights['nights']:,} nights each {made_on(nights)}. Answers, or errors, that hold for "
        "so long on average, or for a whole episode of REM (a whole stretch of one class in the reference). In "
        "brackets the interval as if epochs were independent.\n"
    )
    figures = [
        *((f"share of {share}", by_hold, "persist") for share, by_hold in nights["shares"].items()),
        *((f"{what}, errors in {rate} of epochs", by_hold, what)
          for what in ("kappa", "accuracy") for rate, by_hold in nights["kappa"].items()),
    ]  # fmt: skip
    holds = list(next(iter(nights["shares"].values())))
    yield from table(
        ("answers hold", *holds),
        [
            (name, *(covered(by[hold][what]) + _as_independent(by[hold], what) for hold in holds))
            for name, by, what in figures
        ],
    )
    yield text_of("calibration_nights")
    yield "### Bias, limits and slopes\n"
    yield f"`{limits['command']}`: {limits['studies']:,} studies each, seed {limits['seed']} {made_on(limits)}.\n"
    measured = ("bias", "lower", "upper", "slope", "spread_slope")
    yield from table(
        ("people x nights", "SD between/within", "bias", "lower limit", "upper limit", "slope", "slope of the spread"),
        [
            (
                f"{row['people']} x {row['nights']}",
                f"{row['between']:g}/{row['within']:g}",
                *(covered(row[name]) for name in measured),
            )
            for row in limits["limits"]
        ],
    )
    yield from table(
        ("people x nights", "magnitude", "slope", "textbook least squares"),
        [
            (
                f"{row['people']} x {row['nights']}",
                row["magnitude"],
                covered(row["slope"]),
                covered(row["least_squares"]),
            )
            for row in limits["slopes"]
        ],
    )
    yield from corrections(records["calibration_corrections"])
    yield "### Clock offsets\n"
    pairs, proposed = (sum(row[key] for row in clock["unrelated"]) for key in ("pairs", "proposed"))
    yield (
        f"`{clock['command']}` {made_on(clock)}: on {pairs:,} pairs of nights that have nothing to do with each other "
        f"an offset was proposed {proposed} times. How well an offset is found: methods_time.md.\n"
    )
    yield from clock_hints(records["calibration_clock_hints"])
    yield from clocks_of_studies(records["calibration_study_clocks"])
    yield from jumps(records["calibration_jumps"])


def clock_hints(record: dict[str, Any]) -> Iterator[str]:
    kinds = record["kinds"]
    right = [kind for kind in kinds if kind.get("related", True) and not kind.get("clock_slow_s")]
    poor = [kind for kind in right if 0.05 <= kind["kappa"] <= 0.3]
    nights = sum(kind["pairs"] for kind in poor)
    false = [sum(kind["hints"][hint] for hint in ("offset", "zone", "doubt")) for kind in poor]
    told = round(sum(share * kind["pairs"] for share, kind in zip(false, poor, strict=True)))
    yield "### Hints of single nights\n"
    yield (
        f"`{record['command']}` {made_on(record)}: of {nights:,} nights with a right clock, of {len(poor)} kinds of "
        f"devices whose kappa is 0.05 to 0.3, {told} ({100 * told / nights:.1f} %) were told an offset, a zone or a "
        f"doubt, at most {100 * max(false):.1f} % of one kind. Untold: the night does not tell, and says so.\n"
    )
    rows = []
    for kind in kinds:
        slow = kind.get("clock_slow_s", 0.0)
        clock = ("right" if not slow else f"{slow:+g} s") if kind.get("related", True) else "unrelated nights"
        device = f"{kind.get('device_epoch_s', 30.0):g} s, {2 if kind['two_classes'] else 4} classes"
        errors = f"{kind.get('share', 0.25):g}, runs of {kind.get('run_s', 180.0) / 60:g} min"
        shares = (f"{100 * kind['hints'][hint]:.1f} %" for hint in ("offset", "zone", "doubt", "untold"))
        rows.append((clock, errors, device, f"{kind['kappa']:.2f}", *shares))
    heads = ("clock", "share inside error runs", "device", "kappa as recorded", "offset", "zone", "doubt", "untold")
    yield from table(heads, rows)


def clocks_of_studies(record: dict[str, Any]) -> Iterator[str]:
    kinds = record["kinds"]
    right = [kind for kind in kinds if kind["slow_s"] == 0.0 and not kind["rate_s"]]
    losing = [kind for kind in kinds if kind["rate_s"]]
    held, found = (sum(kind[key] for kind in losing) for key in ("rates_hold", "with_rates"))
    false = sum(n for kind in right for verdict, n in kind["verdicts"].items() if verdict not in ("steady", "untold"))
    parts = sum(kind["with_parts"] + kind["with_rates"] for kind in right)
    offsets = sum(kind["hints"].get(hint, 0) for kind in right for hint in ("offset", "zone"))
    nights = sum(sum(kind["hints"].values()) for kind in right)
    studies = sum(kind["studies"] for kind in right)
    yield "### Clocks of studies\n"
    yield (
        f"`{record['command']}` {made_on(record)}, {record['nights']} nights of 8 h a study: of {studies:,} studies "
        f"whose clocks are right, {false} got a verdict of an error and {parts} a range or a person that is off, or "
        f"that gains or loses time; of their {nights:,} nights one by one, {offsets} were told an offset or a zone. "
        f"Seconds told of a clock that is off were at most {max(kind['furthest_off_s'] for kind in kinds):g} s wrong. "
        f"The interval of a rate from night to night held the right one in {held} of {found} studies that were told "
        "one.\n"
    )
    rows = []
    for kind in kinds:
        slow = (
            "another every night" if kind["slow_s"] is None else f"{kind['slow_s']:+g} s" if kind["slow_s"] else "right"
        )
        verdicts = ", ".join(f"{name} {n}" for name, n in sorted(kind["verdicts"].items()))
        named = "" if kind["parts_right"] is None else f"{kind['parts_right']}"
        device = f"{kind['epoch_s']:g} s, {2 if kind['two_classes'] else 4} classes"
        if kind["rate_s"]:
            slow = f"{'loses' if kind['rate_s'] > 0 else 'gains'} {abs(kind['rate_s']):g} s a day"
        wrong = f"{slow}, {kind['which']}" if kind["which"] else slow
        rows.append((wrong, f"{kind['share']:g}", device, f"{kind['kappa']:.2f}", kind["studies"], verdicts, named))
    yield from table(
        ("clock", "share inside error runs", "device", "kappa as recorded", "studies", "verdicts", "those off named"),
        rows,
    )


def jumps(record: dict[str, Any]) -> Iterator[str]:
    nights, quiet = record["nights"], record["without"]
    yield "### Jumps of a clock\n"
    yield (
        f"`{record['command']}` {made_on(record)}, {nights} nights of 8 h of each kind. Of {nights * len(quiet):,} "
        f"nights without a jump, {sum(kind['told'] for kind in quiet)} were told one. Right: both offsets within "
        "30 s.\n"
    )
    rows = []
    for kind in quiet:
        clock = f"{kind['drift_s_per_h']:g} s/h drift" if kind["drift_s_per_h"] else f"{kind['slow_s']:g} s slow"
        what = clock if kind["related"] else "nights of two people"
        run = f"{kind['run_s'] / 60:g} min"
        rows.append((what, f"{kind['errors']:g}", run, f"{kind['device_epoch_s']:g} s", kind["told"]))
    yield from table(("no jump", "share inside error runs", "their length, mean", "device epochs", "told a jump"), rows)
    rows = [
        (
            f"{kind['jump_s']:+g} s",
            f"{kind['errors']:g}",
            kind["told"],
            kind["right"],
            *(
                ("", "", "")
                if not kind["right"]
                else (
                    f"{kind['off_median_min']:g}",
                    share(kind["inside"], kind["right"]),
                    f"{kind['width_median_min']:g}",
                )
            ),
        )
        for kind in record["with"]
    ]
    heads = ("jump (to add)", "share inside error runs", "told", "right", "place off by, middle (min)")
    yield from table((*heads, "stretch holds the place", "its length, middle (min)"), rows)


def corrections(found: dict[str, Any]) -> Iterator[str]:
    yield "### Corrections\n"
    yield (
        f"`{found['command']}`: {found['studies']:,} studies of each kind, {found['new_people']} new people each "
        f"{made_on(found)}. Devices that are biased by 20 min, have a slope of 0.5, say nothing, or call nine tenths "
        "of REM deep and have no label for it. Covered: new nights of new people in their prediction interval. Bias: "
        "of corrected values there. Error: mean absolute, in new people and as told by cross-validation. Verdicts: "
        "helps / cannot be told / does not help.\n"
    )
    yield from table(
        ("device", "errors", "people x nights", "covered", "told", "bias (min)", "error (min)", "told", "verdicts (%)"),
        [
            (
                row["device"],
                row["errors"],
                f"{row['people']} x {row['nights']}",
                covered(100 * row["covered"]),
                f"{100 * row['covered_told']:.1f} %",
                f"{row['bias']:+.1f}",
                f"{row['error']:.1f}",
                f"{row['error_told']:.1f}",
                " / ".join(f"{100 * row[name]:.0f}" for name in ("helps", "cannot_be_told", "does_not_help")),
            )
            for row in found["rows"]
        ],
    )
    yield text_of("calibration_corrections")


#: Intervals that stand beside the first one, and what they are called.
BESIDE = {"percentile": "percentile", "bca": "BCa", "delta": "delta method"}


def calibration_of_people(record: dict[str, Any]) -> Iterator[str]:
    yield "### People who differ with skew, heavy tails, and a device that fails on some\n"
    yield (
        f"`{record['command']}`: {record['studies']:,} studies of each size, one night each, {record['resamples']:,} "
        f"resamples, seed {record['seed']} {made_on(record)}. People differ in what the device misses and invents "
        "normally, with skew (exponential), with heavy tails (Student's t, 3 degrees of freedom), normally but for 5 % "
        "of bad nights, or normally but for 15 % of people in whom it fails. Of each statistic the interval that is "
        "told first; centiles from 40 people on.\n"
    )
    names = list(dict.fromkeys(name for row in record["rows"] for name in row["covers"]))
    yield from table(
        ("people", "number", *names),
        [
            (
                row["people"],
                str(row["n"]),
                *(covered(row["covers"][name]["primary"]) if name in row["covers"] else "" for name in names),
            )
            for row in record["rows"]
        ],
    )
    yield text_of("calibration_people")
    yield "The intervals of the pooled kappa beside the one told first:\n"
    yield from table(
        ("people", "number", "told first", *BESIDE.values()),
        [
            (
                row["people"],
                str(row["n"]),
                *(covered(row["covers"]["pooled kappa"][key]) for key in ("primary", *BESIDE)),
            )
            for row in record["rows"]
        ],
    )


def fuzzing(record: dict[str, Any]) -> Iterator[str]:
    yield "## Fuzzing\n"
    yield (
        f"`{record['command']}` {made_on(record)}: **{record['inputs']:,} inputs, {len(record['broken'])} broke the "
        "invariant**: a result whose ledger adds up, or one message; no other exception, no more than 2 s of processor "
        "time, no more memory than ten times the file and 48 MB (the grid of a month). CI tries some thousands, and "
        "tests that planted faults are seen.\n"
    )
    yield from (f"- broken: {text}\n" for text in record["broken"])
    yield "Made by strategies (headers, records, cells, keys and nodes that are wrong on purpose):\n"
    rows = []
    for name, tally in record["by_strategies"].items():
        total = sum(tally.values())
        refused = sum(n for outcome, n in tally.items() if "refused" in outcome)
        partly = sum(n for outcome, n in tally.items() if outcome in PARTLY)
        rows.append((name, f"{total:,}", f"{total - refused - partly:,}", f"{partly:,}", f"{refused:,}"))
    yield from table(("reader", "inputs", "read and scored", "read, no score", "refused with a message"), rows)
    if record["by_coverage"]:
        yield "Guided by coverage (atheris):\n"
        yield from table(
            ("bytes of", "inputs", "inputs that reached new code"),
            [(kind, f"{n['inputs']:,}", f"{n['new_paths']:,}") for kind, n in record["by_coverage"].items()],
        )


#: Outcomes in which a file was read and a message says why it has no score.
PARTLY = ("paired, no mapping", "read, not paired", "no mapping", "nothing scored")


def trust(record: dict[str, Any], kill: dict[str, Any]) -> Iterator[str]:
    yield "## Faults, privacy, hostile text, determinism\n"
    skipped = "; ".join(f"{name.rpartition('::')[2]}: {why}" for name, why in record["skipped"].items())
    yield (
        f"`{record['command']}` on {record['platform']} {made_on(record)}: {record['passed']} cases passed"
        + (f", {len(record['skipped'])} skipped ({skipped})" if skipped else ", none skipped")
        + ".\n"
    )
    yield (
        f"`{kill['command']}` {made_on(kill)}: a study of {kill['nights']} nights was killed (SIGKILL) "
        f"**{kill['killed']} times** at random moments, {kill['before_any_night_was_kept']} times before and "
        f"{kill['with_nights_kept']} times after a night was kept. "
        f"`--resume` led to the bytes of an undisturbed run every time: "
        f"{kill['resumed_to_the_same_bytes']} studies, some killed again while they resumed; nothing was left behind.\n"
    )
    names = record["canaries"]
    yield (
        f"Canaries: {names['names put in']:,} times a name was put into patient, recording, transducer and prefilter "
        "fields of EDF, annotations, cells of tables, resources of health records, comments of layouts and names of "
        f"files; {names['outputs']:,} outputs ({names['bytes searched'] / 1e6:.0f} MB) held it nowhere.\n"
    )
    rows = []
    for group, tests in record["cases"].items():
        listing = "; ".join(plain(name) + (f" ({count})" if count > 1 else "") for name, count in tests.items())
        rows.append((group, str(sum(tests.values())), listing))
    yield from table(("tests of", "cases", "what was looked at (cases, where more than one)"), rows)


def mutation(record: dict[str, Any]) -> Iterator[str]:
    yield "## Mutants\n"
    yield (
        f"`{record['command']}` {made_on(record)}: of {record['mutants']} random changes ({record['possible']:,} are "
        f"possible) to the statistics and the alignment, tests noticed **{record['killed']} "
        f"({share(record['killed'], record['mutants'])})**.\n"
    )
    yield from table(
        ("module", "mutants", "killed"),
        [(name, row["mutants"], row["killed"]) for name, row in record["by_module"].items()],
    )
    yield "Not noticed:\n"
    yield from (f"- `{survivor}`" for survivor in record["survivors"])
    yield text_of("survivors")


if __name__ == "__main__":
    sys.exit(main())
