"""Frozen dataclasses that are quick to define.

Up to Python 3.12 a frozen dataclass compiles up to six methods, each from a source of its own, when its module is
imported: for the classes on the path of one night that took two fifths of what importing numpy takes. Here one
method is compiled, ``__init__``, when the first instance is made, and the others are written once for all classes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import MISSING, FrozenInstanceError, dataclass, field, fields
from operator import attrgetter
from reprlib import recursive_repr
from typing import Any, NoReturn, TypeVar, dataclass_transform

Instance = TypeVar("Instance")


@dataclass_transform(frozen_default=True, field_specifiers=(field,))
def record(*, eq: bool = True, slots: bool = False) -> Callable[[type[Instance]], type[Instance]]:
    """Return a decorator that makes a class what ``dataclass(frozen=True, eq=eq)`` makes it.

    For classes without subclasses and with fields of the usual kind: neither ``InitVar`` nor ``kw_only``; what
    ``field(init=False)`` leaves out is set in ``__post_init__``.

    Parameters
    ----------
    eq : bool
        Whether two of the class with equal fields are equal. Otherwise each is equal to itself only, as it must
        be where a field is an array.
    slots : bool
        Whether it has no room for anything but its fields, for what a study holds once or more for every night.

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
        made = dataclass(init=False, repr=False, eq=False, slots=slots)(cls)
        methods: dict[str, Callable[..., Any]] = {
            "__init__": _late_init(made),
            "__setattr__": _refuse_assignment,
            "__delattr__": _refuse_deletion,
            "__repr__": _show,
        }
        made.__signature__ = _Signature()  # type: ignore[attr-defined]
        if slots:
            methods["__reduce__"] = _reduce  # the default would assign the fields one by one
        if eq:
            methods["__eq__"], methods["__hash__"] = _by_value(made)
        for name, method in methods.items():
            if name not in vars(made):
                setattr(made, name, method)
        return made

    return decorate


def _late_init(cls: type) -> Callable[..., None]:
    """Return an ``__init__`` that puts the compiled one in its place when it is called."""

    def __init__(self: Any, *args: Any, **more: Any) -> None:  # noqa: N807 - it stands for that method
        compiled = _init(cls)
        cls.__init__ = compiled  # type: ignore[misc]
        compiled(self, *args, **more)

    return __init__


class _Signature:
    """Tells :mod:`inspect` what a class takes, before its ``__init__`` is compiled as well."""

    def __get__(self, instance: object, cls: type) -> Any:
        from inspect import signature

        whole = signature(_init(cls))
        return whole.replace(parameters=list(whole.parameters.values())[1:])


def _init(cls: type) -> Callable[..., None]:
    """Compile ``__init__``, which alone differs so much between classes that a common one would be slow."""
    parameters, lines = ["self"], []
    names: dict[str, Any] = {"_assign": object.__setattr__, "_MISSING": MISSING}
    for one in fields(cls):
        if not one.init:
            continue
        default = f"_default_{one.name}"
        if one.default_factory is not MISSING:
            names[default] = one.default_factory
            parameters.append(f"{one.name}=_MISSING")
            lines.append(f"if {one.name} is _MISSING: {one.name} = {default}()")
        elif one.default is not MISSING:
            names[default] = one.default
            parameters.append(f"{one.name}={default}")
        else:
            parameters.append(one.name)
        lines.append(f"_assign(self, {one.name!r}, {one.name})")
    if hasattr(cls, "__post_init__"):
        lines.append("self.__post_init__()")
    exec(f"def __init__({', '.join(parameters)}):\n " + "\n ".join(lines or ["pass"]), names)  # noqa: S102 - names only
    init: Callable[..., None] = names["__init__"]
    init.__qualname__ = f"{cls.__qualname__}.__init__"
    init.__annotations__ = {**{one.name: one.type for one in fields(cls) if one.init}, "return": None}
    return init


def _refuse_assignment(_self: Any, name: str, _value: Any) -> NoReturn:
    raise FrozenInstanceError(f"cannot assign to field {name!r}")


def _refuse_deletion(_self: Any, name: str) -> NoReturn:
    raise FrozenInstanceError(f"cannot delete field {name!r}")


def _reduce(self: Any) -> tuple[Any, ...]:
    return self.__class__, tuple(getattr(self, one.name) for one in fields(self))


@recursive_repr()
def _show(self: Any) -> str:
    shown = ", ".join(f"{one.name}={getattr(self, one.name)!r}" for one in fields(self) if one.repr)
    return f"{self.__class__.__qualname__}({shown})"


def _by_value(cls: type) -> tuple[Callable[..., Any], Callable[..., Any]]:
    """Return ``__eq__`` and ``__hash__`` that look at the fields."""
    values = attrgetter("__class__", *(one.name for one in fields(cls) if one.compare))

    def equal(self: Any, other: object) -> Any:
        return values(self) == values(other) if other.__class__ is self.__class__ else NotImplemented

    def hashed(self: Any) -> int:
        return hash(values(self))

    return equal, hashed
