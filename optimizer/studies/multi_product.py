"""Several products from one shelf: which uses which material, and how many packs to buy from whom.

One integer program: doses of every product with its rules, one pH setting and its yes/no choices each, whole
packs per shelf line, and for each material use <= stock + bought. Money is what packs cost, less what is
left over at a stated share of its price; stock that is used counts at the same share, as it could be kept.
Limits whose coefficients change with the pH setting are refused.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import field
from math import inf, nan

import numpy as np

from optimizer.brief.brief import Brief
from optimizer.data.formula import Formula
from optimizer.data.pool import Ingredient, Vector
from optimizer.data.purchase import Purchase, lines_of, on_tap, stock_of
from optimizer.data.shelf import ShelfLine
from optimizer.engine.ending import Ending
from optimizer.engine.highs import Session
from optimizer.engine.onesided import Directions
from optimizer.engine.search import search
from optimizer.engine.sensitivity import Basis
from optimizer.errors import SolverError, fault
from optimizer.immutable import immutable, replace, seen, told_as, untold
from optimizer.model.model import Case, cases
from optimizer.rules.row import Setting
from optimizer.solve.lexicographic import further_costs, preferred
from optimizer.solve.result import EXIT_CODES
from optimizer.solve.solved import choose_ph, formula_from
from optimizer.units import NOT_FOR_NOTHING, ROW_MET, USED, number

ALMOST = 1 - NOT_FOR_NOTHING
"""Most of its price at which what is left over is weighed: at all of it, what nobody needs would be bought for nothing.
"""


@immutable
class Product:
    """A brief with the mass that is made of it [kg], and what it is called; as the brief is if that is left out."""

    brief: Brief
    batch_kg: float
    called: str = ""

    @property
    def name(self) -> str:
        """What the product is called."""
        return self.called or self.brief.scenario.name


@immutable
class MadeProduct:
    """One product of the plan."""

    name: str
    batch_kg: float
    formula: Formula
    setting: Setting = untold()
    ph_target: float | None = seen("setting.target")
    cost: float = told_as("cost_per_kg")
    """What its materials cost at their cheapest price per kg, whatever packs they come in."""


@immutable
class StockBalance:
    """One material of the plan [kg]; `worth` is what one more kg in stock would save."""

    material: str
    stock: float
    bought: float
    used: float
    left: float
    worth: float
    """What one more kg in stock would save, at the packs chosen."""


@immutable
class JointPlan:
    """What to make of what, and what to buy.

    Attributes:
        total: Packs bought less what is left over at its stated value, plus stock used at the same value.
        bound: No plan costs less, what is planned for thickening aside.
        gap: (total - bound) / total.
        thickening: What the ways to thicken are planned to cost at the bench, which counts in what is best.
    """

    ending: Ending
    currency: str
    total: float = nan
    bound: float = nan
    gap: float = nan
    spent: float = nan
    products: tuple[MadeProduct, ...] = ()
    purchases: tuple[Purchase, ...] = ()
    balances: tuple[StockBalance, ...] = ()
    files: Mapping[str, str] = field(default_factory=dict)
    thickening: float = 0.0

    @property
    def exit_code(self) -> int:
        """Return the exit code of the command."""
        return EXIT_CODES[self.ending]


@immutable
class Block:
    """Where a product's columns and rows lie."""

    product: Product
    every: tuple[Case, ...]
    doses: slice
    choices: slice
    settings: slice


def joint(
    products: tuple[Product, ...], *, leftover: float = 0.5, buying: bool = True, time_limit: float = 60.0
) -> JointPlan:
    """Plan several products from one shelf.

    Args:
        products: Briefs that share a shelf, with batch sizes.
        leftover: Share of its price at which a kg that is left over counts, 0 to 1; of equally good plans
            one is taken that buys nothing for nothing.
        buying: Whether packs may be bought; without, the stock must do.
        time_limit: Seconds [s].

    Raises:
        DataError: If there is none, or no mass of one; if they share no shelf and currency; if a rule changes with pH.
    """
    if not products:
        raise fault("together", "", "no product is named.", "Name each with the kg to make of it.")
    for p in products:
        if not 0 < p.batch_kg < inf:
            raise fault("together", p.name, f"{number(p.batch_kg)} kg is no mass to make.", "Name more.")
    shelf, currency = products[0].brief.shelf, products[0].brief.scenario.currency
    if shelf is None or any(p.brief.shelf != shelf or p.brief.scenario.currency != currency for p in products):
        raise fault("together", "shelf", "the products do not share one shelf and currency.", "Name one with --shelf.")
    items = {i.id: i for p in reversed(products) for i in p.brief.pool.items}
    lines = [(n, line) for n, line in lines_of(shelf.lines, items) if buying or on_tap(items[n])]
    plan = _Program(products, items, lines, stock_of(shelf.lines, items), leftover)
    return plan.solve(currency, time_limit)


