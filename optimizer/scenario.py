"""The brief: what the product must be, read from a scenario file and joined with library and shelf."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from math import isnan
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import Field, InstanceOf, ValidationError, model_validator

from optimizer.errors import DataError, Problem, fault, from_validation, nearest
from optimizer.files import digest, read_toml, shipped
from optimizer.library import Charge, Free, Frozen, Library, Material, Percent, read_library
from optimizer.pool import Group, Ingredient, Pool, join, unknown
from optimizer.rules import KINDS, MEASURES, Acidity, Clear, Cost, Dose, Excludes, LimitRule, Property, Rule, Stock, Total, UseLevel, named_measure
from optimizer.shelf import Shelf, read_shelf
from optimizer.units import number, slug

MAX_EXTENDS = 12


class PoolChoice(Frozen):
    """Which materials are candidates; every field that is given must match."""

    functions: tuple[str, ...] = ()
    """Any of these functions; all when empty."""
    materials: tuple[str, ...] = ()
    """Only these ids."""
    inci: tuple[str, ...] = ()
    """Only materials that contain one of these INCI names."""
    surfactant_charges: tuple[Charge, ...] = ()
    """Surfactants of these charges only; other materials are not touched."""
    surfactant_families: tuple[str, ...] = ()
    """Surfactants of these families only."""
    without_families: tuple[str, ...] = ()
    """No material with a substance of these families."""
    free_from: tuple[Free, ...] = ()
    """Only materials declared free from these."""
    vegan: bool = False
    """Only materials declared vegan."""
    oil_free: bool = False
    """No oils and no essential oils."""
    clear: bool = False
    """Only materials that leave a product clear at some dose."""
    also: tuple[str, ...] = ()
    """Ids that are candidates whatever the other fields say."""
    without: tuple[str, ...] = ()
    """Ids that are left out."""
    unpriced: bool = False
    """Also materials that the shelf does not price, at no cost (for briefs without cost)."""

    def holds(self, material: Material) -> bool:
        """Return whether a material is a candidate."""
        if material.id in self.without:
            return False
        if material.id in self.also:
            return True
        if self.functions and not material.functions.intersection(self.functions):
            return False
        if self.materials and material.id not in self.materials:
            return False
        if self.inci and not any(s.inci in self.inci for s in material.substances):
            return False
        families = {s.family for s in material.substances if s.family}
        if families.intersection(self.without_families):
            return False
        if material.surfactant_matter > 0:
            charges = {s.charge for s in material.substances if s.surfactant}
            if self.surfactant_charges and not charges.issubset(self.surfactant_charges):
                return False
            kinds = {s.family for s in material.substances if s.surfactant}
            if self.surfactant_families and not kinds.issubset(self.surfactant_families):
                return False
        if not material.free_from.issuperset(self.free_from) or (self.vegan and material.vegan is not True):
            return False
        if self.oil_free and material.lipid in ("oil", "essential oil"):
            return False
        return not (self.clear and material.look != "clear" and not material.clear_up_to)


class HeldBack(Frozen):
    """Part of the product kept free for what is added to effect after the blend."""

    percent: Percent = 0.0
    acids: tuple[str, ...] = ()
    """Acids or alkalis that set the pH."""
    thickeners: tuple[str, ...] = ()
    """Thickeners that may be added later; their pH windows count where a rule asks for them."""


class Objective(Frozen):
    """What the best formula is best at; ties are broken in the stated order."""

    minimise: str | None = None
    """A measure (cost, active, salt, load ...) or the id of a rule."""
    maximise: str | None = None
    """A measure (mildness, flash-foam, natural ...) or the id of a rule."""
    then: tuple[Annotated[str, Field(pattern=r"^(minimise|maximise) [a-z0-9.-]+$")], ...] = ()
    """Tie-breaks such as 'maximise mildness'; last always comes the order of ids."""

    @model_validator(mode="after")
    def _one(self) -> Self:
        if self.minimise and self.maximise:
            raise ValueError("give either 'minimise' or 'maximise'")
        return self

    @property
    def goals(self) -> tuple[tuple[Literal[1, -1], str], ...]:
        """Sign and measure of the objective and of each tie-break; 1 minimises."""
        first: tuple[Literal[1, -1], str] = (-1, self.maximise) if self.maximise else (1, self.minimise or "cost")
        rest = tuple(((-1 if t.startswith("max") else 1), t.split()[1]) for t in self.then)
        return (first, *rest)  # type: ignore[return-value]

    def words(self) -> str:
        """The objective as a phrase."""
        sign, measure = self.goals[0]
        return f"{'least' if sign > 0 else 'most'} {measure}"


class Scenario(Frozen):
    """A scenario file as written, variants merged."""

    name: str
    product: str = ""
    """What it is, such as 'hand wash'."""
    use: Literal["rinse-off", "leave-on"] = "rinse-off"
    market: str = "EU"
    """Jurisdiction whose ceilings apply; the text in force must be checked."""
    currency: str = "EUR"
    notes: str = ""
    extends: str = ""
    """Another scenario file that this one varies."""
    without_rules: tuple[str, ...] = ()
    """Ids of rules of the extended scenario that are dropped."""
    library: tuple[str, ...] = ()
    """Further library files of the maker, beside this file."""
    only_own_library: bool = False
    """True leaves the shipped library out."""
    shelf: str = ""
    """CSV or XLSX beside this file."""
    batch_kg: Annotated[float, Field(gt=0)] | None = None
    """Batch size; with it the shelf's stock becomes a limit."""
    scale_step: Annotated[float, Field(gt=0, le=1)] = 0.01
    """Step of the maker's scale [% of the product]."""
    pool: PoolChoice = PoolChoice()
    ph: Acidity | None = None
    held_back: HeldBack = HeldBack()
    fixed: dict[str, Percent] = {}
    """Fixed doses by material id [% as supplied]."""
    objective: Objective = Objective()
    rule: tuple[InstanceOf[Rule], ...] = ()
    """Rules, each of the kind that it names."""


