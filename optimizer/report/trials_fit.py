"""What the readings of trials tell, in words and pictures."""

from __future__ import annotations

from collections.abc import Sequence
from math import exp, isfinite, isnan, log
from statistics import median

from optimizer.data.cautions import ALWAYS
from optimizer.report.cautions import framed
from optimizer.report.document import (
    Bar,
    Bars,
    Column,
    Columns,
    Curve,
    Curves,
    Document,
    Listing,
    Row,
    Section,
    Sketch,
    Table,
    figures,
    filled,
)
from optimizer.shell import quoted
from optimizer.trials.fitted import Fits
from optimizer.trials.rating import Expected, Rated
from optimizer.trials.salt import SaltCurve
from optimizer.trials.told import FactorEffect, Fit, told_apart
from optimizer.units import KEPT, listed, number

BETWEEN = (
    "What lies between beakers is only guessed: a peak or a break of the emulsion there is not seen.",
    "Intervals hold where the beakers are, for the materials, lots and methods they were made with.",
)
"""What no fit can see, told with every one."""


def fit_document(found: Fits) -> Document:
    """Return what the trials tell of each reading."""
    telling = [f.what for f in found.fits if f.predicts]
    verdict = f"They predict {listed(telling)}." if telling else "They predict nothing that was read."
    silent = [f.what for f in found.fits if not f.predicts]
    if telling and silent:
        verdict += f" They do not predict {listed(silent, 'or')}; nothing of that enters a blend."
    facts = (
        ("product", found.product),
        ("brief", found.brief),
        ("beakers", f"{found.beakers}, {found.read} of them with a reading"),
    )
    sections: list[Section | Document] = [_quality(found)]
    sections += [_chapter(found, fit) for fit in found.fits]
    sections += [
        Listing("Not fitted", found.left),
        Listing("What trials cannot see", BETWEEN),
        Listing("Next", _next_steps(found, telling)),
    ]
    sections.append(Listing("Cautions", ALWAYS, "caution"))
    return Document(f"What the trials of {found.trials} tell", verdict, facts, sections, good=bool(telling))


def _next_steps(found: Fits, telling: list[str]) -> tuple[str, ...]:
    file = quoted(found.series.where) if found.series is not None else "SERIES"
    steps = [f"tenside trials next {file}"]
    if telling:
        first = found.by_name[telling[0]]
        read = [p.measured for p in first.points if isfinite(p.measured)]
        asked = (
            f"{first.what}=:10"
            if first.kind == "yes/no"
            else f"{first.what}={float(f'{median(read or [0.0]):.2g}'):g}:"
        )
        steps.insert(0, f"tenside blend {quoted(found.brief)} --readings {file} --want {asked}")
    return tuple(steps)


def _quality(found: Fits) -> Table:
    """Return how well each reading is predicted."""
    rows = []
    for f in found.fits:
        chosen = f.model if f.predicts else "none"
        if f.kind == "yes/no":
            errors = (f"{number(f.brier, 3)} (chances)", number(f.brier_of_guessing, 3))
        else:
            errors = told_apart(f.kind, f.unit, f.error_told, f.error_of_mean_told)
        rows.append((f.what, f.readings, chosen, *errors, "yes" if f.predicts else "no"))
    note = "Left out: each reading is predicted from the other beakers; guessing takes their mean."
    columns: Columns = (
        Column("reading", "name"),
        *figures("beakers"),
        "shape",
        "left-out error",
        "of guessing",
        "may enter a blend",
    )
    return Table("How well left-out readings are met", columns, tuple(rows), note)


def _percent(error: float) -> str:
    return f"{number(100 * (exp(error) - 1), 0)} %"


def _with_unit(error: float, fit: Fit) -> str:
    return f"{number(error, 2)} {'steps' if fit.kind == 'judged' else fit.unit}".strip()


def _chapter(found: Fits, fit: Fit) -> Document:
    """Return what is told of one reading."""
    sections: list[Section | Document] = []
    if fit.effects:
        sections += [_effects(fit), *_effect_pictures(fit)]
    sections += [_points(fit), *_point_picture(fit), *_map(found, fit)]
    said = [f"Taken for granted: repeats scatter by {_scatter(fit)} ({fit.repeatability_from}), worth 4 readings."]
    if fit.kind == "yes/no":
        said = []
    sections.append(Listing("Mind", (*said, *fit.notes)))
    return Document(fit.what.replace("-", " ").capitalize(), fit.verdict, sections=sections, good=fit.predicts)


def _scatter(fit: Fit) -> str:
    return f"{number(100 * fit.repeatability, 0)} %" if fit.kind == "log" else _with_unit(fit.repeatability, fit)


