"""Immutable records that cost next to nothing to declare."""

from collections.abc import Callable
from dataclasses import MISSING, FrozenInstanceError, dataclass, field, fields
from operator import attrgetter
from typing import Any, TypeVar, dataclass_transform

T = TypeVar("T")


@dataclass_transform(frozen_default=True, field_specifiers=(field,))
def immutable(cls: type[T]) -> type[T]:
    """Make a class what `dataclass(frozen=True)` makes of it, without compiling source for every class.

    The standard decorator compiles six functions per class, a sixth of a whole blend. Here all classes share them;
    `fields`, `replace` and `asdict` work as ever. Meant for classes that inherit from no other record.
    """
    known = fields(dataclass(init=False, repr=False, eq=False)(cls))  # type: ignore[arg-type]
    asked = [f for f in known if f.init]
    names = tuple(f.name for f in asked)
    defaults = {f.name: f.default for f in asked if f.default is not MISSING}
    makers: dict[str, Callable[[], Any]] = {
        f.name: f.default_factory for f in asked if f.default_factory is not MISSING
    }
    shown = [f.name for f in known if f.repr]
    compared = attrgetter(*(f.name for f in known if f.compare))
    after, put = getattr(cls, "__post_init__", None), object.__setattr__

    def fill(self: T, *values: Any, **named: Any) -> None:
        # One by one: a change of the whole `__dict__` would make every later look at a field slower.
        for name, value in zip(names, values, strict=False):
            put(self, name, value)
        if named or len(values) != len(names):
            for name in names[len(values) :]:
                if name in named:
                    put(self, name, named.pop(name))
                elif name in defaults:
                    put(self, name, defaults[name])
                elif name in makers:
                    put(self, name, makers[name]())
                else:
                    raise TypeError(f"{cls.__name__} needs '{name}'")
            if named or len(values) > len(names):
                raise TypeError(f"{cls.__name__} is given too much: {[*named, *values[len(names) :]]}")
        if after is not None:
            after(self)

    def equal(self: T, other: object) -> bool:
        return bool(compared(self) == compared(other)) if other.__class__ is self.__class__ else NotImplemented

    def told(self: T) -> str:
        return f"{cls.__qualname__}({', '.join(f'{name}={getattr(self, name)!r}' for name in shown)})"

    methods = {
        "__init__": fill,
        "__eq__": equal,
        "__hash__": lambda self: hash(compared(self)),
        "__repr__": told,
        "__setattr__": _refuse,
        "__delattr__": _refuse,
    }
    for name, method in methods.items():
        setattr(cls, name, method)
    return cls


def _refuse(self: object, name: str, value: object = None) -> None:
    raise FrozenInstanceError(f"{type(self).__name__} keeps its '{name}'")
