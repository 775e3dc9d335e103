"""Stage words, other spellings of them, and what the text of a label says without a layout.

Three vocabularies meet in this room and are kept apart:

* a *label* is the text a file uses (``"Sleep stage N2"``, ``"Light"``, ``"4"``);
* a *stage* is what the label says in the words of the trade (``N2``, ``light``, ``unscored``);
* a *class* is what a mapping compares (``wake``, ``light``, ``deep``, ``rem``).

A reader turns each label into a stage once, through a layout or the plain words of ``spellings.toml``, which names
their sources. From there on only the stage counts, and the label is shown beside it: a label that is spelt like a stage
("R" for what a layout says is wake) says nothing more. A mapping file alone may explain a native label.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

from sleepagree.errors import LONGEST_FOUND, FileFormatError, Option, UnknownStageError, for_page, shorten
from sleepagree.files.toml import parse_toml, toml_text

UNSCORED: Final = "unscored"
NOT_A_STAGE: Final = "not-a-stage"
LEAVE_OUT: Final = "leave-out"

AASM_STAGES: Final = ("W", "N1", "N2", "N3", "R")

#: stage -> the AASM stages it may stand for.
COVERAGE: Final[Mapping[str, frozenset[str]]] = {
    "W": frozenset({"W"}),
    "N1": frozenset({"N1"}),
    "N2": frozenset({"N2"}),
    "N3": frozenset({"N3"}),
    "R": frozenset({"R"}),
    "light": frozenset({"N1", "N2"}),
    "nrem": frozenset({"N1", "N2", "N3"}),
    "light-or-rem": frozenset({"N1", "N2", "R"}),
    "sleep": frozenset({"N1", "N2", "N3", "R"}),
    "wake-or-sleep": frozenset(AASM_STAGES),
}

STAGE_WORDS: Final = ("wake", "light", "deep", "rem", "sleep", "nrem", "W", "N1", "N2", "N3", "R")

#: Distinct labels that one side may hold: a hypnogram has a dozen, a column of measured values has no end of them.
#: Codes of labels fit into 16 bits everywhere, and a table of both sides' labels into memory.
MOST_LABELS: Final = 1000
_SHOWN_LABELS: Final = 6

#: Stages that say no more than that sleep of some kind, or something unclear, was seen.
GENERIC_STAGES: Final = frozenset({"sleep", "nrem", "wake-or-sleep"})


def read_data(name: str) -> dict[str, Any]:
    """Return the values of a TOML file of this room."""
    return parse_toml(Path(__file__).with_name(name).read_text("utf-8"))


def _stage_by_text(kind: str) -> dict[str, str]:
    """Return text -> stage of one kind of spellings."""
    return {
        text: stage
        for group in _SPELLINGS[kind]
        for stage, texts in group.items()
        if stage != "source"
        for text in texts
    }


_SPELLINGS: Final = read_data("spellings.toml")

#: Other spellings of a stage that layouts, mapping files and ``--reports`` may use.
ALIASES: Final[Mapping[str, str]] = _stage_by_text("word")

#: Plain label texts -> stage, and texts after "sleep stage " -> stage.
LABEL_TEXTS: Final[Mapping[str, str]] = _stage_by_text("label")
EDF_TEXTS: Final[Mapping[str, str]] = _stage_by_text("edf")

#: How an annotation of a stage begins, folded; some programs write no spaces.
EDF_STAGE: Final = ("sleep stage ", "sleep_stage_")

_RK_DIGITS: Final[Mapping[str, str]] = {"1": "N1", "2": "N2", "3": "N3", "4": "N3"}

_SPOKEN: Final = {"W": "wake", "R": "REM", "rem": "REM"}


def speak(name: str) -> str:
    """Return a stage or class as it stands in a sentence (``R`` and ``rem`` as REM, ``W`` as wake)."""
    return _SPOKEN.get(name, name)


def canonical_stage(word: str) -> str | None:
    """Return the stage that ``word`` names (any case), ``"unscored"``, or None."""
    text = word.strip()
    if text in COVERAGE or text in (UNSCORED, NOT_A_STAGE):
        return text
    folded = text.casefold()
    return ALIASES.get(folded) or (folded if folded in COVERAGE or folded in (UNSCORED, NOT_A_STAGE) else None)


def is_sleep(stage: str) -> bool | None:
    """Whether a stage is sleep; None where the stage alone does not tell (wake-or-sleep, a word of one's own)."""
    covers = COVERAGE.get(stage)
    if covers is None or ("W" in covers and len(covers) > 1):
        return None
    return "W" not in covers


def fold_label(label: str) -> str:
    """Return a label without differences of case and spacing, as the lines of a layout are matched."""
    return " ".join(label.split()).casefold()


def fold_table(table: Mapping[str, str]) -> dict[str, str]:
    """Return the ``[stages]`` of a layout by folded label."""
    return {fold_label(label): word for label, word in table.items()}


@lru_cache(maxsize=4096)
def recognise_label(label: str) -> str | None:
    """Return the stage that a plain label text names, or None.

    Case, surrounding space and doubled spaces are forgiven. Bare numbers are never recognised: the same digit
    means different stages in different files.

    Examples
    --------
    >>> recognise_label("Sleep stage 4"), recognise_label(" WAKE "), recognise_label("4")
    ('N3', 'W', None)
    """
    folded = fold_label(label)
    if folded.startswith(EDF_STAGE):
        return EDF_TEXTS.get(folded[12:])
    return LABEL_TEXTS.get(folded)


@lru_cache(maxsize=1024)
def is_edf_stage_text(label: str) -> bool:
    """Whether an annotation text is one of the EDF+ standard texts for a stage or for movement time."""
    folded = fold_label(label)
    if folded.startswith(EDF_STAGE):
        return folded[12:] in EDF_TEXTS
    return folded == "movement time"


def assign_stages(
    labels: Sequence[str],
    *,
    counts: Mapping[str, str] | None = None,
    table: Mapping[str, str] | None = None,
    defaults: Mapping[str, str] | None = None,
    own_words: Iterable[str] = (),
    rechtschaffen_kales: str = "",
    path: str = "",
) -> tuple[str, ...]:
    """Return the stage of each native label.

    Parameters
    ----------
    labels : sequence of str
        Distinct native labels.
    counts : mapping, optional
        Label -> where and how often it stands ("rows 12, 13, 14 and 20 more"), for the message.
    table : mapping, optional
        The ``[stages]`` table of a layout: label -> stage word. It comes first.
    defaults : mapping, optional
        What the format says of its labels, spelt as they are there: label -> stage. It comes next.
    own_words : iterable of str
        Labels that a mapping file explains; they become stages of their own.
    rechtschaffen_kales : str
        Where the file says that its digits are R&K stages ("column name 'R&K'"), else "".
    path : str
        File, for the message.

    Raises
    ------
    UnknownStageError
        When a label is neither plain, nor in the table, nor explained by a mapping.
    FileFormatError
        When there are more than a thousand labels of stages.
    """
    table, defaults = table or {}, defaults or {}
    folded, own = fold_table(table), frozenset(own_words)
    stages: list[str] = []
    unknown: list[str] = []
    for label in labels:
        key = fold_label(label)
        word = table.get(label) or folded.get(key) or defaults.get(label)
        stage: str | None
        if word is not None:
            stage = _stage_of_layout(label, word, own, path)
        elif label in own:
            stage = label
        else:
            stage = recognise_label(label) or (_RK_DIGITS.get(key) if rechtschaffen_kales else None)
        if stage is None:
            unknown.append(label)
        stages.append(stage or UNSCORED)
    if unknown:
        raise _unknown_labels(unknown, counts or {}, path)
    refuse_many_labels(len(labels) - stages.count(NOT_A_STAGE), path)
    return tuple(stages)


def _stage_of_layout(label: str, word: str, own: frozenset[str], path: str) -> str:
    """Return the stage that a layout gives a label; a word that a mapping file explains is a stage of its own."""
    stage = canonical_stage(word) or (word if word in own else None)
    if stage is None:
        raise UnknownStageError(
            for_page("the layout maps", "an answer maps") + f" label '{shorten(label)}' to a word that is no stage",
            path,
            for_page("[stages]", ""),
            word,
            "one of " + ", ".join((*STAGE_WORDS, "light-or-rem", "wake-or-sleep", UNSCORED, NOT_A_STAGE)),
            for_page("Correct that line of the layout.", "Choose another."),
        )
    return stage


def refuse_many_labels(count: int, path: str) -> None:
    """Raise a FileFormatError where one side holds more distinct labels than stages could have."""
    if count > MOST_LABELS:
        raise FileFormatError(
            "too many distinct stage labels for a scoring of sleep",
            path,
            found=f"{count:,} distinct labels",
            expected=f"at most {MOST_LABELS:,}",
            remedy="Look whether the labels are stages or measured values: "
            + for_page(
                f"a layout ({Option.LAYOUT:FILE.toml}) names the column of stages.",
                "the column of stages is said at its head.",
            ),
        )


def _unknown_labels(unknown: list[str], counts: Mapping[str, str], path: str) -> UnknownStageError:
    first = unknown[0]
    where = counts.get(first, "")
    # in one order, whichever came first in the file: one reason of many nights stands once
    lines = "\n".join(f'    {toml_text(label)} = "..."' for label in sorted(unknown)[:20])
    names = [f"'{shorten(u)}'" for u in unknown[:_SHOWN_LABELS]]
    placed = [f"{name} ({counts[u]})" if u in counts else name for name, u in zip(names, unknown, strict=False)]
    more = [f" and {len(unknown) - n} more" * (n < len(unknown)) for n in range(len(names) + 1)]
    lists = [", ".join([*placed[:n], *names[n:]]) + more[-1] for n in range(len(names), 0, -1)]
    lists += [", ".join(names[:n]) + more[n] for n in range(len(names), 0, -1)]
    listing = next((text for text in lists if len(text) <= LONGEST_FOUND), lists[-1])  # no label is cut
    return UnknownStageError(
        "unknown stage label" if len(unknown) == 1 else f"{len(unknown)} unknown stage labels",
        path,
        where if len(unknown) == 1 else "",
        listing,
        "a plain stage name" + for_page(", or a line for it in the layout", ", or to be told what it means"),
        for_page(
            f"Give a layout ({Option.LAYOUT:FILE.toml}) with\n    [stages]\n{lines}\n  and for each one of "
            f"{', '.join((*STAGE_WORDS, UNSCORED, NOT_A_STAGE))}.",
            "Say what each label with a red line means.",
        ),
        unknown,
    )
