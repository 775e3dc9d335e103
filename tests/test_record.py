"""``record`` against ``dataclasses.dataclass(frozen=True)`` of the standard library, which it stands in for."""

from __future__ import annotations

import copy
import dataclasses
import inspect
import math
import pickle
from collections.abc import Callable
from typing import Any

import pytest

from sleepagree.record import record


def declare(decorate: Callable[[type], type], name: str) -> type:
    class Trial:
        """A night on the ferry."""

        crew: int
        device: str = "pad B"
        remarks: list[str] = dataclasses.field(default_factory=list, compare=False, repr=False)

        def __post_init__(self) -> None:
            if self.crew < 0:
                raise ValueError("crew")

    Trial.__name__ = Trial.__qualname__ = name  # pickle finds a class by its name
    return decorate(Trial)


Ours: Any = declare(record(), "Ours")
Theirs: Any = declare(dataclasses.dataclass(frozen=True), "Theirs")
ByIdentity: Any = declare(record(eq=False), "ByIdentity")


@pytest.mark.parametrize("args", [(1,), (1, "band A"), (1, "pad B", ["late"])])
def test_same_as_the_standard_library(args: tuple[Any, ...]) -> None:
    ours, theirs = Ours(*args), Theirs(*args)
    assert repr(ours).split("(", 1)[1] == repr(theirs).split("(", 1)[1]
    assert dataclasses.asdict(ours) == dataclasses.asdict(theirs)
    assert Ours.__match_args__ == Theirs.__match_args__
    for other in ((1,), (1, "band A"), (2,), (1, "pad B", ["early"])):
        assert (ours == Ours(*other)) is (theirs == Theirs(*other))
        assert (hash(ours) == hash(Ours(*other))) is (hash(theirs) == hash(Theirs(*other)))


def test_made_as_by_the_standard_library() -> None:
    ours, theirs = (inspect.signature(one).parameters.values() for one in (Ours, Theirs))
    assert [(p.name, p.kind, p.annotation) for p in ours] == [(p.name, p.kind, p.annotation) for p in theirs]
    for args in ((), (1, "pad B", [], 4)):
        with pytest.raises(TypeError, match=r"^Ours\.__init__\(\) (missing|takes)"):
            Ours(*args)
    with pytest.raises(TypeError, match="unexpected keyword argument 'night'"):
        Ours(1, night=2)
    assert Ours(1).remarks is not Ours(1).remarks
    assert Ours(1, remarks=None).remarks is None


def test_a_field_that_is_worked_out() -> None:
    @record()
    class Night:
        epochs: int
        minutes: float = dataclasses.field(init=False)

        def __post_init__(self) -> None:
            object.__setattr__(self, "minutes", self.epochs / 2)

    assert repr(Night(3)).endswith("Night(epochs=3, minutes=1.5)")
    with pytest.raises(TypeError):
        Night(3, 1.5)


def test_only_its_own_class_is_equal() -> None:
    assert Ours(1) != Theirs(1)
    assert Ours(1).__eq__(Theirs(1)) is NotImplemented
    assert Ours(math.nan) == Ours(math.nan)  # one object: as in a tuple


def test_frozen() -> None:
    one = Ours(1)
    with pytest.raises(dataclasses.FrozenInstanceError):
        one.crew = 2
    with pytest.raises(dataclasses.FrozenInstanceError):
        del one.crew
    with pytest.raises(dataclasses.FrozenInstanceError):
        one.unknown = 2
    assert one.crew == 1
    with pytest.raises(ValueError, match="crew"):
        dataclasses.replace(one, crew=-1)


def test_copies() -> None:
    one = Ours(3, "band A", ["late"])
    for twin in (copy.copy(one), copy.deepcopy(one), pickle.loads(pickle.dumps(one)), dataclasses.replace(one)):
        assert twin == one
        assert twin.remarks == ["late"]


def test_by_identity() -> None:
    one, other = ByIdentity(1), ByIdentity(1)
    assert one == one  # noqa: PLR0124
    assert one != other
    assert len({one, other}) == 2


def test_a_method_of_its_own_stays() -> None:
    @record()
    class Night:
        number: int

        def __repr__(self) -> str:
            return "a night"

    assert repr(Night(1)) == "a night"
    assert Night(1) == Night(1)


def test_a_record_that_holds_itself_is_shown() -> None:
    one = ByIdentity(1)
    object.__setattr__(one, "device", one)
    assert repr(one).endswith("(crew=1, device=...)")


@record(slots=True)
class Slim:
    crew: int
    device: str = "pad B"


def test_slots_leave_room_for_nothing_else() -> None:
    one = Slim(3)
    assert not hasattr(one, "__dict__")
    assert (one.crew, one.device) == (3, "pad B")
    assert one == Slim(3, "pad B")
    assert hash(one) == hash(Slim(3))
    assert repr(one) == "Slim(crew=3, device='pad B')"
    with pytest.raises(dataclasses.FrozenInstanceError):
        one.crew = 4  # type: ignore[misc]
    with pytest.raises(dataclasses.FrozenInstanceError):
        one.rank = "mate"  # type: ignore[attr-defined]


def test_copies_of_what_has_slots() -> None:
    one = Slim(3, "band A")
    for twin in (copy.copy(one), copy.deepcopy(one), pickle.loads(pickle.dumps(one)), dataclasses.replace(one)):
        assert twin == one
    assert dataclasses.asdict(one) == {"crew": 3, "device": "band A"}
