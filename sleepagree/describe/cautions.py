"""The sentence of each caution, made of its values."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any, Final

from sleepagree.caution import Caution, CautionKind, plain_values
from sleepagree.describe.correction_cautions import CORRECTION_SENTENCES
from sleepagree.describe.facts import Sentence, fill
from sleepagree.describe.words import figure, join_words, percent, say_measure, say_stages, speak
from sleepagree.errors import Front, Option, asked, counted, for_page, name_options, shorten
from sleepagree.hypnogram.clock_changes import zones_of_change
from sleepagree.scoring.offsets import MOST_HOURS, NEAR_CHANCE

_FLAT: Final = f"no clock offset up to 30 min to either side stands out, nor one near whole hours up to {MOST_HOURS} h"


def say_caution(caution: Caution, front: Front = Front.COMMAND) -> str:
    """Return the sentence of a caution; what can be set or done is named as ``front`` names it."""
    return name_options(_with_places(caution), front, "file" if caution.get("gap_of") == "file" else "")


def _with_places(caution: Caution) -> str:
    return fill(caution, SENTENCES[CautionKind(caution.kind)], listing=_listing(caution))


def say_cautions(cautions: Iterable[Caution], front: Front = Front.COMMAND) -> tuple[str, ...]:
    """Return the sentences of cautions."""
    return tuple(say_caution(caution, front) for caution in cautions)


def caution_document(caution: Caution, front: Front = Front.COMMAND) -> dict[str, Any]:
    """Return a caution as an object of a document: its kind, side and values, and its sentence."""
    return {
        "kind": caution.kind.value,
        "side": caution.side or None,
        "values": plain_values(caution),
        "text": say_caution(caution, front),
    }


def caution_documents(cautions: Iterable[Caution], front: Front = Front.COMMAND) -> list[dict[str, Any]]:
    """Return cautions as objects of a document."""
    return [caution_document(caution, front) for caution in cautions]


# --- of a file --------------------------------------------------------------------------------------------


def _lengths_unused(c: Caution) -> str:
    shown = shorten(c["column"])
    holds = {
        "end": "times that follow the beginnings of their rows",
        "duration": "numbers that lead from one row to the next",
    }
    return (
        f"column '{shown}' holds {holds[c['role']]} and was not used, so gaps between rows may be filled or cut "
        "wrongly: if it tells how long a row lasts, say "
        + for_page(f'in a layout [file] {c["role"]} = "{shown}"', "so at its head")
    )


# --- of a pair --------------------------------------------------------------------------------------------


def _reports_from_labels(c: Caution) -> str:
    missing = " and no ".join(say_stages(c["missing"], c["reports"]))
    return (
        f"What the device can report was taken from the labels in its file, which hold no {missing}. A night without "
        "a stage is not a device without it: "
        + for_page(f"declare what it can report with {Option.REPORTS} or in its layout.", f"answer {asked('reports')}.")
    )


def _first_epochs_differ(c: Caution) -> str:
    reference, device = c["reference_first"], c["device_first"]
    later = ("device", "reference") if device > reference else ("reference", "device")
    if c.get("together"):
        first = min(reference, device)
        remedy = for_page(
            f"give the {later[0]} a layout with [file] first_epoch = {first}",
            f"answer {asked('first_epoch', first)} for the {later[0]}",
        )
        return (
            f"The epochs of the reference are numbered from {reference}, those of the device from {device}, and "
            f"neither side tells a clock: both were taken to begin together. If a number is the same epoch on both "
            f"sides, {remedy}."
        )
    apart = abs(device - reference)
    return (
        f"The reference begins with epoch {reference}, the device with epoch {device}, and neither tells a clock: the "
        f"{later[0]} was laid {counted(apart, 'epoch')} after the {later[1]}, as numbers of epochs count from 0. If "
        f"both began together, take {apart} from the {later[0]}'s column epoch."
    )


def _lengths_differ(c: Caution) -> str:
    (reference, reference_s), (device, device_s) = c["reference"], c["device"]
    text = (
        f"The reference has {counted(reference, 'epoch')} of {reference_s:g} s, the device {counted(device, 'epoch')} "
        f"of {device_s:g} s, and neither tells a clock: both were taken to begin together."
    )
    if not c["times"]:
        return text
    fewer, seconds = ("device", device_s) if device < reference else ("reference", reference_s)
    return (
        f"{text} Are the {fewer}'s epochs {seconds * c['times']:g} s long? Then give it by "
        f"read_hypnogram(..., epoch_s={seconds * c['times']:g})."
    )


def _class_unreportable(c: Caution) -> str:
    words = join_words(map(speak, c["classes"]))
    why = "so it is declared" if c["declared"] else "its file holds no such label"
    instead = f" Mappings that fit this device: {', '.join(c['fitting'])}." if c["fitting"] else ""
    cost = (
        f"all {counted(c['epochs'], f'{words} epoch')} of the reference that it compares count as errors, whatever the "
        "device does, and kappa and accuracy say so"
        if c["epochs"]
        else f"it compares no {words} epoch of the reference on this night, but on others it may"
    )
    return f"The device cannot report {words} ({why}), yet '{c['mapping']}' asks for it: {cost}.{instead}"


def _long_wake(c: Caution) -> str:
    before, after = c["before"], c["after"]
    text = (
        f"The window holds {before / 2:.0f} min of wake before and {after / 2:.0f} min after the "
        f"reference's sleep ({before} and {after} epochs), which are easy to agree on."
    )
    if c.get("mapping") is None:
        return text + for_page(f" Consider a window ({Option.WINDOW:FROM/TO}).", " Consider another window.")
    kept, whole = figure(c["kappa_kept"], 3), figure(c["kappa"], 3)
    if kept == whole:
        return text
    return (
        f"{text} With {c['kept_min']} min kept on each side, kappa under '{c['mapping']}' is {kept} instead of {whole}."
    )


def _time_uncounted(c: Caution) -> str:
    untold = c.get("untold_min")
    text = (
        f"TST, WASO, SE and the minutes of stages count only the {c['scored_min']:.1f} min "
        + ("in which both sides say sleep or wake; " if untold else "that both sides scored; ")
        + f"{c['missing_min']:.1f} min of the window "
        + (f"({untold:.1f} of them under a word that may be either) " if untold else "")
        + "are not in them, but are in TIB."
    )
    if c["efficiency_of_scored"]:
        reference, device = (f"{value:.1f} %" for value in c["efficiency_of_scored"])
        text += f" Over the scored time alone SE would be {reference} (reference) and {device} (device)."
    if c["own_latencies"]:
        own = join_words([f"{measure} of the {side} {value:.1f} min" for measure, side, value in c["own_latencies"]])
        text += f" Latencies too; by all that a side itself said: {own}."
    return text


def _clock_zone(c: Caution) -> str:
    low = "near chance" if c["kappa"] < NEAR_CHANCE else "low"
    return (
        f"Agreement is {low} (kappa {figure(c['kappa'], 3)}), and has a sharp peak when "
        f"{c['seconds']:+.0f} s are added to device times (kappa {figure(c['kappa_there'], 3)}): a time zone, or "
        f"summer time, that is off by {abs(round(c['seconds'] / 3600))} h looks like this. Check both"
        + for_page(f": {Option.REFERENCE_ZONE}, {Option.DEVICE_ZONE}", " zones")
        + ". Nothing was shifted."
    )


def _clock_change(c: Caution) -> str:
    """Say that a clock without a zone may have been changed, why that is thought, and what to give."""
    hour, to_hour = c["hour"], c["to_hour"]
    reference, device = zones_of_change(c)
    way = f"forward from {hour} to {to_hour}" if c["is_forward"] else f"back from {to_hour} to {hour}"
    text = f"Some zones ({join_words(c['zones'])} among them) put the clock {way} on {c['date']}"
    text += ", and the times of this night have no zone."
    if c.get("gap_of"):
        text += " Both sides leave" if c["gap_of"] == "both" else f" The {c['gap_of']} leaves"
        text += " out exactly that hour."
    if c.get("lasts_longer_min"):
        more = "later" if c["lasts_longer_min"] > 0 else "earlier"
        text += f" Both sides begin together, but the device ends {abs(c['lasts_longer_min']):.0f} min {more}."
    if c.get("seconds"):
        text += (
            f" From then on agreement is far better with {c['seconds']:+.0f} s added to device times: kappa "
            f"{figure(c['kappa_there'], 3)} instead of {figure(c['kappa'], 3)}."
        )
    sides = f"{format(Option.REFERENCE_ZONE, reference)} {format(Option.DEVICE_ZONE, device)}"
    options = format(Option.ZONE, c["zones"][0]) if c.get("gap_of") == "file" else sides
    named = for_page(f"{options} (zone in a layout, columns of a nights table)", f"{c['zones'][0]}, or your own")
    what = "If this clock was changed, name its zone"
    if c.get("stayed"):
        what = f"If that clock was changed and the {c['stayed']}'s stayed at {c['stayed_zone']}, name both zones"
    return f"{text} {what}: {named}."


# --- of a study -------------------------------------------------------------------------------------------


def _names_alike(c: Caution) -> str:
    groups = "; ".join(join_words([f"'{shorten(name)}'" for name in names]) for names in c["names"])
    return (
        f"Names of {c['of']}s that differ only in capital letters or spaces count as different {c['of']}s: {groups}. "
        f"If they are one, write the name in one way: a {c['of']} under two names has too few nights, and intervals "
        "are wrong."
    )


def _listing(c: Caution) -> str:
    """Return the first nights that a caution names, each with its figure, and how many more there are; "" without."""
    named = c.get("named")
    if named is None:
        return ""
    # rounded down: none of them may seem to reach the bound
    figures = [f"{math.floor(value)} %" for value in c.get("scored_percent", ())]
    figures += [f"{seconds:+.0f} s" for seconds in c.get("seconds", ())]
    figures += [f"{counted(epochs, 'epoch')}" for epochs in c.get("left_epochs", ())]
    figures += [f"kappa {figure(kappa, 3)}" for kappa in c.get("between_scorers", ())]
    if not named:  # a correction names nobody
        return ", ".join(dict.fromkeys(figures)) or "not named here"
    nights = (f"{person} {night}" for person, night in named)
    told = [": ".join(parts) for parts in zip(nights, figures, strict=True)] if figures else list(nights)
    more = c["count"] - len(told)
    return ", ".join(told) + (f" and {more} more" if more else "")


def _consensus_flatters(c: Caution) -> str:
    parts = [f"{c['unstaged']} to which a scorer gave no stage"] if c["unstaged"] else []
    parts += [f"{c['n1_or_n2']} between N1 and N2, which light sleep takes together"] if c["n1_or_n2"] else []
    kappas = [
        f"{figure(consensus, 3)} with the consensus and {figure(scorers, 3)} with single scorers under '{mapping}' "
        f"(means, the same {'night' if nights == 1 else f'{nights} nights'} in both)"
        for consensus, scorers, mapping, nights in c["kappas"]
    ]
    kappa = "Agreement comes out higher than with single scorers: kappa" if c["flatters"] else "Kappa"
    return (
        f"{c['device']}: on {c['count']} of {c['nights']} nights the reference is what more than half of several "
        f"scorers say, and {counted(c['undecided'], 'epoch')} without such a majority are left out"
        + (f", among them {join_words(parts)}." if parts else ".")
        + (f" {kappa} is {'; '.join(kappas)}." if kappas else "")
    )


def _skewed(c: Caution) -> str:
    measures, drawn, above_zero = (", ".join(map(say_measure, c[key])) for key in ("measures", "drawn", "above_zero"))
    ratios = for_page(f"Ratios ({Option.LOG_RATIO:True})", "Ratios")
    return (
        f"{c['device']}: {'ratios' if c['of_ratios'] else 'differences'} in {measures} are skewed. Limits of agreement "
        "suppose that they are roughly normal; the intervals of the limits then cover less than they say."
        + (f" The report of a study draws the differences in {drawn}." if drawn else "")
        + (f" {ratios} are another way for {above_zero}." if above_zero else "")
    )


def _not_normal(c: Caution) -> str:
    told = [
        say_measure(measure) + ("" if outside is None else f" ({outside} of {nights})")
        for measure, outside, nights, _ in c["measures"]
    ]
    return (
        f"{c['device']}: limits of agreement suppose normality, these nights are not: "
        f"{'ratios' if c['of_ratios'] else 'differences'} in {join_words(told)} (in "
        "brackets the nights outside the limits; 5 % are expected). The limits and their intervals then promise too "
        f"much: an interval of a limit held the truth in as few as {percent(c['covers'])} of simulated studies of "
        "heavy-tailed people. The shares of nights with large errors suppose nothing of the kind. Of normal "
        f"differences the test (Anderson-Darling) names 1 measure in 20, and it looked at {c['looked_at']}."
    )


_NOT_COMPARED: Final = {
    "epochs_not_kept": "the nights were summed up without the labels of their epochs, so nothing tells which epochs "
    "both scored",
    "other_reference": "the two rows have different references (other files, or one file that is read in two ways), "
    "so their epochs are not the same",
    "no_joint_epoch": "no epoch has a stage from the reference and from both devices",
    "no_common_mapping": "no mapping of stages with a kappa fits the labels of both",
}


def _say_sds(sds: Iterable[tuple[str, float, float, int]]) -> str:
    """Return SDs with their upper bounds, each with its digits."""
    return "; ".join(
        f"{say_measure(measure)} {value:.{digits}f}, at most {high:.{digits}f}" for measure, value, high, digits in sds
    )


#: The two sides may not belong together, or lie at a wrong time; those first that change most.
_GRAVE: Final[dict[CautionKind, Sentence]] = {
    # whether the two sides belong together at all
    CautionKind.SAME_FILE: ("Reference and device are the same file, or copies of one: their agreement says nothing."),
    CautionKind.SWAPPED: (
        "The device's file tells finer stages ({finer:stages}) than the reference's ({coarser:stages}): are the two "
        "files swapped? The reference is named first, the device second."
    ),
    CautionKind.NAMES_ALIKE: _names_alike,
    CautionKind.NIGHT_REPEATED: (
        "{device}: on {count} of {nights} nights the reference's stages are those of another night, epoch for epoch "
        "({listing}): one night under several names counts as several, and makes every interval too narrow."
    ),
    # whether the right part of a file was read
    CautionKind.HYPNOGRAM_UNREAD: (
        "The signal '{signal:short}', by its name a hypnogram, was not read, since annotations in plain words were "
        "taken for stages: {labels:quoted}. If these are remarks, "
        + for_page('give each "not-a-stage" under [stages] in a layout', "say that each is no stage")
        + ", and the signal is read."
    ),
    # whether they are laid at the right time
    CautionKind.FIRST_EPOCHS_DIFFER: _first_epochs_differ,
    CautionKind.LENGTHS_DIFFER: _lengths_differ,
    CautionKind.CLOCK_ZONE: _clock_zone,
    CautionKind.CLOCK_CHANGE: _clock_change,
    CautionKind.CLOCKS_HOURS: (
        "{device}: on {count} of {nights} nights agreement is low and has a sharp peak near a whole number of hours "
        "({listing}): a time zone, or summer time, may be off. Check the zones of both sides (columns reference_zone, "
        "device_zone of the nights table). Nothing was shifted."
    ),
    CautionKind.CLOCK_DOUBT: (
        f"Agreement is below chance (kappa {{kappa:figure}}) and would be far higher at another time, but {_FLAT}: "
        "these recordings may not belong together, or a clock may be off by more than that. Check files, dates and "
        "zones" + for_page("; {Step.SCAN_CLOCK:180} looks further.", ".")
    ),
    CautionKind.CLOCKS_DOUBTFUL: (
        "{device}: on {count} of {nights} nights agreement is near chance, and would be higher at another time "
        "({listing}): the recordings may not belong together, or a clock or zone may be off. "
        + for_page("{Step.SCORE_NIGHT} says more of such a night.", "Scored by itself, such a night tells more.")
    ),
    CautionKind.SCORERS_APART: (
        "{device}: on {count} of {nights} nights two scorers agree near or below chance ({listing}), which two people "
        "who saw one recording do not: the file of one may be of another night, or its clock or zone off. Look at it "
        "before the consensus is used."
    ),
    CautionKind.NIGHTS_WITHOUT_SLEEP: (
        "{device}: on {count} of {nights} nights the device saw no sleep at all, where the reference did ({listing}). "
        "Such nights count in agreement, TST and minutes, and have no SOL, WASO, awakenings and latencies to compare."
    ),
    CautionKind.CLOCK_OFFSET: (
        "Agreement has a sharp peak when {seconds:signed} s are added to device times (kappa {kappa_there:figure} "
        "instead of {kappa:figure}, on the epochs paired here). A wrong clock would look like this; "
        + for_page("{Step.SCAN_CLOCK} looks closer", '"Look at the clock" says more')
        + ", at what the device recorded beyond the window, too. Nothing was shifted: tuning the clock on the outcome "
        "inflates agreement."
    ),
    CautionKind.CLOCK_JUMP: (
        "Agreement is far better with two offsets: {before:signed} s added to device times at first and {after:signed} "
        "s later (kappa {kappa_there:figure} instead of {kappa:figure}). A clock that is reset, or stands still, in "
        "the night looks like this; "
        + for_page("{Step.SCAN_CLOCK} tells where, and how to score each part", '"Look at the clock" tells where')
        + ". Nothing was shifted."
    ),
    CautionKind.CLOCKS_OFF: (
        "{device}: on {count} of {nights} nights agreement has a sharp peak at another clock offset ({listing}): look "
        "at these nights "
        + for_page("with {Step.SCAN_CLOCK}", "one by one")
        + ". An offset that is constant, or grows from night to night, is a clock; a scattered one is not."
    ),
    CautionKind.CLOCK_UNTOLD: (
        "Agreement is near chance (kappa {kappa:figure}), so this night alone does not tell whether the clock is "
        f"right: {_FLAT}, and the time as recorded does not either. A device that hardly tells stages looks like this "
        "with a right clock; so do recordings that do not belong together. Check files and dates; several nights of "
        "the device together tell more of its clock" + for_page(" ({Step.STUDY}).", ".")
    ),
}
#: What changes how the figures are to be read; those first that change most.
_WEIGHED: Final[dict[CautionKind, Sentence]] = {
    # what was asked for and could not be told
    CautionKind.GROUPS_UNTOLD: (
        "{device}: bias by {by:short} was asked for and is not told: that takes two groups and more participants than "
        "groups, and there are {groups:# group} of {participants:# participant}."
    ),
    # how much of what was recorded the figures speak of
    CautionKind.TIME_LEFT_OVER: (
        "The device tells {minutes:.0f} min before and after the reference, {asleep_min:.0f} of them sleep, which are "
        "in no figure: is the reference only a part of the recording? Parts are joined by {Step.JOIN_PARTS}."
    ),
    CautionKind.LENGTHS_UNUSED: _lengths_unused,
    CautionKind.LENGTHS_CONTRADICT: (
        "column '{column:short}' tells other lengths than beginnings and ends in {count:# row} ({place}: {told:short}, "
        "where the row lasts {lasts_s:step}), and was not used: if it tells how long rows last, one of them is wrong"
    ),
    CautionKind.NIGHTS_SPARSE: (
        "{device}: on {count} of {nights} nights less than {least_percent:.0f} % of the window's epochs have a stage "
        "on both sides ({listing}). Measures, and the bias made of them, are those of the scored part; "
        "{Step.FIND_SPARSE} finds such nights."
    ),
    CautionKind.NIGHTS_CUT_SHORT: (
        "{device}: on {count} of {nights} nights the window leaves out much that single scorers staged ({listing}), "
        "for it runs over what more than half of them staged: a scorer of a stretch cuts the night to it. Take such a "
        "scorer out of the row, or give the row a window (column window of the nights table)."
    ),
    CautionKind.LONE_MARK: (
        "only '{mark}' is marked, so the window goes by stages: {Option.WINDOW:FROM/TO} takes 'lights' for one end"
    ),
    CautionKind.FEW_SCORED: (
        "Only {share:percent} of the window's epochs have a stage on both sides; the largest part of the rest is "
        "{status:status} ({epochs:# epoch})."
    ),
    CautionKind.NIGHTS_REFUSED: (
        "{count} of the {devices:nights|device-nights} given could not be scored; they are listed with their reasons."
    ),
    # what the device is held to
    CautionKind.REPORTS_CONTRADICT: (
        "The device's layout says that it can report {layout:stages}; "
        + for_page("{Option.REPORTS} says", "the answer says")
        + " {used:stages}, which was used."
    ),
    CautionKind.CLASS_UNREPORTABLE: _class_unreportable,
    CautionKind.SLEEP_UNTOLD: (
        "TST, SOL, WASO, SE and what goes by them are not told for the {of_side}: of its labels {labels:quoted} the "
        "mapping alone tells anything, and not whether they are sleep. "
        + for_page(
            "Name their stages in a layout, or call the mapping's class of wake 'wake'.", "Say which stages they are."
        )
    ),
    CautionKind.REPORTS_FROM_LABELS: _reports_from_labels,
    # how the figures are to be read
    CautionKind.ONE_PARTICIPANT: lambda c: (
        f"{c['device']}: there is one night of one participant: the results speak of this night only, and have no "
        "intervals."
        if c.get("nights") == 1
        else f"{c['device']}: all nights are of one participant, so the results speak of this person only; intervals "
        "treat nights as the units."
    ),
    CautionKind.FEW_PARTICIPANTS: (
        "{device}: {count} participants are few where people differ with skew, or the device fails on some: 95 % "
        "intervals of agreement and bias then hold the truth in as few as {covers:percent} of simulated studies of "
        "{simulated} people."
    ),
    CautionKind.LONG_WAKE: _long_wake,
    CautionKind.TIME_UNCOUNTED: _time_uncounted,
    CautionKind.LABEL_UNSCORED: (
        "Mapping '{mapping}' takes the {of_side}'s label '{label:short}' into {target}, but the label counts as "
        "unscored, so its {epochs} epochs are in the ledger only. To count them, say "
        + for_page("in the layout's [stages] which stage it is.", "which stage it is.")
    ),
    CautionKind.CONSENSUS_FLATTERS: _consensus_flatters,
    CautionKind.NIGHTS_UNGROUPED: (
        "{device}: {count} of {nights} nights have no {by:short} and are in none of its groups ({listing})."
    ),
    CautionKind.NOT_COMPARED: lambda c: (
        f"{c['first']} and {c['second']} were worn on the same nights, but are not compared: "
        f"{_NOT_COMPARED[c['reason']]}."
    ),
}
#: All of the same weight.
_OTHERS: Final[dict[CautionKind, Sentence]] = {
    # of the reading of a file
    CautionKind.STAGE_TEXTS_IGNORED: (
        "Annotations that could be stages were ignored, since the file also has the texts that EDF+ knows for stages: "
        "{labels:quoted}." + for_page(" A layout can name their stages.", "")
    ),
    CautionKind.NO_WAKE_INTERVAL: (
        "The file holds no interval of wake: time without an interval is a gap in it, not wake."
    ),
    CautionKind.UTC_READ_AS_LOCAL: (
        "The file's times end in Z, which claims UTC; as asked they were read as local times of {zone}."
    ),
    CautionKind.LONG_STEP: (
        "stages are told in steps of {seconds:step}: what lasts less than that cannot be seen in this file"
    ),
    CautionKind.ZERO_DURATIONS: "no row has a duration above 0: each is taken to last until the next epoch",
    CautionKind.SILENCE_IS_WAKE: (
        "Where nothing is written between two stages ({count:# time}, {minutes:.1f} min in all, the longest "
        "{longest_min:.1f} min), wake is taken, as "
        + for_page("the layout says", "was answered")
        + ": a lost signal would look the same. What lies before the first and after the last stage is wake with "
        "{Option.OUTSIDE:wake} only."
    ),
    # of mappings
    CautionKind.NO_KAPPA: (
        "The device cannot report {classes:classes}, so kappa does not exist under '{mapping}': it takes a mapping "
        "that says how {classes:classes} counts" + for_page(" ({Step.COMPARE_MAPPINGS} shows each of them).", ".")
    ),
    CautionKind.KAPPAS_OF_SIZES: "Kappas at different numbers of classes cannot be compared with each other.",
    CautionKind.LEFT_OUT_BY_MAPPING: "Mapping '{mapping}' leaves out {epochs:# epoch} that both sides staged.",
    CautionKind.NO_MAPPING_DECLARED: (
        "No mapping was declared beforehand. Choosing the one with the highest kappa after seeing it inflates that "
        "kappa: name the mapping before the data are seen" + for_page(" ({Option.DECLARED:NAME}).", ".")
    ),
    CautionKind.MAPPING_CHOSEN_LATE: (
        "Choosing a mapping after seeing its kappa inflates it: report the one named beforehand."
    ),
    # of a study
    CautionKind.SKEWED: _skewed,
    CautionKind.NOT_NORMAL: _not_normal,
    CautionKind.NIGHTS_LEFT_OUT_BY_MAPPING: (
        "{device}: on {count} of {nights:# night} mapping '{mapping}' leaves out {epochs:# epoch} that both sides "
        "staged, {share:percent} of all ({listing})."
    ),
    CautionKind.FAILURES_MISSED: (
        "{device}: with {count:# participant} a device that fails on {failing_share:percent} of people is not seen to "
        "fail on anybody in {missed_share:percent} of studies."
    ),
    CautionKind.ON_NIGHTS: lambda c: f"{c['device']}, {counted(c['count'], 'night')}: {_with_places(c['caution'])}",
    CautionKind.NIGHTS_NOT_COMPARED: lambda c: (
        f"{c['first']} and {c['second']}: on {c['count']} of the {counted(c['shared'], 'night')} that both watched "
        f"{_NOT_COMPARED[c['reason']]}; {'it is' if c['count'] == 1 else 'they are'} left out of the comparison."
    ),
    # of a plan
    CautionKind.PLAN_RESTS_ON_FEW: lambda c: (
        f"The SDs between people are estimated from {counted(c['participants'], 'participant')}, which is few: "
        f"{_say_sds(c['between_sds'])} (upper bounds of {100 * c['confidence']:g} %). A study planned with the "
        "estimates may turn out too small"
        + for_page(f"; with {Option.WIDTH}, the sizes for the upper bounds are given, too.", ".")
    ),
    CautionKind.PLAN_RESTS_ON_FEW_NIGHTS: lambda c: (
        f"The SDs between nights of one person rest on {counted(c['repeated'], 'night')} beyond each person's first, "
        f"which is few: {_say_sds(c['within_sds'])} (upper bounds of {100 * c['confidence']:g} % for normal nights). "
        "What more nights each would bring is therefore uncertain."
    ),
    # of a correction
    CautionKind.OF_NIGHTS_LEARNT_FROM: lambda c: f"Of the nights learnt from: {_with_places(c['caution'])}",
}
#: The sentence of each kind.
SENTENCES: Final = {**_GRAVE, **_WEIGHED, **_OTHERS, **CORRECTION_SENTENCES}
_PLACES: Final = {kind: place for place, kind in enumerate((*_GRAVE, *_WEIGHED))}


def rank_caution(caution: Caution | str) -> int:
    """Return the place of a caution among those that change more, 0 for the gravest."""
    if isinstance(caution, str):
        return len(_PLACES)
    if caution.kind is CautionKind.ON_NIGHTS:
        return rank_caution(caution["caution"])
    return _PLACES.get(CautionKind(caution.kind), len(_PLACES))


def is_grave(caution: Caution) -> bool:
    """Whether it says that the two sides may not belong together, or lie at a wrong time."""
    return rank_caution(caution) < len(_GRAVE)
