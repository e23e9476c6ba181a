"""The rules of a brief: those that it states, and those that its doses, its shelf and the library imply."""

from __future__ import annotations

from collections.abc import Iterable
from math import fsum

from optimizer.brief.scenario import Scenario
from optimizer.data.library import Library
from optimizer.data.pool import Group, Pool
from optimizer.data.purchase import lines_of, stock_of
from optimizer.data.shelf import Shelf
from optimizer.rules import (
    Cost,
    Dose,
    Excludes,
    Preserved,
    Property,
    Rule,
    Stock,
    Total,
    UseLevel,
)
from optimizer.units import number


def rules_of(
    scenario: Scenario, library: Library, pool: Pool, shelf: Shelf | None
) -> tuple[tuple[Rule, ...], tuple[Rule, ...]]:
    """Return the rules of the model, sorted by id, and the ceilings that are only watched."""
    rules: list[Rule] = [Total(id="total", exactly=100.0, source="arithmetic")]
    for rule in scenario.rule:
        if isinstance(rule, Cost):
            rule = rule.model_copy(update={"currency": scenario.currency})
        elif isinstance(rule, Property) and not rule.measure_unit and rule.property in library.property_units:
            rule = rule.model_copy(update={"measure_unit": library.property_units[rule.property].unit})
        rules.append(rule)
    for name, percent in scenario.fixed.items():
        rules.append(Dose(id=f"fixed-{name}", of=Group(materials=(name,)), exactly=percent))
    rules += _stocks(scenario, pool, shelf)
    present = {s.inci for i in pool.items for s in i.material.substances}
    watched: list[Rule] = [] if scenario.unpreserved else [Preserved(id="preserved", source="default")]
    for ceiling in library.ceilings:
        held = pool.carriers.keys() if ceiling.declared else present
        if not ceiling.applies(scenario.use, scenario.product) or held.isdisjoint(ceiling.substances):
            continue
        here = tuple(name for name in ceiling.substances if name in held)
        ceiling = ceiling.model_copy(update={"substances": here})
        law = ceiling.kind == "law" and ceiling.jurisdiction in ("", scenario.market)
        elsewhere = f"law of {ceiling.jurisdiction}, shown only" if ceiling.kind == "law" else ceiling.kind
        level = UseLevel(id=f"level-{ceiling.id}", ceiling=ceiling, source="law" if law else elsewhere)
        (rules if law else watched).append(level)
    for pair in library.exclusions:
        if present.intersection(pair.one) and present.intersection(pair.other):
            law = pair.jurisdiction == scenario.market
            one, other = Group(inci=pair.one), Group(inci=pair.other, but_not=_both(pool, pair.one))
            rule = Excludes(id=f"exclusion-{pair.id}", of=one, other=other, source="law" if law else pair.confidence)
            (rules if law else watched).append(rule)
    return _named(rules, library), _named(watched, library)


def _named(rules: Iterable[Rule], library: Library) -> tuple[Rule, ...]:
    """Return rules sorted by id, whose groups tell their materials by name."""
    return tuple(sorted((called(rule, library) for rule in rules), key=lambda r: r.id))


def called(rule: Rule, library: Library) -> Rule:
    """Return a rule whose groups tell their materials by name instead of by id."""
    groups = {name: of.told_by(library.called) for name, of in rule if isinstance(of, Group)}
    return rule.model_copy(update=groups) if groups else rule


def _stocks(scenario: Scenario, pool: Pool, shelf: Shelf | None) -> list[Stock]:
    """Return a limit for each candidate whose stock the shelf states, if the scenario states a batch."""
    if not scenario.batch_kg or shelf is None:
        return []
    items = {item.id: item for item in pool.items}
    held = [name for name, line in lines_of(shelf.lines, items, priced=False) if line.stock_kg]
    return [
        Stock(
            id=f"stock-{name}",
            of=Group(materials=(name,)),
            at_most=100 * kg / scenario.batch_kg,
            lines=max(1, held.count(name)),
            source="shelf",
        )
        for name, kg in stock_of(shelf.lines, items).items()
    ]


def counted_together(rule: Stock, pool: Pool, shelf: Shelf | None) -> str:
    """Return the sentence that says how several shelf lines of one material are counted."""
    name = rule.of.materials[0]
    item = pool.items[pool.index[name]]
    lines = [x for _, x in lines_of(shelf.lines if shelf else (), {name: item}, priced=False) if x.stock_kg]
    kg = fsum(line.stock_kg or 0.0 for line in lines)
    dearest = max([item.price, *(x.price_per_kg for x in lines if x.price_per_kg is not None)])
    dearer = f", the dearest in stock is {number(dearest)}" if dearest > item.price else ""
    return (
        f"{name}: the {number(kg)} kg in stock on {rule.lines} shelf lines count together, at the price per kg and the "
        f"strength of the cheapest line ({number(item.price)}{dearer})"
    )


def _both(pool: Pool, names: tuple[str, ...]) -> tuple[str, ...]:
    """Return the ids that contain a substance of the first side, which cannot exclude themselves."""
    return tuple(i.id for i in pool.items if any(s.inci in names for s in i.material.substances))
