"""How the epochs of a study came about, in words: the grid, the windows, the clocks, silence, several scorers."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from sleepagree.caution import CautionKind, NoteKind
from sleepagree.describe.facts import say_step
from sleepagree.describe.paragraphs import say_grid, say_window_rule
from sleepagree.describe.words import join_words, plain
from sleepagree.errors import counted, shorten
from sleepagree.study.night_summary import PAIRED_RULE, NightSummary
from sleepagree.study.results import DeviceStudy, StudyAgreement
from sleepagree.study.table import NightsTable


def say_epochs(study: StudyAgreement, table: NightsTable | None) -> list[str]:
    """Say which epochs were compared and how they were laid, in the sentences of a methods paragraph."""
    filled = _say_silence(study)
    without = "The other epochs" if filled else "Epochs"
    return [
        *say_grids(study),
        *_say_long_epochs(study),
        say_windows(study),
        *_say_zones(study, table),
        *filled,
        f"{without} without a stage on either side were counted and left out.",
        *_say_consensus(study),
    ]


def say_grids(study: StudyAgreement) -> list[str]:
    """Say how epochs were laid, and that those of a table of paired epochs were taken as they stand there."""
    paired = [night.window_rule == PAIRED_RULE for device in study.devices for night in device.nights]
    as_they_stand = (
        "Both sides were compared in the epochs of a table of paired epochs, as they stand there: a number that it "
        "lacks is a gap on both sides, an epoch counts as 30 s, and no clock was looked at."
    )
    return [*([] if paired and all(paired) else [say_grid()]), *([as_they_stand] if any(paired) else [])]


def night_word(study: StudyAgreement) -> str:
    """Return what a row of a study is: a night, or one device's share of a night that several watched."""
    devices = {device.device for device in study.devices} | {refusal.device for refusal in study.refused}
    return "device-night" if len(devices) > 1 else "night"


def say_given(study: StudyAgreement) -> str:
    """Return how many nights were given, and of several devices how many device-nights they make."""
    word = night_word(study)
    nights = {(night.participant, night.night) for device in study.devices for night in device.nights}
    nights |= {(refusal.participant, refusal.night) for refusal in study.refused}
    return counted(study.given, word) + ("" if word == "night" else f" of {counted(len(nights), 'night')}")


def say_windows(study: StudyAgreement) -> str:
    """Say over what time nights were compared."""
    rules = Counter(night.window_rule for device in study.devices for night in device.nights)
    paired = {PAIRED_RULE: "from the first to the last epoch that the table has of each"}
    words = (
        (paired.get(rule) or say_window_rule(rule, "in the table of nights"), count) for rule, count in rules.items()
    )
    said = [f"{how} ({counted(count, night_word(study))})" for how, count in words]
    return f"Nights were compared {join_words(said)}."


def _say_long_epochs(study: StudyAgreement) -> list[str]:
    """Tell the files whose stages come in steps that are longer than an epoch; a caution of the night says so."""
    nights: dict[tuple[str, str], set[tuple[str, str]]] = {}
    for device in study.devices:
        for night in device.nights:
            for caution in night.cautions:
                if caution.kind is CautionKind.LONG_STEP:
                    whose = "the reference" if caution.side == "reference" else shorten(device.device)
                    step = say_step(caution["seconds"])
                    nights.setdefault((whose, step), set()).add((night.participant, night.night))
    told = [
        f"{whose} tells stages in steps of {step} ({counted(len(n), 'night')})" for (whose, step), n in nights.items()
    ]
    return [f"{_capital(join_words(told))}; each 30-s epoch took the stage of the step it lies in."] if told else []


def _capital(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}"


def _say_zones(study: StudyAgreement, table: NightsTable | None) -> list[str]:
    """Tell the zones that the table of nights gives for clocks that do not tell their own."""
    if table is None:
        return []
    scored = {night.row for device in study.devices for night in device.nights}
    rows = [row for row in table.rows if row.row in scored]
    zones = (pair for row in rows for pair in (("reference", row.reference_zone), ("device", row.device_zone)))
    counts = Counter(pair for pair in zones if pair[1])
    told = [f"{plain(zone)} for that of the {side} ({counted(n, 'row')})" for (side, zone), n in counts.items()]
    said = [f"The zone of a clock was given beforehand: {join_words(told)}."] if told else []
    moved = sum(1 for row in rows if row.clock_offset_s)
    if moved:
        said.append(f"On {counted(moved, 'row')} of the table seconds were added to the device's times.")
    return said


def filled_epochs(device: DeviceStudy) -> tuple[int, int]:
    """Return how many epochs of a device's silence were taken as wake, as asked, and on how many nights."""
    counts = [note["count"] for n in device.nights for note in n.notes if note.kind is NoteKind.SILENT_AS_WAKE]
    return sum(counts), len(counts)


def _say_silence(study: StudyAgreement) -> list[str]:
    """Tell the silence at both ends of a device that was taken as wake: it is agreement that nobody measured."""
    told = [
        f"{counted(epochs, 'epoch')} of {shorten(device.device)} on {counted(nights, 'night')}"
        for device in study.devices
        for epochs, nights in (filled_epochs(device),)
        if epochs
    ]
    said = "Where a device was silent before its first and after its last word, wake was taken for it"
    return [f"{said}: {join_words(told)}."] if told else []


def _say_consensus(study: StudyAgreement) -> list[str]:
    """Tell that a reference is what most of several scorers say, and what became of epochs without a majority."""
    several = [(d.device, n) for d in study.devices for n in d.nights if n.scorers]
    if not several:
        return []
    undecided: Counter[str] = Counter()
    for device, night in several:
        undecided[device] += night.no_majority
    many = sorted({len(n.references) for _, n in several if len(n.references) > 1})
    of = f" ({join_words([str(count) for count in many])} of them)" if many else ""
    left = [counted(n, "epoch") + (f" of {shorten(who)}" if len(undecided) > 1 else "") for who, n in undecided.items()]
    raises = undecided.total() and study.scorers and all(s.consensus_flatters for s in study.scorers)
    said = [
        f"On {_count_nights(n for _, n in several)} several people scored the recording{of}: the reference is the "
        f"stage that more than half of them gave an epoch, and {join_words(left)} without such a majority were left out"
        f"{', which raises agreement' if raises else ''}."
    ]
    coarser = [n for _, n in several if any(note.get("stages") for note in n.notes if note.kind is NoteKind.CONSENSUS)]
    if coarser:
        said.append(
            f"On {_count_nights(coarser)} one of them told finer stages than another: votes were counted in the stages "
            "that all of them tell."
        )
    return said


def _count_nights(nights: Iterable[NightSummary]) -> str:
    return counted(len({(n.participant, n.night) for n in nights}), "night")
