"""A study in words: the order of its report, what was refused, every night, and how to repeat it."""

from __future__ import annotations

import math
import shlex
import sys
from collections.abc import Iterator, Sequence
from dataclasses import replace
from enum import Enum
from itertools import chain
from pathlib import PurePath
from typing import Final

from sleepagree.caution import CautionKind
from sleepagree.describe.blocks import (
    Cell,
    Command,
    Description,
    Items,
    Paragraph,
    Section,
    Table,
    note,
    section,
    sections_of,
    table,
)
from sleepagree.describe.clock import say_device_clock
from sleepagree.describe.closing import caution_section, methods_section, repeat_section
from sleepagree.describe.night_time import say_quartiles
from sleepagree.describe.refused import refused_section
from sleepagree.describe.study_agreement import agreement_section, comparison_section, redistribution_section
from sleepagree.describe.study_bias import answer_of_bias, bias_section, is_open, sources_section
from sleepagree.describe.study_epochs import filled_epochs, say_given
from sleepagree.describe.study_further import (
    bouts_section,
    changes_section,
    groups_section,
    say_scorers_at_once,
    whole_section,
)
from sleepagree.describe.study_paragraphs import account, finding_of_device, methods_of_study, results_of_study
from sleepagree.describe.words import (
    duration,
    figure,
    join_words,
    percent,
    percent_interval,
    plain,
    say_class,
    say_level,
    say_stages,
)
from sleepagree.errors import Front, counted, shorten
from sleepagree.files.object_store import is_remote
from sleepagree.hypnogram.ledger import say_status
from sleepagree.readers.any_file import part_files
from sleepagree.scoring.offsets import MOST_HOURS, range_min_for
from sleepagree.study.cautions import doubtful_night
from sleepagree.study.night_summary import PAIRED_RULE, Refusal
from sleepagree.study.results import DeviceStudy, ScorerSummary, StudyAgreement
from sleepagree.study.run import ScoringOptions
from sleepagree.study.table import NightsTable

_CLOCK_KINDS: Final = (CautionKind.CLOCKS_OFF, CautionKind.CLOCKS_HOURS, CautionKind.CLOCKS_DOUBTFUL)

#: More nights than this are not listed; nights.csv holds them all.
MOST_LISTED: Final = 500


def describe_study(
    study: StudyAgreement,
    *,
    command: str = "",
    table: NightsTable | None = None,
    folder: str = "",
    next_typed: str = "",
    front: Front = Front.COMMAND,
) -> Description:
    """Return everything that is said about a study.

    Parameters
    ----------
    study : StudyAgreement
        The study.
    command : str
        The command that repeats it; "" leaves it out.
    table : NightsTable, optional
        The table of nights that it was made from.
    folder : str
        Where its results are, as a command finds them; "" for beside what is read.
    next_typed : str
        The command for the next step, from :func:`next_command`; "" for one with places to fill in.
    front : Front
        Who shows it; where no commands are typed, none are told.
    """
    refused = refused_section(study.refused, say_given(study), _refused_table(study.refused))
    sections: list[Section | None] = [refused, _compared(study)]
    for i, device in enumerate(study.devices):
        sections += [
            agreement_section(device, study, i),
            bias_section(device, study, i),
            redistribution_section(device, study, i),
            sources_section(device, study, i),
            whole_section(device, study, i),
            bouts_section(device, study, i),
            changes_section(device, study, i),
            groups_section(device, study, i),
        ]
    sections += [comparison_section(c, i) for i, c in enumerate(study.comparisons)]
    sections += [
        _scorers(study),
        _clock(study, front),
        _shifts(study),
        _nights(study),
        caution_section(study.cautions, front),
        methods_section(methods_of_study(study, table=table), results_of_study(study)),
        _repeat(command, table),
    ]
    names = join_words([shorten(d.device) for d in study.devices])
    return Description(
        "sleepagree: a study",
        f"{names} against the reference" if names else "No night was scored",
        tuple(finding_of_device(device, study) for device in study.devices),
        sections_of(*sections),
        _answer(study, folder, next_typed, front),
        is_answer_part=True,
    )


def _answer(study: StudyAgreement, folder: str, next_typed: str, front: Front) -> tuple[Section, ...]:
    """Return the bias of each device, what so many people allow one to claim, the clocks, and what is next."""
    if not study.devices:
        return ()
    refused = section(
        "answer-refused",
        f"Refused: {len(study.refused)} of {say_given(study)}",
        detail=f"; reasons further down{'' if front is Front.PAGE else ' (--full)'}",
    )
    return sections_of(
        refused if study.refused else None,
        *answer_of_bias(study),
        _clock(study, front, "answer-clock"),
        None if front is Front.PAGE else _next(study, folder, next_typed),
    )


