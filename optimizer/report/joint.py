"""A plan for several products as a document and as JSON."""

from collections.abc import Mapping
from math import isnan

from optimizer.assessment.alarms import cautions_of_several
from optimizer.data.cautions import Caution
from optimizer.data.purchase import Purchase
from optimizer.immutable import Figure, result, seen, told, untold
from optimizer.report.cautions import framed
from optimizer.report.document import Columns, Document, Listing, Row, Strong, Table, figures
from optimizer.studies.multi_product import JointPlan, MadeProduct, Product, StockBalance
from optimizer.units import CHANGE_SHOWN, number


@result
class Together:
    """The output of `tenside together --json`."""

    FORMAT = 1
    plan: JointPlan = untold()
    alone: tuple[JointPlan, ...] = untold()
    asked: tuple[Product, ...] = untold()
    ending: str = seen("plan.ending")
    currency: str = seen("plan.currency")
    total: Figure = seen("plan.total")
    bound: Figure = seen("plan.bound")
    gap: Figure = seen("plan.gap")
    thickening: Figure = seen("plan.thickening")
    """What the ways to thicken are planned to cost at the bench: no part of `total`, and counted in what is best."""
    spent: Figure = seen("plan.spent")
    products: tuple[MadeProduct, ...] = seen("plan.products")
    purchases: tuple[Purchase, ...] = seen("plan.purchases")
    balances: tuple[StockBalance, ...] = seen("plan.balances")

    @told
    def alone_total(self) -> Figure:
        """The products each alone, summed; null if one of them is impossible."""
        return sum(one.total for one in self.alone)

    @told
    def cautions(self) -> tuple[Caution, ...]:
        """Those of all products, each once."""
        return _cautions(self.plan, self.asked)


def _cautions(plan: JointPlan, products: tuple[Product, ...]) -> tuple[Caution, ...]:
    briefs = {p.name: p.brief for p in products}
    return cautions_of_several(
        (p.name, briefs.get(p.name, products[0].brief), p.formula, p.setting) for p in plan.products
    )


UNROUNDED = (
    "What to buy for, not yet what to weigh: the doses are not in steps of a scale, and as they are shown a limit may "
    "be missed by a hair. Check each product before it is weighed."
)


def plan_document(plan: JointPlan, alone: tuple[JointPlan, ...], asked: tuple[Product, ...]) -> Document:
    """Return what to make of what, and what to buy."""
    if not plan.products:
        endings = {"infeasible": "Impossible: the stock and what can be bought do not make these products."}
        verdict = endings.get(plan.ending, "No plan was found in time.")
        hint = "Blend each product alone to see whether its brief can be met; then its stock is what is short."
        return Document("Together", verdict, sections=(Listing("Next", (hint,)),), good=False)
    names = {m.id: m.name for product in asked for m in product.brief.library.materials}
    sections = (_doses(plan), _buying(plan, names), _left(plan, names), _alone(plan, alone))
    searched = "none costs less, by the solver's whole search through packs and choices"
    proof = searched if plan.ending == "optimal" else f"within {100 * plan.gap:.2f} % of the best possible"
    facts = [
        ("spent on packs", f"{plan.spent:.2f} {plan.currency}"),
        ("with leftovers", f"{plan.total:.2f} {plan.currency}, stock used and leftovers at their stated value"),
    ]
    whole = ""
    if plan.thickening:
        facts.append(("to thicken", f"{plan.thickening:.2f} {plan.currency} more, planned for the bench; not in packs"))
        whole = ", with what is planned to thicken"
    facts.append(("bound", f"no plan costs less than {plan.bound + plan.thickening:.2f} {plan.currency}{whole}"))
    title = f"Together: {', '.join(m.name for m in plan.products)}"
    shown = framed(_cautions(plan, asked), sections)
    return Document(title, f"Planned; {proof}.", facts, shown, good=plan.ending == "optimal")


def _doses(plan: JointPlan) -> Table:
    names = {line.item.id: line.item.material.name for made in plan.products for line in made.formula.lines}
    order = sorted(names, key=lambda n: (-max(made.formula.dose(n) for made in plan.products), n))
    rows: list[Row] = [(names[n], *(made.formula.dose(n) or None for made in plan.products)) for n in order]
    rows.append(("kept free", *(made.formula.held_back for made in plan.products)))
    rows.append(("batch, kg", *(number(made.batch_kg) for made in plan.products)))
    targets = (made.setting.target for made in plan.products)
    rows.append(("target pH", *("" if t is None else number(t, 2) for t in targets)))
    heads = figures(*(made.name for made in plan.products), form=".2f")
    return Table("Doses, % w/w as supplied", ("material", *heads), tuple(rows), UNROUNDED)


def _buying(plan: JointPlan, names: Mapping[str, str]) -> Table:
    rows = [
        (names[p.material], p.supplier, "by weight" if isnan(p.packs) else p.packs, p.kg, p.cost)
        for p in plan.purchases
    ]
    total = Strong(("together", "", None, None, plan.spent))
    return Table("Packs to buy", packs_columns(plan.currency, 2), (*rows, total))


def packs_columns(money: str, digits: int) -> Columns:
    """Return the columns of what is to be bought."""
    kg, cost = figures("kg", digits=digits), figures(money, form=".2f")
    return ("material", "supplier", *figures("packs", form=".0f"), *kg, *cost)


def _left(plan: JointPlan, names: Mapping[str, str]) -> Table:
    rows = tuple(
        (names[b.material], b.stock, b.bought, b.used, b.left, "0" if abs(b.worth) < CHANGE_SHOWN else b.worth)
        for b in plan.balances
    )
    note = "Worth: what one more kg in stock would save, at the packs chosen. It is 0 where something is left over."
    columns: Columns = (
        "material", *figures("stock kg", digits=2), *figures("bought kg", "used kg", "left kg", digits=3),
        *figures(f"one kg more, {plan.currency}", form=".3f"),
    )  # fmt: skip
    return Table("Stock", columns, rows, note)


def _alone(plan: JointPlan, alone: tuple[JointPlan, ...]) -> Table:
    rows: list[Row] = [
        (made.name, "impossible" if isnan(one.total) else one.total)
        for made, one in zip(plan.products, alone, strict=True)
    ]
    rows.append(("all alone, summed", sum(one.total for one in alone)))
    rows.append(Strong(("together", plan.total)))
    note = "Alone, each product has the whole stock to itself: the sum may count the same stock twice."
    return Table("Each product alone", ("product", *figures(plan.currency, form=".2f")), tuple(rows), note)
