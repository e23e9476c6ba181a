"""The label: what goes on the bottle, from a plan, a formula that exists, or what was really made."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from optimizer.assessment.alarms import cautions_at
from optimizer.bench.batch import Batch
from optimizer.brief.brief import Brief
from optimizer.data.cautions import Caution
from optimizer.data.facts import AllergenList, Ceiling
from optimizer.data.formula import Formula, Line
from optimizer.data.library import Library
from optimizer.data.pool import Ingredient, Pool
from optimizer.errors import DataError, Problem, nearest
from optimizer.immutable import immutable, result, seen, told, told_as, untold
from optimizer.labelling.allergens import Allergen, allergens_of, sheet_wishes
from optimizer.labelling.content import Content
from optimizer.labelling.natural import Origin, natural_of
from optimizer.labelling.substances import Dosed, SubstanceAmount, may_swap, parts_of, substances_of
from optimizer.rules.ceiling import in_basis
from optimizer.rules.row import Setting
from optimizer.solve.existing import best_setting
from optimizer.units import AS_TYPED, USED

Basis = Literal["plan", "formula", "made"]
ONE = 1.0
"""Below this share [% of the product] the order is free."""
PERFUME = "Parfum"


@immutable
class OrderSwap:
    """Two substances whose order depends on the lot; `first` is printed first."""

    first: str
    second: str
    neighbours: bool


@immutable
class Met:
    """A ceiling that applies and what is reached at the high end of every share [%].

    In the ceiling's own basis.
    """

    ceiling: Ceiling = untold()
    id: str = seen("ceiling.id")
    kind: str = seen("ceiling.kind")
    basis: str = seen("ceiling.basis")
    percent: float = seen("ceiling.percent")
    reached: float
    jurisdiction: str = seen("ceiling.jurisdiction")
    entry: str = seen("ceiling.entry")
    act: str = seen("ceiling.act")
    as_of: str = seen("ceiling.as_of")
    source: str = seen("ceiling.source")

    @told
    def exceeded(self) -> bool:
        """Whether the most that the ranges allow is above the ceiling."""
        return self.reached > self.ceiling.percent + AS_TYPED


@result
class Label:
    """Everything that a label is written from: the output of `tenside label --json`."""

    FORMAT = 1
    name: str
    """The product."""
    basis: Basis
    """plan (something is not in yet), formula (whole) or made."""
    use: str
    """Rinse-off or leave-on."""
    market: str
    """Where it is sold."""
    ingredients: str = seen("line")
    """The list as it is printed."""
    formula: Formula = untold()
    """The doses that it is made from."""
    not_in_yet_percent: float = seen("formula.held_back")
    parts: tuple[Dosed, ...] = untold()
    """The same, split over lots."""
    amounts: tuple[SubstanceAmount, ...] = told_as("substances")
    """Substances in the order of print."""
    either_side_of_1_percent: tuple[str, ...] = seen("doubtful_line")
    swaps: tuple[OrderSwap, ...]
    """Pairs whose order is uncertain."""
    allergens: tuple[Allergen, ...]
    """Largest first."""
    lists: tuple[AllergenList, ...] = untold()
    """The allergen lists that were applied."""
    wishes: tuple[str, ...] = told_as("ask")
    """What to ask before the allergens can be trusted."""
    natural: Origin = told_as("natural_with_water")
    """Natural-origin content with water."""
    natural_dry: Origin | None = told_as("natural_without_water")
    """The same without water."""
    ceilings: tuple[Met, ...]
    """Ceilings that apply."""
    pending: tuple[str, ...] = told_as("not_in_yet")
    """Names of what may still be added to effect, for a plan."""
    content: Content | None
    """Nominal content, if it was asked for."""
    cautions: tuple[Caution, ...]
    sources: Mapping[str, str] = untold()
    """What the library's source keys stand for."""
    not_counted: bool = untold(default=False)
    """Whether a batch file records weights or additions, but the doses are the planned ones."""

    @property
    def named(self) -> tuple[Allergen, ...]:
        """Allergens that the list of ingredients must gain: certain ones and, to be safe, possible ones."""
        return tuple(a for a in self.allergens if a.printed)

    @property
    def allergen_names(self) -> tuple[str, ...]:
        """Their names."""
        return tuple(a.name for a in self.named)

    @property
    def line(self) -> str:
        """The list of ingredients as it is printed: colourants after the allergens, at the very end."""
        first = [a.inci for a in self.amounts if not a.colourant]
        last = [a.inci for a in self.amounts if a.colourant]
        return "Ingredients: " + ", ".join([*first, *(a.name for a in self.named), *last])

    @property
    def doubtful_line(self) -> tuple[str, ...]:
        """Names of substances whose side of the 1 % line depends on the lot."""
        return tuple(a.inci for a in self.amounts if a.low < ONE <= a.high and not a.colourant)


