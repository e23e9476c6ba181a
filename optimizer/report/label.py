"""A label as a document and as JSON."""

from __future__ import annotations

from optimizer.data.facts import Ceiling
from optimizer.labelling.allergens import Allergen
from optimizer.labelling.content import SOURCE as CONTENT_SOURCE
from optimizer.labelling.content import Content
from optimizer.labelling.label import PERFUME, Label, Met
from optimizer.labelling.substances import SubstanceAmount
from optimizer.report.cautions import framed
from optimizer.report.document import Columns, Document, Listing, Row, Strong, Table, figures, filled
from optimizer.units import listed, number

CHECKLIST = (
    "Name and address of the responsible person; for imports also the country of origin.",
    "Nominal content by weight or volume at the time of packing, unless below 5 g or 5 ml, a free sample or a "
    "single-use pack.",
    "Durability: a best-before date, or, if it keeps for more than 30 months, the time after opening (open-jar mark).",
    "Precautions for use, at least the wordings that Annexes III to VI ask for with the substances used.",
    "Batch number, the same as in the batch file.",
    "Function, unless the look of the pack makes it clear.",
    "The language or languages that the country of sale asks for.",
)
CHECKLIST_SOURCE = "Regulation (EC) No 1223/2009, Article 19, as public guides give it; language rule from memory."
ORDER_SOURCE = (
    "Descending weight at the time of addition; below 1 % any order after the rest, kept descending here; colourants "
    "last. Regulation (EC) No 1223/2009, Article 19(1)(g), as public guides give it."
)
BASES = {
    "plan": "as planned; part of it is not in yet",
    "formula": "a whole formula",
    "made": "as made, with everything that was added",
}
VERDICTS = {"certain": "name it", "possible": "possible, named to be safe", "below": "below"}


def label_document(label: Label) -> Document:
    """Return a label: the line to copy, its order, allergens, natural origin, content, what else is needed."""
    facts = [("basis", BASES[label.basis]), ("use", f"{label.use}, {label.market}"), ("lots", _lots(label))]
    if label.pending or label.basis == "plan":
        facts.append(("not in yet", f"{_not_in_yet(label)}; the list lacks it. Label again what was really made"))
    if label.not_counted:
        words = "weights, acid and thickener that the batch file records; the doses are the planned ones"
        facts.append(("not counted", words))
    sections = (
        Listing("List of ingredients, ready to copy", (label.line,)),
        _order(label),
        _uncertain(label),
        _allergens(label),
        Listing("Ask for the allergen sheet", label.wishes),
        _natural(label),
        *([_content(label.content)] if label.content else []),
        Listing("What else the label needs", (*CHECKLIST, f"Source: {CHECKLIST_SOURCE}")),
        _contained(label),
        *filled(_ceilings(label)),
        Listing("Notes", _notes(label)),
    )
    shown = framed(label.cautions, sections)
    return Document(f"Label of {label.name}", _verdict(label), facts, shown, good=_good(label))


def _lots(label: Label) -> str:
    measured = listed(tuple(dict.fromkeys(p.material.name for p in label.parts if p.measured)))
    return (
        f"active matter as measured for {measured}; else the library's ranges" if measured else "the library's ranges"
    )


def _over_law(label: Label) -> list[Ceiling]:
    return [m.ceiling for m in label.ceilings if m.exceeded and m.ceiling.kind == "law"]


def _good(label: Label) -> bool:
    loud = any(c.loud for c in label.cautions)
    return not (label.basis == "plan" or label.not_counted or label.wishes or _over_law(label) or loud)


def _not_in_yet(label: Label) -> str:
    later = listed(label.pending, "or") or "what is added to effect"
    return f"{number(label.formula.held_back, 2)} % kept free for {later}"


def _verdict(label: Label) -> str:
    reasons = []
    if label.basis == "plan":
        reasons.append("not everything is in yet")
    if label.not_counted:
        reasons.append("what the batch file records is not counted")
    if label.swaps:
        count = len(label.swaps)
        reasons.append(f"the order of {count} pair{'s' if count > 1 else ''} depends on the lots")
    if label.wishes:
        reasons.append("INCI names or allergen figures are missing or placeholders")
    if _over_law(label):
        reasons.append("a legal ceiling is exceeded")
    if any(c.loud for c in label.cautions):
        reasons.append("what is said first below is not settled")
    if not reasons:
        return "Ready to be checked by your safety assessor."
    return f"Not ready to print: {listed(reasons)}."


