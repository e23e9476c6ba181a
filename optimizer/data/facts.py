"""What a library may hold: substances, materials, ceilings, allergen lists, and who says so.

A material is a list of substances whose shares sum to 100. Active matter, charge, salt,
water, natural origin and every ceiling are read from that list and nowhere else.
"""

from collections.abc import Iterable, Mapping
from functools import cached_property
from math import inf
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, PlainSerializer, model_validator
from pydantic_core import PydanticCustomError

from optimizer.chemistry.cuts import TechnicalCmc, cmc_of, refuse_unknown
from optimizer.errors import ID_PATTERN, DataError

Charge = Literal["anionic", "amphoteric", "nonionic", "cationic"]
Confidence = Literal[
    "published", "computed", "supplier-typical", "secondary page", "common practice", "from memory", "assumption",
]  # fmt: skip
"""How well a figure is backed, best first: read in a publication, a register or a law; computed from such figures; on a
supplier's page; on an encyclopaedia, a dealer's page or a web log; what the trade does, no source; believed, nobody
read it again; assumed."""

Backing = dict[str, tuple[str, Confidence]]
"""Source key and confidence by figure."""
Role = Literal["active", "water", "salt", "solvent", "preservative", "impurity"]
Look = Literal["clear", "hazy", "pearly", "opaque"]
Lipid = Literal["water-soluble emollient", "oil", "essential oil", "perfume"]
Free = Literal["sulfate", "ethoxylate", "paraben", "formaldehyde releaser", "isothiazolinone", "silicone"]
Loss = Literal["nonionic", "ethoxylate"]
Electrolyte = Literal["preservative", "buffer", "chelator", "other"]
Phase = Literal["water", "hydration", "anionic", "cosurfactant", "melt", "premix", "preservation", "ph", "thickening"]
"""Order of addition, first to last (common practice, no source)."""

Alkalinity = Literal[
    "alkaline glucoside", "neutral glucoside", "amphoacetate", "betaine", "acyl amino acid", "anionic",
    "sulfosuccinate half ester", "carbomer", "acrylates copolymer", "alkanolamide",
]  # fmt: skip
"""Kinds of surfactant and thickener whose assumed alkalinity `chemistry.alkalinity` holds."""

Use = Literal["rinse-off", "leave-on", "any"]
RatingName = Literal["mildness", "flash_foam", "foam_density"]
MOST_FIGURE = 1e15
"""No figure of a file is larger: a batch of a thousand million tonnes."""


def _is_figure(value: Any) -> Any:
    """Refuse true and false where a figure is meant, and figures that nothing weighed or paid can have."""
    if isinstance(value, bool):
        raise PydanticCustomError("float_type", "a number is expected")
    if isinstance(value, (int, float)) and MOST_FIGURE < abs(value) < inf:
        raise PydanticCustomError("too_large", "the number is too large")
    return value


_FIGURE = BeforeValidator(_is_figure)
Percent = Annotated[float, Field(ge=0, le=100), _FIGURE]
Fraction = Annotated[float, Field(ge=0, le=1), _FIGURE]
Ph = Annotated[float, Field(ge=0, le=14), _FIGURE]
Amount = Annotated[float, Field(ge=0), _FIGURE]
Positive = Annotated[float, Field(gt=0), _FIGURE]
Celsius = Annotated[float, Field(ge=0, le=100), _FIGURE]
Key = Annotated[str, Field(pattern=ID_PATTERN, max_length=80)]


