"""Can the blend be thickened at the bench: by salt, or by a thickener that its pH suits?"""

from collections.abc import Hashable
from math import inf
from typing import ClassVar, Literal

from pydantic import Field

from optimizer.data.facts import Percent
from optimizer.data.formula import Formula
from optimizer.data.planned import Plan, PlannedDoses, plan_of_pool
from optimizer.data.pool import Group, Ingredient, Pool, Vector
from optimizer.rules.base import Rule
from optimizer.rules.counting import group_active
from optimizer.rules.row import Choice, Lever, Row, Setting
from optimizer.units import KEPT, number

LEAST_SALT = 0.2
"""Salt that must find room in the part held back [%]; source: cosmetic chemistry education site on salt curves, which
begin at 0.2 %."""


class Thickening(Rule):
    """At least one way to thicken stays open: the salt route or the thickener route.

    Equation: y_s + y_t >= 1 with y in {0, 1}. If y_s: sum_i x_i (b_i - h_i - q a_i) >= 0 (share of
    sulfate-type anionic active b at least q; a hydrotrope h keeps micelles small, so its active takes as much away),
    sum_i x_i a_i >= A, sum_i x_i s_i <= N - r (salt carried, r kept for the salt that is added), and the part held
    back with the salt that the formula is dosed with is at least 0.2 %, where a salt curve begins. If y_t: a thickener
    named under [held_back].thickeners has a pH window that covers the setting and the part held back is at
    least its usual lower dose, or the thickeners of the formula whose windows cover the setting make
    up a usual lower dose: sum_j x_j / l_j >= y_t. Where cost is the objective, each yes costs what its way is planned
    to take, unless the brief says `planned = false`: salt, or of the named thickeners that suit the cheapest, in the
    brief's dose or the middle of the usual ones; one without a price counts at the dearest price of the others.
    Limits are common practice, no source. Viscosity is never computed: the bench decides.
    """

    kind: Literal["thickening"] = "thickening"
    figures: ClassVar[tuple[str, ...]] = ("thickener",)
    of_plan: ClassVar[bool] = True
    salt_route: bool = True
    """Whether salt is a way at all."""
    sulfates: Group = Group(families=("alkyl sulfate", "alkyl ether sulfate"))
    """Anionics that answer to salt."""
    hydrotropes: Group = Group(functions=("hydrotrope",))
    """What works against salt: its active matter is taken off theirs."""
    sulfate_share: Percent = 50.0
    """Lowest share of them in the active matter [%]."""
    active: Percent = 9.0
    """Lowest active matter [%]."""
    salt: Percent = 2.0
    """Most sodium chloride in all [%]."""
    salt_room: Percent = Field(default=0.5)
    """Part of it kept for the salt that is added at the bench [%]."""
    unit: ClassVar[str] = "open ways"

    @property
    def name(self) -> str:
        """What is measured."""
        return "ways to thicken"

    @property
    def limits(self) -> tuple[float, float]:
        """At least one."""
        return 1.0, inf

    def columns(self, pool: Pool) -> tuple[Choice, ...]:
        """One yes/no per route."""
        return (
            Choice(self._salt, "thickens with salt"),
            Choice(self._thickener, "thickens with a thickener added to effect"),
        )

    @property
    def _salt(self) -> str:
        return f"{self.id}:salt"

    @property
    def _thickener(self) -> str:
        return f"{self.id}:thickener"

    def edges(self, pool: Pool) -> tuple[float, ...]:
        """Edges of the thickeners' windows."""
        return tuple(e for i in (*pool.thickeners, *_dosed(pool)) for e in _window(i) if abs(e) < inf)

    def ph_key(self, pool: Pool, setting: Setting) -> Hashable:
        """Whether thickeners may be added later, and which where their cost counts; else which of the formula suit."""
        if self.suited(pool, setting):
            planned = self.planned(plan_of_pool(pool), setting)[self._thickener] if pool.counts_plan else ()
            return True, tuple(dose.item.id for dose in planned)
        return tuple(i.id for i in _dosed(pool) if _covers(i, setting))

    def planned(self, plan: Plan, setting: Setting) -> dict[str, PlannedDoses]:
        """Return salt for the one way, no more than is left for it, for the other a thickener that suits."""
        suited = [i for i in plan.thickeners if _suits(i, plan.held, setting)]
        salt = () if plan.salt is None else (plan.salt,)
        return {
            self._salt: plan.thickening(salt, self.salt_room or self.salt),
            self._thickener: plan.thickening(suited),
        }

    def open_plans(self, plan: Plan, formula: Formula, setting: Setting) -> tuple[PlannedDoses, ...]:
        """Return what is planned by each of the two ways that is open for a formula."""
        routes, planned = self.routes(formula, setting), self.planned(plan, setting)
        ways = dict.fromkeys(self._salt if route == "salt" else self._thickener for route in routes)
        return tuple(planned[way] for way in ways)

    def answering(self, item: Ingredient) -> float:
        """Active matter of one % that answers to salt, less what works against it."""
        return group_active(self.sulfates, item) - group_active(self.hydrotropes, item)

    def suited(self, pool: Pool, setting: Setting) -> list[Ingredient]:
        """Return the thickeners that may be added later at this setting."""
        return [i for i in pool.thickeners if _suits(i, pool.held_back, setting)]

    def part(self, item: Ingredient, setting: Setting) -> float:
        """Usual lower doses that one % of a thickener of the formula brings, 0 if the setting does not suit it."""
        thickener = item.material.thickener
        if thickener is None or thickener.type == "salt" or thickener.use[0] <= 0 or not _covers(item, setting):
            return 0.0
        return 1 / thickener.use[0]

    def rows(self, pool: Pool, setting: Setting) -> tuple[Row, ...]:
        """The choice, and the salt route's three conditions where it is taken."""
        salt, thickener = self._salt, self._thickener
        rows = [
            Row(self.id, "link", pool.vector(lambda i: 0.0), low=1.0, choices={salt: 1.0, thickener: 1.0}),
            self._thickened(pool, setting, thickener),
            self._salted(pool, salt),
        ]
        active = pool.vector(lambda i: i.surfactant)
        share = pool.vector(self.answering) - self.sulfate_share / 100 * active
        carried = pool.vector(lambda i: i.salt)
        lack, excess = _most(-share), max(0.0, _most(carried) - self._salt_limit)
        mixed = Lever("sulfate_share", "low", self.sulfate_share, active / 100, 0.0, salt, step=1.0)
        strong = Lever("active", "low", self.active, choice=salt)
        rows += [
            Row(self.id, "link", share, low=-lack, choices={salt: -lack}, levers=(mixed,)),
            Row(self.id, "link", active, low=0.0, choices={salt: -self.active}, levers=(strong,)),
            Row(self.id, "link", carried, high=self._salt_limit + excess, choices={salt: excess}, levers=self._salts),
        ]
        return tuple(rows)

    def _thickened(self, pool: Pool, setting: Setting, way: str) -> Row:
        """Return what the thickener route needs: one that is added later, or enough of those in the formula."""
        if self.suited(pool, setting) or not _dosed(pool):
            later = float(bool(self.suited(pool, setting)))
            return Row(self.id, "link", pool.vector(lambda i: 0.0), high=later, choices={way: 1.0})
        return Row(self.id, "link", pool.vector(lambda i: -self.part(i, setting)), high=0.0, choices={way: 1.0})

    def salt_fits(self, held_back: float, dosed: float) -> bool:
        """Return whether salt is allowed, and a first step of it has room in the part held back or is dosed."""
        return self.salt_route and held_back + dosed >= LEAST_SALT - KEPT

    def _salted(self, pool: Pool, way: str) -> Row:
        """Return what the salt route needs: to be allowed, and room for a first step of salt, or as much in it."""
        dosed, room = pool.vector(thickens_as_salt), float(self.salt_fits(pool.held_back, 0.0))
        if room or not self.salt_route or not dosed.any():
            return Row(self.id, "link", pool.vector(lambda i: 0.0), high=room, choices={way: 1.0})
        return Row(self.id, "link", -dosed, high=0.0, choices={way: LEAST_SALT - pool.held_back})

    @property
    def _salts(self) -> tuple[Lever, ...]:
        """What moves the salt that may be carried: the most in all, less what is kept, never below none."""
        left = self.salt - self.salt_room
        if left < 0:
            return ()
        return (
            Lever("salt", "high", self.salt, choice=self._salt, down=-left),
            Lever("salt_room", "low", self.salt_room, None, -1.0, self._salt, up=left),
        )

    @property
    def _salt_limit(self) -> float:
        return max(0.0, self.salt - self.salt_room)

    def routes(self, formula: Formula, setting: Setting) -> list[str]:
        """Return the ways that are open for a formula."""
        active = formula.active
        sulfates = formula.total(self.answering)
        routes = []
        if (
            self.salt_fits(formula.held_back, formula.total(thickens_as_salt))
            and sulfates >= self.sulfate_share / 100 * active - KEPT
            and active >= self.active - KEPT
            and formula.total(lambda i: i.salt) <= self._salt_limit + KEPT
        ):
            routes.append("salt")
        routes += [i.id for i in formula.thickeners if _suits(i, formula.held_back, setting)]
        parts = {x.item.id: p for x in formula.lines if (p := x.percent * self.part(x.item, setting)) > 0}
        enough = [name for name, part in parts.items() if part >= 1 - KEPT and name not in routes]
        if not enough and sum(parts.values()) >= 1 - KEPT:
            enough = [" with ".join(parts)]
        return routes + enough

    def value(self, formula: Formula, setting: Setting) -> float:
        """Number of open ways."""
        return float(len(self.routes(formula, setting)))

    def reading(self) -> str:
        """One sentence."""
        salt = (
            f"salt (sulfate-type anionic at least {number(self.sulfate_share)} % of active matter, active at least "
            f"{number(self.active)} %, salt at most {number(self._salt_limit)} % before it is added)"
        )
        ways = f"{salt} or a thickener that suits the pH" if self.salt_route else "a thickener that suits the pH"
        asked = f"at least 1 open way to thicken, with room in the part kept free: {ways}"
        return self.sourced(f"{asked}; common practice, no source")


