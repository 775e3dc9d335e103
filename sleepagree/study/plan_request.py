"""What the command ``plan`` asks for: variance components from a finished study or as stated."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from sleepagree.caution import Caution, CautionKind
from sleepagree.errors import FileFormatError, InputError, SleepAgreeError, counted, shorten
from sleepagree.files.reading import read_bytes
from sleepagree.inference.planning import (
    UPPER_CONFIDENCE,
    LimitsPrecision,
    MeanPrecision,
    PlanGrid,
    Precision,
    VarianceComponents,
    plan_grid,
)
from sleepagree.scoring.measures import say_measure
from sleepagree.study.results import STUDY_SCHEMA, find_measure

_DEFAULT_MEASURES: Final = 5
#: An earlier version wrote the same fields of what is planned from.
_READABLE: Final = (STUDY_SCHEMA, "sleepagree.study/1")
#: No study of nights is larger; tables of larger ones would take minutes and memory without end.
_LARGEST_SIZE: Final = 1_000_000
_MOST_SIZES: Final = 100


def read_sizes(text: str, *, least: int) -> tuple[int, ...]:
    """Read a list of whole numbers such as ``5,10,20``.

    Raises
    ------
    InputError
        When it is none.
    """
    try:
        sizes = tuple(int(part) for part in text.split(","))
    except ValueError:
        sizes = ()
    if not sizes or min(sizes) < least or max(sizes) > _LARGEST_SIZE or len(sizes) > _MOST_SIZES:
        expected = f"whole numbers from {least} to {_LARGEST_SIZE}, {_MOST_SIZES} at most"
        raise InputError("the sizes cannot be read", "", "", shorten(text), expected, "For example 5,10,20.")
    return sizes


def read_widths(texts: Sequence[str]) -> dict[str, float]:
    """Read ``STATISTIC=HALF-WIDTH`` texts.

    Raises
    ------
    InputError
        When one is no such text.
    """
    out = {}
    for text in texts:
        name, _, value = text.rpartition("=")
        try:
            width = float(value)
        except ValueError:
            width = math.nan
        if not name.strip() or not 0 < width < math.inf:
            raise InputError(
                "the wanted half-width cannot be read",
                "",
                "--width",
                shorten(text),
                "STATISTIC=HALF-WIDTH with a positive, finite number",
                'For example --width "bias TST=10".',
            )
        out[name.strip()] = width
    return out


def plan_from_stated(
    difference: tuple[float | None, float | None], kappa: tuple[float | None, float | None], **settings: Any
) -> PlanGrid:
    """Return the plan of stated SDs: of differences (bias and limits) and of the kappa of a night."""
    statistics: dict[str, Precision] = {}
    if difference[0] is not None:
        components = _components(difference)
        statistics["bias"] = MeanPrecision(components)
        statistics["limits"] = LimitsPrecision(components)
    if kappa[0] is not None:
        statistics["kappa"] = MeanPrecision(_components(kappa))
    return _plan(statistics, settings)


def _components(stated: tuple[float | None, float | None]) -> VarianceComponents:
    between, within = stated
    return VarianceComponents(between or 0.0, math.nan if within is None else within, "stated")


def plan_from_results(path: Path, device: str | None, measures: Sequence[str], **settings: Any) -> PlanGrid:
    """Return the plan from the variance components of a finished study.

    Raises
    ------
    FileFormatError
        When the file is no results.json of a study.
    InputError
        When it lacks the device or the measure, or has one participant only.
    """
    document = _load(path)
    try:
        settings["wanted"], statistics = _statistics_of(document, device, measures, settings["wanted"], path.name)
    except SleepAgreeError:
        raise
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise _no_results(path, f"{type(error).__name__} at {error}") from None
    return _plan(statistics, settings)


def _statistics_of(
    document: dict[str, Any], device: str | None, measures: Sequence[str], widths: Mapping[str, float], name: str
) -> tuple[dict[str, float], dict[str, Precision]]:
    """Return the wanted half-widths under the names of statistics, and the statistics to plan.

    Where only half-widths are asked for, those statistics are planned and no others.
    """
    found = _find_device(document, device, name)
    bias = {row["measure"]: row for row in found["bias"]}
    asked = {_statistic_name(text, bias): width for text, width in widths.items()}
    named = [_measure_of(text, bias, name) for text in measures]
    of_widths = [statistic.partition(" ")[2] for statistic in asked]
    wanted = named or [m for m in dict.fromkeys(of_widths) if m in bias] or _usual(bias)
    statistics: dict[str, Precision] = {}
    for measure in wanted:
        components = _from_row(bias[measure], name)
        if components is None:
            continue
        statistics[f"bias {measure}"] = MeanPrecision(components)
        statistics[f"limits {measure}"] = LimitsPrecision(components)
    kappa = _kappa_components(found)
    if kappa is not None and not measures:
        statistics["kappa"] = MeanPrecision(kappa)
    if asked and not named and set(asked) <= set(statistics):
        statistics = {statistic: statistics[statistic] for statistic in asked}
    return asked, statistics


def _measure_of(text: str, bias: Mapping[str, Any], name: str) -> str:
    measure = find_measure(text, bias)
    if measure is None:
        raise InputError(
            "the study has no such measure",
            name,
            "--measure",
            text,
            "one of " + ", ".join(map(say_measure, bias)),
            "Give one of these names.",
        )
    return measure


def _statistic_name(text: str, bias: Mapping[str, Any]) -> str:
    """Return a statistic's name for what somebody wrote, whose measure may be in either spelling."""
    head, _, tail = " ".join(text.split()).partition(" ")
    return f"{head.casefold()} {find_measure(tail, bias) or tail}".strip()


