"""Advice on thickness: salt or a thickener, when it goes in, what moves the curve."""

from optimizer.assessment.advice.base import COMMON, FORUM, SALT_SITE, Found, Pieces, Situation, ids, names
from optimizer.assessment.electrolyte import ORIGINS
from optimizer.assessment.thickening import SALT_STEP, rule_of
from optimizer.units import KEPT, listed, number

PIECES = Pieces("thickening")

AMIDE_AND_SALT = 4.0
"""Most amide and salt together [%]; one maker's rule, makers' forum 2020."""
LITTLE_AMIDE = 0.3
"""Amide below this says nothing [%]; an editable default, no source."""
LITTLE_SALT = 0.5
"""Below this [%] a formula counts as poor in electrolyte; an editable default, no source."""
MUCH_OTHER_SALT = 0.5
"""Preservative, buffer and chelator salts that are worth a word [%]; an editable default, no source."""
NEAR_SALT = 35.0
"""Sulfate-type anionics in the active matter from which a salt curve is worth 100 g [%]; an editable default, no
source: the limit of the rule is a caution, no law of nature."""
OTHER_SALTS = (ORIGINS[3], ORIGINS[4], ORIGINS[5], ORIGINS[8])


@PIECES.piece("salt-near-limit", COMMON)
def near_limit(s: Situation) -> Found | None:
    """Dissolved salt close to its limit."""
    left = s.budget.left
    if left.low >= 0.25 * s.budget.limit:
        return None
    part = max(s.budget.parts, key=lambda p: p.percent.typical)
    first = "Ask for the salt of your lots before the salt curve" if _worth_a_curve(s) else "Add no salt"
    text = f"{first}; the largest part of what is dissolved: {part.origin}."
    reason = f"Dissolved salt {number(s.budget.total.low, 2)} to {number(s.budget.total.high, 2)} %: {s.budget.room}."
    return Found(text, reason, part.materials)


@PIECES.piece("salt-or-thickener", f"{SALT_SITE}; {FORUM}; limits: {COMMON}")
def salt_or_thickener(s: Situation) -> Found | None:
    """Which route the charge make-up leaves open."""
    if s.active <= 0:
        return None
    salt = s.plan.salt
    if salt.open:
        text = "Make one unsalted master and a salt curve on 100 g samples at one temperature: 0.2, 0.4 ... %."
    elif _near_salt(s):
        text = "Try a salt curve on 100 g, 0.2, 0.4 ... %, before you buy: it is near to answering to salt. Have an "
        text += "associative or polymer thickener of the plan at hand."
    else:
        text = "Do not count on salt: use an associative or polymer thickener of the plan, in small steps."
    return Found(text, " ".join(salt.reasons))


def _worth_a_curve(s: Situation) -> bool:
    """Return whether a salt curve on samples is what to do next."""
    return s.plan.salt.open or _near_salt(s)


def _near_salt(s: Situation) -> bool:
    """Return whether a make-up is near to answering to salt, and has room for a step of it."""
    rule, room = rule_of(s.brief), s.budget.left.typical
    return s.plan.salt.answering >= NEAR_SALT and s.active >= rule.active and rule.salt_route and room >= SALT_STEP


@PIECES.piece("no-way-to-thicken", COMMON)
def no_way(s: Situation) -> Found | None:
    """Neither salt nor a planned thickener."""
    rule = rule_of(s.brief)
    dosed = sum(x.percent * rule.part(x.item, s.setting) for x in s.used)
    if s.active <= 0 or s.plan.salt.open or s.planned or dosed >= 1 - KEPT:
        return None
    others = [c.material.id for c in s.plan.candidates if c.suits][:4]
    text = "Name a thickener under [held_back] of the brief"
    if others:
        text += f"; these suit the pH and the room: {', '.join(others)}"
    elif s.plan.room < (least := _least_dose(s)):
        text += f" and keep at least {number(least)} % free for it, the lower end of the least usual dose"
    return Found(f"{text}.", "Salt is not the way here, and no planned thickener suits.", tuple(others))


def _least_dose(s: Situation) -> float:
    """Return the lowest usual dose of a thickener that may be used here [%]."""
    thickeners = [m.thickener for m in s.brief.library.materials if m.function == "thickener"]
    return min((t.use[0] for t in thickeners if t is not None), default=0.0)


@PIECES.piece("thickener-unfit", COMMON)
def unfit(s: Situation) -> Found | None:
    """Planned thickeners that do not suit."""
    found = [c for c in s.plan.candidates if c.planned and not c.suits]
    if not found:
        return None
    reasons = " ".join(f"{c.material.name}: {' '.join(c.against)}" for c in found)
    named = listed([c.material.name for c in found], "or")
    text = f"Do not count on {named} here: plan another thickener, or change what speaks against it."
    return Found(text, reasons, tuple(c.material.id for c in found))


@PIECES.piece("after-ph", COMMON)
def after_ph(s: Situation) -> Found | None:
    """Thickeners that go in once the pH is set."""
    found = [c for c in s.planned if c.material.thickener and c.material.thickener.after_ph]
    if not found:
        return None
    text = "Set the pH first and let it settle, then thicken in steps; read the pH again after the last step."
    target = "" if s.setting.target is None else f" (target {number(s.setting.target, 2)})"
    reason = f"{listed(names(found))}: acid added later moves the thickness again{target}."
    return Found(text, reason, tuple(c.material.id for c in found))


