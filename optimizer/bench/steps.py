"""Steps of making a wash: which materials go together, what is done, what is usually seen, how long to wait.

The order of addition and the signs are common practice; so are waiting times, but for the ten minutes of stirring
after acid, which a supplier's recipe sheet prints (name withheld). Temperatures are those that the library's handling
sentences name.
"""

from __future__ import annotations

from collections.abc import Container, Iterator, Mapping, Sequence

from optimizer.assessment.alarms import ADJUSTER
from optimizer.assessment.thickening import WAIT_MIN
from optimizer.bench.acid import raises
from optimizer.bench.batch import Batch
from optimizer.bench.order import (
    AFTER,
    ALKALINE_FROM,
    BEFORE,
    EMPTY,
    HARDLY,
    Lots,
    Order,
    alkaline,
    order_of,
    scents,
    stands,
)
from optimizer.bench.plan import in_order
from optimizer.chemistry.interval import Interval
from optimizer.chemistry.ph import CAUTIONS
from optimizer.data.facts import Material
from optimizer.immutable import immutable, replace
from optimizer.units import listed, number

SALT_WATER = 5.0
"""Parts of water in which a dry salt of a preservative acid is dissolved; common practice, no source."""
MOSTLY_POWDER = 0.5
"""From this part of powders on a blend is called dry; an editable default, no source."""
DRY_BLEND = (
    "This is a dry blend, mostly powder: the steps are those of a liquid wash, and so much does not dissolve in so "
    "little water. Take the order and the cautions from them, not the stirring; try 100 g first."
)
Unfit = Mapping[str, str]
"""Thickeners held ready that are no way to thicken a batch, by id, and why."""
NONE_UNFIT: Unfit = {}
DRY = 30.0
"""A humectant with at most this much water [%] wets a gum without letting it swell."""


@immutable
class PhaseStep:
    """What one step is.

    Attributes:
        materials: Ids, in order.
        do: What is done.
        see: What is usually seen.
        wait: How long to wait and why.
        temperature: What the handling of its materials asks.
        blanks: Headings of a small table that is filled in by hand.
        later: Acids or thickeners of the part held back that are used here.
        handled: Acids or alkalis that the step uses without being the one where they are planned: their cautions hold.
        ph: Estimated pH once all of it is in: 10 %, middle and 90 % point; None where nothing is told of it.
        apart: Whether that counts surfactants as they are once they were brought to pH 6 to 7 apart.
        sets_ph: Whether the pH of the batch is set here, for which all later steps wait.
    """

    title: str
    materials: tuple[str, ...]
    do: tuple[str, ...]
    see: tuple[str, ...] = ()
    wait: str = ""
    temperature: str = ""
    blanks: tuple[str, ...] = ()
    later: tuple[Material, ...] = ()
    handled: tuple[Material, ...] = ()
    ph: Interval | None = None
    apart: bool = False
    sets_ph: bool = False

    @property
    def besides(self) -> tuple[Material, ...]:
        """What the step has one handle besides the lines that are weighed for it."""
        return (*self.handled, *self.later)

    @property
    def may_be_now(self) -> bool:
        """Whether nothing is weighed for it, yet what is to thicken goes in here or not at all."""
        return not self.materials and any(m.thickens_from for m in self.later)


def heat(material: Material) -> tuple[float | None, float | None]:
    """Return the temperature at which a material goes into the batch and the one it must stay below [°C].

    What is only warmed until it pours does not warm the batch.
    """
    needs = material.thickener.heat_to if material.thickener else None
    if needs is None and (material.phase == "melt" or material.powder or material.dissolves is not None):
        needs = material.warm_to
    return needs, material.add_below


