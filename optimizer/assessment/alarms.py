"""What is said before anything else of a formula, and the cautions that any answer about it carries."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

from optimizer.assessment.evidence import line_of, rests_on, told_of
from optimizer.brief.brief import Brief
from optimizer.data.cautions import Caution, cautions_of, joined
from optimizer.data.facts import Material
from optimizer.data.formula import Formula, Line
from optimizer.rules import Excludes, Preserved, UseLevel
from optimizer.rules.preserved import PRESERVATIVE
from optimizer.rules.row import Setting
from optimizer.units import AS_TYPED, USED, listed, number

SCENTS = ("perfume", "essential oil")

BURNING = 11.0
"""Above this pH a formula with lye is said to burn; the upper end that Regulation (EC) No 1223/2009, Annex III, allows
hydroxides as pH adjusters (from memory)."""
FORBIDDEN = "ABOVE A LEGAL CEILING"
MICROBES = (
    "Microbes grow in such a wash and can hurt who uses it. Give it a preservative that acts at its pH, at its usual "
    "use, then have a challenge test done; only that shows that it holds."
)


def cautions_at(brief: Brief, formula: Formula | None, setting: Setting) -> tuple[Caution, ...]:
    """Return what is said first, on what the answer rests, the general cautions and those of the materials."""
    if formula is None:
        return (*uncharted(brief), *cautions_of(None, brief.library))
    rests = told_of(brief, formula, setting)
    return (*alarms_of(brief, formula, setting), *usual_use(formula), *rests, *cautions_of(formula, brief.library))


def cautions_of_several(asked: Iterable[tuple[str, Brief, Formula, Setting]]) -> tuple[Caution, ...]:
    """Return the cautions of named formulas, each once: what is said first with the name that it is about."""
    every = list(asked)
    each = [cautions_at(brief, formula, setting) for _, brief, formula, setting in every]
    loud = [
        c if all(c in told for told in each) else replace(c, text=f"{name}: {c.text}")
        for (name, *_), told in zip(every, each, strict=True)
        for c in told
        if c.loud
    ]
    rests = line_of(rests_on(brief, formula, setting) for _, brief, formula, setting in every)
    return joined([*loud, *rests, *(c for told in each for c in told if not c.loud and not c.rests)])


def alarms_of(brief: Brief, formula: Formula, setting: Setting) -> tuple[Caution, ...]:
    """Return what is said before anything else of a formula at a pH setting; as a rule nothing."""
    found = (
        _market(brief), _forbidden(brief, formula, setting), _burning(formula, setting),
        _unpreserved(brief, formula, setting), _use(brief),
    )  # fmt: skip
    return tuple(caution for cautions in found for caution in cautions)


def foremost(brief: Brief, formula: Formula, setting: Setting) -> tuple[Caution, ...]:
    """Return what any paper about a formula says, however short: its alarms, and on what it rests."""
    return (*alarms_of(brief, formula, setting), *line_of([rests_on(brief, formula, setting)]))


def uncharted(brief: Brief) -> tuple[Caution, ...]:
    """Return what is said of a use or a market of which the library knows too little."""
    return (*_market(brief), *_use(brief))


def foretold(brief: Brief) -> tuple[Caution, ...]:
    """Return what is said first of every formula of a brief, whatever is in it."""
    return (*uncharted(brief), *_asked(brief))


def _market(brief: Brief) -> Iterator[Caution]:
    use, market = brief.scenario.use, brief.scenario.market
    here = [c for c in brief.library.ceilings if c.kind == "law" and c.jurisdiction in ("", market)]
    if not any(c.use in (use, "any") for c in here):
        yield Caution(
            f"NO LEGAL CEILING IS ON FILE for {use} products in the market '{market}': no dose here was held against "
            "its law. Look up what holds where it is made and sold, or ask a qualified safety assessor.",
            loud=True,
        )


def _use(brief: Brief) -> Iterator[Caution]:
    if brief.scenario.use != "rinse-off":
        yield Caution(
            f"{brief.scenario.use.capitalize()} stays on the skin: this library's usual doses, ratings and most of its "
            "ceilings are those of products that are rinsed off. Only a qualified safety assessor can say what may.",
            loud=True,
        )


def _forbidden(brief: Brief, formula: Formula, setting: Setting) -> Iterator[Caution]:
    """Yield what law says no to, first that of the market."""
    for rule in brief.rules:
        over = isinstance(rule, UseLevel) and rule.ceiling.kind == "law" and rule.breaks(formula, setting)
        if over and isinstance(rule, UseLevel):
            c = rule.ceiling
            where = "" if rule.source == "law" else f"; look up that of '{brief.scenario.market}'"
            yield Caution(
                f"{FORBIDDEN}: {rule.name} {number(rule.value(formula, setting), 3)} %, at most "
                f"{number(c.percent)} % ({c.place}{where}). {c.note}".rstrip(),
                loud=True,
            )
        if isinstance(rule, Excludes) and rule.source == "law" and rule.breaks(formula, setting):
            yield Caution(f"BARRED BY LAW: {rule.reading()}.", loud=True)


def _burning(formula: Formula, setting: Setting) -> Iterator[Caution]:
    """Yield that lye without its acid leaves a formula far above the pH that its rules are held against."""
    lye = [x for x in formula.lines if x.percent > USED and "corrosive" in x.item.material.cautions]
    if not lye:
        return
    from optimizer.assessment.alkalinity import estimated_ph, ingredients_of

    ph = estimated_ph(ingredients_of(Formula(formula.lines)))
    if ph.low > BURNING and (setting.high is None or setting.high < ph.low):
        aim = "" if setting.target is None else f", not near the {number(setting.target, 2)} that its rules are held to"
        yield Caution(
            f"STRONGLY ALKALINE: pH about {number(ph.typical, 1)} ({number(ph.low, 1)} to {number(ph.high, 1)}) by "
            f"estimate as it stands{aim}. It burns skin and eyes: use it for nothing before acid has brought it down "
            "and a reading says so.",
            tuple(sorted(x.item.material.name for x in lye)),
            loud=True,
        )


def _asked(brief: Brief) -> Iterator[Caution]:
    if brief.scenario.unpreserved:
        yield Caution(
            f"The brief asks for no preservative, because: {brief.scenario.unpreserved} That is its maker's reason; "
            "whether it holds is for a safety assessor and a challenge test to say.",
            loud=True,
        )


def _unpreserved(brief: Brief, formula: Formula, setting: Setting) -> Iterator[Caution]:
    yield from _asked(brief)
    rule = next((r for r in brief.rules if isinstance(r, Preserved)), None)
    reason = "" if rule is None else rule.reason(formula, setting)
    if reason:
        yield Caution(f"NOT PRESERVED: {reason}. {MICROBES}", loud=True)


def usual_use(formula: Formula) -> tuple[Caution, ...]:
    """Return cautions about preservatives outside their usual use and about more scent than is usual."""
    used = [x for x in formula.lines if x.percent > USED and x.item.material.use is not None]
    found = [_dosed(line) for line in used if line.item.material.lipid not in SCENTS]
    return tuple(c for c in (*found, _scent(used)) if c is not None)


def _dosed(line: Line) -> Caution | None:
    material, percent = line.item.material, line.percent
    assert material.use is not None
    low, usual, high = material.use
    stands = f"{number(percent, 3)} % where {number(low)} to {number(high)} % is usual, {number(usual)} % as a rule"
    told = f"{stands} ({_says(material)})"
    if percent > high + AS_TYPED:
        return Caution(f"Much preservative: {told}. More irritates; ask for its sheet.", (material.name,))
    if percent < low - AS_TYPED and PRESERVATIVE in material.functions:
        return Caution(f"Little preservative: {told}. Does the rest of the system carry it?", (material.name,))
    return None


def _scent(used: list[Line]) -> Caution | None:
    """Return a caution where perfumes and essential oils, in parts of their high use, are more than one of them."""
    scents = [(x.item.material, x.percent, x.item.material.use) for x in used if x.item.material.lipid in SCENTS]
    dosed = [(material, percent, use[2]) for material, percent, use in scents if use is not None and use[2] > 0]
    if sum(percent / high for _, percent, high in dosed) <= 1 + AS_TYPED:
        return None
    told = [f"{number(percent, 3)} % where at most {number(high)} % is usual" for _, percent, high in dosed]
    says = listed(sorted({_says(material) for material, *_ in dosed}))
    return Caution(
        f"Much perfume or essential oil: {listed(told)} ({says}). The more, the sooner skin is irritated or "
        "sensitised: ask its supplier for the highest dose in such a product, and your safety assessor.",
        tuple(material.name for material, *_ in dosed),
    )


def _says(material: Material) -> str:
    """Return who says what a material's usual use is."""
    source, confidence = material.backed("use")
    return {"common": "common practice, no source", "tds": "supplier data sheets, from memory"}.get(source, confidence)