def speak_statistic(name: str) -> str:
    """Return the name of a planned statistic as people read it (``bias minutes REM``)."""
    head, _, measure = name.partition(" ")
    return f"{head} {say_measure(measure)}".strip()


def _usual(bias: Mapping[str, Any]) -> list[str]:
    names = ["TST", *(name for name in bias if name.startswith("minutes "))]
    return [name for name in names if name in bias][:_DEFAULT_MEASURES]


def _plan(statistics: dict[str, Precision], settings: dict[str, Any]) -> PlanGrid:
    unknown = [name for name in settings["wanted"] if name not in statistics]
    if unknown:
        raise InputError(
            "a wanted half-width is of a statistic that is not planned",
            "",
            "--width",
            unknown[0],
            "one of " + ", ".join(map(speak_statistic, statistics)),
            "Give one of these names, or name its measure with --measure.",
        )
    if not statistics:
        raise InputError(
            "nothing can be planned",
            "",
            "",
            "no variance between participants",
            "a study of several participants",
            "State the SDs instead (--between-sd, --within-sd).",
        )
    grid = plan_grid(statistics, **settings)
    if not any(part.rests_on_few for _, part in grid.assumed):
        return grid
    at_bound = {name: _at_upper_bound(precision) for name, precision in statistics.items()}
    return replace(grid, at_upper_bound=plan_grid(at_bound, **settings))


def _at_upper_bound(precision: Precision) -> Precision:
    components = precision.components.at_upper_bound
    return LimitsPrecision(components) if isinstance(precision, LimitsPrecision) else MeanPrecision(components)


def plan_cautions(grid: PlanGrid) -> tuple[Caution, ...]:
    """Return what a reader of a plan should be warned of."""
    few = {name.partition(" ")[2] or name: (name, part) for name, part in grid.assumed if part.rests_on_few}
    if not few:
        return ()
    return (
        Caution.of(
            CautionKind.PLAN_RESTS_ON_FEW,
            participants=min(part.participants for _, part in few.values()),
            confidence=UPPER_CONFIDENCE,
            between_sds=tuple(
                (measure, part.between_sd, part.between_sd_high, 3 if has_small_numbers(name, part) else 1)
                for measure, (name, part) in few.items()
            ),
        ),
    )


def has_small_numbers(name: str, part: VarianceComponents) -> bool:
    """Whether a statistic's figures need three digits: kappa, and logarithms of ratios."""
    return "kappa" in name or _OF_LOGS in part.source


def _load(path: Path) -> dict[str, Any]:
    data = read_bytes(path, expected="a results.json of a study")
    try:
        document = json.loads(data)
    except (UnicodeDecodeError, json.JSONDecodeError, RecursionError):
        document = None
    except ValueError:
        raise _no_results(path, "a number of thousands of digits") from None
    if not isinstance(document, dict) or document.get("schema") not in _READABLE:
        found = str(document.get("schema")) if isinstance(document, dict) else "no JSON object"
        raise _no_results(path, found, "schema", " or ".join(_READABLE))
    return document


def _no_results(path: Path, found: str, where: str = "", expected: str = "") -> FileFormatError:
    remedy = "Give the results.json that 'sleepagree study --out' wrote."
    return FileFormatError("this is no results.json of a study", path.name, where, found, expected, remedy)


def _find_device(document: dict[str, Any], name: str | None, path: str) -> dict[str, Any]:
    devices: list[dict[str, Any]] = document["devices"]
    for device in devices:
        if name in (None, device["device"]):
            return device
    raise InputError(
        "the study has no such device",
        path,
        "--device",
        str(name),
        "one of " + ", ".join(d["device"] for d in devices),
        "Give one of these names.",
    )


#: Said of SDs of log ratios, whose half-widths are of logarithms, too.
_OF_LOGS: Final = "of log ratios: 0.05 is about 5 %"


def _from_row(row: dict[str, Any], path: str) -> VarianceComponents | None:
    people, nights = row["participants"], row["nights"]
    source = f"{path}: {counted(people, 'participant')}, {counted(nights, 'night')}"
    if people < 2:
        return None
    parts = [row.get(key) for key in ("between_sd", "within_sd", "between_sd_high", "sd")]
    if row["unit"] == "ratio":
        source = f"{source}; {_OF_LOGS}"
        parts = [None if part is None else math.log(part) for part in parts]
    between, within, high, sd = (math.nan if part is None else part for part in parts)
    if math.isnan(between):
        return None if math.isnan(sd) else VarianceComponents(sd, math.nan, source, high, people)
    return VarianceComponents(between, within, source, high, people)


def _kappa_components(device: dict[str, Any]) -> VarianceComponents | None:
    for mapping in device["mappings"]:
        found = mapping["averaged"].get("kappa")
        if found and found.get("between_sd") is not None:
            within, high = (math.nan if found.get(k) is None else found[k] for k in ("within_sd", "between_sd_high"))
            source = f"kappa of a night under '{mapping['name']}'"
            return VarianceComponents(found["between_sd"], within, source, high, found.get("participants") or 0)
    return None