def parts_of(
    batch: Batch,
    materials: Mapping[str, Material],
    later: tuple[Material, ...] = (),
    lots: Lots = EMPTY,
    unfit: Unfit = NONE_UNFIT,
) -> list[PhaseStep]:
    """Return the steps of a batch, in order, without those that nothing belongs to.

    Args:
        batch: Its doses and pH.
        materials: Facts by id.
        later: What the part held back is for.
        lots: What the maker has of the materials, by id.
        unfit: Ids of what of `later` is no way to thicken this batch, and why: named as that, and used in no step.
    """
    refused = {m.name: unfit[m.id] for m in later if m.id in unfit}
    later = tuple(m for m in later if m.id not in unfit)
    adjusters = tuple(m for m in later if ADJUSTER in m.functions)
    acids = tuple(m for m in adjusters if not raises(m))
    doses = {n: p for n, p in batch.doses.items() if n in materials}
    by_phase, wetting, gums = _by_phase(doses, materials)
    acid = bool(by_phase.get("ph") or adjusters or batch.ph_target is not None)
    order = order_of(by_phase, materials, doses, acid=acid, lots=lots)
    steps = {key: list(names) for key, names in order.steps.items()}
    early = tuple(m for m in later if m.thickens_from)
    swelling, melting = (tuple(m for m in early if (m.phase == "melt") is warm) for warm in (False, True))
    stirred = tuple(m for m in later if m.thickener and m not in early)
    salts = _dry_salts(steps.get("preservation", []), materials, doses)
    told = _OrderWords(order, materials, acids)
    parts = {
        "water": _water(steps.get("water", []), materials, salts),
        "hydration": _hydration(steps.get("hydration", []), wetting, gums, materials, swelling),
        "anionic": _anionic(
            steps.get("anionic", []), materials, order.melted, steps.get("apart", []), steps.get("cosurfactant", [])
        ),
        "cosurfactant": _part(
            "Amphoteric and nonionic surfactants",
            steps.get("cosurfactant", []),
            materials,
            ("Add one after the other, each stirred in before the next; keep the stirrer below the surface.",),
            ("The blend is clear or slightly hazy; some glucosides clear only once the pH is set.",),
        ),
        "apart": told.apart(),
        "melt": _melt(steps.get("melt", []), materials, melting),
        "premix": _premix(steps.get("premix", []), materials),
        "stirred": _stirred(steps.get("stirred", []), materials),
        "preservation": _preservation(steps.get("preservation", []), materials, salts),
        "ph": _ph(batch, steps.get("ph", []), materials, adjusters, [None, *order.ph.values()][-1]),
        "scented": _premix(steps.get("scented", []), materials),
        "after": told.after(),
        "thickening": _thickening(steps.get("thickening", []), materials, stirred, refused),
        "finish": finishing(
            f"With the water that is left make it up to {batch.scale.told(batch.size_g)} g and note that water."
        ),
    }
    found = [told.of(key, part) for key, part in parts.items() if part is not None]
    powders = sum(p for n, p in doses.items() if materials[n].powder)
    if powders > MOSTLY_POWDER * sum(doses.values()):
        found[0] = replace(found[0], do=(DRY_BLEND, *found[0].do))
    return found


def _by_phase(
    doses: Mapping[str, float], materials: Mapping[str, Material]
) -> tuple[dict[str, list[str]], str | None, list[str]]:
    """Return ids by step of the usual order, what wets gums, and the gums."""
    by_phase: dict[str, list[str]] = {}
    for name in in_order(materials, doses):
        by_phase.setdefault(materials[name].phase, []).append(name)
    gums = [n for n in by_phase.get("hydration", []) if _slurried(materials[n])]
    wetting = next((n for n in by_phase.get("water", []) if gums and _wets(materials[n])), None)
    if wetting is not None:
        by_phase["water"].remove(wetting)
        by_phase["hydration"].insert(0, wetting)
    late = by_phase.get("premix", [])
    oily = scents(late, materials)
    helpers = [n for n in late if "solubiliser" in materials[n].functions]
    if oily and not helpers:
        helpers = [n for n in by_phase.get("cosurfactant", []) if "solubiliser" in materials[n].functions][:1]
        by_phase["cosurfactant"] = [n for n in by_phase.get("cosurfactant", []) if n not in helpers]
    joined = [*oily, *helpers] if oily else []
    by_phase["premix"], by_phase["stirred"] = joined, [n for n in late if n not in joined]
    return by_phase, wetting, gums


