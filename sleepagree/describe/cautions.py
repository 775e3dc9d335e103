"""The sentence of each caution, made of its values."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from itertools import repeat
from typing import Any, Final

from sleepagree.caution import Caution, CautionKind, plain_values
from sleepagree.describe.words import figure, join_words, percent, say_counted, say_measure, say_status, signed, speak
from sleepagree.errors import Front, Option, Step, asked, counted, for_page, name_options, shorten
from sleepagree.readers.times.clock import show_number
from sleepagree.scoring.offsets import MOST_HOURS, NEAR_CHANCE

_STAGES: Final = {"W": "wake", "N3": "deep", "R": "REM"}


def say_caution(caution: Caution, front: Front = Front.COMMAND) -> str:
    """Return the sentence of a caution; what can be set or done is named as ``front`` names it."""
    return name_options(_with_side(caution), front, "file" if caution.get("gap_of") == "file" else "")


def _with_side(caution: Caution) -> str:
    text = SENTENCES[CautionKind(caution.kind)](caution)
    return f"{caution.side}: {text}" if caution.side else text


_FLAT: Final = f"no clock offset up to 30 min to either side stands out, nor one near whole hours up to {MOST_HOURS} h"


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


def _stage_texts_ignored(c: Caution) -> str:
    listing = ", ".join(f"'{shorten(label)}'" for label in c["labels"])
    return (
        "Annotations that could be stages were ignored, since the file also has the texts that EDF+ knows for "
        f"stages: {listing}." + for_page(" A layout can name their stages.", "")
    )


def _no_wake_interval(_: Caution) -> str:
    return "The file holds no interval of wake: time without an interval is a gap in it, not wake."


def _utc_read_as_local(c: Caution) -> str:
    return f"The file's times end in Z, which claims UTC; as asked they were read as local times of {c['zone']}."


def say_step(seconds: float) -> str:
    """Return the length of steps in which a file tells stages."""
    return f"{show_number(seconds)} s" if seconds < 120 else f"{show_number(seconds / 60)} min"


def _long_step(c: Caution) -> str:
    step = say_step(c["seconds"])
    return f"stages are told in steps of {step}: what lasts less than that cannot be seen in this file"


def _zero_durations(_: Caution) -> str:
    return "every row has duration 0: each is taken to last until the next epoch"


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


def _silence_is_wake(c: Caution) -> str:
    return (
        f"Where nothing is written between two stages ({counted(c['count'], 'time')}, {c['minutes']:.1f} min in all, "
        f"the longest {c['longest_min']:.1f} min), wake is taken, as "
        + for_page("the layout says", "was answered")
        + ": a lost signal would look the same. What lies before the first and after the last stage stays missing "
        f"unless {Option.OUTSIDE:wake}" + for_page(" is given.", ".")
    )


# --- of a pair --------------------------------------------------------------------------------------------


def _stage_words(stages: Iterable[str]) -> list[str]:
    return [_STAGES.get(stage, stage) for stage in stages]


def _reports_from_labels(c: Caution) -> str:
    return (
        "What the device can report was taken from the labels in its file, which hold no "
        f"{' and no '.join(_stage_words(c['missing']))}. A night without a stage is not a device without it: "
        + for_page(f"declare what it can report with {Option.REPORTS} or in its layout.", f"answer {asked('reports')}.")
    )


def _same_file(_: Caution) -> str:
    return "Reference and device are the same file, or copies of one: their agreement says nothing."


def _swapped(c: Caution) -> str:
    finer, coarser = (", ".join(_stage_words(c[which])) for which in ("finer", "coarser"))
    return (
        f"The device's file tells finer stages ({finer}) than the reference's ({coarser}): are the "
        "two files swapped? The reference is named first, the device second."
    )


def _reports_contradict(c: Caution) -> str:
    layout, used = (join_words(_stage_words(c[which])) for which in ("layout", "used"))
    says = for_page(f"{Option.REPORTS} says", "the answer says")
    return f"The device's layout says that it can report {layout}; {says} {used}, which was used."


def _class_unreportable(c: Caution) -> str:
    words = join_words(map(speak, c["classes"]))
    why = "so it is declared" if c["declared"] else "its file holds no such label"
    instead = f" Mappings that fit this device: {', '.join(c['fitting'])}." if c["fitting"] else ""
    cost = (
        f"all {counted(c['epochs'], f'{words} epoch')} of the reference count as errors, whatever the device does, and "
        "kappa and accuracy say so"
        if c["epochs"]
        else f"the reference has no {words} epoch to lose on this night, but others may"
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


def _label_unscored(c: Caution) -> str:
    return (
        f"Mapping '{c['mapping']}' takes the {c['of_side']}'s label '{shorten(c['label'])}' into {c['target']}, but "
        f"the label counts as unscored, so its {c['epochs']} epochs are in the ledger only. To count them, say "
        + for_page("in the layout's [stages] which stage it is.", "which stage it is.")
    )


def _few_scored(c: Caution) -> str:
    return (
        f"Only {100 * c['share']:.0f} % of the window's epochs have a stage on both sides; the largest part of "
        f"the rest is {say_status(c['status'])} ({counted(c['epochs'], 'epoch')})."
    )


def _time_uncounted(c: Caution) -> str:
    text = (
        f"TST, WASO, SE and the minutes of stages count only the {c['scored_min']:.1f} min that both sides scored; "
        f"{c['missing_min']:.1f} min of the window are not in them, but are in TIB."
    )
    if c["efficiency_of_scored"]:
        reference, device = (f"{value:.1f} %" for value in c["efficiency_of_scored"])
        text += f" Over the scored time alone SE would be {reference} (reference) and {device} (device)."
    if c["own_latencies"]:
        own = join_words([f"{measure} of the {side} {value:.1f} min" for measure, side, value in c["own_latencies"]])
        text += f" Latencies too; by all that a side itself said: {own}."
    return text


def _time_left_over(c: Caution) -> str:
    return (
        f"The device tells {c['minutes']:.0f} min before and after the reference, {c['asleep_min']:.0f} of them sleep, "
        "which are in no figure: is the reference only a part of the recording? Parts are joined by "
        f"{Step.JOIN_PARTS}."
    )


def _no_kappa(c: Caution) -> str:
    unreported = " and ".join("REM" if name == "rem" else name for name in c["classes"])
    return (
        f"The device cannot report {unreported}, so kappa does not exist under '{c['mapping']}': it takes a mapping "
        f"that says how {unreported} counts" + for_page(f" ({Step.COMPARE_MAPPINGS} shows each of them).", ".")
    )


def _kappas_of_sizes(_: Caution) -> str:
    return "Kappas at different numbers of classes cannot be compared with each other."


def _left_out_by_mapping(c: Caution) -> str:
    return f"Mapping '{c['mapping']}' leaves out {counted(c['epochs'], 'epoch')} that both sides staged."


def _clock_doubt(c: Caution) -> str:
    return (
        f"Agreement is below chance (kappa {figure(c['kappa'], 3)}) and would be far higher at another time, but "
        f"{_FLAT}: these recordings may not belong together, or a clock may be off by more than that. Check files, "
        "dates and zones" + for_page(f"; {Step.SCAN_CLOCK:180} looks further.", ".")
    )


def _clock_untold(c: Caution) -> str:
    return (
        f"Agreement is near chance (kappa {figure(c['kappa'], 3)}), so this night alone does not tell whether the "
        f"clock is right: {_FLAT}, and the time as recorded does not either. A device that hardly tells stages "
        "looks like this with a right clock; so do recordings that do not belong together. Check files and dates; "
        "several nights of the device together tell more of its clock" + for_page(f" ({Step.STUDY}).", ".")
    )


def _clock_zone(c: Caution) -> str:
    low = "near chance" if c["kappa"] < NEAR_CHANCE else "low"
    return (
        f"Agreement is {low} (kappa {figure(c['kappa'], 3)}), and has a sharp peak when "
        f"{c['seconds']:+.0f} s are added to device times (kappa {figure(c['kappa_there'], 3)}): a time zone, or "
        f"summer time, that is off by {abs(round(c['seconds'] / 3600))} h looks like this. Check both"
        + for_page(f": {Option.REFERENCE_ZONE}, {Option.DEVICE_ZONE}", " zones")
        + ". Nothing was shifted."
    )


def _clock_offset(c: Caution) -> str:
    return (
        f"Agreement has a sharp peak when {c['seconds']:+.0f} s are added to device times (kappa "
        f"{figure(c['kappa_there'], 3)} instead of {figure(c['kappa'], 3)}, on the epochs paired here). A wrong clock "
        "would look like this; "
        + for_page(f"{Step.SCAN_CLOCK} looks closer", '"Look at the clock" says more')
        + ", at what the device recorded beyond the window, too. Nothing was shifted: tuning the clock on the outcome "
        "inflates agreement."
    )


def _clock_change(c: Caution) -> str:
    """Say that a clock without a zone may have been changed, why that is thought, and what to give."""
    hour, to_hour, zone = c["hour"], c["to_hour"], c["zones"][0]
    way = f"forward from {hour} to {to_hour}" if c["is_forward"] else f"back from {to_hour} to {hour}"
    text = f"Some zones ({join_words(c['zones'])} among them) put the clock {way} on {c['date']}"
    text += ", and the times of this night have no zone."
    if c.get("gap_of"):
        text += f" The {c['gap_of']} leaves out exactly that hour."
    if c.get("lasts_longer_min"):
        more = "later" if c["lasts_longer_min"] > 0 else "earlier"
        text += f" Both sides begin together, but the device ends {abs(c['lasts_longer_min']):.0f} min {more}."
    if c.get("seconds"):
        text += (
            f" From then on agreement is far better with {c['seconds']:+.0f} s added to device times: kappa "
            f"{figure(c['kappa_there'], 3)} instead of {figure(c['kappa'], 3)}."
        )
    sides = f"{format(Option.REFERENCE_ZONE, zone)} {format(Option.DEVICE_ZONE, zone)}"
    options = format(Option.ZONE, zone) if c.get("gap_of") == "file" else sides
    named = for_page(f"{options} (zone in a layout, columns of a nights table)", f"{zone}, or your own")
    return f"{text} If this clock was changed, name its zone: {named}."


def _clock_jump(c: Caution) -> str:
    kappas = f"kappa {figure(c['kappa_there'], 3)} instead of {figure(c['kappa'], 3)}"
    return (
        f"Agreement is far better with two offsets: {signed(c['before'], 0)} s added to device times at first and "
        f"{signed(c['after'], 0)} s later ({kappas}). A clock that is reset, or stands still, in the night looks like "
        "this; "
        + for_page(f"{Step.SCAN_CLOCK} tells where, and how to score each part", '"Look at the clock" tells where')
        + ". Nothing was shifted."
    )


def _no_mapping_declared(_: Caution) -> str:
    return (
        "No mapping was declared beforehand. Choosing the one with the highest kappa after seeing it inflates "
        "that kappa: name the mapping before the data are seen" + for_page(f" ({Option.DECLARED:NAME}).", ".")
    )


# --- of a study -------------------------------------------------------------------------------------------


def _nights_refused(c: Caution) -> str:
    nights = "device-nights" if c["devices"] > 1 else "nights"
    return f"{c['count']} of the {nights} given could not be scored; they are listed with their reasons."


def _names_alike(c: Caution) -> str:
    groups = "; ".join(join_words([f"'{shorten(name)}'" for name in names]) for names in c["names"])
    return (
        f"Names of {c['of']}s that differ only in capital letters or spaces count as different {c['of']}s: {groups}. "
        f"If they are one, write the name in one way: a {c['of']} under two names has too few nights, and intervals "
        "are wrong."
    )


def _one_participant(c: Caution) -> str:
    return (
        f"{c['device']}: all nights are of one participant, so the results speak of this person only; intervals "
        "treat nights as the units."
    )


def _night_repeated(c: Caution) -> str:
    return (
        f"{_on(c)} the reference's stages are those of another night, epoch for epoch ({_listing(c)}): one night under "
        "several names counts as several, and makes every interval too narrow."
    )


def _few_participants(c: Caution) -> str:
    return (
        f"{c['device']}: {c['count']} participants are few where people differ with skew, or the device fails on some: "
        f"95 % intervals of agreement and bias then hold the truth in as few as {percent(c['covers'])} of simulated "
        f"studies of {c['simulated']} people."
    )


def _listing(c: Caution, endings: Iterable[str] = repeat("")) -> str:
    """Return the first nights that a caution names, and how many more there are."""
    told = [f"{person} {night}{end}" for (person, night), end in zip(c["named"], endings, strict=False)]
    more = c["count"] - len(told)
    return ", ".join(told) + (f" and {more} more" if more else "")


def _on(c: Caution) -> str:
    return f"{c['device']}: on {c['count']} of {c['nights']} nights"


def _nights_sparse(c: Caution) -> str:
    named = _listing(c, [f": {value:.0f} %" for value in c["scored_percent"]])
    return (
        f"{_on(c)} less than {c['least_percent']:.0f} % of the window's epochs have a stage on both sides ({named}). "
        f"Measures, and the bias made of them, are those of the scored part; {Step.FIND_SPARSE} finds such nights."
    )


def _consensus_flatters(c: Caution) -> str:
    kappas = [
        f"{figure(consensus, 3)} with the consensus and {figure(scorers, 3)} with single scorers under '{mapping}' "
        f"(means, the same {'night' if nights == 1 else f'{nights} nights'} in both)"
        for consensus, scorers, mapping, nights in c["kappas"]
    ]
    said = f": kappa is {'; '.join(kappas)}" if kappas else ""
    return (
        f"{_on(c)} the reference is what more than half of several scorers say, and {c['undecided']} epochs without "
        "such a majority are left out. Those are epochs that are hard to stage, so agreement comes out higher than "
        f"with any one person{said}."
    )


def _skewed(c: Caution) -> str:
    measures, drawn, above_zero = (
        ", ".join(map(say_measure, c[which])) for which in ("measures", "drawn", "above_zero")
    )
    sentences = [
        f"{c['device']}: {'ratios' if c['of_ratios'] else 'differences'} in {measures} are skewed. Limits of agreement "
        "suppose that they are roughly normal; the intervals of the limits then cover less than they say."
    ]
    if drawn:
        sentences.append(f"The report draws the differences in {drawn}.")
    if above_zero:
        ratios = for_page(f"Ratios ({Option.LOG_RATIO:True})", "Ratios")
        sentences.append(f"{ratios} are another way for {above_zero}.")
    return " ".join(sentences)


def _not_normal(c: Caution) -> str:
    told = [
        f"{say_measure(measure)} ({outside} of {nights})" if outside is not None else say_measure(measure)
        for measure, outside, nights, _ in c["measures"]
    ]
    what = "ratios" if c["of_ratios"] else "differences"
    return (
        f"{c['device']}: limits of agreement suppose normality, these nights are not: {what} in {join_words(told)} (in "
        "brackets the nights outside the limits; 5 % are expected). The limits and their intervals then promise too "
        f"much: an interval of a limit held the truth in as few as {percent(c['covers'])} of simulated studies of "
        "heavy-tailed people. The shares of nights with large errors suppose nothing of the kind. Of normal "
        f"differences the test (Anderson-Darling) names 1 measure in 20, and it looked at {c['looked_at']}."
    )


def _failures_missed(c: Caution) -> str:
    return (
        f"{c['device']}: with {counted(c['count'], 'participant')} a device that fails on "
        f"{100 * c['failing_share']:.0f} % of people is not seen to fail on anybody in "
        f"{100 * c['missed_share']:.0f} % of studies."
    )


def _clocks_off(c: Caution) -> str:
    offsets = _listing(c, [f": {seconds:+.0f} s" for seconds in c["seconds"]])
    return (
        f"{_on(c)} agreement has a sharp peak at another clock offset ({offsets}): look at these nights "
        + for_page(f"with {Step.SCAN_CLOCK}", "one by one")
        + ". A constant offset is a clock, a scattered one is not."
    )


def _clocks_hours(c: Caution) -> str:
    offsets = _listing(c, [f": {seconds:+.0f} s" for seconds in c["seconds"]])
    return (
        f"{_on(c)} agreement is low and has a sharp peak near a whole number of hours ({offsets}): a time zone, or "
        "summer time, may be off. Check the zones of both sides (columns reference_zone, device_zone of the nights "
        "table). Nothing was shifted."
    )


def _clocks_doubtful(c: Caution) -> str:
    return (
        f"{_on(c)} agreement is near chance, and would be higher at another time ({_listing(c)}): the recordings may "
        "not belong together, or a clock or zone may be off. "
        + for_page(f"{Step.SCORE_NIGHT} says more of such a night.", "Scored by itself, such a night tells more.")
    )


def _on_nights(c: Caution) -> str:
    return f"{c['device']}, {counted(c['count'], 'night')}: {_with_side(c['caution'])}"


def _mapping_chosen_late(_: Caution) -> str:
    return "Choosing a mapping after seeing its kappa inflates it: report the one named beforehand."


_NOT_COMPARED: Final = {
    "epochs_not_kept": "the nights were summed up without the labels of their epochs, so nothing tells which epochs "
    "both scored",
    "other_reference": "the two rows have different references (other files, or one file that is read in two ways), "
    "so their epochs are not the same",
    "no_joint_epoch": "no epoch has a stage from the reference and from both devices",
    "no_common_mapping": "no mapping of stages with a kappa fits the labels of both",
}


def _not_compared(c: Caution) -> str:
    return (
        f"{c['first']} and {c['second']} were worn on the same nights, but are not compared: "
        f"{_NOT_COMPARED[c['reason']]}."
    )


def _nights_not_compared(c: Caution) -> str:
    left = "it is" if c["count"] == 1 else "they are"
    return (
        f"{c['first']} and {c['second']}: on {c['count']} of the {counted(c['shared'], 'night')} that both watched "
        f"{_NOT_COMPARED[c['reason']]}; {left} left out of the comparison."
    )


def _plan_rests_on_few(c: Caution) -> str:
    told = [
        f"{say_measure(measure)} {value:.{digits}f}, at most {high:.{digits}f}"
        for measure, value, high, digits in c["between_sds"]
    ]
    return (
        f"The SDs between people are estimated from {counted(c['participants'], 'participant')}, which is few: "
        f"{'; '.join(told)} (upper bounds of {100 * c['confidence']:g} %). A study planned with the estimates may "
        "turn out too small" + for_page(f"; with {Option.WIDTH}, the sizes for the upper bounds are given, too.", ".")
    )


def _plan_rests_on_few_nights(c: Caution) -> str:
    told = [
        f"{say_measure(measure)} {value:.{digits}f}, at most {high:.{digits}f}"
        for measure, value, high, digits in c["within_sds"]
    ]
    return (
        f"The SDs between nights of one person rest on {counted(c['repeated'], 'night')} beyond each person's first, "
        f"which is few: {'; '.join(told)} (upper bounds of {100 * c['confidence']:g} % for normal nights). What more "
        "nights each would bring is therefore uncertain."
    )


# --- of a correction --------------------------------------------------------------------------------------


def _learnt_from_few(c: Caution) -> str:
    return (
        f"The correction was learnt from {counted(c['people'], 'participant')}: below {c['enough']} its intervals rest "
        "on the normal distribution, its choice of method on luck, and its verdicts are weak."
    )


def _measures_not_learnt(c: Caution) -> str:
    named = join_words(map(say_measure, c["measures"]))
    return f"Not learnt, with fewer than {c['fewest']} participants who have it on both sides: {named}."


def _epochs_not_learnt(_: Caution) -> str:
    return (
        "Single epochs were not learnt: the nights hold no labels of epochs, or the reference's are all of one class."
    )


def _extrapolated(c: Caution) -> str:
    named = join_words(map(say_measure, c["measures"]))
    return (
        f"Outside the range of the nights learnt from, marked with a star: {named}. Those values are extrapolated, and "
        "their intervals hold for the range learnt only."
    )


def _window_by_device(c: Caution) -> str:
    return (
        "The window lasts from the device's first to its last stage, while the correction was learnt in windows by "
        f"{join_words(c['learnt'])}: SOL, WASO, SE and wake depend on it. Give the time in bed"
        + for_page(f" with {Option.WINDOW:FROM/TO}, in a table of nights in its column window.", " where you can.")
    )


def _pulled_to_usual(_: Caution) -> str:
    return (
        "Corrected values are pulled to what was usual in the study (regression to the mean): they are no test of a "
        "person who sleeps unusually, and no diagnosis."
    )


def _like_the_study(c: Caution) -> str:
    return (
        f"Verdicts and intervals hold for people and nights like those of the study "
        f"({counted(c['people'], 'participant')}, {counted(c['nights'], 'night')}) and for the same device and "
        "software."
    )


_first_epochs_differ = _lengths_differ = say_counted

#: A kind is said by the function above that has its name.
SENTENCES: Final[dict[CautionKind, Callable[[Caution], str]]] = {
    kind: globals()[f"_{kind.name.lower()}"] for kind in CautionKind
}
