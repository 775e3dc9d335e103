"""What a guideline asks authors of a study of agreement to report: what this study tells, and what only they know."""

from __future__ import annotations

from typing import Final

from sleepagree.describe.blocks import Block, Heading, Paragraph
from sleepagree.describe.paragraphs import say_software
from sleepagree.describe.study_epochs import say_given, say_grids, say_windows
from sleepagree.describe.study_paragraphs import say_agreed, say_multiplicity, say_reports, say_stated_margins
from sleepagree.describe.words import join_words, say_level
from sleepagree.errors import counted, shorten
from sleepagree.study.results import StudyAgreement

#: The items in words of our own, and what no file tells.
_ITEMS: Final = (
    ("Title or abstract says that agreement was studied", "title and abstract"),
    ("What is measured, and by which instruments", "maker, model and software of each device; the reference: channels, "
     "scoring manual and its version"),
    ("Whom the results are to hold for", "the population: age, health, habits of sleep"),
    ("Who rates, where people do", "who scored the reference, and which scorers they stand for"),
    ("What is known of agreement so far, and why this study", "earlier studies and the question"),
    ("How many people, nights and raters were planned, and why", "how these numbers were chosen, and when"),
    ("How people and nights were chosen", "how people were found and nights picked, and who declined"),
    ("How it was measured", "where and when; whether both recorded at once; how devices were worn; what scorers knew"),
    ("Whether ratings were independent", "whether scorers saw the device's stages or each other's"),
    ("How it was analysed", "what was decided before the data were seen"),
    ("How many people, nights and raters there were in the end", "why nights are missing"),
    ("What the people and the raters were like", "age, sex, health and medication; training and experience of scorers"),
    ("Estimates of agreement, and how sure they are", "which of them answer the question"),
    ("What the results mean in practice", "which bias and which limits would matter, and to whom"),
    ("Detailed results, where possible", "where they can be had, and whether participants agreed to that"),
)  # fmt: skip
_SOURCE: Final = (
    "After the guideline for reporting studies of reliability and agreement (GRRAS: Kottner J et al. J Clin Epidemiol "
    "2011;64:96-106). Its 15 items are told in other words and from memory: read the guideline itself before "
    "submission."
)


def checklist_of_study(study: StudyAgreement) -> tuple[Block, ...]:
    """Return the items of the guideline, each with what the study tells and what is left to its authors.

    Parameters
    ----------
    study : StudyAgreement
        The study.

    Returns
    -------
    tuple of Block
        A heading for each item, below it what is told and what is to be filled in.

    References
    ----------
    Kottner J et al. J Clin Epidemiol 2011;64:96-106, from memory.
    """
    blocks: list[Block] = [Heading("Reporting checklist"), Paragraph(_SOURCE)]
    for number, ((asked, left), told) in enumerate(zip(_ITEMS, _told(study), strict=True), 1):
        blocks += [
            Heading(f"{number}. {asked}"),
            *([Paragraph(told)] if told else []),
            Paragraph(f"To fill in: {left}."),
        ]
    return tuple(blocks)


def _told(study: StudyAgreement) -> tuple[str, ...]:
    """Return what the study tells of each item; "" for nothing."""
    names = join_words([shorten(device.device) for device in study.devices])
    numbers = " ".join(
        f"{shorten(d.device)}: {counted(len(d.participants), 'participant')}, {counted(len(d.nights), 'night')}, "
        f"{counted(sum(n.scored for n in d.nights), 'epoch')} scored on both sides."
        for d in study.devices
    )
    scorers: dict[int, set[tuple[str, str]]] = {}
    for device in study.devices:
        for night in device.nights:
            scorers.setdefault(len(night.references), set()).add((night.participant, night.night))
    raters = join_words(
        f"{counted(count, 'reference file')} on {counted(len(nights), 'night')}"
        for count, nights in sorted(scorers.items())
    )
    options = study.options
    margins = say_stated_margins(study)
    stated = f"Margins stated beforehand: {margins}." if margins else ""
    analysis = (
        f"The methods paragraph of the report. {say_level(options.level)}s; {options.resamples} resamples, seed "
        f"{options.seed}. {say_multiplicity(study)} {say_software()}"
    )
    agreed = " ".join(
        f"{shorten(d.device)}: {'; '.join(filter(None, (say_agreed(m, d.reports) for m in d.mappings)))}."
        for d in study.devices
    )
    return (
        f"Suggested: agreement of {names} with a reference in sleep stages.",
        " ".join(map(say_reports, study.devices)),
        "",
        f"{raters}.",
        "",
        stated,
        f"{say_given(study)} given, {len(study.refused)} of them could not be scored (nights.csv).",
        " ".join([*say_grids(study), say_windows(study)]),
        "",
        f"{analysis} {stated}".strip(),
        f"{numbers} What became of every epoch: tables/accounting.",
        "",
        f"{agreed} In full: tables/agreement, tables/confusion and tables/bias.",
        "What came of the margins: the report, below the table of bias." if margins else "",
        "results.json, nights.csv, bias.csv, confusion.csv, tables/.",
    )