class NextStep(Enum):
    """What to do after a study, and why."""

    CLOCK = "Whether clocks explain it, on one of the nights that the caution names"
    STATED_PLAN = "How many people would tell more than one does, with spreads that you state"
    PLAN = "How many people would settle what is open"
    CORRECTION = "Whether a correction helps on new nights"


def _next_step(study: StudyAgreement) -> NextStep | None:
    """Return what to do next: look at doubtful clocks, size the study that would settle a bias, or correct one."""
    if any(caution.kind in _CLOCK_KINDS for caution in study.cautions):
        return NextStep.CLOCK
    if all(len(device.participants) == 1 for device in study.devices):
        return NextStep.STATED_PLAN
    if any(map(is_open, study.devices)):
        return NextStep.PLAN
    # who learns a correction takes no table with a further column, and no mapping that leaves stages out
    cannot = study.options.by or any(device.mappings[0].mapping.left_out_stages for device in study.devices)
    return None if cannot else NextStep.CORRECTION


def _next(study: StudyAgreement, folder: str, command: str) -> Section | None:
    """Return what to do next, with the command for it; one that needs the files of nights has places for them."""
    several = len(study.devices) > 1
    match step := _next_step(study):
        case None:
            return None
        case NextStep.CLOCK:
            words = ["clock", "REFERENCE", "DEVICE"]
        case NextStep.STATED_PLAN:
            words = ["plan", "--between-sd", "MINUTES", "--within-sd", "MINUTES"]
        case NextStep.PLAN:
            unsure = next(filter(is_open, study.devices)).device
            named = ["--device", unsure] if several else []
            words = ["plan", "--from", str(PurePath(folder, "results.json")), *named]
        case NextStep.CORRECTION:
            words = ["calibrate", "NIGHTS", "--out", "DIR", *_device_to_correct(study)]
    typed = command or shlex.join(["sleepagree", *words])
    return section("answer-next", "Next", Paragraph(f"{step.value}:"), Command(typed))


def _device_to_correct(study: StudyAgreement) -> tuple[str, ...]:
    return ("--device", study.devices[0].device) if len(study.devices) > 1 else ()


def next_command(
    study: StudyAgreement,
    table: NightsTable,
    options: ScoringOptions,
    *,
    folder: str = "",
    mappings: Sequence[str] | None = None,
) -> str:
    """Return the command for the next step where it needs the files of nights, "" where it does not.

    Parameters
    ----------
    study : StudyAgreement
        The study.
    table : NightsTable
        What it was made of.
    options : ScoringOptions
        How its nights were read.
    folder : str
        The table's folder as seen from where the command is typed; "" there.
    mappings : sequence of str, optional
        What the mappings were called; by default by their names or those of their files.
    """
    named = [m.from_file or m.name for m in options.mappings] if mappings is None else list(mappings)
    match _next_step(study):
        case NextStep.CLOCK:
            return _clock_command(study, table, options, folder, named)
        case NextStep.CORRECTION:
            words = ["calibrate", str(PurePath(folder, table.name)), "--out", "DIR", *_device_to_correct(study)]
            # silence that was taken as wake is none of the device's answers to learn from
            read_alike = ("--window", options.window), ("--reports", ",".join(options.reports))
            return _typed(words, [*[("--mapping", name) for name in named[:1]], *read_alike])
    return ""


def _clock_command(
    study: StudyAgreement, table: NightsTable, options: ScoringOptions, folder: str, mappings: Sequence[str]
) -> str:
    """Return the command that looks at the clock of a night that a caution names, "" where no command can read it."""
    night = doubtful_night(study)
    row = None if night is None else next((row for row in table.rows if row.row == night.row), None)
    if night is None or row is None:
        return ""
    if any(map(is_remote, (row.references[0], row.device_file, row.layout, row.reference_layout))):
        return ""  # a study fetches files, and no other command does
    files = (
        "+".join(_as_typed(part, folder) for part in part_files(name, folder))
        for name in (row.references[0], row.device_file)
    )
    given = [
        *(("--mapping", name) for name in mappings),
        ("--layout", row.layout and _as_typed(str(PurePath(folder, row.layout)), folder)),
        ("--reference-layout", row.reference_layout and _as_typed(str(PurePath(folder, row.reference_layout)), folder)),
        ("--reference-zone", row.reference_zone),
        ("--device-zone", row.device_zone),
        ("--clock-offset", f"{row.clock_offset_s:g}" if row.clock_offset_s else ""),
        ("--window", row.window or options.window),
        ("--outside", "wake" if options.outside == "wake" else ""),
        ("--reports", ",".join(options.reports)),
        ("--range", "" if math.isnan(night.zone_s) else f"{range_min_for(night.zone_s)}"),
    ]
    return _typed(["clock", *files], given)


