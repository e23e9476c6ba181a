"""What is said before anything else of a formula, and the cautions that any answer about it carries."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from math import isnan

from optimizer.assessment.evidence import line_of, rests_on, told_of
from optimizer.brief.brief import Brief
from optimizer.data.cautions import Caution, cautions_of, joined
from optimizer.data.facts import Material
from optimizer.data.formula import Formula, Line
from optimizer.rules import Excludes, LimitRule, Preserved, UseLevel
from optimizer.rules.preserved import PRESERVATIVE
from optimizer.rules.row import Setting
from optimizer.units import AS_TYPED, USED, listed, number

SCENTS = ("perfume", "essential oil")

ADJUSTER = "ph adjuster"
FAR = 2.0
"""Distance from the target window from which an estimated pH is an alarm; made up."""
EXTREMES = (2.0, 11.0)
"""The same whatever the target: corrosive by CLP Annex I, 3.2.3.1.2, and at most by (EC) 1223/2009, Annex III/15a."""

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
    market, use, ph = _market(brief), _use(brief), _off_target(formula, setting)
    kept = _forbidden(brief, formula, setting), _unpreserved(brief, formula, setting)
    found = market, *kept, ph, _empty(brief, formula, setting), use
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


def _empty(brief: Brief, formula: Formula, setting: Setting) -> Iterator[Caution]:
    """Yield that a mean or a share of surfactants is kept for want of any."""
    if formula.active > USED or not brief.pool.surfactant.any():
        return
    ratios = [r for r in brief.enforced if isinstance(r, LimitRule) and r.ratio]
    judged = list(dict.fromkeys(r.name for r in ratios if isnan(r.value(formula, setting))))
    if judged:
        yield Caution(
            "NOTHING IN IT WASHES: it holds no surfactant. Kept only because there is nothing to judge: "
            f"{listed(judged)}.",
            loud=True,
        )


def _off_target(formula: Formula, setting: Setting) -> Iterator[Caution]:
    """Yield that acid or alkali as a line of the formula takes the pH far from its target; a reading says it better."""
    adjusters = [x.item.material.name for x in formula.lines if ADJUSTER in x.item.material.functions]
    read = setting.target is not None and setting.low == setting.high
    if not adjusters or read:
        return
    from optimizer.assessment.alkalinity import estimated_ph, ingredients_of

    ph = estimated_ph(ingredients_of(formula))
    least, most = EXTREMES
    wants = ""
    if setting.low is not None and setting.high is not None:
        least, most = max(least, setting.low - FAR), min(most, setting.high + FAR)
        wants = f" Its target is {number(setting.low, 2)} to {number(setting.high, 2)}."
    if ph.high >= least and ph.low <= most:
        return
    yield Caution(
        f"FAR FROM ITS pH: by estimate about {number(ph.typical, 1)} ({number(ph.low, 1)} to {number(ph.high, 1)}) as "
        f"written, before anything is added.{wants} It can hurt eyes and skin: correct the dose, and touch "
        "nothing of it before its pH was read.",
        tuple(adjusters),
        loud=True,
    )


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
    doses = [f"{number(percent, 3)} % where at most {number(high)} % is usual" for _, percent, high in dosed]
    says = listed(sorted({_says(material) for material, *_ in dosed}))
    return Caution(
        f"Much perfume or essential oil: {listed(doses)} ({says}). The more, the sooner skin is irritated or "
        "sensitised: ask its supplier for the highest dose in such a product, and your safety assessor.",
        tuple(material.name for material, *_ in dosed),
    )


def _says(material: Material) -> str:
    """Return who says what a material's usual use is."""
    source, confidence = material.backed("use")
    return {"common": "common practice, no source", "tds": "supplier data sheets, from memory"}.get(source, confidence)