@dataclass(frozen=True)
class Brief:
    """A scenario that can be solved: candidates, rules with ids, objective, provenance."""

    scenario: Scenario
    pool: Pool
    rules: tuple[Rule, ...]
    """Rules of the model, sorted by id; the pH rule is apart."""
    acidity: Acidity | None
    watched: tuple[Rule, ...]
    """Ceilings that are reported but are no law."""
    library: Library
    files: Mapping[str, str]
    assumptions: tuple[str, ...] = ()
    left_out: Mapping[str, str] = field(default_factory=dict)
    """Why stocked materials are no candidates, by id."""

    def measure(self, name: str) -> LimitRule:
        """Return the measure that an objective names, without limits."""
        return find_measure(name, self.rules, self.scenario.currency)


def find_scenario(name: str) -> Path:
    """Return the path of a scenario given as a file or as the name of a shipped one."""
    path = Path(name)
    if path.suffix == ".toml" or path.exists():
        return path
    found = shipped("scenarios") / f"{name}.toml"
    if found.is_file():
        return found
    known = [p.stem for p in shipped("scenarios").glob("*.toml")]
    raise fault(name, "", "there is no such file and no shipped scenario of that name.", nearest(name, known))


def read_scenario(path: Path, changes: Iterable[tuple[str, str]] = ()) -> tuple[Scenario, list[Path]]:
    """Read a scenario file with everything it extends.

    Args:
        path: The file.
        changes: What-ifs as (dotted key, value), where a rule is addressed by its id, such as
            ('active.at_least', '12') or ('ph.low', '5').

    Returns:
        The scenario and the files it was read from.

    Raises:
        DataError: With every problem at once.
    """
    files: list[Path] = []
    raw = _merged(path, files)
    for key, value in changes:
        _change(raw, key, value)
    raw.pop("extends", None)
    return scenario_from(raw, str(path)), files


def scenario_from(raw: Mapping[str, Any], where: str) -> Scenario:
    """Return a scenario from plain values.

    Raises:
        DataError: With every problem at once; rules are named by their id.
    """
    tables = dict(raw)
    stated = tables.pop("rule", [])
    problems: list[Problem] = []
    rules: list[Rule] = []
    if not isinstance(stated, list) or not all(isinstance(r, dict) for r in stated):
        problems.append(Problem(where, "rule", "rules are written as [[rule]] tables.", "Write [[rule]] above each."))
        stated = []
    for table in stated:
        key = f"rule.{table.get('id', '?')}"
        kind = table.get("kind")
        if not isinstance(kind, str) or kind not in KINDS:
            what = "this key is missing." if kind is None else f"there is no kind of rule '{kind}'."
            problems.append(Problem(where, f"{key}.kind", what, nearest(str(kind or ""), KINDS)))
            continue
        try:
            rules.append(KINDS[kind].model_validate(table))
        except ValidationError as error:
            problems += from_validation(error, where, KINDS[kind], key)
    try:
        scenario = Scenario.model_validate(tables)
    except ValidationError as error:
        problems = from_validation(error, where, Scenario) + problems
    if problems:
        raise DataError(problems)
    return scenario.model_copy(update={"rule": tuple(rules)})


