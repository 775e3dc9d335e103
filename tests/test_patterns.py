"""``late_pattern`` against ``re.compile`` of the standard library."""

from __future__ import annotations

import re

import pytest

from sleepagree.patterns import late_pattern

TEXTS = ("crew-3", "CREW-12 and crew-4", "", "band A")


@pytest.mark.parametrize("flags", [re.NOFLAG, re.IGNORECASE])
@pytest.mark.parametrize("method", ["match", "fullmatch", "search", "finditer", "findall", "split"])
def test_same_as_the_standard_library(method: str, flags: re.RegexFlag) -> None:
    late, compiled = late_pattern(r"crew-(\d+)", flags), re.compile(r"crew-(\d+)", flags)
    for text in (*TEXTS, *TEXTS):
        ours, theirs = getattr(late, method)(text), getattr(compiled, method)(text)
        if method == "finditer":
            ours, theirs = [m.span() for m in ours], [m.span() for m in theirs]
        elif theirs is not None and method in ("match", "fullmatch", "search"):
            ours, theirs = (ours.span(), ours.groups()), (theirs.span(), theirs.groups())
        assert ours == theirs


def test_bytes_and_bounds() -> None:
    assert late_pattern(rb"\d+").fullmatch(b"ab12", 2) is not None
    assert late_pattern(rb"\d+").sub(b"n", b"a1b22") == b"anbn"


def test_text_and_flags_are_told() -> None:
    late = late_pattern("crew", re.IGNORECASE)
    assert (late.pattern, late.flags, late.groups) == ("crew", re.compile("crew", re.IGNORECASE).flags, 0)


def test_a_wrong_pattern_fails_when_it_is_used() -> None:
    late = late_pattern("(")
    with pytest.raises(re.error):
        late.match("")
