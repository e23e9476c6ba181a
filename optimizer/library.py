"""Facts of raw materials: what is in them, what they tolerate, and who says so.

A material is a list of substances whose shares sum to 100. Active matter, charge, salt,
water, natural origin and every ceiling are read from that list and nowhere else.
"""

from collections.abc import Iterable, Mapping
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, model_validator

from optimizer.chemistry.constants import SITES, WEAK
from optimizer.chemistry.cuts import TechnicalCmc, cmc_of
from optimizer.errors import ID_PATTERN, DataError, Problem, from_validation, nearest
from optimizer.files import digest, read_toml

Charge = Literal["anionic", "amphoteric", "nonionic", "cationic"]
Confidence = Literal["published", "supplier-typical", "common practice", "from memory"]
Role = Literal["active", "water", "salt", "solvent", "preservative", "impurity"]
Look = Literal["clear", "hazy", "pearly", "opaque"]
Lipid = Literal["water-soluble emollient", "oil", "essential oil", "perfume"]
Free = Literal["sulfate", "ethoxylate", "paraben", "formaldehyde releaser", "isothiazolinone", "silicone"]
Electrolyte = Literal["preservative", "buffer", "chelator", "other"]
Phase = Literal["water", "hydration", "anionic", "cosurfactant", "melt", "premix", "preservation", "ph", "thickening"]
"""Order of addition, first to last (common practice, no source)."""

Alkalinity = Literal["alkaline glucoside", "neutral glucoside", "amphoacetate", "betaine", "acyl amino acid", "anionic"]
"""Kinds of surfactant whose assumed alkalinity `chemistry.alkalinity` holds."""

RatingName = Literal["mildness", "flash_foam", "foam_density"]
Percent = Annotated[float, Field(ge=0, le=100)]
Fraction = Annotated[float, Field(ge=0, le=1)]
Ph = Annotated[float, Field(ge=0, le=14)]
Positive = Annotated[float, Field(gt=0)]
Celsius = Annotated[float, Field(ge=0, le=100)]
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


def _is_share(value: Any) -> Any:
    """Refuse what is neither three percentages nor 'balance', in one sentence."""
    three = isinstance(value, (list, tuple)) and len(value) == 3
    if value != "balance" and not (three and all(isinstance(x, (int, float)) and 0 <= x <= 100 for x in value)):
        raise ValueError('write low, typical and high from 0 to 100, such as [28, 30, 32], or "balance"')
    return value


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
            cmc_of(self.family, self.cut)
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


class Backing(Frozen):
    """Who says so: a key of the sources table, and how sure that is."""

    source: str
    confidence: Confidence


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
    free_from: frozenset[Free] = frozenset()
    """What the material is declared free from; anything not declared is not claimed."""
    vegan: bool | None = None
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
    backing: dict[str, tuple[str, Confidence]]
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

    def carried(self, inci: str) -> float:
        """Return the typical share of a substance [% w/w as supplied]."""
        return sum(s.typical for s in self.substances if s.inci == inci)

    def backed(self, figure: str) -> tuple[str, Confidence]:
        """Return source key and confidence of a figure."""
        return self.backing.get(figure, self.backing["default"])


class Ceiling(Frozen):
    """A highest dose that somebody states for one or several substances together."""

    id: Key
    substances: tuple[str, ...]
    percent: Positive
    basis: Literal["as supplied", "as substance", "as acid"]
    kind: Literal["law", "panel", "survey", "typical"]
    """Only 'law' is a hard limit; the others are shown as warnings."""
    use: Literal["rinse-off", "leave-on", "any"] = "rinse-off"
    jurisdiction: str = ""
    as_of: str = ""
    """Date of the text that was read."""
    note: str = ""
    source: str
    confidence: Confidence


class Exclusion(Frozen):
    """Substances of two sides that a text or the trade keeps out of one product."""

    id: Key
    one: tuple[str, ...]
    other: tuple[str, ...]
    jurisdiction: str = ""
    as_of: str = ""
    note: str = ""
    source: str
    confidence: Confidence


class AllergenList(Frozen):
    """Fragrance allergens that one text wants named on the label."""

    id: Key
    called: str
    names: tuple[str, ...]
    """As they are printed on a label."""
    covers: dict[str, tuple[str, ...]] = {}
    """INCI names of substances that count under a name of the list."""
    rinse_off_above: Positive
    """Share of the product above which it is named [% w/w]."""
    leave_on_above: Positive
    jurisdiction: str
    as_of: str
    note: str = ""
    source: str
    confidence: Confidence