class Frozen(BaseModel):
    """Base of every record: immutable, no unknown keys, no NaN or infinity."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, defer_build=True)

    def model_copy(self, *, update: Mapping[str, Any] | None = None, deep: bool = False) -> Self:
        """Return a changed copy that has forgotten what was computed from the old fields."""
        copy = super().model_copy(update=update, deep=deep)
        for name in copy.__dict__.keys() - type(self).model_fields.keys():
            del copy.__dict__[name]
        return copy

    def __getstate__(self) -> dict[Any, Any]:
        """Return what travels to another process: the fields, without what was computed from them."""
        state = super().__getstate__()
        given = {name: value for name, value in state["__dict__"].items() if name in type(self).model_fields}
        return {**state, "__dict__": given}


def _is_share(value: Any) -> Any:
    """Refuse what is neither three percentages nor 'balance', in one sentence."""
    three = isinstance(value, (list, tuple)) and len(value) == 3
    if value != "balance" and not (three and all(isinstance(x, (int, float)) and 0 <= x <= 100 for x in value)):
        raise ValueError('write low, typical and high from 0 to 100, such as [28, 30, 32], or "balance"')
    return value


# Pydantic takes a third of the time of all schemas to read the signature of `sorted`; a type that is stated here would
# stand in the schema instead of the words that a set may hold.
InOrder = PlainSerializer(lambda names: sorted(names), when_used="json")  # noqa: PLW0108
"""Tells a set in order, so that the same set is always the same text."""


class Acid(Frozen):
    """A weak acid that a substance is or releases."""

    name: str
    molar_mass: Positive
    """Molar mass of the free acid [g/mol]."""
    pka: tuple[float, float, float]
    """pKa low, typical, high at 25 °C."""
    per_molecule: Positive = 1.0
    """Moles of acid that one mole of the substance releases."""


class Buffer(Frozen):
    """What a substance does in a charge balance, from its molecular formula."""

    of: str = ""
    """Weak acid or base, or kind of site, among the constants of chemistry; empty for strong acid or alkali alone."""
    alkali: float = 0.0
    """Moles of strong alkali less strong acid per mole, sites counted without their protons: -3 for citric acid."""


class Micelle(Frozen):
    """Where the critical micelle concentration of a surfactant comes from: its family and its chain cut."""

    family: str
    """Key of the table of published figures, such as 'betaine'."""
    cut: str
    """Named chain distribution, such as 'coco' or 'C12-14'."""

    @model_validator(mode="after")
    def _known(self) -> Self:
        try:
            refuse_unknown(self.family, self.cut)
        except DataError as error:
            problem = error.problems[0]
            raise ValueError(f"{problem.what.rstrip('.')}; {problem.step}".rstrip("; .")) from None
        return self

    @property
    def cmc(self) -> TechnicalCmc:
        """Critical micelle concentration of the cut in water without salt, with its source."""
        return cmc_of(self.family, self.cut)


class Substance(Frozen):
    """One substance of a material, with its share of the material as supplied."""

    inci: str
    role: Role = "active"
    share: Annotated[tuple[Percent, Percent, Percent] | Literal["balance"], BeforeValidator(_is_share)]
    """Low, typical, high share [% w/w of the material]; one substance may be the balance."""
    cas: str = ""
    molar_mass: Positive | None = None
    charge: Charge | None = None
    surfactant: bool = False
    """True if it counts as active matter; solubilisers, thickeners, polymers and amides do not."""
    family: str = ""
    natural: tuple[Fraction, Fraction] = (0.0, 1.0)
    """Natural-origin index of this substance, low and high (ISO 16128); unknown is 0 to 1."""
    natural_note: str = ""
    acid: Acid | None = None
    electrolyte: Electrolyte | None = None
    """What kind of dissolved salt it is or becomes; what has the role salt counts without it."""
    buffer: Buffer | None = None
    alkalinity: Alkalinity | None = None
    """Kind whose assumed alkalinity it shares; an assumption."""
    micelle: Micelle | None = None
    """Family and chain cut that its critical micelle concentration is computed from; unknown if left out."""
    backing: Backing = {}
    """Source key and confidence of facts that hold wherever the name stands; the material's own if left out."""

    @property
    def low(self) -> float:
        """Lowest share [% w/w of the material]."""
        return self.share[0] if isinstance(self.share, tuple) else 0.0

    @property
    def typical(self) -> float:
        """Typical share [% w/w of the material]."""
        return self.share[1] if isinstance(self.share, tuple) else 0.0

    @property
    def high(self) -> float:
        """Highest share [% w/w of the material]."""
        return self.share[2] if isinstance(self.share, tuple) else 0.0

    @property
    def as_acid(self) -> float:
        """Mass of free acid per mass of substance [-]; 0 if it is none."""
        if self.acid is None or self.molar_mass is None:
            return 0.0
        return self.acid.per_molecule * self.acid.molar_mass / self.molar_mass