def _effect_words(effect: FactorEffect, fit: Fit) -> tuple[str, str]:
    """Return an effect and its interval in words."""
    if fit.kind == "log":
        return f"x {effect.effect:.2f}", f"x {effect.effect_low:.2f} to {effect.effect_high:.2f}"
    if fit.kind == "yes/no":
        return f"{effect.effect:+z.0f} % chance", ""
    return f"{effect.effect:+z.2f}", f"{effect.effect_low:+z.2f} to {effect.effect_high:+z.2f}"


def _effects(fit: Fit) -> Table:
    rows: list[Row] = []
    for e in fit.effects:
        told = "yes" if e.told else "could be nothing"
        rows.append((e.name, f"{number(e.low, 2)} - {number(e.high, 2)} {e.unit}", *_effect_words(e, fit), told))
    columns: Columns = (Column("factor", "name"), "from - to", *figures("effect", "90 % interval"), "told")
    note = "On the way from its lowest to its highest figure in the beakers, the other factors in the middle."
    if fit.kind == "log":
        note += " x 1.50 is half as much again."
    return Table("What each factor does", columns, tuple(rows), note)


def _effect_pictures(fit: Fit) -> list[Sketch]:
    """Return the effects as bars with their bands, and the course of each that is told."""
    sketches = []
    drawn = [e for e in fit.effects if not isnan(e.effect_low)]
    if drawn:
        of = log if fit.kind == "log" else float
        rows = tuple(
            Bar(e.name, of(e.effect_low), of(e.effect_high), " , ".join(_effect_words(e, fit)).replace(" ,", ","),
                of(e.effect), hatched=not e.told)
            for e in drawn
        )  # fmt: skip
        ends = min(0.0, *(r.low for r in rows)), max(0.0, *(r.high for r in rows))
        axis = "change of the logarithm" if fit.kind == "log" else f"change, {fit.unit or 'steps'}"
        note = "Bar: 90 % interval, hatched where it could be nothing. Dot: the effect."
        sketches.append(
            Sketch("Effects with their bands", note=note, drawing=Bars(axis, rows, ends, line=(0.0, "no effect")))
        )
    sketches += [_course(e, fit) for e in fit.effects if e.told and len(e.curve) > 1]
    return sketches


def _banded(curve: Sequence[tuple[float, ...]]) -> tuple[Curve, ...]:
    """Return what is expected along a curve, with the edges of its band if it has one."""
    names = ("expected", "90 % band, low", "90 % band, high")[: 1 if isnan(curve[0][2]) else 3]
    return tuple(Curve(name, tuple((c[0], c[k]) for c in curve)) for k, name in enumerate(names, 1))


def _course(effect: FactorEffect, fit: Fit) -> Sketch:
    """Return the course of a reading along one factor."""
    y = f"chance of {fit.what}, %" if fit.kind == "yes/no" else f"{fit.what}, {fit.unit or '1 to 5'}"
    note = "The other factors in the middle of the beakers; the band is for the mean of many readings."
    return Sketch(
        f"{fit.what} along {effect.name}",
        note=note,
        drawing=Curves(f"{effect.name}, {effect.unit}".rstrip(", "), y, _banded(effect.curve)),
    )


def _points(fit: Fit) -> Table:
    rows: list[Row] = []
    for p in fit.points:
        if fit.kind == "yes/no":
            rows.append((float(p.beaker), p.typed, f"{number(p.predicted, 0)} %", ""))
            continue
        digits = 1 if fit.kind == "judged" or abs(p.predicted) < 100 else 0
        span = f"{number(p.low, digits)} - {number(p.high, digits)}"
        off = "" if p.met else "outside"
        rows.append((float(p.beaker), p.typed, number(p.predicted, digits), f"{span} {off}".strip()))
    chance = "chance from the others" if fit.kind == "yes/no" else "from the others"
    columns: Columns = (*figures("beaker"), *figures("read", chance, "90 % of readings"))
    return Table("Predicted against measured", columns, tuple(rows), "Each from the other beakers alone.")


def _point_picture(fit: Fit) -> list[Sketch]:
    """Return predicted against measured, with the line on which both are alike."""
    if fit.kind == "yes/no":
        return []
    pairs = [(p.predicted, p.measured) for p in fit.points if not isnan(p.predicted) and not isnan(p.measured)]
    if len(pairs) < 2:
        return []
    if fit.kind == "log":
        pairs = [(log(a), log(b)) for a, b in pairs]
    low, high = min(map(min, pairs)), max(map(max, pairs))
    alike = Curve("both alike", ((low, low), (high, high)))
    beakers = Curve("beakers", (), tuple(sorted(pairs)))
    unit = f"ln {fit.unit}" if fit.kind == "log" else fit.unit or "1 to 5"
    drawing = Curves(f"predicted from the others, {unit}", f"measured, {unit}", (alike, beakers))
    return [Sketch("Predicted against measured", note="Marks near the line: the trials predict.", drawing=drawing)]