class RankOrder(Frozen):
    """A published order of materials and the stated map that turns ranks into ratings."""

    rates: str
    order: str
    map: str
    source: str
    confidence: Confidence


class PropertyUnit(Frozen):
    """What a numeric property means."""

    unit: str
    meaning: str = ""


class LibraryFile(Frozen):
    """One file of a library folder."""

    sources: dict[str, str] = {}
    substance: dict[str, dict[str, Any]] = {}
    """Facts by INCI name that entries in material lists inherit."""
    caution: dict[str, str] = {}
    rank_order: dict[str, RankOrder] = {}
    property: dict[str, PropertyUnit] = {}
    ceiling: tuple[Ceiling, ...] = ()
    exclusion: tuple[Exclusion, ...] = ()
    allergen_list: tuple[AllergenList, ...] = ()
    material: tuple[dict[str, Any], ...] = ()
    override: dict[str, dict[str, Any]] = {}
    """Changes of single figures by material id."""


class Library(Frozen):
    """Everything that was read, joined; materials sorted by id."""

    materials: tuple[Material, ...]
    ceilings: tuple[Ceiling, ...] = ()
    exclusions: tuple[Exclusion, ...] = ()
    allergen_lists: tuple[AllergenList, ...] = ()
    sources: dict[str, str] = {}
    cautions: dict[str, str] = {}
    rank_orders: dict[str, RankOrder] = {}
    property_units: dict[str, PropertyUnit] = {}
    files: dict[str, str] = {}
    """SHA-256 digests by file, for provenance."""

    @cached_property
    def by_id(self) -> Mapping[str, Material]:
        """Materials by id."""
        return {m.id: m for m in self.materials}


def read_library(paths: Iterable[Path]) -> Library:
    """Read library folders and files in order; later files may override earlier figures.

    Args:
        paths: Folders (all their `*.toml`) or single files.

    Raises:
        DataError: With every problem of every file at once.
    """
    paths = list(paths)
    files = [f for p in paths for f in (sorted(p.glob("*.toml")) if p.is_dir() else [p])]
    problems = [
        Problem(str(p), "", "no .toml file is in this folder.", "Name a folder that holds library files, or a file.")
        for p in paths
        if p.is_dir() and not any(p.glob("*.toml"))
    ]
    read: list[tuple[str, LibraryFile]] = []
    for path in files:
        try:
            read.append((str(path), LibraryFile.model_validate(read_toml(path))))
        except ValidationError as error:
            problems += from_validation(error, str(path), LibraryFile)
        except DataError as error:
            problems += error.problems
    shared = {k: v for _, f in read for k, v in f.substance.items()}
    raw: dict[str, tuple[str, dict[str, Any]]] = {}
    for where, file in read:
        for number, entry in enumerate(file.material):
            name = str(entry.get("id", f"material {number + 1}"))
            if name in raw:
                what = f"this id is already used in {raw[name][0]}."
                step = f"Choose another id, or change single figures under [override.{name}]."
                problems.append(Problem(where, name, what, step))
            raw[name] = (where, entry)
        for name, change in file.override.items():
            if name not in raw:
                problems.append(Problem(where, f"override.{name}", "there is no such material.", nearest(name, raw)))
            else:
                raw[name] = (where, overridden(raw[name][1], change))
    materials = []
    for name, (where, entry) in sorted(raw.items()):
        try:
            materials.append(Material.model_validate(_with_shared_facts(entry, shared)))
        except ValidationError as error:
            problems += from_validation(error, where, Material, name)
    sources = {k: v for _, f in read for k, v in f.sources.items()}
    cautions = {k: v for _, f in read for k, v in f.caution.items()}
    orders = {k: v for _, f in read for k, v in f.rank_order.items()}
    units = {k: v for _, f in read for k, v in f.property.items()}
    for material in materials:
        where = raw[material.id][0]
        problems += _dangling(where, material, sources, cautions, orders)
    if problems:
        raise DataError(problems)
    return Library(
        materials=tuple(materials),
        ceilings=tuple(sorted((c for _, f in read for c in f.ceiling), key=lambda c: c.id)),
        exclusions=tuple(sorted((e for _, f in read for e in f.exclusion), key=lambda e: e.id)),
        allergen_lists=tuple(sorted((a for _, f in read for a in f.allergen_list), key=lambda a: a.id)),
        sources=sources,
        cautions=cautions,
        rank_orders=orders,
        property_units=units,
        files={str(p): digest(p) for p in files},
    )


