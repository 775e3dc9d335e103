"""What the command ``plan`` asks for: variance components from a finished study or as stated."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from sleepagree.errors import FileFormatError, InputError, SleepAgreeError
from sleepagree.planning import LimitsPrecision, MeanPrecision, PlanGrid, Precision, VarianceComponents, plan_grid
from sleepagree.readers._text import read_bytes
from sleepagree.study_documents import STUDY_SCHEMA

_DEFAULT_MEASURES: Final = 5


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
    if not sizes or min(sizes) < least:
        raise InputError(
            "the sizes cannot be read", "", "", text, f"whole numbers of at least {least}", "For example 5,10,20."
        )
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
        if not name.strip() or not width > 0:
            raise InputError(
                "the wanted half-width cannot be read",
                "",
                "--width",
                text,
                "STATISTIC=HALF-WIDTH",
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
        statistics = _statistics_of(document, device, measures, path.name)
    except SleepAgreeError:
        raise
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise _no_results(path, f"{type(error).__name__} at {error}") from None
    return _plan(statistics, settings)


def _statistics_of(
    document: dict[str, Any], device: str | None, measures: Sequence[str], name: str
) -> dict[str, Precision]:
    found = _find_device(document, device, name)
    bias = {row["measure"]: row for row in found["bias"]}
    wanted = list(measures) or _usual(bias)
    statistics: dict[str, Precision] = {}
    for measure in wanted:
        if measure not in bias:
            raise InputError(
                "the study has no such measure",
                name,
                "--measure",
                measure,
                "one of " + ", ".join(bias),
                "Give one of these names.",
            )
        components = _from_row(bias[measure], name)
        if components is None:
            continue
        statistics[f"bias {measure}"] = MeanPrecision(components)
        statistics[f"limits {measure}"] = LimitsPrecision(components)
    kappa = _kappa_components(found)
    if kappa is not None and not measures:
        statistics["kappa"] = MeanPrecision(kappa)
    return statistics


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
            "one of " + ", ".join(statistics),
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
    return plan_grid(statistics, **settings)


def _load(path: Path) -> dict[str, Any]:
    try:
        document = json.loads(read_bytes(path))
    except (ValueError, RecursionError):
        document = None
    if not isinstance(document, dict) or document.get("schema") != STUDY_SCHEMA:
        found = str(document.get("schema")) if isinstance(document, dict) else "no JSON object"
        raise _no_results(path, found, "schema", STUDY_SCHEMA)
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


def _from_row(row: dict[str, Any], path: str) -> VarianceComponents | None:
    between, within = row.get("between_sd"), row.get("within_sd")
    source = f"{path}: {row['participants']} participants, {row['nights']} nights"
    if row["participants"] < 2:
        return None
    if between is None:
        return None if row["sd"] is None else VarianceComponents(row["sd"], math.nan, source)
    return VarianceComponents(between, math.nan if within is None else within, source)


def _kappa_components(device: dict[str, Any]) -> VarianceComponents | None:
    for mapping in device["mappings"]:
        found = mapping["averaged"].get("kappa")
        if found and found.get("between_sd") is not None:
            within = found.get("within_sd")
            source = f"kappa of a night under '{mapping['name']}'"
            return VarianceComponents(found["between_sd"], math.nan if within is None else within, source)
    return None