@immutable
class _OrderWords:
    """What the order of addition adds to what steps say."""

    order: Order
    materials: Mapping[str, Material]
    acids: tuple[Material, ...]

    @property
    def _acid(self) -> str:
        return listed([m.name for m in self.acids], "or") or "acid"

    @property
    def _at_hand(self) -> tuple[Material, ...]:
        return self.acids or tuple(self.materials[n] for n in self.order.steps.get("ph", ()))

    def of(self, key: str, part: PhaseStep) -> PhaseStep:
        """Return a step with its pH by estimate, and with what meets a pH that it does not stand."""
        do = list(part.do)
        sharp = [n for n in part.materials if alkaline(self.materials[n])]
        soured = bool(sharp and scents(part.materials, self.materials))
        if soured:
            names = listed([self.materials[n].name for n in sharp])
            do.insert(
                0,
                f"First bring {names} to pH 6 to 7 with a few drops of {self._acid}: alkaline as supplied, which "
                "perfume and oil do not stand. Note the acid, it is part of the batch.",
            )
        if key == "scented":
            do.append("It waits for the pH: what is in before the acid may be more alkaline than all of it stands.")
        meeting = [self._meets(n) for n in part.materials if n in self.order.meets]
        do += meeting
        late = [n for n in part.materials if key == "preservation" and self.materials[n].phase == "water"]
        if late:
            names = listed([self.materials[n].name for n in late])
            do.append(f"{names}: here, not in the water, which it would make too alkaline for what comes before.")
        handled = self._at_hand if soured or meeting or key == "apart" else ()
        apart = bool(self.order.steps.get("apart")) and key in BEFORE[BEFORE.index("apart") :]
        return replace(part, do=tuple(do), handled=handled, ph=self.order.ph.get(key), apart=apart)

    def _meets(self, name: str) -> str:
        low, high = stands(self.materials[name])
        return (
            f"{self.materials[name].name} stands pH {number(low)} to {number(high)} while it is made, and by estimate "
            f"meets about {number(self.order.meets[name], 1)}: no order of these materials avoids it. Bring what is "
            "alkaline to pH 6 to 7 first, or exchange one of them; try 100 g and smell, look and read the pH next day."
        )

    def apart(self) -> PhaseStep | None:
        """Return the step of what is brought to a mild pH before it meets the rest."""
        names = list(self.order.steps.get("apart", ()))
        spared = [
            self.materials[n].name
            for key in (*BEFORE, *AFTER)
            for n in self.order.steps.get(key, ())
            if n not in names and stands(self.materials[n])[1] < ALKALINE_FROM + 1.5
        ]
        do = (
            f"Apart, in a beaker of their own: bring them to pH 6 to 7 with {self._acid} in small portions, with some "
            "of the water of the batch if they are stiff, and read the pH. Note the acid, it is part of the batch.",
            f"Only then stir them into the blend; as supplied they are more alkaline than {listed(spared)} may stand.",
        )
        return _part("Alkaline surfactants, brought to pH 6 to 7 first", names, self.materials, do)

    def after(self) -> PhaseStep | None:
        """Return the step of what goes in once the pH is set."""
        part = _preservation(list(self.order.steps.get("after", ())), self.materials)
        if part is None:
            return None
        why = "Only now: before the acid the blend may have been more alkaline than these stand."
        do = (why, *part.do, "Read the pH once more after they are in.")
        return replace(part, title="Added once the pH is set", do=do)


def _slurried(material: Material) -> bool:
    return material.powder and "sift" not in material.handling.casefold()


def _wets(material: Material) -> bool:
    return material.function == "humectant" and not material.powder and material.carried("Aqua") <= DRY


def _part(
    title: str,
    names: list[str],
    materials: Mapping[str, Material],
    do: tuple[str, ...],
    see: tuple[str, ...] = (),
    wait: str = "",
) -> PhaseStep | None:
    if not names:
        return None
    return PhaseStep(title, tuple(names), do, see, wait, _temperature([materials[n] for n in names]))