def overridden(entry: Mapping[str, Any], change: Mapping[str, Any]) -> dict[str, Any]:
    """Return a material entry with single figures changed.

    `active` (one number or low, typical, high) replaces the share of the first active
    substance; `ratings`, `properties` and `backing` are merged; other keys are replaced.
    """
    merged = dict(entry)
    for key, value in change.items():
        if key == "active":
            share = list(value) if isinstance(value, (list, tuple)) else [value] * 3
            substances = [dict(s) for s in merged.get("substances", ())]
            for substance in substances:
                if substance.get("role", "active") == "active":
                    substance["share"] = share
                    break
            merged["substances"] = substances
        elif key in ("ratings", "properties", "backing") and isinstance(value, Mapping):
            merged[key] = {**merged.get(key, {}), **value}
        else:
            merged[key] = value
    return merged


def _with_shared_facts(entry: Mapping[str, Any], shared: Mapping[str, dict[str, Any]]) -> dict[str, Any]:
    """Fill in facts by INCI name and the balance of the shares."""
    substances = entry.get("substances")
    if not isinstance(substances, list) or not all(isinstance(s, dict) for s in substances):
        return dict(entry)
    filled = [{**shared.get(str(s.get("inci")), {}), **s} for s in substances]
    known = [s["share"] for s in filled if isinstance(s.get("share"), list) and len(s["share"]) == 3]
    numeric = all(isinstance(x, (int, float)) for share in known for x in share)
    if numeric and len(known) == len(filled) - 1:
        low, typical, high = (sum(share[i] for share in known) for i in range(3))
        rest = [max(0.0, 100 - high), max(0.0, 100 - typical), max(0.0, 100 - low)]
        for substance in filled:
            if substance.get("share") == "balance":
                substance["share"] = [round(x, 10) for x in rest]
    return {**entry, "substances": filled}


def _dangling(
    where: str,
    material: Material,
    sources: Mapping[str, str],
    cautions: Mapping[str, str],
    orders: Mapping[str, RankOrder],
) -> list[Problem]:
    """Return the references of a material that lead nowhere."""
    problems = []
    for figure, (source, _) in material.backing.items():
        if source not in sources:
            key = f"{material.id}.backing.{figure}"
            problems.append(Problem(where, key, f"there is no source '{source}'.", nearest(source, sources)))
    for caution in material.cautions:
        if caution not in cautions:
            key = f"{material.id}.cautions"
            problems.append(Problem(where, key, f"there is no caution '{caution}'.", nearest(caution, cautions)))
    for buffer in (s.buffer for s in material.substances if s.buffer and s.buffer.of):
        if buffer.of not in WEAK and buffer.of not in SITES:
            what = f"there is no weak acid, base or site '{buffer.of}'."
            problems.append(Problem(where, f"{material.id}.buffer.of", what, nearest(buffer.of, {*WEAK, *SITES})))
    for name, rating in material.ratings.items():
        if rating.basis not in orders:
            key = f"{material.id}.ratings.{name}.basis"
            what = f"there is no rank order '{rating.basis}'."
            problems.append(Problem(where, key, what, nearest(rating.basis, orders)))
    return problems


def doubts(material: Material) -> list[str]:
    """Return what looks wrong with a material's figures; nothing is refused for it.

    Shares above 100, a powder entered as a weak solution, windows inside-out, ratings
    outside their own range, a surfactant with no molar mass.
    """
    found = []
    total = sum(s.typical for s in material.substances)
    if total > 100.05:
        parts = " + ".join(f"{s.inci} {s.typical:g}" for s in material.substances)
        found.append(f"the shares sum to {total:g} %, more than 100: {parts}")
    elif total < 99.95:
        found.append(f"the shares sum to {total:g} %; name the balance")
    if material.powder and 0 < material.active_matter < 60:
        found.append(
            f"a powder entered at {material.active_matter:g} % active matter; is that the strength of a solution?"
        )
    for name in ("ph_supplied", "ph_stable", "ph_clear"):
        window = getattr(material, name)
        if window and window[0] >= window[1]:
            found.append(f"{name} is inside-out: {window[0]:g} to {window[1]:g}")
    if (
        material.ph_stable
        and material.ph_clear
        and (material.ph_clear[0] < material.ph_stable[0] or material.ph_clear[1] > material.ph_stable[1])
    ):
        found.append("ph_clear reaches outside ph_stable")
    for name, rating in material.ratings.items():
        if not rating.low <= rating.typical <= rating.high:
            found.append(f"the rating {name} is not in the order low, typical, high")
    betaine = any(s.family == "betaine" for s in material.substances)
    if betaine and material.surfactant_matter > 33 and not material.powder:
        found.append("a betaine above 33 % is usually printed as total solids, salt included")
    return found