def _map(found: Fits, fit: Fit) -> list[Sketch]:
    """Return the beakers seen from the two factors that do most, with what they read in thirds."""
    if len(fit.ways) < 2 or found.series is None or len(fit.effects) < len(fit.ways):
        return []
    order = sorted(range(len(fit.ways)), key=lambda k: -abs(fit.effects[k].weight))[:2]
    one, two = (fit.ways[k] for k in sorted(order))
    places = [(float(one.told(d[None, :])[0]), float(two.told(d[None, :])[0])) for d in fit.doses]
    ranked = sorted(p.at for p in fit.points)
    cuts = ranked[len(ranked) // 3], ranked[2 * len(ranked) // 3]
    groups: dict[str, list[tuple[float, float]]] = {"lowest third": [], "middle third": [], "highest third": []}
    for place, point in zip(places, fit.points, strict=True):
        name = "lowest third" if point.at < cuts[0] else "middle third" if point.at < cuts[1] else "highest third"
        groups[name].append(place)
    outline = _outline(places)
    lines = [Curve("what was tried", outline), *(Curve(n, (), tuple(sorted(g))) for n, g in groups.items() if g)]
    drawing = Curves(f"{one.name}, {one.unit}", f"{two.name}, {two.unit}", tuple(lines))
    return [Sketch(f"Where {fit.what} is low and high, seen from two factors", drawing=drawing)]


def _outline(places: list[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
    """Return the corners of the smallest convex outline of places, the first one again at the end (Andrew 1979)."""
    ordered = sorted(set(places))
    if len(ordered) < 3:
        return tuple(ordered)
    halves = [_half(ordered), _half(ordered[::-1])]
    ring = halves[0][:-1] + halves[1][:-1]
    return (*ring, ring[0])


def _half(ordered: list[tuple[float, float]]) -> list[tuple[float, float]]:
    kept: list[tuple[float, float]] = []
    for x, y in ordered:
        while len(kept) > 1:
            (a, b), (c, d) = kept[-2], kept[-1]
            if (c - a) * (y - b) - (d - b) * (x - a) > 0:
                break
            kept.pop()
        kept.append((x, y))
    return kept


def rate_document(found: Rated) -> Document:
    """Return the readings to be expected of a formula."""
    inside = [e for e in found.expected if not e.outside]
    verdict = (
        f"Expected of it by the trials of {found.trials}; only the bench decides."
        if inside
        else f"The trials of {found.trials} tell nothing of this formula."
    )
    sections: list[Section | Document] = []
    if inside:
        sections.append(_expected(inside, found.sure_percent))
    outside = tuple(f"{e.what}: {e.outside}" for e in found.expected if e.outside)
    rows = tuple((r.rating, r.value, r.measured_by) for r in found.ratings)
    note = "Given a limit on the reading, 'blend --readings' goes by it instead of the rating."
    columns: Columns = (Column("planning rating", "name"), *figures("value", digits=1), "measured by")
    sections += [Listing("Nothing is told of", outside), *filled(Table("Ratings beside them", columns, rows, note))]
    facts = (("brief", found.name), ("trials", found.trials))
    shown = framed(found.cautions, sections)
    return Document(f"What to expect of {found.name}", verdict, facts, shown, good=bool(inside))


def _expected(lines: list[Expected], sure: float) -> Table:
    rows: list[Row] = []
    for e in lines:
        if isnan(e.low):
            rows.append((f"chance of {e.what}", f"{number(e.expected, 0)} %", "", "", "", e.trials))
            continue
        digits = 1 if abs(e.expected) < 100 else 0
        mean = f"{number(e.expected, digits)} {e.unit}".strip()
        if not isnan(e.good_percent):
            mean += f" (4 or 5: {number(e.good_percent, 0)} %)"
        span = f"{number(e.low, digits)} - {number(e.high, digits)}"
        single = f"{number(e.reading_low, digits)} - {number(e.reading_high, digits)}"
        rows.append((e.what, mean, span, single, number(e.at_least, digits), e.trials))
    columns: Columns = (
        Column("reading", "name"),
        *figures("expected", "90 % of its mean", "90 % of single readings", f"at least, {number(sure, 1)} % sure"),
        *figures("beakers"),
    )
    return Table("Measured here", columns, tuple(rows))


def salt_document(found: SaltCurve) -> Document:
    """Return a salt curve: its beakers, its peak with the band, what the thickening log takes from it."""
    read = any(not isnan(b.viscosity) for b in found.beakers)
    sections: list[Section | Document] = []
    if not found.open:
        sections.append(Listing("What speaks against salt here", found.reasons))
    sections += [_salt_beakers(found, read), *_salt_picture(found)]
    sections.append(Listing("Next", _salt_next(found, read)))
    facts = [("base", f"the best formula of {found.name}"), ("salt", found.salt)]
    if not isnan(found.peak_viscosity):
        facts.append(("at the peak", f"{number(found.peak_viscosity, 0)} mPas expected"))
    if not isnan(found.target):
        facts.append(("target", _salt_target(found)))
    if any(b.salt_percent > found.open_percent + KEPT for b in found.beakers):
        facts.append(("open in this brief", f"{number(found.open_percent, 2)} % of salt at most"))
    if not isnan(found.left_out_error):
        facts.append(("left-out error", _percent(found.left_out_error)))
    good = found.told or not read
    return Document(f"Salt curve of {found.name}", found.verdict, facts, framed(found.cautions, sections), good=good)


def _salt_target(found: SaltCurve) -> str:
    aim = f"{number(found.target, 0)} mPas"
    if isnan(found.target_percent):
        return f"{aim} is not expected anywhere in what was tried"
    sure = found.target_sure_percent
    told = f"90 % sure from {number(sure, 2)} % on" if not isnan(sure) else "nowhere 90 % sure"
    if found.target_percent > found.stop_percent + KEPT:
        told += f"; that is past the {number(found.stop_percent, 2)} % to stop at, so not within reach here"
    return f"{aim} expected from {number(found.target_percent, 2)} % on, {told}"


def _salt_beakers(found: SaltCurve, read: bool) -> Table:
    rows: list[Row] = []
    for b in found.beakers:
        row: Row = (b.salt_percent, b.base_g, b.salt_g, b.water_g)
        rows.append((*row, number(b.viscosity, 0), number(b.fitted, 0) if found.told else "") if read else row)
    columns: Columns = (*figures("salt, %", "base, g", "salt, g", "water, g", form=".2f"),)
    if read:
        columns = (*columns, *figures("read, mPas", "curve, mPas"))
    note = "Base: the formula without the part kept back. The same base, temperature and waiting for all."
    fullest = max(b.base_g for b in found.beakers)
    if any(b.base_g < fullest - KEPT for b in found.beakers):
        note += " Where there is less base, salt took its place: such a beaker is thinner for that, too."
    return Table("Beakers", columns, tuple(rows), note)


def _salt_picture(found: SaltCurve) -> list[Sketch]:
    if not found.curve:
        return []
    marks = tuple((b.salt_percent, b.viscosity) for b in found.beakers)
    lines = (*_banded(found.curve), Curve("read", (), marks))
    return [Sketch("The curve", drawing=Curves("salt, % of the product", "viscosity, mPas", lines))]


def _salt_next(found: SaltCurve, read: bool) -> tuple[str, ...]:
    if not read:
        first, last = found.beakers[0].salt_percent, found.beakers[-1].salt_percent
        return (
            "Make them in an order drawn by chance, wait the same time, read them at one temperature.",
            f"Then ask again with what was read, such as {number(first, 2)}=800 ... {number(last, 2)}=2400.",
        )
    if not found.told:
        return ("Make the beakers again, or more of them; see whether mixing, waiting and temperature were alike.",)
    return (*_salt_stop(found), "A new lot of surfactant has a curve of its own.")


def _salt_stop(found: SaltCurve) -> tuple[str, ...]:
    """Return where a batch stops, and what to do where no salt may go in or nothing tells how much."""
    if isnan(found.stop_percent):
        first = number(found.beakers[0].salt_percent, 2)
        return (
            f"It peaks below {first} %, so a little salt does thicken this base: make beakers from 0 to {first} %, "
            "with and without salt, before any goes into a batch.",
        )
    if found.stop_percent <= KEPT:
        none = "Add no salt to a batch of this base"
        if not isnan(found.peak_percent) and found.open_percent > KEPT:
            return (f"{none} before more beakers tell where it peaks.",)
        if found.others:
            return (f"{none}; thicken it with something else, such as {listed(found.others[:3], 'or')}.",)
        return (f"{none}; 'tenside advice' tells what else may thicken it.",)
    capped = found.stop_percent > found.open_percent - KEPT
    why = " (no more is open in this brief: part kept free, usual upper dose, salt budget)" if capped else ""
    return (
        f"In a batch, stop at {number(found.stop_percent, 2)} % of salt{why} whatever the reading: --into BATCH writes "
        "it into its log, which 'tenside thicken' keeps to.",
    )