class Rating(Frozen):
    """A planning rating 0 to 100 that nobody measured; its basis is a named rank order."""

    low: Percent
    typical: Percent
    high: Percent
    basis: str
    by_analogy: bool = False
    """True if the material is not in the rank order itself and was placed beside a relative."""


class Thickener(Frozen):
    """How a thickener is added to effect, after the blend."""

    type: Literal["salt", "associative", "polymer"]
    use: tuple[Percent, Percent]
    """Usual dose [% as supplied], low and high."""
    ph: tuple[Ph, Ph] | None = None
    """pH range in which it builds and keeps viscosity."""
    after_ph: bool = False
    """True if it is added after the pH is set."""
    heat_to: float | None = None
    """Temperature to reach while it dissolves [°C]."""
    salt_sensitive: bool = False
    """True if its gel collapses with little dissolved salt."""


FROM_THE_START: dict[Phase, str] = {
    "water": "into the water, before the surfactants",
    "hydration": "into the water, before the surfactants",
    "melt": "into the warm blend, before perfume and preservative",
}
"""Where a thickener goes in that is not added once the pH is set."""

ALSO_BACKED_AS: dict[str, tuple[str, ...]] = {
    "substances": ("active",),
    "mildness": ("ratings",),
    "flash_foam": ("ratings",),
    "foam_density": ("ratings",),
    "clear_up_to": ("look",),
    "ph_clear": ("look",),
}
"""Keys of `backing` that also stand for a figure."""


