"""Advice on making it: dust, heat, alkali."""

from optimizer.assessment.advice.base import COMMON, FORUM, Found, Pieces, Situation, ids, names
from optimizer.units import listed, number

PIECES = Pieces("process")

ROOM_TEMPERATURE = 30.0
"""Above this a step counts as warm [°C]."""
ALKALINE = 8.0
"""Supplied pH from which a surfactant counts as alkaline."""


@PIECES.piece("powders", "school course and makers' forum 2016 on powder surfactants; " + COMMON)
def powders(s: Situation) -> Found | None:
    """Dust."""
    lines = s.where(lambda m: m.powder)
    if not lines:
        return None
    text = "Weigh it covered, with a sealing dust mask and no draught; wet it early, in glycerin, water or surfactant."
    surfactants = [x for x in lines if x.item.material.surfactant_matter > 0]
    worst = " Surfactant dust hurts the airways most." if surfactants else ""
    return Found(text, f"{listed(names(lines))}: powder.{worst}", ids(lines))


@PIECES.piece("needs-warmth", COMMON)
def needs_warmth(s: Situation) -> Found | None:
    """What ends a cold process."""
    lines = s.where(lambda m: (m.warm_to or 0.0) > ROOM_TEMPERATURE)
    if not lines:
        return None
    warm = max(lines, key=lambda x: (x.item.material.warm_to or 0.0, x.item.id))
    text = (
        f"Not a cold process: part of the blend goes to about {number(warm.item.material.warm_to or 0)} °C. Cover it, "
        "weigh it after cooling and put the lost water back."
    )
    said = listed([f"{x.item.material.name} {number(x.item.material.warm_to or 0)} °C" for x in lines])
    return Found(text, f"{said}.", ids(lines))


@PIECES.piece("add-cool", COMMON)
def add_cool(s: Situation) -> Found | None:
    """Heat-sensitive materials in a blend that is warmed."""
    hot = [x.item.material.warm_to for x in s.used if x.item.material.warm_to]
    hot += [c.material.thickener.heat_to for c in s.planned if c.material.thickener and c.material.thickener.heat_to]
    if not hot:
        return None
    top = max(hot)
    lines = s.where(lambda m: m.add_below is not None and m.add_below < top)
    if not lines:
        return None
    said = listed([f"{x.item.material.name} below {number(x.item.material.add_below or 0)} °C" for x in lines])
    return Found(
        f"Measure the temperature and let the blend cool first: {said}.",
        f"Another step warms it to {number(top)} °C.",
        ids(lines),
    )


@PIECES.piece("alkaline-surfactants", f"supplier page, name withheld: overview of alkyl glucosides; {FORUM}")
def alkaline(s: Situation) -> Found | None:
    """Surfactants whose alkali must be neutralised."""
    target = s.setting.target
    if target is None or target >= ALKALINE:
        return None
    lines = s.where(lambda m: m.surfactant_matter > 0 and m.ph_supplied is not None and m.ph_supplied[0] >= ALKALINE)
    if not lines:
        return None
    glucosides = [x for x in lines if any(p.family == "alkyl glucoside" for p in x.item.material.substances)]
    text = "Plan acid: titrate a 100 g sample, then add half of it to the batch, stir ten minutes and read again."
    if glucosides:
        text += " Acidify before you judge haze: glucosides can clear then."
    said = listed(
        [
            f"{x.item.material.name} {number((x.item.material.ph_supplied or (0, 0))[0])} to "
            f"{number((x.item.material.ph_supplied or (0, 0))[1])}"
            for x in lines
        ]
    )
    return Found(text, f"Supplied pH: {said}; target {number(target, 2)}.", ids(lines))