@PIECES.piece("thickener-first", COMMON)
def thickener_first(s: Situation) -> Found | None:
    """Thickeners that cannot be added to a finished blend."""
    found = [c for c in s.planned if c.material.thickens_from]
    if not found:
        return None
    named = listed([c.material.name for c in found], "or")
    text = f"Fix the dose of {named} on small samples before the batch: it goes in early, not at the end."
    reason = " ".join(f"{c.material.name}: {c.material.handling}" for c in found)
    return Found(text, reason, tuple(c.material.id for c in found))


@PIECES.piece("thickener-heat", COMMON)
def thickener_heat(s: Situation) -> Found | None:
    """Thickeners that need warmth."""
    found = [c for c in s.planned if c.material.thickener and c.material.thickener.heat_to]
    if not found:
        return None
    named = listed([c.material.name for c in found], "or")
    text = f"Warm the blend for {named}, and cool back to the reading temperature before you judge the thickness."
    reason = " ".join(
        f"{c.material.name} goes in at about {number(c.material.thickener.heat_to)} °C."
        for c in found
        if c.material.thickener and c.material.thickener.heat_to
    )
    return Found(text, f"{reason} A warm blend is thinner.", tuple(c.material.id for c in found))


@PIECES.piece("amide-and-salt", "one maker's rule, makers' forum 2020")
def amide_and_salt(s: Situation) -> Found | None:
    """Amide beside salt."""
    amides = s.of_family("amide")
    amide = sum(
        x.percent * sum(p.typical for p in x.item.material.substances if p.family == "amide") / 100 for x in amides
    )
    if amide < LITTLE_AMIDE:
        return None
    salt = s.formula.total(lambda i: i.salt)
    allowed, left = AMIDE_AND_SALT - amide - salt, s.budget.left.typical
    if allowed <= 0:
        todo = "add no salt, and lower the amide."
    elif left <= 0:
        todo = "add no salt: the salt budget is used up."
    else:
        todo = f"at most {number(min(allowed, left), 2)} % salt may follow."
    text = f"Keep amide and salt together at {number(AMIDE_AND_SALT)} % or below; {todo}"
    reason = (
        f"{number(amide, 2)} % amide and {number(salt, 2)} % sodium chloride are in; past the sum viscosity collapses."
    )
    return Found(text, reason, ids(amides))


@PIECES.piece("salts-past-the-peak", f"{FORUM}; {COMMON}")
def past_peak(s: Situation) -> Found | None:
    """Preservative salts and buffers that eat up a salt curve."""
    parts = [p for p in s.budget.parts if p.origin in OTHER_SALTS]
    together = sum(p.percent.typical for p in parts)
    if not s.plan.salt.open or together < MUCH_OTHER_SALT:
        return None
    text = (
        "Add preservative, chelator and acid before the salt curve is run, and run it again when one of them changes."
    )
    reason = f"They bring about {number(together, 2)} % salts, which can carry the blend past its peak."
    return Found(text, reason, tuple(m for p in parts for m in p.materials))


@PIECES.piece("little-electrolyte", "hobby blog 2010: 5 % instead of 2-3 % without 10 % aloe juice")
def little_electrolyte(s: Situation) -> Found | None:
    """Associative thickeners in a formula poor in salts."""
    found = [c for c in s.planned if c.material.thickener and c.material.thickener.type == "associative"]
    if not found or s.budget.total.typical >= LITTLE_SALT:
        return None
    text = "Expect the upper end of its doses, and try 0.2 to 0.5 % salt beside it on a sample before you add more."
    reason = f"Only about {number(s.budget.total.typical, 2)} % dissolved salt: such thickeners then work weakly."
    return Found(text, reason, tuple(c.material.id for c in found))


@PIECES.piece("perfume-moves-the-curve", SALT_SITE)
def perfume_moves(s: Situation) -> Found | None:
    """Perfume in a blend that is thickened with salt."""
    oils = s.where(lambda m: m.lipid in ("perfume", "essential oil"))
    if not oils or not s.plan.salt.open:
        return None
    text = "Run the salt curve with the perfume in, and again for every other perfume."
    return Found(text, f"{listed(names(oils))}: a perfume alone can move or flatten the curve.", ids(oils))


@PIECES.piece("salt-not-known", COMMON)
def salt_not_known(s: Situation) -> Found | None:
    """Materials whose own salt nobody states."""
    if not s.budget.unknown:
        return None
    text = "Ask the supplier for its salt, and take smaller steps of thickener until you know."
    return Found(text, "It brings dissolved salts that the budget does not hold.", s.budget.unknown)


@PIECES.piece("gel-and-salt", COMMON)
def gel_and_salt(s: Situation) -> Found | None:
    """Gels that collapse with salt."""
    gels = s.where(lambda m: m.thickener is not None and m.thickener.salt_sensitive)
    if not gels or s.budget.total.typical <= 0.2:
        return None
    text = "Test it in the full blend, or choose a thickener that bears salt."
    reason = (
        f"{listed(names(gels))}: the gel collapses with salt; about {number(s.budget.total.typical, 2)} % is dissolved."
    )
    return Found(text, reason, ids(gels))