def missing_of(label: Label) -> tuple[str, ...]:
    """Return what is to be done before a label can be printed, one sentence each."""
    todo = []
    if label.basis == "plan":
        todo.append(f"Finish the batch: {_not_in_yet(label)} is not on the list.")
    if label.not_counted:
        todo.append("Label the batch file itself: what it records is not counted here.")
    if label.swaps:
        pairs = listed([f"{s.first} and {s.second}" for s in label.swaps])
        todo.append(f"Measure the active matter of the lots: it decides the order of {pairs}.")
    todo += label.wishes
    todo += [f"A legal ceiling is exceeded: {listed(c.substances)}, {number(c.percent)} %." for c in _over_law(label)]
    todo += [c.words for c in label.cautions if c.loud]
    if label.content is None:
        todo.append("State the content: the bottle in ml and the density that you measured (--bottle, --density).")
    return tuple(todo)


def share(value: float) -> str:
    """Return a share of the product as text: two decimals, more below 1 %."""
    return f"{value:.2f}" if value >= 1 or value == 0 else number(value, 4)


def _order(label: Label) -> Table:
    swaps: dict[str, list[str]] = {}
    for swap in label.swaps:
        swaps.setdefault(swap.first, []).append(swap.second)
        swaps.setdefault(swap.second, []).append(swap.first)
    rows: list[Row] = []
    drawn = False
    for place, amount in enumerate(label.amounts, 1):
        if not drawn and (amount.typical < 1 or amount.colourant):
            drawn = True
            rows.append(Strong((None, "1 % line: any order below", None, None, None, "")))
        doubts = []
        if amount.inci in swaps:
            doubts.append(f"may swap with {listed(swaps[amount.inci])}")
        if amount.inci in label.doubtful_line:
            doubts.append("either side of 1 %")
        if amount.by_product:
            doubts.append("by-product only")
        shares = (share(amount.low), share(amount.typical), share(amount.high))
        rows.append((place, amount.inci, *shares, "; ".join(doubts)))
    columns: Columns = (*figures(""), "substance", *figures("least", "typical", "most"), "doubt")
    note = f"% w/w of the product, over the lots that the shares allow. {ORDER_SOURCE}"
    return Table("Substances by weight", columns, tuple(rows), note)


def _uncertain(label: Label) -> Listing:
    pairs = tuple(f"{s.first} before {s.second}{', neighbours' if s.neighbours else ''}" for s in label.swaps)
    hint = "Measured lots (lot_active_percent of the weighed lines, or the shelf's lot active %) settle it."
    return Listing("Order that depends on the lots, as printed", (*pairs, hint) if pairs else ())


def _allergens(label: Label) -> Table | Listing:
    limits = " ".join(
        f"'{a.called}' ({len(a.names)} names, {a.jurisdiction}, {a.as_of}): above "
        f"{number(a.leave_on_above if label.use == 'leave-on' else a.rinse_off_above)} % in {label.use}. {a.note}"
        for a in label.lists
    )
    warning = "Both lists are the Commission's own table, not the legal text: check the text in force."
    if not label.allergens:
        return Listing("Fragrance allergens", (f"None known in these materials. {limits} {warning}",))
    rows = tuple(
        (
            a.name,
            *(a.low, a.typical, a.high),
            _allergen_words(a),
            a.on.called if a.on else "no list known here",
            listed(tuple(dict.fromkeys(s.material.name for s in a.sources))),
        )
        for a in label.allergens
    )
    columns: Columns = ("allergen", *figures("least", "typical", "most", digits=5), "label", "list", "from")
    note = f"% of the product, added up over all materials. {limits} {warning}"
    return Table("Fragrance allergens", columns, rows, note)


def _allergen_words(allergen: Allergen) -> str:
    if allergen.verdict == "below" or not allergen.listed_as:
        return VERDICTS[allergen.verdict]
    if allergen.listed_as == allergen.name:
        return "in the list already"
    return f"in the list as {allergen.listed_as}; ask which name to print"


def _natural(label: Label) -> Table:
    kinds = [("with water", label.natural), ("without water", label.natural_dry)]
    rows = tuple((name, origin.low, origin.declared, origin.high) for name, origin in kinds if origin)
    note = (
        "Sum of share x index, substance by substance (ISO 16128-2, conventions from memory; indices by renewable "
        "carbon, where the standard also knows a way by mass); supplier declarations "
        "govern. Declared: typical lots, low end of every index. The standard gives a calculation: no certificate and "
        "no permission for a claim. Say whether water is counted when you quote a figure."
    )
    columns: Columns = ("natural origin, %", *figures("least", "declared", "most", form=".1f"))
    return Table("Natural-origin content", columns, rows, note)