def _typed(words: Sequence[str], given: Sequence[tuple[str, str]]) -> str:
    """Return a command as it is typed, without the options that have no value."""
    return shlex.join(["sleepagree", *words, *chain.from_iterable(pair for pair in given if pair[1])])


def _as_typed(path: str, folder: str) -> str:
    """Return a path as a command names it; what is passed on tells no folder of this machine."""
    is_outside = PurePath(path).is_absolute() or ".." in PurePath(path).parts
    return PurePath(path).name if is_outside and not folder else path


def describe_bias(study: StudyAgreement) -> Description:
    """Return what is said about the bias of each device of a study, below the nights that were refused."""
    sections = (bias_section(device, study, i) for i, device in enumerate(study.devices))
    refused = refused_section(study.refused, say_given(study))
    return Description("sleepagree: bias", "Bias over nights", (), sections_of(refused, *sections))


# --- nights that were refused, and nights that were compared ----------------------------------------------


def _refused_table(refused: Sequence[Refusal]) -> Table:
    shown = refused[:MOST_LISTED]
    return table(
        "refused",
        f"Refused nights{_say_listed(len(shown), len(refused))}",
        ("line", "participant", "night", "device", "reason"),
        (
            (
                str(r.row) if r.has_line else "",
                shorten(r.participant),
                shorten(r.night),
                shorten(r.device),
                plain(r.reason),
            )
            for r in shown
        ),
        words=range(5),
        folded="The refused nights as a table",
        further=True,
    )


def _compared(study: StudyAgreement) -> Section:
    return Section("compared", "What was compared", (Items(tuple(map(_say_nights, study.devices))),))


def _say_nights(device: DeviceStudy) -> str:
    window, scored, excluded = account(device)
    rest = ", ".join(f"{say_status(word)} {count}" for word, count in excluded.items() if count)
    filled, _ = filled_epochs(device)
    silent = f"; taken as wake where the device was silent at either end {filled}" if filled else ""
    return (
        f"{shorten(device.device)}: {counted(len(device.participants), 'participant')}, "
        f"{counted(len(device.nights), 'night')}, {counted(window, 'epoch')} in the windows ({duration(window)}); "
        f"scored on both sides {scored} ({percent(scored / window, 1)}); not scored: {rest or 'none'}{silent}; it "
        f"can report {join_words(say_stages(device.reports))}"
    )


# --- scorers, clocks, nights ------------------------------------------------------------------------------


def _scorers(study: StudyAgreement) -> Section | None:
    if not study.scorers:
        return None
    at_once = [say_scorers_at_once(d.device, found) for d in study.devices for found in d.several]
    said = Items((*map(_say_scorers, study.scorers), *at_once))
    means = note("Means over participants of their nights' means; all kappas of a line are of the same nights.")
    return section("scorers", "Scorers", said, means)


def _say_scorers(found: ScorerSummary) -> str:
    nights = "night" if found.of_nights == 1 else "nights"
    return (
        f"{shorten(found.device)}, '{shorten(found.mapping)}', {found.nights_told} {nights} with several scorers: "
        f"kappa between scorers {figure(found.between_scorers, 3)}, of the device with each scorer "
        f"{figure(found.with_scorers, 3)} ({_say_share(found)}), with the consensus {figure(found.with_consensus, 3)}."
    )


def _say_share(found: ScorerSummary) -> str:
    """Return a share of what scorers reach, with its interval or why it has none."""
    share = found.share_intervals.primary
    if not share.defined:
        return "no share of that"
    said = f"{percent(share.value)} of that"
    if math.isnan(share.low):
        return f"{said}, without an interval: {'; '.join(found.share_intervals.notes)}"
    return f"{said}, {say_level(share.level)} {percent_interval(share.low, share.high)}"


