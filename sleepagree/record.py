"""Frozen dataclasses that are quick to define.

Up to Python 3.12 a frozen dataclass compiles the source of each of its methods when its module is imported; for the
classes on the path of one night that took a third of the time in which numpy is imported. The methods that need no
source of their own are made here without it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, fields
from operator import attrgetter
from reprlib import recursive_repr
from typing import Any, TypeVar, dataclass_transform

Instance = TypeVar("Instance")


@dataclass_transform(frozen_default=True, field_specifiers=(field,))
def record(*, eq: bool = True) -> Callable[[type[Instance]], type[Instance]]:
    """Return a decorator that makes a class what ``dataclass(frozen=True, eq=eq)`` makes it.

    Parameters
    ----------
    eq : bool
        Whether two of the class with equal fields are equal. Otherwise each is equal to itself only, as it must
        be where a field is an array.

    Examples
    --------
    >>> @record()
    ... class Trial:
    ...     night: int
    ...     device: str = "pad B"
    >>> Trial(1)
    Trial(night=1, device='pad B')
    >>> Trial(1) == Trial(1, "pad B"), hash(Trial(1)) == hash(Trial(1, "pad B"))
    (True, True)
    >>> Trial(1).night = 2
    Traceback (most recent call last):
        ...
    dataclasses.FrozenInstanceError: cannot assign to field 'night'
    """

    def decorate(cls: type[Instance]) -> type[Instance]:
        made = dataclass(frozen=True, eq=False, repr=False)(cls)
        methods: list[Callable[..., Any]] = [_repr]
        if eq:
            methods += _by_value(made)
        for method in methods:
            if method.__name__ not in vars(made):
                setattr(made, method.__name__, method)
        return made

    return decorate


@recursive_repr()
def _repr(self: Any) -> str:
    shown = ", ".join(f"{one.name}={getattr(self, one.name)!r}" for one in fields(self) if one.repr)
    return f"{self.__class__.__qualname__}({shown})"


_repr.__name__ = "__repr__"


def _by_value(cls: type) -> tuple[Callable[..., Any], ...]:
    """Return ``__eq__`` and ``__hash__`` that look at the fields."""
    values = attrgetter("__class__", *(one.name for one in fields(cls) if one.compare))

    def __eq__(self: Any, other: object) -> Any:  # noqa: N807 - becomes the method of that name
        return values(self) == values(other) if other.__class__ is self.__class__ else NotImplemented

    def __hash__(self: Any) -> int:  # noqa: N807
        return hash(values(self))

    return __eq__, __hash__