class Material(Frozen):
    """A raw material as supplied."""

    id: Key
    name: str
    function: str
    also: tuple[str, ...] = ()
    """Further functions."""
    substances: tuple[Substance, ...]
    ph_supplied: tuple[Ph, Ph] | None = None
    ph_supplied_at: str = ""
    """Strength at which the supplied pH is read, such as '10 % in water'."""
    alkalinity: Alkalinity | None = None
    """Kind of alkalinity, if it is another than that of its surfactants; an assumption."""
    ph_stable: tuple[Ph, Ph] | None = None
    """pH range of the product in which the material is stable; unknown means no limit."""
    ph_making: tuple[Ph, Ph] | None = None
    """pH range that it stands as supplied and for the hours in which a batch is made; unknown means that in which it
    is stable joined with its supplied pH. Polymers of acid form count as before neutralising."""
    ph_clear: tuple[Ph, Ph] | None = None
    """pH range in which it also stays clear; unknown means as stable."""
    look: Look = "clear"
    """What it makes of a product at usual doses."""
    colour: str = ""
    clear_up_to: Percent | None = None
    """Highest dose [% as supplied] at which a clear product stays clear."""
    lipid: Lipid | None = None
    allergens: dict[str, tuple[Percent, Percent, Percent]] | None = None
    """Fragrance allergens: low, typical, high [% w/w of the material]; an empty table if the sheet names none."""
    free_from: Annotated[frozenset[Free], InOrder] = frozenset()
    """What the material is declared free from; anything not declared is not claimed."""
    vegan: bool | None = None
    use: tuple[Percent, Percent, Percent] | None = None
    """Low, usual and high use in a wash [% as supplied]; of a preservative, perfume or essential oil."""
    lost_to: tuple[Loss, ...] = ()
    """What takes a preservative out of the water: micelles of nonionics, ethoxylated ones in particular."""
    phase: Phase
    powder: bool = False
    warm_to: Celsius | None = None
    """Temperature to which it, or the blend, is warmed while it goes in [°C]; unknown or none needed if left out."""
    add_below: Celsius | None = None
    """Highest temperature of the blend when it is added [°C]."""
    melts: tuple[Celsius, Celsius] | None = None
    """Range in which it melts [°C]."""
    dissolves: Percent | None = None
    """What dissolves of it alone in water of 25 °C [% w/w]; stated for what hardly dissolves."""
    salt_known: bool = True
    """False if it brings dissolved salts of which the list of substances says nothing."""
    thickener: Thickener | None = None
    ratings: dict[RatingName, Rating] = {}
    properties: dict[str, float] = {}
    """Any other numeric property, per unit of the material; see `Library.property_units`."""
    handling: str = ""
    cautions: tuple[str, ...] = ()
    notes: str = ""
    unread: bool = False
    """Whether it was entered from memory as a whole: counted apart, a candidate only where the shelf or the brief names
    it, and named wherever it is used."""
    placeholder: bool = False
    """Whether it stands for whatever the maker buys: its INCI is one of many, to be replaced by the supplier's."""
    backing: Backing
    """Source key and confidence by figure; 'default' covers what is not named."""

    @model_validator(mode="after")
    def _sound(self) -> Self:
        if not self.substances:
            raise ValueError("name at least one substance")
        if "default" not in self.backing:
            raise ValueError("backing needs an entry 'default' (source key and confidence)")
        if sum(not isinstance(s.share, tuple) for s in self.substances) > 1:
            raise ValueError("only one substance can be the balance")
        for substance in self.substances:
            if isinstance(substance.share, tuple) and not substance.low <= substance.typical <= substance.high:
                raise ValueError(f"the shares of {substance.inci} are not in the order low, typical, high")
        if self.use is not None and not self.use[0] <= self.use[1] <= self.use[2]:
            raise ValueError("the figures of 'use' are not in the order low, usual, high")
        for name, (low, typical, high) in (self.allergens or {}).items():
            if not low <= typical <= high:
                raise ValueError(f"the figures of the allergen {name} are not in the order low, typical, high")
        return self

    @property
    def inci(self) -> str:
        """INCI names of the active substances, joined as the trade joins blends."""
        actives = [s.inci for s in self.substances if s.role == "active"]
        return " (and) ".join(dict.fromkeys(actives or [s.inci for s in self.substances]))

    @cached_property
    def functions(self) -> frozenset[str]:
        """Every function the material has."""
        return frozenset((self.function, *self.also))

    @cached_property
    def charge(self) -> Charge | None:
        """Charge of its largest charged or surfactant active substance."""
        actives = [s for s in self.substances if s.role == "active" and s.charge is not None]
        return max(actives, key=lambda s: s.typical).charge if actives else None

    @cached_property
    def surfactant_matter(self) -> float:
        """Typical surfactant active matter [% w/w as supplied]."""
        return sum(s.typical for s in self.substances if s.surfactant)

    @cached_property
    def active_matter(self) -> float:
        """Typical share of the substances the material is bought for [% w/w as supplied]."""
        return sum(s.typical for s in self.substances if s.role == "active")

    @cached_property
    def contents(self) -> Mapping[str, float]:
        """Typical share of each substance by INCI name [% w/w as supplied]."""
        found: dict[str, float] = {}
        for substance in self.substances:
            found[substance.inci] = found.get(substance.inci, 0.0) + substance.typical
        return found

    @property
    def declared(self) -> Iterable[str]:
        """The names of the substances that it holds, and of those that it declares as allergens, each once."""
        return dict.fromkeys([*[s.inci for s in self.substances], *(self.allergens or ())])

    @property
    def every_caution(self) -> tuple[str, ...]:
        """Keys of its cautions, that of fragrance allergens too where its figures hold one."""
        holds = any(high > 0 for _, _, high in (self.allergens or {}).values())
        return (*self.cautions, "allergen") if holds else self.cautions

    @property
    def thickens_from(self) -> str:
        """Where a thickener goes in that a finished blend cannot take; empty for every other material."""
        return FROM_THE_START.get(self.phase, "") if self.thickener and not self.thickener.after_ph else ""

    def carried(self, inci: str) -> float:
        """Return the typical share of a substance [% w/w as supplied]."""
        return self.contents.get(inci, 0.0)

    def backed(self, figure: str) -> tuple[str, Confidence]:
        """Return source key and confidence of a figure."""
        names = (figure, *ALSO_BACKED_AS.get(figure, ()), "default")
        return next(self.backing[name] for name in names if name in self.backing)