class _Columns:
    """The columns of a program as they are given out."""

    width = 0

    def next(self, count: int) -> slice:
        """Return the next columns."""
        self.width += count
        return slice(self.width - count, self.width)


class _Program:
    """The integer program of a plan: columns [doses | by weight | at the pH | choices | settings | orders | packs].

    What is planned for the bench costs its least on each yes; what it costs more at the pH chosen has its own column.
    """

    def __init__(
        self,
        products: tuple[Product, ...],
        items: Mapping[str, Ingredient],
        lines: list[tuple[str, ShelfLine]],
        stock: Mapping[str, float],
        leftover: float,
    ) -> None:
        self.items, self.stock, self.leftover = items, stock, leftover
        whole = {n for n, i in items.items() if not on_tap(i)}
        self.packs = [(n, line) for n, line in lines if line.pack_kg and n in whole]
        self.loose = [(n, line) for n, line in lines if not (line.pack_kg and n in whole)]
        every = [cases(p.brief.modelled, p.brief.acidity, p.brief.pool) for p in products]
        self.turning = [(n, k) for n, found in enumerate(every) for k in np.flatnonzero(_range_of_plan(found))]
        columns = _Columns()
        doses = [columns.next(len(p.brief.pool)) for p in products]
        self.weighed, self.dearer = columns.next(len(self.loose)), columns.next(len(self.turning))
        self.whole_from = columns.width
        choices = [columns.next(found[0].model.size - found[0].model.doses) for found in every]
        settings = [columns.next(len(found)) for found in every]
        self.orders, self.bought = columns.next(len(self.packs)), columns.next(len(self.packs))
        self.width = columns.width
        self.blocks = list(map(Block, products, every, doses, choices, settings))
        self.rows: list[Vector] = []
        self.low: list[float] = []
        self.high: list[float] = []
        self.upper = np.ones(self.width)
        for block in self.blocks:
            self._product(block)
        self._at_the_ph()
        self.balance_at = self._balances()
        self._orders()
        self.cost = self._cost(min(leftover, ALMOST))

    def _add(self, row: Vector, low: float, high: float) -> None:
        self.rows.append(row)
        self.low.append(low)
        self.high.append(high)

    def _product(self, block: Block) -> None:
        """Rows of one product: its rules, one setting, and what each setting rules out."""
        first = block.every[0].model
        n = first.doses
        for r in range(len(first.rows)):
            row = np.zeros(self.width)
            row[block.doses], row[block.choices] = first.matrix[r, :n], first.matrix[r, n:]
            lows = np.array([c.model.row_low[r] for c in block.every])
            highs = np.array([c.model.row_high[r] for c in block.every])
            if any(not np.array_equal(c.model.matrix[r], first.matrix[r]) for c in block.every):
                what = f"the rule '{first.rows[r].owner}' of '{block.product.name}' changes with the pH."
                raise fault("together", first.rows[r].owner, what, "Narrow its [ph] to one setting.")
            for ends, is_low in ((lows, True), (highs, False)):
                if not np.isfinite(ends).all():
                    continue
                if (ends == ends[0]).all():
                    self._add(row, ends[0] if is_low else -inf, inf if is_low else ends[0])
                else:
                    moved = row.copy()
                    moved[block.settings] = -ends
                    self._add(moved, 0.0 if is_low else -inf, inf if is_low else 0.0)
        one = np.zeros(self.width)
        one[block.settings] = 1.0
        self._add(one, 1.0, 1.0)
        uppers = np.array([c.upper[:n] for c in block.every])
        self.upper[block.doses] = uppers.max(axis=0)
        for j in np.nonzero((uppers != uppers[0]).any(axis=0))[0]:
            row = np.zeros(self.width)
            row[block.doses.start + j] = 1.0
            row[block.settings] = -uppers[:, j]
            self._add(row, -inf, 0.0)

    def _at_the_ph(self) -> None:
        """What a yes is planned to cost more at the pH chosen than at the one where it costs least, if it is a yes."""
        for column, (n, k) in enumerate(self.turning, self.dearer.start):
            block = self.blocks[n]
            more = np.array([c.model.planned[k] for c in block.every])
            more -= more.min()
            row = np.zeros(self.width)
            row[column], row[block.choices.start + k], row[block.settings] = 1.0, -more.max(), -more
            self._add(row, -more.max(), inf)
            self.upper[column] = more.max()

    def _balances(self) -> dict[str, int]:
        """Use of each material at most stock and what is bought [kg]; returns the row of each."""
        rows = {}
        on_sale = {n for n, _ in (*self.loose, *self.packs)}
        for name in sorted(self.items):
            if on_tap(self.items[name]) and name not in on_sale:
                continue
            row = np.zeros(self.width)
            for block in self.blocks:
                j = block.product.brief.pool.index.get(name)
                if j is not None:
                    row[block.doses.start + j] = block.product.batch_kg / 100
            for k, (n, _) in enumerate(self.loose):
                row[self.weighed.start + k] -= float(n == name)
            for k, (n, line) in enumerate(self.packs):
                row[self.bought.start + k] -= (line.pack_kg or 0.0) * float(n == name)
            rows[name] = len(self.rows)
            self._add(row, -inf, self.stock.get(name, 0.0))
        return rows

    def _orders(self) -> None:
        """A line is not ordered, or at least its smallest order; no more packs than all products could use."""
        mass = sum(b.product.batch_kg for b in self.blocks)
        self.upper[self.weighed] = mass
        for k, (_, line) in enumerate(self.packs):
            most = float(np.ceil(mass / (line.pack_kg or 1.0))) + (line.min_packs or 0.0)
            self.upper[self.bought.start + k] = most
            for factor, sign in ((most, 1.0), (line.min_packs or 0.0, -1.0)):
                row = np.zeros(self.width)
                row[self.bought.start + k], row[self.orders.start + k] = sign, -sign * factor
                self._add(row, -inf, 0.0)

    def _cost(self, leftover: float) -> Vector:
        cost = np.zeros(self.width)
        for block in self.blocks:
            prices = block.product.brief.pool.prices
            cost[block.doses] = leftover * prices * block.product.batch_kg / 100
            cost[block.choices] = block.product.batch_kg * np.min([c.model.planned for c in block.every], axis=0)
        for column, (n, _) in enumerate(self.turning, self.dearer.start):
            cost[column] = self.blocks[n].product.batch_kg
        for where, lines in ((self.weighed, self.loose), (self.bought, self.packs)):
            for k, (name, line) in enumerate(lines):
                size = line.pack_kg if where is self.bought else 1.0
                price = line.price_per_kg or 0.0
                cost[where.start + k] = (price - leftover * self.items[name].price) * (size or 1.0)
        return cost

    def solve(self, currency: str, time_limit: float) -> JointPlan:
        """Solve, take the declared order among equally good doses, price the stock, check every product."""
        matrix, low, high = np.array(self.rows), np.array(self.low), np.array(self.high)
        session = Session(matrix, low, high, integers=self.width - self.whole_from, time_limit=time_limit)
        found = search(session, self.cost, np.zeros(self.width), self.upper)
        files = {k: v for b in self.blocks for k, v in b.product.brief.files.items()}
        if found.lower is None or found.upper is None:
            return JointPlan(found.ending, currency, files=files)
        ends = np.concatenate([found.lower, low]), np.concatenate([found.upper, high])
        basis = Basis(matrix, self.cost, *ends, found.answer.x, found.answer.basic)
        x = preferred(basis, self._further(), time_limit)
        at_bench = sum(float(self.cost[part] @ x[part]) for part in (self.dearer, *(b.choices for b in self.blocks)))
        purchases = self._purchases(x)
        whole = self._cost(self.leftover)
        tie, priced = float((whole - self.cost) @ x), Basis(matrix, whole, *ends, found.answer.x, found.answer.basic)
        return JointPlan(
            found.ending,
            currency,
            found.objective + tie - at_bench,
            found.bound + tie - at_bench,
            found.gap,
            sum(p.cost for p in purchases),
            tuple(self._made(block, x) for block in self.blocks),
            purchases,
            self._told_balances(x, self._worth(priced, x)),
            files,
            at_bench,
        )

    def _further(self) -> Iterator[Vector]:
        """Yield each product's own further goals and order of ids, as costs over all columns."""
        for block in self.blocks:
            brief, model = block.product.brief, block.every[0].model
            goals = tuple((sign, brief.measure(name)) for sign, name in brief.scenario.objective.goals[1:])
            linear = tuple(goal for goal in goals if not goal[1].ratio)
            for vector in further_costs(brief.pool, model, linear, np.zeros(model.size)):
                cost = np.zeros(self.width)
                cost[block.doses] = vector[: model.doses]
                yield cost

    def _worth(self, basis: Basis, x: Vector) -> dict[str, float]:
        """Return what one more kg in stock would save, by id: the price of the balance's end when raised."""
        directions = Directions(basis, x)
        return {
            name: 0.0 - directions.prices(np.array([r]), np.ones(1))[1] if self._short(r, x) else 0.0
            for name, r in self.balance_at.items()
        }

    def _short(self, r: int, x: Vector) -> bool:
        """Return whether nothing is left over of a balance's material."""
        return float(self.rows[r] @ x) >= self.high[r] - ROW_MET * max(1.0, abs(self.high[r]))

    def _made(self, block: Block, x: Vector) -> MadeProduct:
        brief = block.product.brief
        case = block.every[int(np.argmax(x[block.settings]))]
        formula = formula_from(brief, x[block.doses])
        ph = choose_ph(brief, case, formula, block.every)
        setting = Setting() if ph is None else ph.setting
        for rule in brief.enforced:
            if rule.breaks(formula, setting):
                raise SolverError(f"the plan breaks '{rule.reading()}' of '{block.product.name}'; it is withheld.")
        return MadeProduct(block.product.name, block.product.batch_kg, formula, setting, formula.cost)

    def _purchases(self, x: Vector) -> tuple[Purchase, ...]:
        found = []
        for k, (name, line) in enumerate(self.packs):
            packs = float(round(x[self.bought.start + k]))
            if packs:
                kg = packs * (line.pack_kg or 0.0)
                found.append(Purchase(name, line.supplier, packs, kg, kg * (line.price_per_kg or 0.0)))
        for k, (name, line) in enumerate(self.loose):
            kg = float(x[self.weighed.start + k])
            if kg > USED:
                found.append(Purchase(name, line.supplier, nan, kg, kg * (line.price_per_kg or 0.0)))
        return tuple(sorted(found, key=lambda p: (p.material, p.supplier)))

    def _told_balances(self, x: Vector, worth: Mapping[str, float]) -> tuple[StockBalance, ...]:
        found = []
        for name, r in self.balance_at.items():
            uses = [
                float(x[b.doses.start + b.product.brief.pool.index[name]]) * b.product.batch_kg / 100
                for b in self.blocks
                if name in b.product.brief.pool.index
            ]
            used, stock = sum(uses), self.stock.get(name, 0.0)
            bought = (
                stock
                - self.high[r]
                + sum(
                    float(-self.rows[r][j] * x[j]) for j in (*range(*_span(self.weighed)), *range(*_span(self.bought)))
                )
            )
            if used > USED or bought > USED:
                found.append(StockBalance(name, stock, bought, used, max(0.0, stock + bought - used), worth[name]))
        return tuple(found)


def _span(where: slice) -> tuple[int, int]:
    return where.start, where.stop


def alone(products: tuple[Product, ...], *, leftover: float, buying: bool, time_limit: float) -> tuple[JointPlan, ...]:
    """Return each product planned by itself, as if the whole stock were its own."""
    return tuple(joint((replace(p),), leftover=leftover, buying=buying, time_limit=time_limit) for p in products)


def _range_of_plan(every: tuple[Case, ...]) -> Vector:
    """Return by how much what each yes is planned to cost differs with the pH, shape (choices,)."""
    return np.asarray(np.ptp([c.model.planned for c in every], axis=0))
