"""Writes the demo: an invented study in which the crew of an invented night ferry try two invented devices.

Everything in it comes from :mod:`sleepagree.study.demo.simulate`; no person, ship or device exists. The same seed gives
the same bytes. ``truth.json`` tells what the simulator put in, so that results can be checked against it.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from importlib import resources
from itertools import groupby
from pathlib import Path
from typing import Any, Final

import numpy as np

from sleepagree.files.writing import Replaces, fresh_folder
from sleepagree.hypnogram.spans import EPOCH_S, GAP
from sleepagree.hypnogram.zones import place_in_zone
from sleepagree.mapping.words import AASM_STAGES
from sleepagree.readers.edf.writer import encode_edf_annotations
from sleepagree.study.demo.simulate import (
    BAND_A,
    PAD_B,
    SECOND_SCORER,
    DeviceTraits,
    StageCodes,
    generator,
    simulate_device,
    simulate_hypnograms,
)

ZONE: Final = "Europe/Helsinki"
#: Added to the seed: of the first forty studies this one is nearest to what a very long simulation gives, so
#: that the demo of seed 0 shows the devices as they are meant and not an unusual draw.
_SEED_OF_THE_STORY: Final = 29

#: The night that examples use: what the band does on it is near what it does on average.
TYPICAL_NIGHT: Final = "crew-3-night-2"
PAD_ZONE_OPTION: Final = f"--reference-zone {ZONE}"

PARTICIPANTS: Final = 4
NIGHTS: Final = 3

_STAGE_TEXTS: Final = tuple(f"Sleep stage {stage}" for stage in AASM_STAGES)
_MOVEMENT, _UNSCORED = len(AASM_STAGES), len(AASM_STAGES) + 1
_REFERENCE_TEXTS: Final = (*_STAGE_TEXTS, "Movement time", "Sleep stage ?")

#: The words of the two devices for their labels, in the order of the labels of their traits.
_BAND_WORDS: Final = ("Up", "Shallow", "Deep")
_PAD_WORDS: Final = ("up", "doze", "sound", "dream")

# What is special, as (participant, night), both from 0.
_MOVEMENT_NIGHT: Final = (0, 1)
_SLOW_NIGHT: Final = (1, 2)
_TWO_SCORERS_NIGHT: Final = (2, 0)
_UNSCORED_NIGHT: Final = (3, 0)
_LOST_HOUR_NIGHT: Final = (3, 1)
_SLOW_S: Final = 240
_LOST_AFTER_MIN: Final = 150

# Lights off by the clock of the ferry's home port: two day sleeps on board after a crossing, then a night
# ashore. No change of the clock lies between these dates.
_LIGHTS_OFF: Final = (
    ("2026-04-14T07:48", "2026-04-15T08:21", "2026-04-17T23:06"),
    ("2026-04-14T09:02", "2026-04-15T08:37", "2026-04-17T22:41"),
    ("2026-04-21T07:25", "2026-04-22T07:55", "2026-04-24T23:34"),
    ("2026-04-21T08:44", "2026-04-22T09:10", "2026-04-24T22:18"),
)


@dataclass(frozen=True, slots=True)
class Demo:
    """The demo as written.

    Parameters
    ----------
    directory : Path
        The folder.
    files : tuple of Path
        All files in it, relative to the folder, sorted.
    """

    directory: Path
    files: tuple[Path, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Sleep:
    """One sleep: the reference's label codes by epoch, what the devices say, and the clock."""

    participant: int
    night: int
    begins: datetime
    lights_off: int
    lights_on: int
    reference: StageCodes
    second: StageCodes
    band: StageCodes
    pad: StageCodes

    @property
    def key(self) -> tuple[int, int]:
        return self.participant, self.night

    @property
    def name(self) -> str:
        return f"crew-{self.participant + 1}-night-{self.night + 1}"

    @property
    def numbers(self) -> dict[str, Any]:
        return {"participant": f"crew-{self.participant + 1}", "night": self.night + 1}

    @property
    def lost(self) -> tuple[int, int]:
        """First epoch of the hour that pad B lost, and the one after it; the same twice where it lost none."""
        first = self.lights_off + round(_LOST_AFTER_MIN * 60 / EPOCH_S)
        return first, first + (round(3600 / EPOCH_S) if self.key == _LOST_HOUR_NIGHT else 0)

    def clock(self, epoch: int) -> datetime:
        """Local time at which an epoch starts."""
        return self.begins + timedelta(seconds=EPOCH_S * epoch)

    def utc(self, epoch: int) -> datetime:
        """Moment at which an epoch starts; no change of the clock lies within a night."""
        return place_in_zone(self.clock(epoch), ZONE).astimezone(UTC)


