"""`immutable` makes of a class what the standard library's frozen dataclass makes of it."""

from dataclasses import FrozenInstanceError, asdict, dataclass, field, fields, replace
from functools import cached_property
from typing import Any

import pytest

from optimizer.immutable import immutable


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


OURS, THEIRS = dose(immutable), dose(dataclass(frozen=True))
GIVEN: list[tuple[tuple[Any, ...], dict[str, Any]]] = [
    (("aqua",), {}),
    (("aqua", 2.0), {}),
    (("aqua", 2.0, ["cold"]), {}),
    ((), {"percent": 2.0, "of": "aqua"}),
    (("aqua",), {"notes": ["cold"]}),
]


@pytest.mark.parametrize(("values", "named"), GIVEN)
def test_same_fields_in_the_same_order(values, named):
    ours, theirs = OURS(*values, **named), THEIRS(*values, **named)
    assert list(vars(ours).items()) == list(vars(theirs).items())
    assert repr(ours) == repr(theirs)
    assert asdict(ours) == asdict(theirs)
    assert [f.name for f in fields(OURS)] == [f.name for f in fields(THEIRS)]
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
    for kind in (OURS, THEIRS):
        with pytest.raises(TypeError):
            kind(*values, **named)


def test_equal_and_hashed_by_what_is_compared():
    assert OURS("aqua", notes=["a"]) == OURS("aqua", notes=["b"])
    assert len({OURS("aqua"), OURS("aqua", notes=["b"]), OURS("aqua", 2.0)}) == 2
    assert OURS("aqua") != OURS("glycerin")
    assert OURS("aqua") != THEIRS("aqua")
    assert OURS("aqua") != dose(immutable)("aqua")


def test_a_factory_makes_a_new_value_each_time():
    assert OURS("aqua").notes is not OURS("aqua").notes


def test_nothing_is_changed_and_post_init_is_heard():
    made = OURS("aqua")
    for change in (lambda: setattr(made, "percent", 2.0), lambda: delattr(made, "of")):
        with pytest.raises(FrozenInstanceError):
            change()
    with pytest.raises(ValueError, match="below 0"):
        OURS("aqua", -1.0)
