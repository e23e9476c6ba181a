"""`immutable` makes of a class what the standard library's frozen dataclass makes of it."""

from dataclasses import FrozenInstanceError, asdict, dataclass, field, fields, is_dataclass, replace
from functools import cached_property
from importlib import import_module
from inspect import getclosurevars
from pkgutil import walk_packages
from typing import Any

import pytest

import optimizer
from optimizer.immutable import OFTEN, immutable, initialiser


def dose(decorator: Any) -> Any:
    @decorator
    class Dose:
        """A dose."""

        of: str
        percent: float = 1.0
        notes: list[str] = field(default_factory=list, compare=False, repr=False)
        grams: float = field(init=False)

        def __post_init__(self) -> None:
            if self.percent < 0:
                raise ValueError("below 0")
            object.__setattr__(self, "grams", 10 * self.percent)

        @cached_property
        def double(self) -> float:
            return 2 * self.percent

    return Dose


def often(decorator: Any) -> Any:
    """Return a class that was made so often that it has an initialiser of its own."""
    kind = dose(decorator)
    shared = kind.__init__
    for _ in range(OFTEN):
        kind("aqua")
    assert kind.__init__ is not shared
    return kind


OURS, THEIRS, MADE_OFTEN = dose(immutable), dose(dataclass(frozen=True)), often(immutable)
GIVEN: list[tuple[tuple[Any, ...], dict[str, Any]]] = [
    (("aqua",), {}),
    (("aqua", 2.0), {}),
    (("aqua", 2.0, ["cold"]), {}),
    ((), {"percent": 2.0, "of": "aqua"}),
    (("aqua",), {"notes": ["cold"]}),
]


@pytest.mark.parametrize("kind", [OURS, MADE_OFTEN], ids=["new", "made often"])
@pytest.mark.parametrize(("values", "named"), GIVEN)
def test_same_fields_in_the_same_order(values, named, kind):
    ours, theirs = kind(*values, **named), THEIRS(*values, **named)
    assert list(vars(ours).items()) == list(vars(theirs).items())
    assert repr(ours) == repr(theirs)
    assert asdict(ours) == asdict(theirs)
    assert [f.name for f in fields(kind)] == [f.name for f in fields(THEIRS)]
    assert vars(replace(ours, percent=3.0)) == vars(replace(theirs, percent=3.0))
    assert ours.double == theirs.double


@pytest.mark.parametrize(
    ("values", "named"),
    [
        ((), {}),
        (("aqua", 1.0, [], 4.0), {}),
        (("aqua",), {"of": "aqua"}),
        (("aqua",), {"grams": 4.0}),
        (("aqua", 1.0, []), {"percent": 2.0}),
    ],
)
def test_wrong_arguments_are_refused(values, named):
    for kind in (OURS, THEIRS, MADE_OFTEN):
        with pytest.raises(TypeError):
            kind(*values, **named)


def test_equal_and_hashed_by_what_is_compared():
    assert OURS("aqua", notes=["a"]) == OURS("aqua", notes=["b"])
    assert len({OURS("aqua"), OURS("aqua", notes=["b"]), OURS("aqua", 2.0)}) == 2
    assert OURS("aqua") != OURS("glycerin")
    assert OURS("aqua") != THEIRS("aqua")
    assert OURS("aqua") != dose(immutable)("aqua")


@pytest.mark.parametrize("kind", [OURS, MADE_OFTEN], ids=["new", "made often"])
def test_a_factory_makes_a_new_value_each_time(kind):
    assert kind("aqua").notes is not kind("aqua").notes


def test_every_class_can_be_made_often():
    names = [m.name for m in walk_packages(optimizer.__path__, "optimizer.") if not m.name.endswith("__main__")]
    found = {kind for name in names for kind in vars(import_module(name)).values() if isinstance(kind, type)}
    ours = [kind for kind in found if "__replace__" in vars(kind) and is_dataclass(kind)]
    assert len(ours) > 100
    for kind in ours:
        by_place = getclosurevars(kind.__init__).nonlocals.get("by_place", False)
        initialiser(kind, [f for f in fields(kind) if f.init], by_place=by_place)


@pytest.mark.parametrize("kind", [OURS, MADE_OFTEN], ids=["new", "made often"])
def test_nothing_is_changed_and_post_init_is_heard(kind):
    made = kind("aqua")
    for change in (lambda: setattr(made, "percent", 2.0), lambda: delattr(made, "of")):
        with pytest.raises(FrozenInstanceError):
            change()
    with pytest.raises(ValueError, match="below 0"):
        kind("aqua", -1.0)
