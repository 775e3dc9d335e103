"""A proposed layout in words: as a file to fill in, as sections of a description, and as questions."""

from __future__ import annotations

from textwrap import wrap
from typing import Any, Final

from sleepagree.describe.blocks import Items, Section, section, sections_of, table
from sleepagree.describe.words import DASH
from sleepagree.errors import counted, shorten
from sleepagree.files.toml import toml_text
from sleepagree.mapping.words import STAGE_WORDS, canonical_stage, speak
from sleepagree.readers.inspection import STAGE_ORDER
from sleepagree.readers.layout import DURATION_UNITS, EPOCH_KEYS, FILE_KEYS, TIME_FORMS, toml_value
from sleepagree.readers.proposing.layout_proposal import Choice, LabelMeaning, LayoutProposal, Setting, Why, values_of

_WHY: Final = {
    Why.NAMED: "by its plain name",
    Why.ONLY: "the only one that can be",
    Why.WORDS: "its texts are words for stages",
    Why.FEW: "few different values",
    Why.FIRST: "the first that can be",
    Why.FOLLOWS: "as the rows follow each other",
    Why.ONE_FORM: "the one form in which all rows are a night",
    Why.ABOVE: "lines above the table",
    Why.NO_NAMES: "no row names the columns",
    Why.TAKEN_APART: "so the file falls into rows",
    Why.AS_LONG: "so all rows together are a night",
    Why.FROM_ZERO: "the first row is at 0:00:00",
    Why.ANCHOR: "as the file says beside the rows:",
    Why.CHANGES: "no row says what the row before it says",
    Why.UNITS_TOLD: "lengths that tell their units",
    Why.NAME_TELLS: "as the name of the column says",
    Why.LENGTH_IN_NAME: "as this name says:",
    Why.FROM_TO: "so the rows fill the time beside them between",
    Why.USUAL: "as usual; nothing in the rows tells it",
    Why.GIVEN: "as the layout says",
    Why.TOLD: "as told with the command",
    Why.SEVERAL_PEOPLE: "the times start again where it changes",
    Why.KNOWN: "known without this line",
    Why.OFFERED: "where rows overlap",
    Why.NEAREST: "the nearest",
    Why.LATEST: "the latest",
    Why.LAST: "the last in the file",
    Why.LIKELIEST: "likeliest by its letters and words; to be checked: it reads",
    Why.LONG_BLOCKS: "another recording seems to begin where it changes",
    Why.LAYERS: "short rows of one list lie over long ones of another",
    Why.OR_PEOPLE: "instead of overlaps, if each list is a recording of its own; person, or night, says which to read",
    Why.IN_BLOCKS: "if its values number nights: rows of all of them follow each other here; night says which to read",
    Why.BELOW: "lines below the table begin so, and are left out",
    Why.ACROSS: "each row is a night, and each column an epoch that its name tells",
    Why.MARKED: "each row has a mark in one of them",
    Why.MARKED_MOSTLY: "have a mark in one of them",
    Why.AMONG_WORDS: "where the stage stands in a text; # is a number, * what else differs",
}
#: What to write into a blank.
_ASK: Final = {
    "start": "the column of the times",
    "stage": "the column of the stages",
    "epoch_seconds": "how many seconds an epoch lasts",
    "begins": "date and time at which the earliest row began (of those to read), such as 2026-03-01T22:30:00",
    "zone": "the zone of the place of the night, such as Europe/Helsinki: one side tells moments, the other its clock",
    "person": "whose rows to read",
    "night": "which night to read",
    "sheet": "which sheet to read, as several have the same columns",
    "time": "the form of the times",
    "duration_unit": "the unit of the lengths",
    "ends": "whether an end is the last moment of its row, or the first after it",
    "stage_form": "which of two stages in a text is the one that begins",
    "night_of": "which day the date beside the times names; it stays the same over midnight",
}
#: What a form looks like, for times in one that is not known.
_FORMS: Final = (
    "such as %d.%m.%Y %H:%M:%S for 14.03.2031 22:47:00, or %I:%M %p with AM or PM; other words stand in it as they are"
)
_SHOWN: Final = 12
_BELOW: Final = "only below the table, without a time"
_BESIDE: Final = "another kind of row"
_EXPLAINED: Final = "the mapping file explains it"


def ask_for(setting: Setting) -> str:
    """Return what to write into a blank, with the choices there are."""
    if setting.key == "time" and setting.shown:
        cells = " and ".join(f"'{shorten(cell)}'" for cell in setting.shown)
        return f"the form of {cells}; {_FORMS}"
    if setting.key == "time" and len(setting.others) > 1:
        return f"{_ASK['time']}; all rows fit more than one{_choices(setting)}"
    beside = f"; beside the rows stands {', '.join(map(shorten, setting.shown))}" if setting.shown else ""
    return f"{_ASK[setting.key]}{beside}{_choices(setting)}"


def ask_meaning(label: LabelMeaning) -> str:
    """Return what a label without a meaning is asked."""
    return f"what '{shorten(label.label)}' means ({_times(label)}{_called(label)})"


