"""Patterns of file names proposed from the names in a folder, to be looked at before they are used.

Names are taken apart twice, finely (letters, figures and what parts them) and coarsely (what parts folders, words
and endings). Names alike but for letters and figures are one kind of name; what differs inside a kind is a field, and
which one shows by what the other side's names hold, too. Whatever is proposed has been tried with
:func:`nights_from_folder`; the pair with most nights is proposed, of equals the one with most words beside its fields
that both sides share. Where equals remain that bring other files together, they are told, too.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache, partial
from itertools import islice, product
from pathlib import Path
from typing import Final, NamedTuple, TypeAlias

from sleepagree.errors import InputError, for_page
from sleepagree.study.file_patterns import NIGHT, PARTICIPANT, same_letters
from sleepagree.study.from_folder import (
    DEVICE,
    PART,
    SCORER,
    FolderNights,
    files_and_links,
    first_of,
    nights_from_folder,
    tell_links,
)

_FINE: Final = re.compile(r"\d{4}-\d\d-\d\d|\d+|[^\W\d_]+|[\W_]")
_COARSE: Final = re.compile(r"[/_.]|[^/_.]+")
_DATE: Final = re.compile(r"\d{4}-?\d\d-?\d\d")
#: Words in the names of references, and before the number of a night.
_OF_REFERENCE: Final = re.compile(
    "eeg|expert|hyp|hypnograms?|lab|laboratory|manual|polysomnography|psg|ref|references?|scored|scorers?|scorings?"
)
_OF_NIGHT: Final = re.compile("d|date|day|n|nights?|ses|session|visit|nacht|nuit|noche|notte|noite|natt?")
_SHOWN: Final = 3
#: Ways in which names fit that are told.
_MOST_WAYS: Final = 16
#: More different texts than these in one place are no names of devices or scorers.
_MOST_DEVICES: Final = 20


@dataclass(frozen=True)
class ProposedPatterns:
    """Patterns that fit a folder, and what they find in it.

    Parameters
    ----------
    reference : str
        Pattern of the references.
    devices : tuple of str
        Patterns of the devices' files.
    names : tuple of str
        Names of the devices whose patterns have no ``{device}``, in order.
    found : FolderNights
        The nights they make.
    others : tuple of ProposedPatterns
        Patterns that fit as well and bring other files together: somebody must say which are right.
    """

    reference: str
    devices: tuple[str, ...]
    names: tuple[str, ...]
    found: FolderNights
    others: tuple[ProposedPatterns, ...] = ()

    @property
    def open_question(self) -> str:
        """What somebody must say where others fit as well, "" where none does."""
        return f"The names fit in {len(self.others) + 1} ways, and do not show which is right." if self.others else ""

    @property
    def named_devices(self) -> list[tuple[str, str]]:
        """The pattern and the name of each device, "" for a name that file names tell."""
        names = iter(self.names)
        return [(pattern, "" if f"{{{DEVICE}}}" in pattern else next(names)) for pattern in self.devices]


_Try: TypeAlias = Callable[[str, tuple[tuple[str, str], ...]], ProposedPatterns | None]
"""From the pattern of the references, and patterns and names of devices, to the nights they make."""


class _Kind(NamedTuple):
    """Names that are alike but for letters and figures, cut into as many pieces each."""

    rows: tuple[tuple[str, ...], ...]

    def column(self, at: int) -> tuple[str, ...]:
        return tuple(row[at] for row in self.rows)

    def values(self, at: int) -> set[str]:
        """Return what a piece says in all names, the word before the number of a night left out."""
        heads = r"^[^\W\d_]+-?" if self.role(at) == NIGHT else "^"
        return {re.sub(heads, "", piece) for piece in self.column(at)}

    def split(self, at: int) -> list[_Kind]:
        """Return a kind for each text of a piece."""
        return [_Kind(tuple(row for row in self.rows if row[at] == text)) for text in dict.fromkeys(self.column(at))]

    @property
    def differing(self) -> list[int]:
        """Places of pieces that differ; one that says what an earlier one says stands for the same."""
        places: dict[tuple[str, ...], int] = {}
        for at in range(len(self.rows[0])):
            if len(set(self.column(at))) > 1:
                places.setdefault(self.column(at), at)
        return sorted(places.values())

    def beside(self, at: int) -> list[str]:
        """Return the words of all names right before and right behind a place, with marks between at most, or ""."""
        row, found = self.rows[0], []
        for places in (range(at - 1, -1, -1), range(at + 1, len(row))):
            near = next((i for i in places if row[i] in "/." or row[i][0].isalnum()), at)
            found.append(row[near].casefold() if row[near].isalpha() and len(set(self.column(near))) == 1 else "")
        return found

    def role(self, at: int) -> str:
        """Return what the piece before a place, or its own form, calls it: a night, a part, or nothing."""
        before = next((self.rows[0][i] for i in range(at - 1, -1, -1) if self.rows[0][i].isalpha()), "").casefold()
        pieces = self.column(at)
        heads = {re.split(r"\d", piece)[0].rstrip("-").casefold() for piece in pieces}
        own = heads.pop() if len(heads) == 1 else ""
        if PART in (before, own):
            return PART
        numbered = all(piece[-1:].isdigit() for piece in pieces)
        is_night = numbered and any(map(_OF_NIGHT.fullmatch, (before, own)))
        return NIGHT if is_night or all(map(_DATE.fullmatch, pieces)) else ""


def propose_patterns(folder: Path, *, people: Sequence[str] | None = None) -> ProposedPatterns:
    """Propose patterns for a folder that holds the files of both sides.

    Parameters
    ----------
    folder : Path
        The folder.
    people : sequence of str, optional
        Who takes part.

    Raises
    ------
    InputError
        When the folder cannot be read, or its names do not show which files belong together.
    """
    files = [same_letters(file) for file in files_and_links(folder)[0]]
    references, devices = _sides(folder, files)
    tried = cache(partial(_tried, folder, people))
    best: tuple[tuple[int, int], ProposedPatterns, dict[str, str]] | None = None
    equals: dict[tuple[str, str], list[str]] = {}
    for cut in (_fine(people), _COARSE):
        # what tells devices apart is a field, or, where it would let references in, a pattern for each
        offers: dict[tuple[str, bool], dict[str, str]] = {}
        for reference, device in product(_kinds(references, cut, people), _kinds(devices, cut, people)):
            free = [at for at in device.differing if at not in _pairs(reference, device).values()]
            apart = [
                kind for at in free[:1] if len(set(device.column(at))) <= _MOST_DEVICES for kind in device.split(at)
            ]
            for kind in (device, *apart):
                for pattern, ways in _patterns(reference, kind, people):
                    other, *also = _likeliest(tried, pattern, ways)
                    equals[pattern, other] = also
                    for one_each in {kind is not device, not apart}:
                        offer = offers.setdefault((pattern, one_each), {})
                        offer.setdefault(other, _device_name(kind, reference))
        for (pattern, _), others in offers.items():
            for together in ([*others], *([other] for other in others)):
                named = {other: others[other] for other in together}
                proposed = tried(pattern, tuple(named.items()))
                if proposed is not None:
                    score = len(proposed.found.rows), (PARTICIPANT in pattern) + (NIGHT in pattern)
                    if best is None or score > best[0]:
                        best = score, proposed, named
    if best is None:
        kinds_told = f"{len(references)} files of the reference such as {references[0]}"
        raise _no_proposal(folder, f"{kinds_told}, {len(devices)} others such as {devices[0]}")
    _, proposed, named = best
    combined = product(*([other, *equals[proposed.reference, other]] for other in named))
    fitting = [
        tried(proposed.reference, tuple(zip(way, named.values(), strict=True)))
        for way in islice(combined, 1, _MOST_WAYS)
    ]
    return _told_open(proposed, [other for other in fitting if other is not None])


def _told_open(proposed: ProposedPatterns, others: Sequence[ProposedPatterns]) -> ProposedPatterns:
    """Return a proposal with the others that fit as well; each then says that it is one of several."""
    told = replace(proposed, others=tuple(others)).open_question
    hints = (told,) if told else ()
    first, *further = (
        replace(one, found=replace(one.found, hints=(*one.found.hints, *hints))) for one in (proposed, *others)
    )
    return replace(first, others=tuple(further))


def _sides(folder: Path, files: Sequence[str]) -> tuple[list[str], list[str]]:
    """Return the files of the reference, by words in their names or else as EDF, and the others."""
    words = {file: {piece.casefold() for piece in _FINE.findall(file)} for file in files}
    of_all = set.intersection(*words.values()) if words else set()
    by_word = [file for file in files if any(map(_OF_REFERENCE.fullmatch, words[file] - of_all))]
    references = by_word or [file for file in files if file.casefold().endswith((".edf", ".bdf"))]
    others = [file for file in files if file not in references]
    if not references or not others:
        raise _no_proposal(folder, first_of(files, _SHOWN) or "no file")
    return references, others


def _no_proposal(folder: Path, found: str) -> InputError:
    problem = "the names of the files do not show which belong together"
    expected = (
        "files of a reference (psg, lab, reference ... in their names, or EDF beside others) and of devices that name "
        "the same people or nights"
    )
    remedy = for_page(
        'Say it with patterns, such as --reference "lab/{participant}_{night}.edf" --device '
        '"{device}/{participant}_{night}.csv".',
        'Say it with names, such as "lab/{participant}_{night}.edf" and "{device}/{participant}_{night}.csv".',
    ) + "".join(f" {told}" for told in tell_links(files_and_links(folder)[1]))
    return InputError(problem, str(folder), "", found, expected, remedy)


def _fine(people: Sequence[str] | None) -> re.Pattern[str]:
    """Return what takes names apart finely, but for the names of people."""
    known = sorted(map(re.escape, people or ()), key=len, reverse=True)
    return re.compile("|".join([*known, _FINE.pattern]))


def _kinds(files: Sequence[str], cut: re.Pattern[str], people: Sequence[str] | None) -> list[_Kind]:
    found: dict[tuple[str, ...], list[tuple[str, ...]]] = {}
    for file in files:
        row = tuple(cut.findall(file))
        form = tuple(_form(piece, people, fine=cut is not _COARSE) for piece in row)
        found.setdefault((*form, Path(file).suffix), []).append(row)
    return [_Kind(tuple(rows)) for rows in found.values()]


def _form(piece: str, people: Sequence[str] | None, *, fine: bool) -> str:
    if fine and piece not in (people or ()) and piece[0].isdigit():
        return "1"
    return "a" if piece[0].isalnum() else piece


def _pairs(reference: _Kind, device: _Kind) -> dict[int, int]:
    """Return places of the reference's names -> those of the device's that say the same of whom or when."""
    pairs: dict[int, int] = {}
    for at in reference.differing:
        here = reference.values(at)
        scores = [
            (_speaks(reference, at, device, other), len(here & there) / len(here | there), -other)
            for other in _alike(reference, at, device)
            if other not in pairs.values() and (there := device.values(other))
        ]
        if scores:
            pairs[at] = -max(scores)[2]
    return pairs


def _alike(reference: _Kind, at: int, device: _Kind) -> list[int]:
    """Return the places of the device's names that have texts in common with a place of the reference's."""
    here = set() if reference.role(at) == PART else reference.values(at)
    return [other for other in device.differing if device.role(other) != PART and here & device.values(other)]


def _speaks(reference: _Kind, at: int, device: _Kind, other: int) -> tuple[int, int]:
    """Return what else speaks for two places: whether they are called alike, and the words beside both."""
    words = zip(reference.beside(at), device.beside(other), strict=True)
    return int(device.role(other) == reference.role(at)), sum(one == two != "" for one, two in words)


def _patterns(
    reference: _Kind, device: _Kind, people: Sequence[str] | None
) -> Iterator[tuple[str, dict[str, tuple[int, int]]]]:
    """Yield patterns of two kinds of names: with whole names of people, and without what begins them all.

    With the reference's come all of the device's that lay the same fields elsewhere, and what speaks for each.
    """
    pairs = _pairs(reference, device)
    if not pairs:
        return
    nights = [at for at in pairs if reference.role(at) == NIGHT]
    others = [at for at in pairs if at not in nights]
    if people is not None:
        known = set(people)
        others.sort(key=lambda at: -len(known & set(reference.column(at))))
    if not nights and len(others) > 1:
        nights = others[1:]
    fields = dict.fromkeys(others[:1], PARTICIPANT) | dict.fromkeys(nights[:1], NIGHT)
    ways = [tuple(pairs[at] for at in fields), *product(*(_alike(reference, at, device) for at in fields))]
    # what both sides say beside person and night tells no scorer and no device; where nights need it, it must
    extra = [at for at in pairs if at not in fields]
    for whole, shared in product((True, False) if people is None else (False,), (extra, ()) if extra else ((),)):
        found: dict[str, tuple[int, int]] = {}
        theirs = [pairs[at] for at in shared]
        for way in ways:
            if len(set(way)) == len(fields):
                spoken = [_speaks(reference, at, device, other) for at, other in zip(fields, way, strict=True)]
                own = dict(zip(way, fields.values(), strict=True))
                found[_pattern(device, own, DEVICE, theirs, whole=whole)] = (
                    sum(s[0] for s in spoken),
                    sum(s[1] for s in spoken),
                )
        yield _pattern(reference, fields, SCORER, shared, whole=whole), found


def _likeliest(tried: _Try, pattern: str, ways: dict[str, tuple[int, int]]) -> list[str]:
    """Return the patterns of a device that make most nights and for which most speaks, where there are several."""
    if len(ways) == 1:
        return [*ways]
    made_of = {other: tried(pattern, ((other, DEVICE),)) for other in ways}
    scores = {other: (len(made.found.rows), ways[other]) for other, made in made_of.items() if made is not None}
    return [other for other in scores if scores[other] == max(scores.values())] or [*ways][:1]


def _pattern(kind: _Kind, fields: dict[int, str], maker: str, shared: Iterable[int], *, whole: bool) -> str:
    """Return the pattern of a kind of names; the maker tells what differs, belongs to one side and is not too much."""
    named = {kind.column(at): name for at, name in fields.items()}
    open_columns = {kind.column(at) for at in shared}
    out: list[str] = []
    for at, piece in enumerate(kind.rows[0]):
        column = kind.column(at)
        if len(set(column)) == 1:
            out.append(piece)
            continue
        name = named.get(column) or (PART if kind.role(at) == PART else maker)
        if name == maker and (column in open_columns or len(set(column)) > _MOST_DEVICES):
            out.append("*")
            continue
        field = f"{{{name}}}"
        if name == maker and field in out:
            # one name in several pieces, such as "band A" beside "pad B"
            first = out.index(field)
            between = "".join(out[first + 1 :])
            if between and any(c.isalnum() or c in "/{" for c in between):
                out.append("*")
            else:
                del out[first + 1 :]
            continue
        if name == PARTICIPANT and whole:
            while out and out[-1] != "/" and (out[-1].isalpha() or out[-1] == "-"):
                out.pop()
        if name == NIGHT and (head := re.match(r"[^\W\d_]+-?", piece)) and kind.role(at) == NIGHT:
            out.append(head.group())
        out.append(field)
    return "".join(out)


def _device_name(device: _Kind, reference: _Kind) -> str:
    """Return what the device may be called: its folder, or the words that only its names hold."""
    path, other = "".join(device.rows[0]), "".join(reference.rows[0])
    folder = path.partition("/")[0] if "/" in path else ""
    if folder and all("".join(row).startswith(f"{folder}/") for row in device.rows) and not other.startswith(folder):
        return folder
    ending, theirs = Path(path).suffix, set(reference.rows[0])
    own = [p for i, p in enumerate(device.rows[0]) if p.isalpha() and len(set(device.column(i))) == 1]
    return "-".join(word for word in own if word not in theirs and f".{word}" != ending) or "device"


def _tried(
    folder: Path, people: Sequence[str] | None, pattern: str, devices: tuple[tuple[str, str], ...]
) -> ProposedPatterns | None:
    patterns = tuple(other for other, _ in devices)
    names = tuple(name for other, name in devices if f"{{{DEVICE}}}" not in other)
    try:
        found = nights_from_folder(
            folder, reference_pattern=pattern, device_pattern=patterns, device_name=names, people=people
        )
    except InputError:
        return None
    return ProposedPatterns(pattern, patterns, names, found)