def _merged(path: Path, files: list[Path]) -> dict[str, Any]:
    """Return the file merged over what it extends."""
    if path.resolve() in [f.resolve() for f in files]:
        chain = " -> ".join(f.name for f in [*files, path])
        raise fault(str(path), "extends", f"the files extend one another in a circle ({chain}).", "Break the circle.")
    if len(files) > MAX_EXTENDS:
        raise fault(str(path), "extends", f"more than {MAX_EXTENDS} files extend one another.", "Merge some.")
    files.append(path)
    raw = read_toml(path)
    for number_, rule in enumerate(raw.get("rule", []) if isinstance(raw.get("rule"), list) else []):
        if isinstance(rule, dict):
            rule.setdefault("id", _rule_id(rule, raw["rule"][:number_]))
    base_name = raw.get("extends")
    if not isinstance(base_name, str) or not base_name:
        return raw
    base = _merged(beside(path, base_name, "extends"), files)
    dropped = raw.get("without_rules", [])
    known = {r.get("id") for r in base.get("rule", []) if isinstance(r, dict)}
    if isinstance(dropped, list):
        missing = unknown(str(path), "without_rules", [str(d) for d in dropped], {str(k) for k in known})
        if missing:
            raise DataError(missing)
        base["rule"] = [r for r in base.get("rule", []) if r.get("id") not in dropped]
    for key, value in raw.items():
        if key == "rule" and isinstance(value, list):
            own = {r.get("id"): r for r in value if isinstance(r, dict)}
            kept = [_varied(r, own.pop(r["id"])) if r["id"] in own else r for r in base.get("rule", [])]
            base["rule"] = [*kept, *own.values()]
        elif isinstance(value, dict) and isinstance(base.get(key), dict):
            base[key] = {**base[key], **value}
        else:
            base[key] = value
    return base


def _varied(base: dict[str, Any], change: dict[str, Any]) -> dict[str, Any]:
    """Return a rule with a variant's fields; a new limit of one kind replaces the other kind."""
    if base.get("kind") != change.get("kind", base.get("kind")):
        return change
    limits = {"at_least", "at_most", "exactly"}
    if "exactly" in change or ("exactly" in base and limits & set(change)):
        base = {k: v for k, v in base.items() if k not in limits}
    return {**base, **change}


def _rule_id(rule: dict[str, Any], earlier: list[Any]) -> str:
    """Return an id for a rule that gives none: its kind, then what it is about."""
    taken = {r.get("id") for r in earlier if isinstance(r, dict)}
    kind = str(rule.get("kind", "rule"))
    about = [kind]
    if kind == "rating" or kind == "property":
        about = [str(rule.get(kind, kind)).replace("_", "-")]
    group = rule.get("of")
    words = group if isinstance(group, (list, str)) else None
    if isinstance(group, dict):
        words = [w for v in group.values() if isinstance(v, list) for w in v]
    if words:
        about.append("-".join([words] if isinstance(words, str) else map(str, words)))
    name = slug("-".join(about))[:60].strip("-") or kind
    if name not in taken:
        return name
    return next(f"{name}-{n}" for n in range(2, 1000) if f"{name}-{n}" not in taken)


def _change(raw: dict[str, Any], key: str, value: str) -> None:
    """Apply one what-if to the raw scenario."""
    head, _, rest = key.partition(".")
    rules = {r.get("id"): r for r in raw.get("rule", []) if isinstance(r, dict)}
    parsed: Any = value
    try:
        parsed = float(value)
    except ValueError:
        if value in ("true", "false"):
            parsed = value == "true"
        elif "," in value:
            parsed = [v.strip() for v in value.split(",") if v.strip()]
    owner, _, last = key.rpartition(".")
    if owner in rules:
        changed = _varied(rules[owner], {last: parsed})
        rules[owner].clear()
        rules[owner].update(changed)
    elif not rest and head in Scenario.model_fields:
        raw[head] = parsed
    elif isinstance(raw.get(head, {}), dict) and head in Scenario.model_fields:
        field_name = Scenario.model_fields[head].annotation
        listed_fields = head in ("pool", "held_back") and last not in ("percent",)
        keep_text = isinstance(parsed, str) and listed_fields and field_name is not None
        raw[head] = {**raw.get(head, {}), rest: [parsed] if keep_text else parsed}
    else:
        known = [*(str(k) for k in rules), *Scenario.model_fields]
        raise fault("--set", key, "there is no rule or table of that name.", nearest(owner or key, known))