def _window(item: Ingredient) -> tuple[float, float]:
    thickener = item.material.thickener
    if thickener is None or thickener.type == "salt":
        return -inf, inf
    return thickener.ph or item.material.ph_stable or (-inf, inf)


def thickens_as_salt(item: Ingredient) -> float:
    """Return 1 for what thickens as salt does, else 0."""
    thickener = item.material.thickener
    return float(thickener is not None and thickener.type == "salt")


def _dosed(pool: Pool) -> list[Ingredient]:
    """Return the thickeners among the candidates, salt aside."""

    def found() -> list[Ingredient]:
        kinds = ((i, i.material.thickener) for i in pool.items)
        return [i for i, thickener in kinds if thickener is not None and thickener.type != "salt"]

    return pool.once("dosed thickeners", found)


def _covers(item: Ingredient, setting: Setting) -> bool:
    """Return whether the window of a thickener covers a setting."""
    low, high = _window(item)
    if setting.low is None or setting.high is None:
        return True
    return low <= setting.low + KEPT and setting.high <= high + KEPT


def _suits(item: Ingredient, held_back: float, setting: Setting) -> bool:
    thickener = item.material.thickener
    if thickener is None or thickener.type == "salt" or thickener.use[0] > held_back + KEPT:
        return False
    return _covers(item, setting)


def _most(coefficients: Vector) -> float:
    """Return the most that sum(dose x coefficient) can reach when doses sum to at most 100."""
    return 100.0 * max(0.0, float(coefficients.max(initial=0.0)))
