"""In which encodings bytes that are no UTF-8 may be text, the likeliest first: told and proposed, never applied."""

from __future__ import annotations

import re
import unicodedata
from functools import cache
from typing import Final, NamedTuple

from sleepagree.mapping.languages import Vocabulary, vocabularies

#: The commonest first, which goes before others that fit as well.
_CANDIDATES: Final = (
    *("cp1252", "cp1250", "cp1251", "cp1253", "cp1254", "cp1257", "shift_jis", "euc_kr", "gb18030", "big5"),
    *("cp932", "cp949", "euc_jp", "iso8859-2", "iso8859-5", "iso8859-7", "iso8859-9", "iso8859-15", "koi8_r", "koi8_u"),
    *("cp866", "cp850", "cp852", "mac_roman", "cp1255", "cp1256", "cp874", "iso8859-8", "iso8859-6", "iso8859-11"),
    *("iso8859-13", "iso8859-4", "cp775", "cp862", "cp1258"),
)
_MOST_TOLD: Final = 5
_MOST_LINES: Final = 2000
#: Half of the characters are letters of one language.
_PLAUSIBLE: Final = 0.5
#: Letters, and the vowels and tones above and below them of scripts that have an encoding of their own.
_WORD: Final = re.compile("(?:[^\\W\\d_]|[\u0300-\u036f\u0591-\u05c7\u064b-\u065f\u0e31\u0e34-\u0e3a\u0e47-\u0e4e])+")
#: Marks that texts of any language may hold beside its words.
_MARKS: Final = frozenset("“”„‘’«»–—…·°€№±¿¡ªº\u00a0\u3000、。「」『』【】〜・（）：，；／！？％＝－＋")
_IN_WORDS: Final = frozenset("’·–・")
#: Characters in common use of languages that have thousands, as national standards part them from rarer ones:
#: encoding, first and last leading byte.
_COMMON: Final = {
    "Japanese": (("euc_jp", 0xA4, 0xCF),),
    "Chinese": (("gb2312", 0xB0, 0xD7), ("big5", 0xA4, 0xC6)),
    "Korean": (("euc_kr", 0xB0, 0xC8),),
}
#: Languages without spaces between words.
_UNPARTED: Final = frozenset({*_COMMON, "Thai"})


class _Word(NamedTuple):
    beyond: int
    letters: frozenset[str]
    is_cased: bool


def likely_encodings(data: bytes) -> tuple[str, ...]:
    """Return encodings in which bytes may be text, the likeliest first; none for UTF-8, UTF-16 and what is no text.

    All bytes are characters in each of them, none a control character, and of those that read alike the first is named.
    They are ranked by the language that fits best: the share of the characters beyond ASCII of different words, that
    it writes with, times one more than the number of its words for sleep and stages that are there.
    """
    if data.startswith((b"\xff\xfe", b"\xfe\xff")) or b"\0" in data or _decoded(data, "utf-8-sig") is not None:
        return ()
    lines = list(dict.fromkeys(data.split(b"\n")))
    sample = b"\n".join(sorted(lines, key=bytes.isascii)[:_MOST_LINES])
    scores: dict[str, float] = {}
    read: set[str] = set()
    for encoding in _CANDIDATES:
        text, part = _decoded(data, encoding), _decoded(sample, encoding)
        if text is None or part is None or part in read or any(map(_is_control, set(text))):
            continue
        read.add(part)
        scores[encoding] = _likeness(part)
    ranked = sorted(scores, key=lambda encoding: -scores[encoding])
    return tuple(e for e in ranked[:_MOST_TOLD] if scores[e] >= _PLAUSIBLE or e == ranked[0])


def _decoded(data: bytes, encoding: str) -> str | None:
    try:
        return data.decode(encoding)
    except UnicodeDecodeError:
        return None


def _is_control(character: str) -> bool:
    return unicodedata.category(character) in ("Cc", "Co", "Cn") and character not in "\t\n\r\f"


def _likeness(text: str) -> float:
    """Return how much a text is like one of a language: 0 for none, 1 for its letters alone, more for its words."""
    tokens = set(_WORD.findall(text))
    words = [_word(token) for token in tokens if not token.isascii()]
    total = sum(word.beyond for word in words) + _out_of_place(text)
    folded = {token.casefold() for token in tokens}
    best = 0.0
    for language, vocabulary in vocabularies().items() if total else ():
        alphabets = _alphabets(language)
        own = max(sum(_own(word, alphabet, language) for word in words) for alphabet in alphabets)
        best = max(best, own / total * (1 + _known(vocabulary, folded, text, by_word=language not in _UNPARTED)))
    return best


def _word(token: str) -> _Word:
    upper = [c.isupper() for c in token]
    beyond = sum(not c.isascii() for c in token)
    return _Word(beyond, frozenset(c.lower()[:1] for c in token), all(upper) or not any(upper[1:]))


def _own(word: _Word, alphabet: frozenset[str], language: str) -> int:
    """Return how many of the characters of a word a language writes with."""
    if language in _COMMON:
        return len({c for c in word.letters if not c.isascii()} & alphabet)
    return word.beyond if word.is_cased and word.letters <= alphabet else 0


@cache
def _alphabets(language: str) -> tuple[frozenset[str], ...]:
    """Return the small letters that a language writes with; the characters of each of its ways to write."""
    if language in _COMMON:
        return tuple(_in_common_use(*standard) for standard in _COMMON[language])
    letters = vocabularies()[language].letters
    is_latin = not letters or "LATIN" in unicodedata.name(letters[0])
    return (frozenset(letters + "abcdefghijklmnopqrstuvwxyz" * is_latin),)


def _in_common_use(encoding: str, first: int, last: int) -> frozenset[str]:
    pairs = (bytes((lead, trail)) for lead in range(first, last + 1) for trail in range(0x40, 0xFF))
    found = (pair.decode(encoding, "ignore") for pair in pairs)
    return frozenset(c for c in found if len(c) == 1 and unicodedata.category(c) == "Lo") | {"ー", "々"}


def _known(vocabulary: Vocabulary, folded: set[str], text: str, *, by_word: bool) -> int:
    """Return how many of the words of a language stand in a text."""
    if by_word:
        return len({part for words in vocabulary.texts for part in words.split()} & folded)
    return sum(words in text for words in vocabulary.texts)


def _out_of_place(text: str) -> int:
    """Return how many different characters are no letters and no marks, or are marks inside a word."""
    odd = {c for c in set(text) if not c.isascii() and not _WORD.match(c) and c not in _MARKS}
    inside = {text[i] for i in range(1, len(text) - 1) if text[i] in _MARKS and text[i - 1 : i + 2 : 2].isalpha()}
    return len(odd) + len(inside - _IN_WORDS)