def _called(label: LabelMeaning) -> str:
    return f", called '{shorten(label.called)}' in the file" if label.called else ""


def _choices(setting: Setting) -> str:
    if not setting.others or setting.value is not None:
        return ""
    shown = [toml_value(o.value) + (f" {o.when}" if o.when else "") for o in setting.others[:_SHOWN]]
    more = [f"and {len(setting.others) - _SHOWN} more"] if len(setting.others) > _SHOWN else []
    return ": " + ", ".join([*shown, *more])


def layout_text(
    proposal: LayoutProposal, answers: dict[str, Any] | None = None, stages: dict[str, str] | None = None
) -> str:
    """Return a proposed layout as a commented file, blanks as empty texts that a reader refuses.

    Parameters
    ----------
    proposal : LayoutProposal
        What was found.
    answers, stages : dict, optional
        What fills the blanks, as of :meth:`LayoutProposal.layout`.
    """
    answers, stages = answers or {}, stages or {}
    top = [s for s in proposal.settings if s.key in EPOCH_KEYS]
    below = [s for s in proposal.settings if s.key not in EPOCH_KEYS]
    like = f"like {_comment(proposal.file)}" if proposal.file else "of one kind"
    lines = [
        f"# How to read files {like}{', proposed by what they hold' * bool(proposal.columns)}.",
        '# Fill in what is blank (""). What follows a # is a comment.',
        "",
        "# What the device can report at all. A night without a stage is not a device without it.",
        *([] if any(s.key == "reports" for s in top) else [f"# reports = {toml_value(_reports(proposal))}"]),
        *(line for setting in top for line in _lines(setting, answers)),
        "",
        "[file]",
        *(line for setting in below for line in _lines(setting, answers)),
    ]
    lines += _hints(proposal)
    lines += ["", "[stages]", f"# One of {', '.join(STAGE_WORDS)},"]
    lines.append('# or "unscored" for time without a stage, or "not-a-stage" for rows that are no scoring:')
    lines.append("# where rows are changes, unscored ends the stage before, and not-a-stage does not.")
    lines += (_label_line(label, stages) for label in proposal.labels)
    if proposal.marked_window:
        lines.append(f"# {_window(proposal.marked_window)}")
    return "\n".join([*lines, "", *_all_keys()]) + "\n"


def _window(marked: tuple[str, str]) -> str:
    """Return how the time between two marks that are no stages becomes the window."""
    return f"To score only from the one mark that is no stage to the other: --window {'/'.join(marked)}"


def _all_keys() -> list[str]:
    """Return comments that name every key of a layout, and the values of those that have names for them."""
    told = [
        f"Keys of [file]: {', '.join(FILE_KEYS)}.",
        f'time: {TIME_FORMS}, or a form such as "%d.%m.%Y %H:%M". duration_unit: {", ".join(DURATION_UNITS)}, epochs.',
    ]
    return [f"# {line}" for text in told for line in wrap(text, 100)]


def _reports(proposal: LayoutProposal) -> list[str]:
    """Return the stages that labels of the file mean; the usual four where some of their meanings are not known."""
    held = {canonical_stage(label.word) for label in proposal.labels} if not proposal.blank_labels else set()
    words = {"W": "wake", "R": "rem", "N3": "deep"} if "light" in held else {}
    return [words.get(stage, stage) for stage in STAGE_ORDER if stage in held] or ["wake", "light", "deep", "rem"]


def _hints(proposal: LayoutProposal) -> list[str]:
    """Return comments about a clock that the file does not tell, where nothing stands in the way."""
    told, seen = values_of(proposal.settings).keys(), proposal.seen
    blanks = values_of(proposal.blanks).keys()
    if seen is None or "time" in blanks:
        return []
    lines = []
    if seen.start is None and "start" not in blanks and "begins" not in told:
        lines.append("# begins = 2026-03-01T22:30:00    # clock time of second 0")
    if seen.zone is None and "zone" not in told:
        lines.append('# zone = "Europe/Helsinki"    # zone of the clock, if the other side tells one')
    if seen.zone is not None and not {"zone", "zone_column"} & told:
        lines.append("# The times are moments. If the other side tells no zone, as EDF does not, give its own as well:")
        lines.append("# night ... --reference-zone Europe/Helsinki (or --device-zone, where this is the reference)")
    return lines


def _because(setting: Setting) -> str:
    """Return why a value is proposed."""
    if setting.nights is not None:
        nights, first, last = setting.nights
        begin = f", which begin from {first} to {last}" if first else ""
        return f"{_WHY[setting.why]} of {nights} nights{begin}"
    if setting.marked is not None:
        rows, none, several = setting.marked
        more = [f"{number} {where}" for number, where in ((none, "in none"), (several, "in several")) if number]
        return f"{rows - none - several} of {counted(rows, 'row')} {_WHY[setting.why]}, {' and '.join(more)}"
    if setting.why is Why.FROM_TO:
        return f"{_WHY[setting.why]} {' and '.join(map(shorten, setting.shown))}"
    if setting.why is Why.USUAL and setting.shown:
        return f"{_WHY[setting.why]}; beside them stands {', '.join(map(shorten, setting.shown))}"
    return " ".join([_WHY[setting.why], *map(shorten, setting.shown)])


