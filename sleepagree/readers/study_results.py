"""The results.json of a finished study, as far as another study is planned from it."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from sleepagree.errors import FileFormatError, shorten
from sleepagree.files.reading import read_bytes

#: Of the document that tells a whole study.
STUDY_SCHEMA: Final = "sleepagree.study/2"
#: An earlier version wrote the same fields of what is planned from.
_READABLE: Final = (STUDY_SCHEMA, "sleepagree.study/1")
_REMEDY: Final = "Give the results.json that 'sleepagree study --out' wrote, as it was written."
#: No spread and no count of a study is larger.
_LARGEST: Final = 1e9
_LARGEST_RATIO: Final = 1e300


@dataclass(frozen=True)
class Spread:
    """How much a figure of one night varies; nan for what the study does not know.

    Parameters
    ----------
    participants, nights : int
        What it was estimated from.
    between_sd, within_sd : float
        SD between participants, and between nights of one participant.
    between_sd_high : float
        Upper confidence bound of the first.
    sd : float
        SD of nights where the two are not known apart.
    of_log_ratios : bool
        Whether these are SDs of logarithms of ratios.
    """

    participants: int
    nights: int
    between_sd: float
    within_sd: float
    between_sd_high: float
    sd: float = math.nan
    of_log_ratios: bool = False


@dataclass(frozen=True)
class DeviceSpreads:
    """What varies between the nights of one device.

    Parameters
    ----------
    device : str
        Its name.
    differences : mapping of str to Spread
        Measure -> spread of the differences.
    kappa_mapping : str
        The first mapping under which the kappa of a night has a known spread; "" for none.
    kappa : Spread or None
        That spread.
    """

    device: str
    differences: Mapping[str, Spread]
    kappa_mapping: str = ""
    kappa: Spread | None = None


def read_study_results(path: Path) -> tuple[DeviceSpreads, ...]:
    """Read what varies between the nights of a finished study, by device.

    Raises
    ------
    FileFormatError
        When the file is no results.json of a study.
    """
    document = _load(path)
    try:
        devices = tuple(map(_device, document["devices"]))
    except FileFormatError as error:
        raise error.in_file(path.name, error.where) from None
    except KeyError as error:
        raise _no_results(path, f"no field {error}", expected="the fields of a whole study") from None
    except (TypeError, ValueError, AttributeError):
        raise _no_results(path, "a field of another kind", "devices", "devices as a study describes them") from None
    if not devices:
        raise _no_results(path, "no device", "devices")
    return devices


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
    return FileFormatError("this is no results.json of a study", path.name, where, found, expected, _REMEDY)


def _device(document: Mapping[str, Any]) -> DeviceSpreads:
    differences = {str(row["measure"]): _spread(row, of_log_ratios=row["unit"] == "ratio") for row in document["bias"]}
    for mapping in document["mappings"]:
        found = mapping["averaged"].get("kappa")
        if found and found.get("between_sd") is not None:
            return DeviceSpreads(str(document["device"]), differences, str(mapping["name"]), _spread(found))
    return DeviceSpreads(str(document["device"]), differences)


def _spread(row: Mapping[str, Any], *, of_log_ratios: bool = False) -> Spread:
    keys = ("between_sd", "within_sd", "between_sd_high", "sd")
    # of log ratios the ratio is printed whose logarithm is the SD
    bounds = (1, _LARGEST_RATIO) if of_log_ratios else (0, _LARGEST)
    sds = {key: math.nan if row.get(key) is None else _number(row, key, *bounds) for key in keys}
    people, nights = (0 if row.get(key) is None else int(_number(row, key)) for key in ("participants", "nights"))
    return Spread(
        people,
        nights,
        **{key: math.log(sd) if of_log_ratios else sd for key, sd in sds.items()},
        of_log_ratios=of_log_ratios,
    )


def _number(row: Mapping[str, Any], key: str, low: float = 0, high: float = _LARGEST) -> float:
    value = row[key]
    if not isinstance(value, int | float) or not low <= value <= high:
        raise FileFormatError(
            "a number of the results is none that a study can have",
            where=f"field '{key}'",
            found=shorten(json.dumps(value)),
            expected=f"a number from {low:g} to {high:g}",
            remedy=_REMEDY,
        )
    return float(value)
