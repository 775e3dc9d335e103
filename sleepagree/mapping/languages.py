"""What a label may mean by the plain words of some languages: proposals, which somebody confirms in a layout.

Readers never use this: ``recognise_label`` alone says what a label means without a layout.
"""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Sequence
from functools import cache
from typing import Any, Final, NamedTuple

from sleepagree.mapping.words import canonical_stage, fold_label, read_data, recognise_label

_ASIDE: Final = re.compile(r"[()\[\]_/.:-]+")
#: What is said around the word for a stage in the name of a column.
_AROUND: Final = re.compile(r"[\[(][^\])]*[\])]|%|\b(?:is|stage|pct|percent|mins?|minutes|secs?|seconds|s|flag)\b")
#: A text with another one in brackets behind it.
_BRACKETED: Final = re.compile(r"([^()\[\]]+)[(\[]([^()\[\]]+)[)\]]")
_ARABIC_LETTERS: Final = str.maketrans("یک", "يك")
#: Capitals whose small letters are others in Turkish.
_TURKISH: Final = str.maketrans("İI", "iı")
#: What stands in a language's table beside its words for stages.
_BESIDE: Final = ("sleep_words", "letters")


class Meaning(NamedTuple):
    """What a label may mean.

    Parameters
    ----------
    word : str
        Stage word of a layout.
    languages : tuple of str
        Languages in which it means that, in the order of the data file.
    """

    word: str
    languages: tuple[str, ...]


class Vocabulary(NamedTuple):
    """What a language writes with.

    Parameters
    ----------
    letters : str
        Small letters beside a to z; "" where they are too many to be told.
    stages : mapping of str to str
        Its words for stages, in small letters, and the stage word of each.
    sleep_words : frozenset of str
        Its words for sleep, which may stand beside them.
    texts : frozenset of str
        Both.
    """

    letters: str
    stages: dict[str, str]
    sleep_words: frozenset[str]
    texts: frozenset[str]


def propose_meanings(labels: Sequence[str]) -> dict[str, Meaning]:
    """Return what labels may mean, those left out that no language explains or that mean different things.

    A word of two meanings has that of the language which explains most of the labels together, if it is one of its
    languages. Of "drowse (REM)" the text in brackets is taken, if the one before it has no other meaning, and of "awake
    (noise)" the one before them.

    Examples
    --------
    >>> propose_meanings(["Wach", "Leichter Schlaf", "x7"])
    {'Wach': Meaning(word='wake', languages=('German',)), 'Leichter Schlaf': Meaning(word='light', \
languages=('German',))}
    """
    found = {label: _readings(label) for label in labels}
    counts = Counter(language for readings in found.values() for language in readings)
    shared = max(counts, key=lambda language: (counts[language], -list(vocabularies()).index(language)), default="")
    meanings = {}
    for label, readings in found.items():
        words = set(readings.values())
        if len(words) == 1:
            meanings[label] = Meaning(words.pop(), tuple(readings))
        elif shared in readings:
            meanings[label] = Meaning(readings[shared], (shared,))
    return meanings


def words_for_stages(texts: Sequence[str]) -> list[str]:
    """Return those of some texts that mean something by themselves, in whatever language."""
    meanings = propose_meanings(texts)
    return [text for text in texts if text in meanings or recognise_label(text) is not None]


def without_aside(name: str) -> str:
    """Return the name of a column without what is said around the word for a stage, in small letters."""
    return " ".join(_AROUND.sub(" ", " ".join(re.split(r"[\s_.-]+", name.casefold()))).split())


def word_in_name(name: str) -> str:
    """Return the stage that the name of a column tells, "" where it tells none.

    Examples
    --------
    >>> word_in_name("is_awake"), word_in_name("Traum [%]"), word_in_name("pulse")
    ('W', 'rem', '')
    """
    return word_for(name) or word_for(without_aside(name))


def word_for(text: str) -> str:
    """Return what a text means by itself, in whatever language; "" where it means nothing."""
    if plain := recognise_label(text):
        return plain
    meaning = propose_meanings([text]).get(text)
    return meaning.word if meaning else ""


def _readings(label: str) -> dict[str, str]:
    """Return language -> stage word for those languages that have a plain word for a label."""
    folded = unicodedata.normalize("NFKC", fold_label(label))
    if found := _plain_readings(folded) or _plain_readings(fold_label(label.translate(_TURKISH))):
        return found
    match = _BRACKETED.fullmatch(folded)
    if match is None:
        return {}
    before, inside = match[1].strip(), _plain_readings(match[2].strip())
    if not inside and recognise_label(match[2].strip()) is None:
        return _plain_readings(before)  # a remark
    # "light (REM)" has two meanings, and so none
    plain = recognise_label(before)
    meant = {*inside.values()}
    is_plain_other = plain is not None and {plain} != {*map(canonical_stage, meant)}
    other = is_plain_other or not {*_plain_readings(before).values()} <= meant
    return {} if other else inside


def _plain_readings(folded: str) -> dict[str, str]:
    spaced = " ".join(_ASIDE.sub(" ", folded).split())
    readings = {}
    for language, words in vocabularies().items():
        bare = " ".join(word for word in spaced.split() if word not in words.sleep_words)
        for text in (folded, spaced, bare):
            if text in words.stages:
                readings[language] = words.stages[text]
                break
    return readings


def _ways_to_write(texts: Sequence[str]) -> list[str]:
    """Return words in small letters, those of Persian and Urdu with the letters of Arabic keyboards, too."""
    return [way for text in texts for way in (text.casefold(), text.casefold().translate(_ARABIC_LETTERS))]


@cache
def vocabularies() -> dict[str, Vocabulary]:
    """Return language -> what it writes with."""
    return {
        language: _vocabulary(words)
        for language, words in read_data("languages.toml").items()
        if isinstance(words, dict)
    }


def _vocabulary(words: dict[str, Any]) -> Vocabulary:
    """Return the vocabulary of a language's table: stage word = texts, and what stands beside them."""
    stages = {way: stage for stage, texts in words.items() if stage not in _BESIDE for way in _ways_to_write(texts)}
    sleep_words = frozenset(_ways_to_write(words["sleep_words"]))
    return Vocabulary(words.get("letters", ""), stages, sleep_words, sleep_words.union(stages))