def _lines(setting: Setting, answers: dict[str, Any]) -> list[str]:
    value = answers.get(setting.key, setting.value)
    if value is None and setting.why in (Why.SEVERAL_PEOPLE, Why.SEVERAL_SHEETS):
        held = (f"#     {toml_value(o.value)}    {_comment(o.when)}".rstrip() for o in setting.others)
        return [f'{setting.key} = ""    # {_ASK[setting.key]}, one of', *held]
    if value is None:
        return [f'{setting.key} = ""    # {_comment(ask_for(setting))}']
    why = "as answered" if setting.key in answers else _comment(_because(setting))
    others = [] if setting.key in answers else setting.others
    line = f"{'# ' * setting.is_comment}{setting.key} = {toml_value(value)}    # {why}"
    return [line, *(f"# {setting.key} = {toml_value(o.value)}    # or this{_when(setting, o)}" for o in others)]


def _when(setting: Setting, choice: Choice) -> str:
    if choice.begins:
        return f", with begins = {toml_value(choice.begins)}" if setting.key == "records" else f", {choice.begins}"
    if choice.day:
        return f", of {_comment(choice.day)}"
    return f", {_comment(choice.when)}" if choice.when else ""


def _label_line(label: LabelMeaning, stages: dict[str, str]) -> str:
    rows = _times(label) + _comment(_called(label))
    word = stages.get(label.label, label.word)
    line = f"{toml_text(label.label)} = {toml_text(word)}    # {rows}"
    if label.label in stages:
        return f"{line}; as answered"
    if label.is_explained:
        return f"# {line}; {_EXPLAINED}"
    if not word:
        return f"{line}: fill in"
    if not label.is_told:
        return f"# {line}; known without this line"
    why = _told_by(label) or ("" if label.called else _other_rows(label))
    return f"{line}; {why}" if why else line


def _told_by(label: LabelMeaning) -> str:
    """Return who says what a label means: languages, or a layout; "" where neither does."""
    return _languages(label) or (_WHY[Why.GIVEN] if label.is_given else "")


def _other_rows(label: LabelMeaning) -> str:
    """Return in which rows without a stage a label stands; "" for one of the others."""
    return _BELOW if label.is_below else _BESIDE if label.is_beside else ""


def _times(label: LabelMeaning) -> str:
    if not label.label:
        return f"{counted(label.rows, 'row')} without a label, such as empty cells or null"
    if not label.is_counted:
        return "in this file"
    return {0: "in no epoch of this file", 1: "once"}.get(label.rows, f"{label.rows} times")


def _languages(label: LabelMeaning) -> str:
    return ", ".join(label.languages[:2]) + (" and others" if len(label.languages) > 2 else "")


def _comment(text: str) -> str:
    return "".join(c if c.isprintable() else "?" for c in shorten(text)) if len(text) < 80 else text.replace("\n", " ")


def proposal_sections(proposal: LayoutProposal) -> tuple[Section, ...]:
    """Return what is said about a proposed layout: its lines with reasons, and what to fill in."""
    lines = [(s.key, shorten(toml_value(s.value)), _because(s) + _others(s)) for s in proposal.told]
    settings = table("settings", "", ("line", "value", "because"), lines, words=range(3))
    meant = [(shorten(m.label), _say_meaning(m), _reason(m), m.rows) for m in proposal.labels[:_SHOWN]]
    heads = ("label", "stage", "because", "times")
    window = Items((_window(proposal.marked_window),)) if proposal.marked_window else None
    asked = [f"{s.key}: {ask_for(s)}" for s in proposal.blanks]
    asked += map(ask_meaning, proposal.blank_labels[:_SHOWN])
    return sections_of(
        section("proposal", "Proposed layout", settings),
        section("meanings", "Labels, and what they may mean", table("meanings", "", heads, meant, words=range(3))),
        section("marked", "Light or bed", window),
        section("blanks", "To fill in", Items(tuple(asked))),
    )


def _say_meaning(label: LabelMeaning) -> str:
    if label.word:
        return speak(label.word)
    return DASH if label.is_explained else "?"


def _reason(label: LabelMeaning) -> str:
    """Return why a label may mean what it is said to mean."""
    if label.is_explained:
        return _EXPLAINED
    if label.called:
        return f"{'' if label.word else 'to fill in; '}called '{shorten(label.called)}' in the file"
    return _other_rows(label) or _told_by(label) or ("plain" if label.word else "to fill in")


def _others(setting: Setting) -> str:
    """Return what a line may say instead, behind what it says."""
    others = ", ".join(shorten(toml_value(o.value)) for o in setting.others[:3])
    return f"; or {others}" if others else ""