def write_demo(directory: str | Path, *, seed: int = 0, overwrite: bool = False) -> Demo:
    """Write the invented study to a folder.

    Parameters
    ----------
    directory : str or Path
        The folder; it is made if missing.
    seed : int
        Seed of the simulator; the same seed gives the same bytes.
    overwrite : bool
        Whether files of the same names in the folder may be replaced. Other files stay.

    Returns
    -------
    Demo
        Folder and files.

    Raises
    ------
    OutputError
        When the folder exists and is not empty, or cannot be written. Nothing is half-written.
    """
    folder = Path(directory)
    files = _demo_files(_simulate_sleeps(seed), seed)
    with fresh_folder(folder, overwrite=overwrite, replaces=Replaces.SAME_NAMES) as target:
        for name, content in files.items():
            (target / name).parent.mkdir(exist_ok=True)
            (target / name).write_bytes(content)
    return Demo(folder, tuple(sorted(map(Path, files))))


# --- what happens in the nights ---------------------------------------------------------------------------


def _simulate_sleeps(seed: int) -> list[_Sleep]:
    rng = generator(seed + _SEED_OF_THE_STORY)
    people = np.repeat(np.arange(PARTICIPANTS), NIGHTS)
    in_bed, epochs = simulate_hypnograms(people, rng=rng)
    # 10 to 20 min of recorded wake before lights off, whole minutes; 10 to 15 min after lights on
    off = 20 + 2 * np.floor(rng.random(people.size) * 11).astype(np.int64)
    on = off + epochs
    ends = on + 20 + np.floor(rng.random(people.size) * 11).astype(np.int64)
    recorded = np.full((people.size, int(ends.max())), GAP, np.int8)
    for row, night in enumerate(in_bed):
        recorded[row, : ends[row]] = AASM_STAGES.index("W")
        recorded[row, off[row] : on[row]] = night[: epochs[row]]
    devices = (BAND_A, PAD_B, SECOND_SCORER)
    band, pad, second = (simulate_device(recorded, people, device=device, rng=rng) for device in devices)
    sleeps = []
    for row, person in enumerate(people.tolist()):
        key = person, row % NIGHTS
        begins = datetime.fromisoformat(_LIGHTS_OFF[person][key[1]]) - timedelta(seconds=EPOCH_S * int(off[row]))
        said = (codes[row, : ends[row]] for codes in (second, band, pad))
        reference = _with_unscored(recorded[row, : ends[row]], key)
        sleeps.append(_Sleep(*key, begins, int(off[row]), int(on[row]), reference, *said))
    return sleeps


def _with_unscored(recorded: StageCodes, key: tuple[int, int]) -> StageCodes:
    """Return movement time at changes of stage, and a stretch without a stage, where the story has them."""
    reference = recorded.copy()
    if key == _MOVEMENT_NIGHT:
        changes = np.flatnonzero(reference[1:] != reference[:-1]) + 1
        reference[changes[10::20]] = _MOVEMENT
    if key == _UNSCORED_NIGHT:
        middle = reference.size // 2
        reference[middle : middle + 14] = _UNSCORED
    return reference


# --- files ------------------------------------------------------------------------------------------------


def _demo_files(sleeps: Sequence[_Sleep], seed: int) -> dict[str, bytes]:
    """Return name -> content of every file."""
    files: dict[str, bytes] = {}
    for sleep in sleeps:
        files[f"reference/{sleep.name}.edf"] = _reference(sleep, sleep.reference)
        if sleep.key == _TWO_SCORERS_NIGHT:
            files[f"reference/{sleep.name}-second.edf"] = _reference(sleep, sleep.second)
        files[f"band-a/{sleep.name}.csv"] = _text(_band_lines(sleep))
        files[f"pad-b/{sleep.name}.csv"] = _text(_pad_lines(sleep))
    texts = resources.files("sleepagree.study.demo") / "texts"
    files |= {name: texts.joinpath(name).read_text("utf-8").encode() for name in ("band-a.toml", "pad-b.toml")}
    return files | {
        "nights.csv": _text(_nights_lines(sleeps)),
        "README.txt": texts.joinpath("README.txt").read_text("utf-8").format(seed=seed, zone=ZONE).encode(),
        "truth.json": _one_line_each(_truth(sleeps, seed)).encode(),
    }


def _text(lines: Iterable[str]) -> bytes:
    # bytes, so that no platform writes other line ends
    return "".join(f"{line}\n" for line in lines).encode()


def _runs(codes: StageCodes) -> Iterator[tuple[int, int, int]]:
    """Yield (first epoch, epoch after the last, code) of each run of one code."""
    first = 0
    for code, run in groupby(codes.tolist()):
        after = first + len(list(run))
        yield first, after, code
        first = after


def _reference(sleep: _Sleep, codes: StageCodes) -> bytes:
    annotations: list[tuple[float, float | None, str]] = [
        (EPOCH_S * first, EPOCH_S * (after - first), _REFERENCE_TEXTS[code]) for first, after, code in _runs(codes)
    ]
    annotations.append((EPOCH_S * sleep.lights_off, None, "Lights off"))
    annotations.append((EPOCH_S * sleep.lights_on, None, "Lights on"))
    return encode_edf_annotations(sorted(annotations, key=lambda annotation: annotation[0]), start=sleep.begins)