def _clock(study: StudyAgreement, front: Front, name: str = "clock") -> Section | None:
    """Return what the nights of each device say of its clock, None where all are of tables that tell no time.

    The first screen has room for one line on the range.
    """
    timed = [d for d in study.devices if any(night.window_rule != PAIRED_RULE for night in d.nights)]
    said = tuple(f"{shorten(device.device)}: {say_device_clock(device.clock, front)}" for device in timed)
    if not said:
        return None
    range_searched = f"up to 30 min, near whole hours up to {MOST_HOURS} h"
    if name == "answer-clock":
        return section(name, "Clock", Items(said), detail=f" (offsets {range_searched}; no jumps or drifts)")
    how = (
        "A night's best offset is the one at which kappa would be highest; the median of those that stand out is given "
        f"by the ends of its interval. Offsets {range_searched} were looked at; "
        "nothing was shifted. Whether a clock gains or loses time from night to night is looked at where nights have "
        "dates. A clock that jumps or drifts inside a night is not looked for here"
    )
    how += (
        "; where a night is scored by itself, it is."
        if front is Front.PAGE
        else ": 'sleepagree clock' does so for one night, and 'sleepagree night' for jumps where kappa is low."
    )
    return section(name, "Clock", Items(said), note(how))


def _shifts(study: StudyAgreement) -> Section | None:
    """Return how late each device says that states begin and end, over people."""
    rows = [
        (
            shorten(device.device),
            f"{say_class(shift.state)} {shift.edge}",
            shift.moments,
            shift.told,
            shift.missed,
            Cell.difference(shift.median_min),
            say_quartiles(shift.low_quartile_min, shift.high_quartile_min),
            shift.participants,
        )
        for device in study.devices
        for shift in device.shifts
    ]
    if not rows:
        return None
    heads = ("device", "in the reference", "times", "told", "missed", "median (min)", "middle half", "people")
    how = (
        "Device minus reference: positive is late, negative early. Median and middle half are over people, of the "
        "median of each one's nights. A clock that is off moves beginnings and ends alike. At the times neither told "
        "nor missed the device had said the state all the time since the episode before."
    )
    shifts = table("shifts", "When the device tells that a state begins and ends", heads, rows, words=(0, 1))
    return section("shifts-section", "Beginnings and ends", shifts, note(how), further=True)


def _nights(study: StudyAgreement) -> Section | None:
    of_all = sum(len(device.nights) for device in study.devices)
    if not of_all:
        return None
    listed = [row for device in study.devices for row in _night_rows(device, MOST_LISTED)][:MOST_LISTED]
    squares = dict.fromkeys(m.mapping.name for d in study.devices for m in d.mappings if m.mapping.is_square)
    heads = ("participant", "night", "device", "scored", "accuracy", "kappa", "best clock offset (s)")
    caption = f"Nights{_say_listed(len(listed), of_all)}"
    of_what = (
        "Accuracy is that of each device's first mapping; kappa that of its first mapping that has one "
        f"({join_words([shorten(s) for s in squares])})."
        if squares
        else "No mapping has a kappa."
    )
    nights = table("nights-table", caption, heads, listed, words=(0, 1, 2), sortable=True)
    return section("nights", "Nights", nights, note(of_what), further=True, folded=True)


def _say_listed(listed: int, of_all: int) -> str:
    return f", the first {listed} of {of_all}; nights.csv holds all" if of_all > listed else ""


def _night_rows(device: DeviceStudy, most: int) -> Iterator[tuple[str | Cell, ...]]:
    """Yield a line for each night of a device, ``most`` at most."""
    square = device.first_square
    first = device.mappings[0]
    for i, night in enumerate(device.nights[:most]):
        yield (
            shorten(night.participant),
            shorten(night.night),
            shorten(night.device),
            Cell.share(night.scored / night.window_epochs, 1),
            Cell.number(float(first.night_accuracy[i]), 3),
            Cell.number(math.nan if square is None else float(square.night_kappa[i]), 3),
            Cell.difference(night.best_offset_s, 0),
        )


# --- how to repeat it -------------------------------------------------------------------------------------


def _repeat(command: str, nights: NightsTable | None) -> Section:
    # scipy is loaded only where a number needs it
    libraries = [name for name in ("numpy", "scipy") if name in sys.modules]
    if nights is None:
        return repeat_section(command, libraries=libraries)
    repeated = repeat_section(command, inputs=(("nights table", nights.name, nights.sha256),), libraries=libraries)
    if nights.paired_epochs or not nights.sha256:
        return repeated
    told = "The hashes of the files of every night stand in nights.csv and, under inputs, in results.json."
    return replace(repeated, blocks=(*repeated.blocks, note(told)))