def _temperature(materials: list[Material]) -> str:
    """Return what the handling of the materials asks of the temperature, in words."""
    needs = [n for n, _ in map(heat, materials) if n is not None]
    below = [b for _, b in map(heat, materials) if b is not None]
    words = [f"warm to about {number(max(needs))} °C"] if needs else []
    words += [f"below {number(min(below))} °C"] if below else []
    return "; ".join(words)


def _releases_acid(material: Material) -> bool:
    """Return whether a material is the salt of a preservative acid."""
    return any(s.acid and "ate" in s.inci for s in material.substances)


def _dry_salts(names: list[str], materials: Mapping[str, Material], doses: Mapping[str, float]) -> list[str]:
    """Return the names of dry salts of preservative acids for whose solution there is water enough."""
    found = [n for n in names if materials[n].powder and _releases_acid(materials[n])]
    needed = SALT_WATER * sum(doses[n] for n in found)
    return [materials[n].name for n in found] if doses.get("aqua", 0.0) >= 2 * needed else []


def _water(names: list[str], materials: Mapping[str, Material], salts: list[str]) -> PhaseStep | None:
    do = ["Tare the main vessel and write its weight down. Weigh the water in, then the rest of this step."]
    if salts:
        do.append(
            f"Keep back of the water {number(SALT_WATER)} times the weight of {listed(salts)}, to dissolve it in."
        )
    if any(materials[n].function == "chelator" for n in names):
        do.append("The chelator goes into plain water first.")
    see = ("A clear solution without grains.",)
    return _part("Water and what dissolves in it", names, materials, tuple(do), see)


def _hydration(
    names: list[str],
    wetting: str | None,
    gums: list[str],
    materials: Mapping[str, Material],
    swelling: tuple[Material, ...] = (),
) -> PhaseStep | None:
    do = ["Pour into the water under the stirrer, slowly, before any surfactant."]
    if wetting is not None and gums:
        gum = listed([materials[g].name for g in gums])
        do = [
            f"In a small beaker wet {gum} with {materials[wetting].name} to a slurry without lumps.",
            "Pour the slurry into the moving water at once, before any surfactant; rinse the beaker with some of it.",
        ]
    elif gums or not names:
        do = ["Sprinkle the powder slowly into fast moving water, before any surfactant."]
    if swelling:
        do.insert(0, _if_it_thickens(swelling, "in the water", "it swells in water"))
        do += [f"{m.name}: {m.handling}" for m in swelling if m.handling]
    see = ("It thickens and turns even within half an hour; fish eyes mean dry lumps: stir on, add nothing.",)
    wait = "30 min to swell (common practice)"
    if not names and not swelling:
        return None
    here = [*(materials[n] for n in names), *swelling]
    return PhaseStep("Gum or polymer, hydrated", tuple(names), tuple(do), see, wait, _temperature(here), (), swelling)


def _anionic(
    names: list[str],
    materials: Mapping[str, Material],
    melted: Mapping[str, tuple[str, ...]],
    apart: Container[str],
    following: Sequence[str],
) -> PhaseStep | None:
    do = ["Add slowly with the stirrer below the surface: air in the blend takes a day to leave."]
    see = ["The blend is clear once all is in."]
    if any(materials[n].surfactant_matter >= 60 and not materials[n].powder for n in names):
        do.append("A paste goes in by portions.")
        see = ["A paste passes through a stiff gel and thins again; wait until no lump is left."]
    hardly = [m.name for n in names if (m := materials[n]).dissolves is not None and m.dissolves < HARDLY]
    if hardly:
        others = sorted({m for n in names for m in melted.get(n, ())})
        into = listed([materials[m].name for m in others])
        where = f"{into} of the next step, alone: nothing alkaline while it is hot"
        if others and all(m in apart for m in others):
            where = f"{into} of the next step, once that is at pH 6 to 7"
        elif not others:
            where = "the surfactants of the next step"
        todo = f"Melt it into {where}."
        if not others and not following:
            beside = [materials[n].name for n in names if materials[n].name not in hardly]
            todo = f"Melt it into {listed(beside)} of this step." if beside else "Nothing here to melt it into."
            todo += " There is no co-surfactant that takes it up: make 100 g first, grains may stay or come back."
        do.append(f"{listed(hardly)}: hardly soluble in water alone. {todo}")
        see = ["No grain is left; it may stay cloudy until the other surfactants are in, and again in the cold."]
    if any(materials[n].powder for n in names if materials[n].name not in hardly):
        do.append("Wet powders early, cover the vessel and let them dissolve fully before going on.")
    return _part("Anionic surfactants", names, materials, tuple(do), tuple(see))