def label_of(
    brief: Brief,
    formula: Formula,
    *,
    name: str = "",
    batch: Batch | None = None,
    made: Mapping[str, float] | None = None,
    content: Content | None = None,
    setting: Setting | None = None,
) -> Label:
    """Return the label of a formula, or of what was made of it.

    Args:
        brief: Brief that tells use and market; its library holds ceilings and allergen lists.
        formula: Doses as planned; what it holds back is told as not in yet.
        name: What to call it; the brief's name if it is left out.
        batch: Batch file whose weighed lots replace the library's ranges.
        made: What is really in the product, percent by material id, acid and thickener included; it replaces the
            doses of `formula` and must sum to 100.
        content: Nominal content of a pack.
        setting: Its pH; where it fits the brief best if it is left out.

    Raises:
        DataError: If `made` names an unknown material or does not sum to 100, or a lot is impossible.
    """
    library, use = brief.library, brief.scenario.use
    if made is not None:
        formula = as_made(brief.pool, library, made)
    parts = parts_of(formula, batch)
    amounts = substances_of(parts)
    held = formula.held_back
    wet, dry = natural_of(parts, held)
    lists = tuple(a for a in library.allergen_lists if a.jurisdiction in ("", brief.scenario.market))
    lists = lists or library.allergen_lists
    return Label(
        name=name or brief.scenario.name,
        basis="made" if made is not None else "plan" if held > USED else "formula",
        use=use,
        market=brief.scenario.market,
        formula=formula,
        parts=parts,
        amounts=amounts,
        swaps=swaps_of(parts, amounts),
        allergens=allergens_of(parts, lists, use),
        lists=lists,
        wishes=sheet_wishes(parts, lists),
        natural=wet,
        natural_dry=dry,
        ceilings=ceilings_of(parts, brief),
        pending=tuple(i.material.name for i in formula.later) if held > USED else (),
        content=content,
        cautions=cautions_at(brief, formula, setting or best_setting(brief, formula)),
        sources=library.sources,
        not_counted=made is None and batch is not None and batch.begun,
    )


def as_made(pool: Pool, library: Library, made: Mapping[str, float]) -> Formula:
    """Return percents by material id as a whole formula; the pool's lots are used where it has the material.

    Raises:
        DataError: If a material is unknown, a percent negative, or the sum not 100.
    """
    known = {m.id: Ingredient(m, float("nan")) for m in library.materials}
    known.update({i.id: i for i in (*pool.later, *pool.items)})
    problems = [
        Problem("made", name, "this material is not in the library.", nearest(name, known))
        for name in sorted(made)
        if name not in known
    ]
    problems += [
        Problem("made", name, f"{percent:g} % is not a dose.", "Correct it.")
        for name, percent in sorted(made.items())
        if not 0 <= percent <= 100
    ]
    total = sum(made.values())
    if not problems and abs(total - 100) > 0.05:
        problems.append(Problem("made", "", f"the parts sum to {total:.4g} %, not 100 %.", "Add what is missing."))
    if problems:
        raise DataError(problems)
    return Formula(tuple(Line(known[name], made[name]) for name in sorted(made) if made[name] > 0))


def swaps_of(parts: tuple[Dosed, ...], amounts: tuple[SubstanceAmount, ...]) -> tuple[OrderSwap, ...]:
    """Return the pairs whose order depends on the lot, in the order of print."""
    return tuple(
        OrderSwap(first.inci, second.inci, later == 1)
        for place, first in enumerate(amounts)
        for later, second in enumerate(amounts[place + 1 :], 1)
        if may_swap(parts, first, second)
    )


def ceilings_of(parts: tuple[Dosed, ...], brief: Brief) -> tuple[Met, ...]:
    """Return the library's ceilings for substances of the product, in the ceiling's own basis.

    Those of other markets come too, after those of its own.
    """
    scenario, met = brief.scenario, []
    for ceiling in brief.library.ceilings:
        if not ceiling.applies(scenario.use, scenario.product):
            continue
        reached = sum(p.percent * in_basis(ceiling, Ingredient(p.material, float("nan"))) for p in parts)
        if reached > 0:
            met.append(Met(ceiling, reached))
    return tuple(sorted(met, key=lambda m: m.ceiling.jurisdiction not in ("", scenario.market)))
