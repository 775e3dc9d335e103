"""Nights that were refused, with their reasons."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from sleepagree.describe.blocks import Block, Items, Section, section
from sleepagree.errors import Message, shorten
from sleepagree.study.night_summary import Refusal

#: As many nights with one reason, or more, are told together; of those, so many are named.
_FEWEST_TO_GROUP: Final = 3
_SHOWN_OF_A_GROUP: Final = 3


def refused_section(refused: Sequence[Refusal], given: str, *more: Block | None) -> Section | None:
    """Return refused nights of so many given, with their reasons and what else is shown of them; None without any."""
    return section("refused-nights", f"Refused: {len(refused)} of {given}", refused_items(refused), *more)


def refused_items(refused: Sequence[Refusal]) -> Items:
    """Return refused nights with their reasons; a reason that several share stands once, with the first of them."""
    groups: dict[Message | str, list[Refusal]] = {}
    word = "device-nights" if len({refusal.device for refusal in refused}) > 1 else "nights"
    for refusal in refused:
        fault = refusal.parts
        groups.setdefault(fault._replace(place="", found="") if fault else refusal.reason, []).append(refusal)
    items: list[str | Items] = []
    for shared, members in groups.items():
        if len(members) < _FEWEST_TO_GROUP:
            items += [f"{whose(refusal)}: {refusal.reason}" for refusal in members]
            continue
        parts = [refusal.parts for refusal in members if refusal.parts]
        found = {fault.found for fault in parts}
        common = parts[0].found if len(found) == 1 else ""
        told = shared._replace(found=common) if isinstance(shared, Message) else shared
        named = [_say_own(refusal, with_found=len(found) > 1) for refusal in members[:_SHOWN_OF_A_GROUP]]
        more = [f"and {len(members) - len(named)} more"] if len(members) > len(named) else []
        items += [f"{len(members)} {word}: {told}", Items((*named, *more), verbatim=True)]
    return Items(tuple(items), verbatim=True)


def _say_own(refusal: Refusal, *, with_found: bool) -> str:
    """Return whose night was refused, the place of the fault, and what was found there where that differs."""
    fault = refusal.parts
    if fault is None:
        return whose(refusal)
    found = f"found {fault.found}" if with_found and fault.found else ""
    return ": ".join(filter(None, (whose(refusal), fault.place, found)))


def whose(refusal: Refusal) -> str:
    """Return the line of a refused night, where it has one, and its names."""
    who = " ".join(map(shorten, filter(None, (refusal.participant, refusal.night, refusal.device))))
    return f"line {refusal.row}, {who}" if refusal.has_line else who