def beside(path: Path, name: str, key: str) -> Path:
    """Return a file named in a scenario: it must lie in the scenario's folder or below it."""
    folder = path.resolve().parent
    found = (folder / name).resolve()
    if not found.is_relative_to(folder):
        what = f"'{name}' leaves the folder of the scenario, which a file that is passed around must not."
        raise fault(str(path), key, what, "Move the file beside the scenario, or name it on the command line.")
    return path.parent / name


def load_brief(
    path: Path,
    *,
    changes: Iterable[tuple[str, str]] = (),
    shelf: Path | None = None,
    libraries: Iterable[Path] | None = None,
) -> Brief:
    """Read scenario, library and shelf from files and join them.

    Args:
        path: Scenario file.
        changes: What-ifs, see `read_scenario`.
        shelf: Shelf that replaces the scenario's own.
        libraries: Library files or folders that replace the scenario's own and the shipped one.

    Raises:
        DataError: With every problem at once.
    """
    scenario, files = read_scenario(path, changes)
    own = [beside(path, name, "library") for name in scenario.library]
    folders = list(libraries) if libraries is not None else [*([] if scenario.only_own_library else [shipped("library")]), *own]
    shelf_path = shelf or (beside(path, scenario.shelf, "shelf") if scenario.shelf else None)
    problems: list[Problem] = []
    library = lines = None
    try:
        library = read_library(folders)
    except DataError as error:
        problems += error.problems
    try:
        lines = read_shelf(shelf_path) if shelf_path else None
    except DataError as error:
        problems += error.problems
    if problems or library is None:
        raise DataError(problems)
    hashes = {str(p): digest(p) for p in [*files, *([shelf_path] if shelf_path else [])]}
    return make_brief(scenario, library, lines, where=str(path), files={**hashes, **library.files})


def make_brief(
    scenario: Scenario,
    library: Library,
    shelf: Shelf | None,
    *,
    where: str = "scenario",
    files: Mapping[str, str] | None = None,
) -> Brief:
    """Join a scenario with library and shelf.

    Raises:
        DataError: If the scenario names what does not exist, or no candidate is left.
    """
    problems = _references(scenario, library, where)
    joined = join(library, shelf, scenario.currency)
    assumptions = []
    water = joined.get("aqua")
    if water is not None and isnan(water.price):
        joined["aqua"] = Ingredient(water.material, 0.0)
        assumptions.append("water is not on the shelf and counts as free of charge")
    if scenario.pool.unpriced:
        joined = {k: Ingredient(i.material, 0.0, i.line) if isnan(i.price) else i for k, i in joined.items()}
    for name in scenario.fixed:
        if name in joined and isnan(joined[name].price):
            problems.append(Problem(where, f"fixed.{name}", "the shelf has no price for it.", "Add it to the shelf."))
    chosen, left_out = {}, {}
    for name, item in joined.items():
        if name in scenario.fixed or scenario.pool.holds(item.material) or name == "aqua":
            if isnan(item.price):
                if name in scenario.pool.also or name in scenario.pool.materials:
                    left_out[name] = "the shelf has no price for it"
            else:
                chosen[name] = item
        elif not isnan(item.price):
            left_out[name] = "the brief's pool leaves it out"
    later = tuple(joined[n] for n in (*scenario.held_back.acids, *scenario.held_back.thickeners) if n in joined)
    if not chosen:
        step = "Name a shelf with prices, or set unpriced = true in [pool]."
        problems.append(Problem(where, "pool", "no candidate is left: nothing is both in the pool and priced.", step))
    if problems:
        raise DataError(problems)
    pool = Pool(tuple(chosen[n] for n in sorted(chosen)), scenario.held_back.percent, later)
    rules, watched = _rules(scenario, library, pool)
    clear = any(isinstance(r, Clear) for r in rules)
    acidity = scenario.ph.model_copy(update={"id": "ph", "clear": clear}) if scenario.ph else None
    brief = Brief(scenario, pool, rules, acidity, watched, library, files or {}, tuple(assumptions), left_out)
    known = [*MEASURES, *(r.id for r in rules if isinstance(r, LimitRule))]
    unknown_goals = unknown(where, "objective", [m for _, m in scenario.objective.goals], known)
    if unknown_goals:
        raise DataError(unknown_goals)
    return brief