def _melt(names: list[str], materials: Mapping[str, Material], melting: tuple[Material, ...] = ()) -> PhaseStep | None:
    do = ["Warm the blend, stir until nothing solid is left, then let it cool with slow stirring."]
    if melting:
        do = [] if not names else do
        do.append(_if_it_thickens(melting, "while the blend is warm", "what comes next does not stand that heat"))
        do += [f"{m.name}: {m.handling}" for m in melting if m.handling]
    if not names and not melting:
        return None
    see = ("Clear or evenly cloudy while warm; wax pearls form on cooling.",)
    wait = "note the mass again after heating: water has left"
    warm = _temperature([materials[n] for n in names])
    return PhaseStep("Melted in warm", tuple(names), tuple(do), see, wait, warm, (), melting)


def _if_it_thickens(early: tuple[Material, ...], where: str, why: str) -> str:
    return (
        f"If {listed([m.name for m in early], 'or')} is to thicken it: here, {where}, out of the part held back, and "
        f"not at the end, for {why}. Find its dose on 100 g samples first, and note what goes in."
    )


def _premix(names: list[str], materials: Mapping[str, Material]) -> PhaseStep | None:
    """Return the premix of perfume or oil and solubiliser as one step."""
    if not names:
        return None
    helped = any("solubiliser" in materials[n].functions for n in names)
    oil = any(materials[n].lipid == "oil" for n in names)
    look = "even; a plant oil need not turn clear" if oil else "one clear liquid"
    do = [f"Weigh all of this step into one small dry beaker and stir until it is {look}."]
    do.append("Then pour it slowly into the surfactant blend, not into plain water.")
    see = ["It clouds the water that it meets and clears as it is stirred in among the surfactants."]
    if oil:
        see = ["It clouds the blend; with a plant oil a haze may stay, and must stay even."]
    if not helped:
        see = ["Without a solubiliser the blend may stay cloudy or separate later: try 100 g first."]
    return _part("Perfume and solubiliser, mixed first", names, materials, tuple(do), tuple(see), "10 min of stirring")


def _stirred(names: list[str], materials: Mapping[str, Material]) -> PhaseStep | None:
    see = ("A pearl concentrate turns the blend pearly at once; anything else should leave it as it was.",)
    pearly = any("pearl" in materials[n].function for n in names)
    do = ("Stir in slowly and keep air out.",)
    return _part("Stirred in before the thickener", names, materials, do, see if pearly else ())


def _preservation(
    names: list[str], materials: Mapping[str, Material], salts: list[str] | tuple[str, ...] = ()
) -> PhaseStep | None:
    limits = [b for _, b in (heat(materials[n]) for n in names) if b is not None]
    do = []
    if limits:
        do.append(f"First let the blend come below {number(min(limits))} °C and read the thermometer.")
    if salts:
        do.append(f"Dissolve {listed(salts)} in the water that was kept back for it, without any acid.")
    if any(_releases_acid(materials[n]) for n in names):
        do.append("Salts of preservative acids go in before the pH is set; acid in their water makes them fall out.")
    do.append("Add one after the other and stir each in fully.")
    see = ("The blend stays as clear as it was.",)
    return _part("Preservation and what heat harms", names, materials, tuple(do), see)


