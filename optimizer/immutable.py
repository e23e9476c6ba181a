"""Immutable results that cost next to nothing to declare, and what of them is told as JSON (see `report/record`).

All fields are told but those marked `untold`, under their own name or that of `told_as`; `seen` looks a key up
elsewhere, a property marked `told` is a key too.
"""

from collections.abc import Callable, Iterable
from dataclasses import MISSING, Field, FrozenInstanceError, dataclass, field, fields, make_dataclass
from operator import attrgetter, itemgetter, methodcaller
from typing import TYPE_CHECKING, Annotated, Any, Literal, TypeVar, dataclass_transform

__all__ = ["EMPTY", "NULL", "Figure", "immutable", "keys_of", "replace", "result", "seen", "told", "told_as", "untold"]
T = TypeVar("T")
OFTEN, FEW = 200, 8
"""From so many instances on a class of so few fields at most is worth an initialiser of its own, which sets one by one
what the shared one sets at once."""
NULL, EMPTY = "null where it has no meaning or no end", "an empty list if there is none"
Figure = Annotated[float, NULL]
"""A number that may be NaN or infinite; JSON has null for these."""

if TYPE_CHECKING:
    from builtins import property as told
else:

    class told(property):  # noqa: N801
        """A property that is also a key of the JSON."""


def untold(*, default: Any = MISSING, default_factory: Any = MISSING, repr: bool = True) -> Any:
    """Return a field that is no key of the JSON."""
    return field(default=default, default_factory=default_factory, repr=repr, metadata={"told": False})


def told_as(key: str, *, default: Any = MISSING) -> Any:
    """Return a field that has another name in the JSON."""
    return field(default=default, metadata={"told": key})


def keys_of(kind: type) -> dict[str, str]:
    """Return the JSON's key of each field and marked property of a class, by attribute."""
    keys = {f.name: f.metadata.get("told", f.name) for f in fields(kind)}
    keys |= {name: name for name, value in vars(kind).items() if isinstance(value, told)}
    return {name: key for name, key in keys.items() if key}


def seen(path: str, default: Any = None, *, key: str = "", init: Literal[False] = False) -> Any:
    """Return a computed field.

    Args:
        path: Attributes to follow from the record on; a number picks one of a tuple, `()` calls a method.
        default: What it is if anything on the way is None.
        key: Its name in the JSON, if that is another one.
        init: Nobody can state it.
    """
    steps = [_step(word) for word in path.split(".")]

    def look(self: object) -> Any:
        found: Any = self
        for step in steps:
            if found is None:
                return default
            found = step(found)
        return default if found is None else found

    marks = {"told": key} if key else {}
    return field(init=init, repr=False, compare=False, default=property(look), metadata=marks)


def _step(word: str) -> Callable[[Any], Any]:
    if word.endswith("()"):
        return methodcaller(word[:-2])
    return itemgetter(int(word)) if word.isdigit() else attrgetter(word)


@dataclass_transform(frozen_default=True, field_specifiers=(field, seen, told_as, untold))
def immutable(cls: type[T]) -> type[T]:
    """Make a class what `dataclass(frozen=True)` makes of it, without compiling source for every class.

    The standard decorator compiles six functions per class, a sixth of a whole blend. Here all classes share them;
    `fields`, `replace` and `asdict` work as ever.
    """
    return _made(cls, by_place=True)


@dataclass_transform(frozen_default=True, kw_only_default=True, field_specifiers=(field, seen, told_as, untold))
def result(cls: type[T]) -> type[T]:
    """Make a class of results immutable whose fields are given by name alone, as they are told."""
    return _made(cls, by_place=False)