def _rules(scenario: Scenario, library: Library, pool: Pool) -> tuple[tuple[Rule, ...], tuple[Rule, ...]]:
    """Return the rules of the model, sorted by id, and the ceilings that are only watched."""
    rules: list[Rule] = [Total(id="total", exactly=100.0, source="arithmetic")]
    for rule in scenario.rule:
        if isinstance(rule, Cost):
            rule = rule.model_copy(update={"currency": scenario.currency})
        elif isinstance(rule, Property) and not rule.measure_unit and rule.property in library.property_units:
            rule = rule.model_copy(update={"measure_unit": library.property_units[rule.property].unit})
        rules.append(rule)
    for name, percent in scenario.fixed.items():
        rules.append(Dose(id=f"fixed-{name}", of=Group(materials=(name,)), exactly=percent))
    if scenario.batch_kg:
        for item in pool.items:
            if item.line and item.line.stock_kg is not None:
                most = 100 * item.line.stock_kg / scenario.batch_kg
                rules.append(Stock(id=f"stock-{item.id}", of=Group(materials=(item.id,)), at_most=most, source="shelf"))
    present = {s.inci for i in pool.items for s in i.material.substances}
    watched: list[Rule] = []
    for ceiling in library.ceilings:
        applies = ceiling.use in (scenario.use, "any") and present.intersection(ceiling.substances)
        if not applies or (ceiling.kind == "law" and ceiling.jurisdiction not in ("", scenario.market)):
            continue
        law = ceiling.kind == "law"
        level = UseLevel(id=f"level-{ceiling.id}", ceiling=ceiling, source="law" if law else ceiling.kind)
        (rules if law else watched).append(level)
    for pair in library.exclusions:
        if present.intersection(pair.one) and present.intersection(pair.other):
            law = pair.jurisdiction == scenario.market
            one, other = Group(inci=pair.one), Group(inci=pair.other, but_not=_both(pool, pair.one))
            rule = Excludes(id=f"exclusion-{pair.id}", of=one, other=other, source="law" if law else pair.confidence)
            (rules if law else watched).append(rule)
    return tuple(sorted(rules, key=lambda r: r.id)), tuple(sorted(watched, key=lambda r: r.id))


def _both(pool: Pool, names: tuple[str, ...]) -> tuple[str, ...]:
    """Return the ids that contain a substance of the first side, which cannot exclude themselves."""
    return tuple(i.id for i in pool.items if any(s.inci in names for s in i.material.substances))


def _references(scenario: Scenario, library: Library, where: str) -> list[Problem]:
    """Return every name in the scenario that leads nowhere, and every id that is used twice."""
    ids = library.by_id
    problems = unknown(where, "fixed", scenario.fixed, ids)
    for key in ("also", "without", "materials"):
        problems += unknown(where, f"pool.{key}", getattr(scenario.pool, key), ids)
    for key in ("acids", "thickeners"):
        problems += unknown(where, f"held_back.{key}", getattr(scenario.held_back, key), ids)
    functions = {f for m in library.materials for f in m.functions}
    families = {s.family for m in library.materials for s in m.substances if s.family}
    inci = {s.inci for m in library.materials for s in m.substances}
    problems += unknown(where, "pool.functions", scenario.pool.functions, functions)
    problems += unknown(where, "pool.inci", scenario.pool.inci, inci)
    for key in ("surfactant_families", "without_families"):
        problems += unknown(where, f"pool.{key}", getattr(scenario.pool, key), families)
    seen: set[str] = set()
    for rule in scenario.rule:
        if rule.id in seen:
            problems.append(Problem(where, f"rule.{rule.id}", "two rules have this id.", "Give one of them another id."))
        seen.add(rule.id)
        for name in type(rule).model_fields:
            group = getattr(rule, name)
            if isinstance(group, Group):
                key = f"rule.{rule.id}.{name}"
                problems += unknown(where, key, (*group.materials, *group.but_not), ids)
                problems += unknown(where, key, group.functions, functions)
                problems += unknown(where, key, group.families, families)
                problems += unknown(where, key, group.inci, inci)
        if isinstance(rule, Property):
            declared = {p for m in library.materials for p in m.properties} | set(library.property_units)
            problems += unknown(where, f"rule.{rule.id}.property", [rule.property], declared)
    total = sum(scenario.fixed.values()) + scenario.held_back.percent
    if total > 100:
        what = f"fixed doses and the part held back sum to {number(total)} %, more than 100."
        problems.append(Problem(where, "fixed", what, "Lower one of them."))
    return problems


def find_measure(name: str, rules: Iterable[Rule], currency: str = "") -> LimitRule:
    """Return a named measure or a rule's measure, without limits."""
    rule = next((r for r in rules if r.id == name and isinstance(r, LimitRule)), None) or named_measure(name)
    free = rule.with_limits(-float("inf"), float("inf"))
    return free.model_copy(update={"currency": currency}) if isinstance(free, Cost) else free