def _ph(
    batch: Batch,
    names: list[str],
    materials: Mapping[str, Material],
    later: tuple[Material, ...],
    before: Interval | None,
) -> PhaseStep | None:
    if not names and not later and batch.ph_target is None:
        return None
    do = ["Read the pH of the blend at room temperature, without foam on the probe; write down neat or diluted."]
    if batch.ph_target is not None:
        window = ""
        if batch.ph_low is not None and batch.ph_high is not None:
            window = f", at least {number(batch.ph_low, 2)} and at most {number(batch.ph_high, 2)}"
        do.append(f"Target pH {number(batch.ph_target, 2)}{window}.")
    acids, alkalis = ([m for m in later if raises(m) is up] for up in (False, True))
    if acids:
        do.append(f"Lower it with {listed([m.name for m in acids], 'or')}, dissolved in some of the water held back.")
    if alkalis:
        names_of = listed([m.name for m in alkalis], "or")
        do.append(f"Raise it with {names_of}, stirred into some of the water held back, never the water into it.")
    here = [materials[n] for n in names]
    do += _none_ready(batch, before, [*here, *later])
    do.append("Add about half of what seems needed, stir, read again; weigh what is left of the solution.")
    see = ("A cloud where the drops fall in vanishes; the pH of a fresh blend may creep for a day.",)
    blanks = ("added so far, g", "pH", "°C")
    wait = "10 min of stirring after each addition"
    return PhaseStep(
        "pH", tuple(names), tuple(do), see, wait, _temperature([materials[n] for n in names]), blanks, later,
        sets_ph=batch.ph_target is not None,
    )  # fmt: skip


def _none_ready(batch: Batch, before: Interval | None, ready: Sequence[Material]) -> Iterator[str]:
    """Yield that no alkali is kept ready where the pH has to rise by estimate, or alkali alone where it has to fall."""
    target = batch.ph_target
    if before is None or target is None:
        return
    low, high = batch.ph_low or target, batch.ph_high or target
    about = f"the blend is at about pH {number(before.typical, 1)}"
    up = [raises(m) for m in ready]
    if before.typical < low and not any(up):
        yield (
            f"By estimate {about}, below the target, and the brief keeps no alkali ready: have one at hand, such as "
            f"sodium hydroxide at 10 %. {CAUTIONS[False]}"
        )
    if before.typical > high and up and all(up):
        yield (
            f"By estimate {about}, above the target, and the brief keeps no acid ready: have one at hand, such as "
            f"citric acid at 50 %. {CAUTIONS[True]}"
        )


def _thickening(
    names: list[str], materials: Mapping[str, Material], later: tuple[Material, ...], refused: Mapping[str, str]
) -> PhaseStep | None:
    if not names and not later and not refused:
        return None
    do = [f"Not fit to thicken this blend: {name}. {why}" for name, why in refused.items()]
    if not names and not later:
        return PhaseStep("Thickening", (), tuple(do))
    do.append("Take a reading before anything is added.")
    if later:
        do.append(f"Held back for this: {listed([m.name for m in later], 'or')}.")
    do.append("Add in small steps and note each; stop at the target, and stop when a step does less than the last.")
    see = ("Salt thickens to a peak and then thins for good; a liquid thickener goes on working for hours.",)
    wait = f"until the air is out, at least {WAIT_MIN} min between readings (common practice)"
    here = [*(materials[n] for n in names), *later]
    hints = tuple(f"{m.name}: {m.handling}" for m in later if m.handling)
    blanks = ("added so far, %", "reading", "°C")
    return PhaseStep("Thickening", tuple(names), (*do, *hints), see, wait, _temperature(here), blanks, later)


def finishing(make_up: str) -> PhaseStep:
    """Return the last step; `make_up` says how the batch is made up to its weight."""
    do = [f"Weigh the batch. {make_up}"]
    do.append("Read the pH once more, note look, smell and temperature, keep a sample, and fill after a day's rest.")
    see = ("Foam has gone after a day.",)
    return PhaseStep(
        "Make up to weight and fill", (), tuple(do), see, "", "", ("final mass, g", "water added, g", "pH")
    )
