"""What every kind of rule answers about its limit, so that no room needs to know a kind by its name."""

from __future__ import annotations

from math import inf
from random import Random
from typing import Any, ClassVar, Literal

import pytest
from pydantic import Field

from optimizer.data.pool import Group, Ingredient
from optimizer.immutable import replace
from optimizer.rules import IMPLIED, STATED, LimitRule, Rule
from optimizer.rules import reference as describe
from optimizer.rules.dose import Dose, Stock, Total
from tests.support.briefs import brief_of, draw

KINDS = {r.model_fields["kind"].default: r for r in (*STATED, *IMPLIED)}
DROPPED = {"clear", "excludes", "needs", "one-of", "preserved", "thickening"}
COUNTED = {"total", "stock", "count", "one-of", "if-used"}


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_says_how_it_gives_way(kind: str) -> None:
    ways = {"count": "counted", "ph": "widened", "if-used": "tried"} | dict.fromkeys(DROPPED, "dropped")
    assert KINDS[kind].way == ways.get(kind, "moved")


@pytest.mark.parametrize("kind", [k for k, r in KINDS.items() if issubclass(r, LimitRule) and k != "dose"])
def test_only_what_is_computed_has_a_band(kind: str) -> None:
    assert KINDS[kind].computed is (kind not in COUNTED)  # type: ignore[attr-defined]


def test_an_exact_limit_is_kept_within_its_band_by_kind_and_measure() -> None:
    aa = Group(materials=("aa",))
    assert Dose(id="d", of=aa, exactly=2).within == 0
    assert Dose(id="d", of=aa, exactly=2, measured="as active").within == 0.05
    assert Dose(id="d", of=aa, at_least=2, at_most=2, measured="as active", band=0.1).within == 0.1
    assert Dose(id="d", of=aa, at_least=2, measured="as active").within == 0
    assert Total(id="total", exactly=100).within == 0


def test_a_conflict_parts_with_single_doses_first_and_with_the_total_last() -> None:
    one, two = Group(materials=("aa",)), Group(materials=("aa", "cc"))
    order = [Dose(id="d", of=one), Stock(id="s", of=one), Dose(id="d", of=two), KINDS["ph"](id="ph"), Total(id="total")]
    assert [r.parting for r in order] == [0, 0, 1, 2, 3]


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_says_when_a_report_has_a_line_for_it(kind: str) -> None:
    odd = {"ph": "apart", "total": "understood", "use-level": "where used"}
    assert KINDS[kind].shown == odd.get(kind, "always")


def test_a_line_is_idle_where_it_is_told_apart_or_nothing_of_it_is_there() -> None:
    level = KINDS["use-level"].model_construct(id="level")
    assert [level.idle(value) for value in (0.0, 0.3)] == [True, False]
    assert [KINDS["ph"](id="ph").idle(value) for value in (0.0, 5.5)] == [True, True]
    assert [Dose(id="d", of=Group(materials=("aa",))).idle(value) for value in (0.0, 3.0)] == [False, False]


def test_a_surfactant_that_nobody_rated_is_unrated_for_its_rating_only() -> None:
    pool = brief_of(draw(Random("rated"))).pool
    rated = next(item for item in pool.items if item.surfactant > 0)
    bare = replace(rated, material=rated.material.model_copy(update={"ratings": {}}))
    water = pool.items[pool.index["aqua"]]
    mild = KINDS["rating"](id="mild", rating="mildness", at_least=1)
    assert [mild.unrated(item) for item in (rated, bare, water)] == [
        "mildness" not in rated.material.ratings,
        True,
        False,
    ]
    assert not Dose(id="d", of=Group(materials=("aa",))).unrated(bare)


class Tint(LimitRule):
    """How deep a tint is.

    Equation: made up for this test.
    """

    kind: Literal["tint"] = "tint"
    of: Group
    """What tints."""
    shade: Literal["pale", "deep"]
    """Which shade."""
    depth: float = Field(gt=0)
    """How deep one unit is."""
    unit: ClassVar[str] = "shades"

    @property
    def name(self) -> str:
        """What is measured."""
        return f"{self.shade} tint"

    def amount(self, item: Ingredient) -> float:
        """How deep."""
        return self.depth


class Odd(Rule):
    """A rule whose required field nothing could guess.

    Equation: none.
    """

    kind: Literal["odd"] = "odd"
    pairs: dict[str, tuple[int, int]]
    """Pairs."""


@pytest.mark.parametrize(("rule", "reading"), [(Tint, "pale tint at least 2 shades"), (Odd, "")])
def test_a_kind_with_a_required_field_of_its_own_is_described(
    rule: type[Rule], reading: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    stated: tuple[Any, ...] = (*STATED, rule)
    monkeypatch.setattr(describe, "STATED", stated)
    notes = {n.kind: n for n in describe.rule_notes()}
    assert notes[rule.model_fields["kind"].default].example == reading
    assert all(n.example for k, n in notes.items() if k != "odd")


def test_a_rule_that_is_dropped_has_no_limit_to_move() -> None:
    with pytest.raises(NotImplementedError):
        KINDS["clear"](id="c").with_limits(-inf, 1.0)


@pytest.mark.parametrize(("most", "used", "idle"), [(160.0, 27.0, True), (10.0, 0.0, True), (10.0, 4.0, False)])
def test_a_stock_that_limits_nothing_has_no_line(most: float, used: float, idle: bool) -> None:
    """80 kg for a batch of 50 is no limit, and of what is not used no stock is asked; made up."""
    assert Stock(id="s", of=Group(materials=("glycerin",)), at_most=most).idle(used) == idle