class Stated(Frozen):
    """What a text says, and where it stands there."""

    jurisdiction: str = ""
    entry: str = ""
    """Entry of a law's annex, such as 'Annex V/29'."""
    act: str = ""
    """The act that gave the entry its present text, such as '(EU) 2017/1224'."""
    as_of: str = ""
    """Day on which the text was read to hold, ISO 8601."""
    source: str
    confidence: Confidence

    @property
    def place(self) -> str:
        """Whose text it is, where it stands there and on which day it held; empty if nobody's law."""
        read = f"as read {self.as_of}" if self.entry and self.as_of else self.as_of
        return ", ".join(w for w in (" ".join(w for w in (self.jurisdiction, self.entry) if w), self.act, read) if w)


class Ceiling(Stated):
    """A highest dose that somebody states for one or several substances together."""

    id: Key
    substances: tuple[str, ...]
    percent: Percent
    """0 where none is allowed."""
    basis: Literal["as supplied", "as substance", "as acid", "as base"]
    kind: Literal["law", "panel", "survey", "typical"]
    """Only 'law' is a hard limit; the others are shown as warnings."""
    use: Use = "rinse-off"
    products: tuple[str, ...] = ()
    """Words of the products that it is for, such as 'shampoo'; every product if left out."""
    but_not: tuple[str, ...] = ()
    """Words of the products that another ceiling is for."""
    declared: bool = False
    """Whether what a perfume or an oil declares as an allergen counts too."""
    note: str = ""

    def applies(self, use: str, product: str) -> bool:
        """Return whether it is for a product; one of which nothing is known has the ceilings of any product."""
        called = product.casefold()
        meant = not self.products or any(word in called for word in self.products)
        return self.use in (use, "any") and meant and not any(word in called for word in self.but_not)

    def shares(self, material: Material) -> list[tuple[Substance | None, float]]:
        """Return what a material holds of it: substance (None for a declared allergen) and high share [%]."""
        declared = (material.allergens or {}) if self.declared else {}
        if not declared and material.contents.keys().isdisjoint(self.substances):
            return []
        held = [(s, s.high) for s in material.substances if s.inci in self.substances and s.inci not in declared]
        return [*held, *((None, share[2]) for name, share in declared.items() if name in self.substances)]


class Condition(Stated):
    """What a law asks of a product or a raw material that holds a substance, besides any ceiling: a caution says it."""

    caution: str
    """Key of the caution that says it."""
    substances: tuple[str, ...]
    declared: bool = False
    """Whether what a perfume or an oil declares as an allergen counts too."""

    def meets(self, material: Material) -> bool:
        """Return whether a material holds one of the substances."""
        held = material.contents.keys() | ((material.allergens or {}).keys() if self.declared else set())
        return not held.isdisjoint(self.substances)


class Exclusion(Stated):
    """Substances of two sides that a text or the trade keeps out of one product."""

    id: Key
    one: tuple[str, ...]
    other: tuple[str, ...]
    note: str = ""


class AllergenList(Stated):
    """Fragrance allergens that one text wants named on the label."""

    id: Key
    called: str
    names: tuple[str, ...]
    """As they are printed on a label."""
    entries: dict[str, tuple[str, str]] = {}
    """Entry of the law and the act that gave it its present text, by name."""
    covers: dict[str, tuple[str, ...]] = {}
    """Names of substances that count together under one name of the list."""
    rinse_off_above: Positive
    """Share of the product above which it is named [% w/w]."""
    leave_on_above: Positive
    note: str = ""


class RankOrder(Frozen):
    """A published order of materials and the stated map that turns ranks into ratings."""

    rates: str
    order: str
    map: str
    source: str
    confidence: Confidence


class ChargeDensity(Frozen):
    """Cationic charge of a polymer, by INCI name, whether or not a material holds it."""

    mmol_per_g: tuple[Positive, Positive]
    """Least and most of its grades [mmol of charge per g of polymer]."""
    source: str
    confidence: Confidence


class PropertyUnit(Frozen):
    """What a numeric property means."""

    unit: str
    meaning: str = ""