def _made(cls: type[T], *, by_place: bool) -> type[T]:
    known = fields(dataclass(init=False, repr=False, eq=False)(cls))  # type: ignore[arg-type]
    asked = [f for f in known if f.init]
    shown = [f.name for f in known if f.repr]
    compared = attrgetter(*(f.name for f in known if f.compare))

    def equal(self: T, other: object) -> bool:
        return bool(compared(self) == compared(other)) if other.__class__ is self.__class__ else NotImplemented

    def words(self: T) -> str:
        return f"{cls.__qualname__}({', '.join(f'{name}={getattr(self, name)!r}' for name in shown)})"

    methods = {
        "__init__": _filling(cls, asked, by_place=by_place),
        "__replace__": _changing(cls, asked),
        "__eq__": equal,
        "__hash__": lambda self: hash(compared(self)),
        "__repr__": words,
        "__setattr__": _refuse,
        "__delattr__": _refuse,
    }
    for name, method in methods.items():
        if name != "__repr__" or name not in vars(cls):
            setattr(cls, name, method)
    return cls


def _filling(cls: type[T], asked: list[Field[Any]], *, by_place: bool) -> Callable[..., None]:
    """Return an initialiser, which sets all fields at once; of a class with many instances it gives way to its own."""
    names = tuple(f.name for f in asked)
    places = len(names) if by_place else 0
    blank = {f.name: f.default for f in asked}
    makers = [(f.name, f.default_factory) for f in asked if f.default_factory is not MISSING]
    needed = tuple(f.name for f in asked if f.default is MISSING and f.default_factory is MISSING)
    left = [frozenset(names[k:]) for k in range(len(names) + 1)]
    lacking = [frozenset(needed[k:]) for k in range(len(needed))]
    after = getattr(cls, "__post_init__", None)
    made = 0

    def fill(self: T, *values: Any, **named: Any) -> None:
        nonlocal made
        made += 1
        if made == OFTEN and len(names) <= FEW:
            cls.__init__ = initialiser(cls, asked, by_place=by_place)  # type: ignore[method-assign]
        held, given = self.__dict__, len(values)
        if given > places or not named.keys() <= left[given]:
            raise TypeError(f"{cls.__name__} is given too much: {given} values, {sorted(named)}")
        if given < len(needed) and not named.keys() >= lacking[given]:
            raise TypeError(f"{cls.__name__} needs {needed[given:]}, is given {tuple(named)}")
        if given + len(named) < len(names):
            held.update(blank)
        if given:
            held.update(zip(names, values, strict=False))
        held.update(named)
        for name, make in makers:
            if held[name] is MISSING:
                held[name] = make()
        if after is not None:
            after(self)

    return fill


def _changing(cls: type[T], asked: list[Field[Any]]) -> Callable[..., T]:
    """Return what makes a copy with some fields changed."""
    names = tuple(f.name for f in asked)
    known, after = frozenset(names), getattr(cls, "__post_init__", None)

    def changed(self: T, **named: Any) -> T:
        held = self.__dict__
        if len(held) > len(names):
            held = {name: held[name] for name in names}
        if not named.keys() <= known:
            raise TypeError(f"{cls.__name__} has no {sorted(named.keys() - known)}")
        other = cls.__new__(cls)
        other.__dict__.update(held, **named)
        if after is not None:
            after(other)
        return other

    return changed


def initialiser(kind: type, asked: Iterable[Field[Any]], *, by_place: bool) -> Callable[..., None]:
    """Return the standard initialiser for a class: dear to make, twice as quick as the one that all share."""
    own = [(f.name, Any, field(default=f.default, default_factory=f.default_factory)) for f in asked]
    after = getattr(kind, "__post_init__", None)
    names = {"__post_init__": after} if after else {}
    twin = make_dataclass(kind.__name__, own, namespace=names, frozen=True, repr=False, eq=False, kw_only=not by_place)
    init: Callable[..., None] = vars(twin)["__init__"]
    return init


def replace(record: T, /, **changes: Any) -> T:
    """Return an immutable record with some fields changed, in a fifth of the time of `dataclasses.replace`.

    Raises:
        TypeError: If it has no such field.
    """
    changed: T = record.__replace__(**changes)  # type: ignore[attr-defined]
    return changed


def _refuse(self: object, name: str, value: object = None) -> None:
    raise FrozenInstanceError(f"{type(self).__name__} keeps its '{name}'")