def _content(content: Content) -> Table:
    rows = [
        (name, value, grams)
        for name, value, grams in (
            ("on the label; the average of the batch must reach it", content.nominal, content.grams(content.nominal)),
            ("only few packs below", content.few_below, content.grams(content.few_below)),
            ("no pack below", content.none_below, content.grams(content.none_below)),
        )
        if value is not None
    ]
    notes = []
    if content.unit == "ml":
        if content.density is None:
            notes.append("Mass is missing: measure the density at 20 °C (--density); it is not taken as 1.")
        else:
            notes.append(f"Density {number(content.density)} g/ml as measured; volume counts at 20 °C.")
    if content.error is not None:
        error = f"{number(content.error, 2)} {content.unit}"
        notes.append(f"Tolerable negative error {error}. The e mark is optional (from memory).")
    else:
        notes.append("Outside 5 g or ml to 10 kg or l: no e mark.")
    if not content.must_be_stated:
        notes.append("Below 5 g or ml the content need not be stated.")
    notes.append(f"A filling machine or a spoon that scatters must aim higher than the label. Source: {CONTENT_SOURCE}")
    columns: Columns = (
        "pack", *figures("content", digits=2, unit=f" {content.unit}"), *figures("mass", digits=1, unit=" g"),
    )  # fmt: skip
    return Table("Content", columns, tuple(rows), " ".join(notes))


def carried(amount: SubstanceAmount) -> str:
    """Return the raw materials that bring a substance, with their dose and its share of them."""
    return "; ".join(
        f"{share(c.percent)} % {c.material.name} that holds {_range(c.share[0], c.share[2])} %" for c in amount.carriers
    )


def _range(low: float, high: float) -> str:
    return number(low, 3) if low == high else f"{number(low, 3)}-{number(high, 3)}"


def _contained(label: Label) -> Table:
    rows = tuple((a.inci, a.cas, listed(a.jobs), carried(a)) for a in label.amounts)
    note = "For the safety assessor; --assessor writes it as a table with figures and sources."
    return Table("Where each substance comes from", ("substance", "CAS", "function", "from"), rows, note=note)


def ceiling_words(met: Met) -> str:
    """Return a ceiling with what is reached, its jurisdiction, date and kind."""
    c = met.ceiling
    basis = "" if c.basis == "as substance" else f" {c.basis}"
    where = ", ".join(w for w in (c.kind, c.place) if w)
    return f"{number(met.reached)} of at most {number(c.percent)} %{basis} ({where})"


def _ceilings(label: Label) -> Table:
    rows = tuple(
        (listed(m.ceiling.substances), ceiling_words(m), "exceeded" if m.exceeded else "kept", m.ceiling.note)
        for m in label.ceilings
    )
    note = "Counted at the high end of every share. Dated copies: check the text in force."
    return Table("Ceilings that apply", ("substances", "reached", "", "note"), rows, note=note)


def _notes(label: Label) -> tuple[str, ...]:
    adjusters = sorted({p.material.name for p in label.parts if "ph adjuster" in p.material.functions})
    pair = f" ({listed(adjusters)} here)" if adjusters else ""
    notes = [
        "The list is as added: acid and alkali, soaps and salts of weak acids react with one another in the product"
        f"{pair}, and the list does not show what they become.",
        "Names in square brackets for nano materials ([nano]) are not handled: add them yourself.",
        "Water inside surfactants and other materials is counted with Aqua.",
    ]
    if any(a.inci == PERFUME for a in label.amounts):
        notes.append("A perfume is one entry, Parfum; only its allergens are named one by one.")
    by_products = [a.inci for a in label.amounts if a.by_product]
    if by_products:
        notes.append(
            f"{listed(by_products)}: by-product of a raw material. Impurities are no ingredients (Article 19(1)(g), "
            "from memory); kept in the list, ask your assessor."
        )
    large = [a.name for a in label.named if a.high >= 1]
    if large:
        notes.append(f"{listed(large)} can reach 1 %: its place in the list follows its weight, move it up.")
    if label.market != "EU":
        notes.append(f"Order, allergens and checklist follow EU texts; check what {label.market} asks for.")
    return (*notes, "Check every text in force; a qualified safety assessor decides.")