def _band_lines(sleep: _Sleep) -> Iterator[str]:
    slow = timedelta(seconds=_SLOW_S if sleep.key == _SLOW_NIGHT else 0)
    yield "from,to,state"
    for first, after, code in _runs(sleep.band):
        begin, end = ((sleep.clock(epoch) - slow).isoformat(" ") for epoch in (first, after))
        yield f"{begin},{end},{_BAND_WORDS[code]}"


def _pad_lines(sleep: _Sleep) -> Iterator[str]:
    yield "utc;reads"
    for epoch in range(0, sleep.pad.size, round(PAD_B.epoch_s / EPOCH_S)):
        if not sleep.lost[0] <= epoch < sleep.lost[1]:
            yield f"{sleep.utc(epoch):%Y-%m-%dT%H:%MZ};{_PAD_WORDS[int(sleep.pad[epoch])]}"


def _nights_lines(sleeps: Sequence[_Sleep]) -> Iterator[str]:
    yield "participant,night,device,reference,device_file,layout,clock_offset,reference_zone"
    for device, folder, zone in ((BAND_A, "band-a", ""), (PAD_B, "pad-b", ZONE)):
        for sleep in sleeps:
            scorers = ("", "-second") if sleep.key == _TWO_SCORERS_NIGHT else ("",)
            reference = ";".join(f"reference/{sleep.name}{scorer}.edf" for scorer in scorers)
            who = f"crew-{sleep.participant + 1},{sleep.night + 1},{device.name}"
            yield f"{who},{reference},{folder}/{sleep.name}.csv,{folder}.toml,,{zone}"


# --- the truth --------------------------------------------------------------------------------------------


def _count_table(sleep: _Sleep, device: DeviceTraits) -> list[list[int]]:
    """Return epochs between the lights marks, by true time and without the lost; rows ``AASM_STAGES``."""
    window = slice(sleep.lights_off, sleep.lights_on)
    codes = (sleep.band if device is BAND_A else sleep.pad).copy()
    if device is PAD_B:
        codes[slice(*sleep.lost)] = GAP
    counts = Counter(zip(sleep.reference[window].tolist(), codes[window].tolist(), strict=True))
    return [[counts[row, column] for column in range(len(device.labels))] for row in range(len(AASM_STAGES))]


def _device_truth(device: DeviceTraits, words: tuple[str, ...]) -> dict[str, Any]:
    rows = zip(AASM_STAGES, (*device.shares, device.rem_shares), strict=True)
    return {
        "device": device.name,
        "words": dict(zip(words, device.labels, strict=True)),
        "epoch_seconds": device.epoch_s,
        "shares_aimed_at": {stage: dict(zip(words, row, strict=True)) for stage, row in rows},
    }


def _one_line_each(document: dict[str, Any]) -> str:
    """Return JSON with one line per field, and per item of a list: small, and still readable."""
    lines = []
    for key, value in document.items():
        items = ",\n  ".join(map(json.dumps, value)) if isinstance(value, list) else ""
        lines.append(f" {json.dumps(key)}: " + (f"[\n  {items}\n ]" if items else json.dumps(value)))
    return "{\n" + ",\n".join(lines) + "\n}\n"


def _truth(sleeps: Sequence[_Sleep], seed: int) -> dict[str, Any]:
    by_key = {sleep.key: sleep for sleep in sleeps}
    slow, lost, movement, unscored = (
        by_key[key] for key in (_SLOW_NIGHT, _LOST_HOUR_NIGHT, _MOVEMENT_NIGHT, _UNSCORED_NIGHT)
    )
    begin, end = (f"{lost.utc(epoch):%Y-%m-%dT%H:%M:%SZ}" for epoch in lost.lost)
    return {
        "about": "Invented data from a simulator; what it put in.",
        "seed": seed,
        "zone": ZONE,
        "devices": [_device_truth(BAND_A, _BAND_WORDS), _device_truth(PAD_B, _PAD_WORDS)],
        "band_a_rem_shares": dict(zip(_BAND_WORDS, BAND_A.rem_shares, strict=True)),
        "slow_clock": {
            **slow.numbers,
            "device": BAND_A.name,
            "slow_seconds": _SLOW_S,
            "offset_to_add_seconds": _SLOW_S,
        },
        "lost_hour": {**lost.numbers, "device": PAD_B.name, "from": begin, "to": end},
        "two_scorers": by_key[_TWO_SCORERS_NIGHT].numbers,
        "movement_time": {**movement.numbers, "epochs": int((movement.reference == _MOVEMENT).sum())},
        "unscored": {**unscored.numbers, "epochs": int((unscored.reference == _UNSCORED).sum())},
        "counts_are": "epochs of 30 s between the lights marks by true time; rows W, N1, N2, N3, R, "
        "columns in the order of the device's words",
        "nights": [
            {
                **sleep.numbers,
                "lights_off": sleep.clock(sleep.lights_off).isoformat(),
                "lights_on": sleep.clock(sleep.lights_on).isoformat(),
                "epochs_between_lights": sleep.lights_on - sleep.lights_off,
                "counts": {device.name: _count_table(sleep, device) for device in (BAND_A, PAD_B)},
            }
            for sleep in sleeps
        ],
    }
