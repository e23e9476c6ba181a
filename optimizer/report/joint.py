"""A plan for several products as a document and as JSON."""

from math import isnan

from optimizer.data.cautions import Caution, cautions_of
from optimizer.data.purchase import Purchase
from optimizer.immutable import Figure, immutable, seen, told, untold
from optimizer.report.blend import caution_listing
from optimizer.report.document import Document, Listing, Section, Table
from optimizer.studies.multi_product import Balance, Made, Plan, Product
from optimizer.units import CHANGE_SHOWN, number


@immutable
class Together:
    """The output of `tenside together --json`."""

    FORMAT = 1
    plan: Plan = untold()
    alone: tuple[Plan, ...] = untold()
    asked: tuple[Product, ...] = untold()
    ending: str = seen("plan.ending")
    currency: str = seen("plan.currency")
    total: Figure = seen("plan.total")
    bound: Figure = seen("plan.bound")
    gap: Figure = seen("plan.gap")
    spent: Figure = seen("plan.spent")
    products: tuple[Made, ...] = seen("plan.products")
    purchases: tuple[Purchase, ...] = seen("plan.purchases")
    balances: tuple[Balance, ...] = seen("plan.balances")

    @told
    def alone_total(self) -> Figure:
        """The products each alone, summed; null if one of them is impossible."""
        return sum(one.total for one in self.alone)

    @told
    def cautions(self) -> tuple[Caution, ...]:
        """Those of all products, each once."""
        return _cautions(self.plan, self.asked)


def _cautions(plan: Plan, products: tuple[Product, ...]) -> tuple[Caution, ...]:
    found = {c.text: c for made in plan.products for c in cautions_of(made.formula, products[0].brief.library)}
    return tuple(found.values())


def plan_document(plan: Plan, alone: tuple[Plan, ...], products: tuple[Product, ...]) -> Document:
    """Return what to make of what, and what to buy."""
    if not plan.products:
        told = {"infeasible": "Impossible: the stock and what can be bought do not make these products."}
        verdict = told.get(plan.ending, "No plan was found in time.")
        hint = "Blend each product alone to see whether its brief can be met; then its stock is what is short."
        return Document("Together", verdict, sections=(Listing("Next", (hint,)),), good=False)
    sections: list[Section | Document] = [_doses(plan), _buying(plan), _left(plan), _alone(plan, alone)]
    sections.append(caution_listing(_cautions(plan, products)))
    searched = "none costs less, by the solver's whole search through packs and choices"
    proof = searched if plan.ending == "optimal" else f"within {100 * plan.gap:.2f} % of the best possible"
    facts = (
        ("spent on packs", f"{plan.spent:.2f} {plan.currency}"),
        ("with leftovers", f"{plan.total:.2f} {plan.currency}, stock used and leftovers at their stated value"),
        ("bound", f"no plan costs less than {plan.bound:.2f} {plan.currency}"),
    )
    title = f"Together: {', '.join(m.name for m in plan.products)}"
    return Document(title, f"Planned; {proof}.", facts, tuple(sections), good=plan.ending == "optimal")


def _doses(plan: Plan) -> Table:
    names = {line.item.id: line.item.material.name for made in plan.products for line in made.formula.lines}
    order = sorted(names, key=lambda n: (-max(made.formula.dose(n) for made in plan.products), n))
    rows = [
        (names[n], *(f"{made.formula.dose(n):.2f}" if made.formula.dose(n) else "" for made in plan.products))
        for n in order
    ]
    rows.append(("kept free", *(f"{made.formula.held_back:.2f}" for made in plan.products)))
    rows.append(("batch, kg", *(number(made.batch_kg) for made in plan.products)))
    targets = (made.setting.target for made in plan.products)
    rows.append(("target pH", *("" if t is None else number(t, 2) for t in targets)))
    heads = tuple(made.name for made in plan.products)
    right = frozenset(range(1, len(heads) + 1))
    return Table("Doses, % w/w as supplied", ("material", *heads), tuple(rows), right)


def _buying(plan: Plan) -> Table:
    rows = [
        (p.material, p.supplier, "by weight" if isnan(p.packs) else f"{p.packs:.0f}", number(p.kg, 2), f"{p.cost:.2f}")
        for p in plan.purchases
    ]
    rows.append(("together", "", "", "", f"{plan.spent:.2f}"))
    columns = ("material", "supplier", "packs", "kg", plan.currency)
    return Table("Packs to buy", columns, tuple(rows), frozenset({2, 3, 4}), strong=frozenset({len(rows) - 1}))


def _left(plan: Plan) -> Table:
    rows = tuple(
        (b.material, number(b.stock, 2), number(b.bought, 2), number(b.used, 3), number(b.left, 3), _worth(b.worth))
        for b in plan.balances
    )
    note = "Worth: what one more kg in stock would save, at the packs chosen. It is 0 where something is left over."
    columns = ("material", "stock kg", "bought kg", "used kg", "left kg", f"one kg more, {plan.currency}")
    return Table("Stock", columns, rows, frozenset({1, 2, 3, 4, 5}), note)


def _worth(value: float) -> str:
    return "0" if abs(value) < CHANGE_SHOWN else f"{value:.3f}"


def _alone(plan: Plan, alone: tuple[Plan, ...]) -> Table:
    rows = [
        (made.name, "impossible" if isnan(one.total) else f"{one.total:.2f}")
        for made, one in zip(plan.products, alone, strict=True)
    ]
    summed = sum(one.total for one in alone)
    rows.append(("all alone, summed", "" if isnan(summed) else f"{summed:.2f}"))
    rows.append(("together", f"{plan.total:.2f}"))
    note = "Alone, each product has the whole stock to itself: the sum may count the same stock twice."
    strong = frozenset({len(rows) - 1})
    return Table("Each product alone", ("product", plan.currency), tuple(rows), frozenset({1}), note, strong)
