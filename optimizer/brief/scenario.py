"""The scenario: what the product must be, as its file states it, merged over what that extends."""

import re
from collections.abc import Collection, Iterable, Mapping
from math import fsum
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import Field, InstanceOf, ValidationError, field_validator, model_validator

from optimizer.data.facts import Charge, Free, Frozen, Material, Percent
from optimizer.data.pool import unknown
from optimizer.data.sheet import number_of
from optimizer.errors import TIE_PATTERN, DataError, Problem, fault, from_validation, hyphened, nearest, spelled
from optimizer.files import found_at, is_file, is_folder, read_toml, resolved, shipped, toml_of
from optimizer.rules import (
    KINDS,
    Acidity,
    Rule,
)
from optimizer.units import AS_TYPED, listed, number, slug

MAX_EXTENDS = 12
MAX_RULES = 500
"""Rules of one file; real briefs have some ten."""
UNCHANGEABLE = ("extends", "without_rules", "rule")
"""Tables that a what-if on the command line cannot change."""


class PoolChoice(Frozen):
    """Which materials are candidates; every field that is given must match."""

    functions: tuple[str, ...] = ()
    """Any of these functions; all when empty."""
    materials: tuple[str, ...] = ()
    """Only these ids, and aqua, unless `without` lists it."""
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
    """Ids that are candidates whatever the other fields say, `without` excepted."""
    without: tuple[str, ...] = ()
    """Ids that are left out."""
    unpriced: bool = False
    """Also materials that the shelf does not price, at no cost (for briefs without cost)."""

    def holds(self, material: Material) -> bool:
        """Return whether a material is a candidate."""
        return not self.why_not(material)

    def why_not(self, material: Material) -> str:
        """Return the field that leaves a material out, in words; empty if it is a candidate."""
        if material.id in self.without:
            return "pool.without names it"
        if material.id in self.also:
            return ""
        families = {s.family for s in material.substances if s.family}
        surfactants = [s for s in material.substances if s.surfactant]
        undeclared: list[str] = sorted(set(self.free_from) - material.free_from)
        if self.functions and not material.functions.intersection(self.functions):
            return f"pool.functions does not list {material.function}"
        if self.materials and material.id not in self.materials:
            return "pool.materials does not list it"
        if self.inci and not any(s.inci in self.inci for s in material.substances):
            return "pool.inci lists nothing that is in it"
        if families.intersection(self.without_families):
            return f"pool.without_families names {listed(sorted(families.intersection(self.without_families)))}"
        if self.surfactant_charges and not {s.charge for s in surfactants}.issubset(self.surfactant_charges):
            return f"pool.surfactant_charges does not list {material.charge}"
        if self.surfactant_families and not {s.family for s in surfactants}.issubset(self.surfactant_families):
            return "pool.surfactant_families does not list its family"
        if undeclared:
            return f"it is not declared free from {listed(undeclared, 'or')}"
        if self.vegan and material.vegan is not True:
            return "it is not declared vegan"
        if self.oil_free and material.lipid in ("oil", "essential oil"):
            return f"pool.oil_free leaves out {material.lipid}"
        if self.clear and material.look != "clear" and not material.clear_up_to:
            return f"pool.clear leaves out what looks {material.look}"
        return ""


class HeldBack(Frozen):
    """Part of the product kept free for what is added to effect after the blend."""

    percent: Percent = 0.0
    """Part of the product [%]; a batch weighs so much less before it is adjusted."""
    acids: tuple[str, ...] = ()
    """Acids or alkalis that set the pH."""
    thickeners: tuple[str, ...] = ()
    """Thickeners that may be added later; their pH windows count where a rule asks for them."""
    planned: dict[str, Percent] = {}
    """Doses of them to plan the cost with [% as supplied by id], from your own batches; without, the usual ones.
    Each way to thicken costs what is planned for it, unless `[objective] planned` is false."""

    @model_validator(mode="after")
    def _fits(self) -> Self:
        acid = fsum(dose for name, dose in self.planned.items() if name in self.acids)
        thickener = max((dose for name, dose in self.planned.items() if name not in self.acids), default=0.0)
        if self.percent and acid + thickener > self.percent + AS_TYPED:
            come, free = number(acid + thickener, 2), number(self.percent, 2)
            raise ValueError(f"planned doses come to {come} %, and {free} % is kept free: keep more free, or plan less")
        return self


class Objective(Frozen):
    """What the best formula is best at; ties are broken in the stated order."""

    minimise: str | None = None
    """A measure (cost, active, salt, load ...) or the id of a rule."""
    maximise: str | None = None
    """A measure (mildness, flash-foam, natural ...) or the id of a rule."""
    planned: bool = True
    """Under one rule on thickening, where cost is the objective: whether it counts what the bench is planned to add:
    acid, the way to thicken, and water for the rest of the part kept free. With false it is the cost of the blend
    alone, as a limit on cost always is."""
    then: tuple[Annotated[str, Field(pattern=TIE_PATTERN)], ...] = ()
    """Tie-breaks such as 'maximise mildness'; last always comes the order of ids."""

    @field_validator("minimise", "maximise", "then")
    @classmethod
    def _spelled(cls, value: Any) -> Any:
        return hyphened(value) if isinstance(value, str) else tuple(map(hyphened, value)) if value else value

    @model_validator(mode="after")
    def _one(self) -> Self:
        if self.minimise and self.maximise:
            raise ValueError("give either 'minimise' or 'maximise'")
        return self

    @property
    def goals(self) -> tuple[tuple[Literal[1, -1], str], ...]:
        """Sign and measure of the objective and of each tie-break; 1 minimises."""
        goals: list[tuple[Literal[1, -1], str]] = []
        goals.append((-1, self.maximise) if self.maximise else (1, self.minimise or "cost"))
        for tie in self.then:
            goals.append((-1 if tie.startswith("max") else 1, tie.split()[1]))
        return tuple(goals)

    @property
    def asked(self) -> str:
        """What is best, as it is typed: 'minimise cost'."""
        sign, measure = self.goals[0]
        return f"{'minimise' if sign > 0 else 'maximise'} {measure}"

    def words(self) -> str:
        """The objective as a phrase."""
        sign, measure = self.goals[0]
        return f"{'least' if sign > 0 else 'most'} {measure}"


class Scenario(Frozen):
    """A scenario file as written, variants merged."""

    name: str
    """How the product is called."""
    product: str = ""
    """What it is, such as 'hand wash'. Some ceilings of law are for some products only, by words in it: 'shampoo',
    'conditioner', 'hair', 'hand', 'body', 'body wash', 'shower', 'bath', 'soap', 'face'; else the strictest hold."""
    use: Literal["rinse-off", "leave-on"] = "rinse-off"
    """How it is used; ceilings apply by it."""
    market: str = "EU"
    """Jurisdiction whose ceilings apply; the text in force must be checked."""
    currency: str = "EUR"
    """Of every price; the shelf's must be the same."""
    notes: str = ""
    """Anything; it is shown by 'tenside list --json'."""
    unpreserved: str = ""
    """Why the product needs no preservative, such as 'Sealed single doses, sterile.': then nothing warns of it, and
    the reason is printed with every answer."""
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

    @property
    def counts_plan(self) -> bool:
        """Whether cost is the objective, and counts what the bench is planned to add."""
        name = self.objective.goals[0][1]
        return self.objective.planned and (name == "cost" or any(r.id == name and r.kind == "cost" for r in self.rule))


def find_scenario(name: str) -> Path:
    """Return the path of a scenario given as a file or as the name of a shipped one.

    A name that ends in .toml is returned unseen; reading it tells if nothing is there.

    Raises:
        DataError: If there is neither a file nor a shipped scenario of that name.
    """
    path = Path(name)
    found = shipped("scenarios") / f"{name}.toml"
    if path.suffix == ".toml" or (found_at(path) and not (is_folder(path) and is_file(found))):
        return path
    if is_file(found):
        return found
    known = [p.stem for p in shipped("scenarios").glob("*.toml")]
    raise fault(name, "", "there is no such file and no shipped scenario of that name.", nearest(name, known))


def named_beside(file: Path, name: str, called: str = "batch file") -> Path:
    """Return the scenario that a file of the bench names: one beside it or below, or a shipped one.

    A file that is passed around must not reach other folders.

    Args:
        file: The file.
        name: How it names the scenario.
        called: What such a file is called.

    Raises:
        DataError: If there is none.
    """
    own = file.parent / name
    inside = own.suffix == ".toml" and resolved(own).is_relative_to(file.resolve().parent)
    if inside and is_file(own):
        return own
    if "/" in name or "\\" in name or name.endswith(".toml"):
        what = f"there is no '{name}' beside the {called}."
        raise fault(str(file), "brief", what, f"Put the scenario into the {called}'s folder, or below it.")
    return find_scenario(name)


def read_scenario(path: Path, changes: Iterable[tuple[str, str]] = ()) -> tuple[Scenario, list[Path]]:
    """Read a scenario file with everything it extends.

    Args:
        path: The file.
        changes: What-ifs as (dotted key, value), where a rule is addressed by its id, such as
            ('active.at_least', '12') or ('ph.low', '5'); a kind of rule that the brief does not state is added.

    Returns:
        The scenario and the files it was read from.

    Raises:
        DataError: With every problem of rules and tables at once; of what keeps the files from being merged and the
            what-ifs from being applied, the first.
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
    for place, table in enumerate(stated, 1):
        key = f"rule.{table['id']}" if "kind" in table and "id" in table else f"rule {place}"
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
    """Return the table of a file merged over that of what it extends."""
    if resolved(path) in [f.resolve() for f in files]:
        chain = " -> ".join(f.name for f in [*files, path])
        raise fault(str(path), "extends", f"the files extend one another in a circle ({chain}).", "Break the circle.")
    if len(files) > MAX_EXTENDS:
        raise fault(str(path), "extends", f"more than {MAX_EXTENDS} files extend one another.", "Merge some.")
    files.append(path)
    stated = _stated(path)
    base_name = stated.get("extends", "")
    if not isinstance(base_name, str):
        step = 'Write it in quotes: extends = "x.toml".'
        raise fault(str(path), "extends", "this is the name of a scenario file.", step)
    return _over(_merged(beside(path, base_name, "extends"), files), stated, str(path)) if base_name else stated


def _stated(path: Path) -> dict[str, Any]:
    """Return the table of a file as it stands, with an id for each of its rules."""
    raw = read_toml(path)
    if "batch" in raw and "line" in raw:
        raise fault(str(path), "", "this is a batch file, a brief was expected.", f"Its brief is '{raw.get('brief')}'.")
    stated = raw["rule"] if isinstance(raw.get("rule"), list) else []
    if len(stated) > MAX_RULES:
        what = f"{len(stated)} rules, more than the {MAX_RULES} that are read."
        raise fault(str(path), "rule", what, "State one rule for a group of materials instead of one for each.")
    taken: set[str] = set()
    for number_, rule in enumerate(stated):
        if isinstance(rule, dict):
            if not isinstance(rule.get("id", ""), str):
                raise fault(str(path), f"rule.{number_}.id", "an id is a word.", 'Write it in quotes: id = "active".')
            rule.setdefault("id", rule_id(rule, taken))
            rule["id"] = hyphened(rule["id"])
            taken.add(rule["id"])
            if isinstance(rule.get("kind"), str):
                rule["kind"] = spelled(rule["kind"], KINDS)
    return raw


def _over(base: dict[str, Any], raw: dict[str, Any], where: str) -> dict[str, Any]:
    """Return a scenario's table with what a variant changes, adds and drops."""
    dropped = raw.get("without_rules", [])
    known = {r.get("id") for r in base.get("rule", []) if isinstance(r, dict)}
    if isinstance(dropped, list):
        dropped = [hyphened(str(d)) for d in dropped]
        missing = unknown(where, "without_rules", dropped, {str(k) for k in known})
        if missing:
            raise DataError(missing)
        base["rule"] = [r for r in base.get("rule", []) if r.get("id") not in dropped]
    for key, value in raw.items():
        if key == "rule" and isinstance(value, list):
            own = {r.get("id"): r for r in value if isinstance(r, dict)}
            kept = [_varied(r, own.pop(r["id"])) if r["id"] in own else r for r in base.get("rule", [])]
            base["rule"] = [*kept, *own.values()]
        elif isinstance(value, dict) and isinstance(base.get(key), dict) and not _new_goal(key, value):
            base[key] = {**base[key], **value}
        else:
            base[key] = value
    return base


def _new_goal(key: str, table: dict[str, Any]) -> bool:
    """Return whether a table states a goal of its own: then nothing of the goal that it varies is left."""
    return key == "objective" and not table.keys().isdisjoint(("minimise", "maximise"))


def _varied(base: dict[str, Any], change: dict[str, Any]) -> dict[str, Any]:
    """Return a rule with a variant's fields; a new limit of one kind replaces the other kind."""
    if base.get("kind") != change.get("kind", base.get("kind")):
        return change
    limits = {"at_least", "at_most", "exactly"}
    if "exactly" in change or ("exactly" in base and limits & set(change)):
        base = {k: v for k, v in base.items() if k not in limits}
    return {**base, **change}


def rule_id(rule: dict[str, Any], taken: Collection[str]) -> str:
    """Return an id for a rule that gives none: its kind, then what it is about."""
    kind = str(rule.get("kind", "rule"))
    about = [kind]
    if kind in {"rating", "property"}:
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
    return next(f"{name}-{n}" for n in range(2, MAX_RULES + 2) if f"{name}-{n}" not in taken)


def addressed(key: str) -> str:
    """Return the dotted key of a what-if with its rule named as briefs name it; tables and fields stay as they are."""
    owner, dot, last = key.rpartition(".")
    return key if key.partition(".")[0] in Scenario.model_fields else f"{hyphened(owner)}{dot}{last}"


_ONE_COMMA = re.compile(r"[+-]?(?:\d{1,3}(?:\.\d{3})+|\d+),\d+")
"""A single figure with a decimal comma; no table of a brief takes a list of figures."""


def _change(raw: dict[str, Any], key: str, value: str) -> None:
    """Apply one what-if to the raw scenario."""
    key = addressed(key)
    head, _, rest = key.partition(".")
    if head in UNCHANGEABLE:
        raise fault("--set", key, "this cannot be changed here.", "Write a variant file that extends this one.")
    rules = {r.get("id"): r for r in raw.get("rule", []) if isinstance(r, dict)}
    parsed = _typed(key, value)
    owner, _, last = key.rpartition(".")
    if owner in rules:
        changed = _varied(rules[owner], {last: parsed})
        rules[owner].clear()
        rules[owner].update(changed)
    elif owner in KINDS and isinstance(raw.get("rule", []), list):
        # A kind of which the brief has no rule of that id: the what-if states one.
        raw["rule"] = [*raw.get("rule", []), {"id": owner, "kind": owner, last: parsed}]
    elif not rest and head in Scenario.model_fields:
        raw[head] = [parsed] if head == "library" and isinstance(parsed, str) else parsed
    elif isinstance(raw.get(head, {}), dict) and head in Scenario.model_fields:
        listed_fields = key == "objective.then" or (head in ("pool", "held_back") and last != "percent")
        table, dot, name = rest.partition(".")
        if dot and isinstance(stated := raw.get(head, {}).get(table, {}), dict):
            rest, parsed = table, {**stated, name: parsed}
        raw[head] = {**raw.get(head, {}), rest: [parsed] if isinstance(parsed, str) and listed_fields else parsed}
    else:
        known = [*(str(k) for k in rules), *Scenario.model_fields]
        raise fault("--set", key, "there is no rule or table of that name.", nearest(owner or key, known))


def _typed(key: str, value: str) -> Any:
    """Return what a what-if states: a figure, yes or no, a list as files or with commas write it, or a text."""
    if value[:1] in ("[", '"'):
        return toml_of(f"value = {value}", f"--set {key}")["value"]
    if value in ("true", "false"):
        return value == "true"
    try:
        return number_of(value) if _ONE_COMMA.fullmatch(value) else float(value)
    except ValueError as error:
        if _ONE_COMMA.fullmatch(value):
            step = "Write it with a point, or without a separator."
            raise fault("--set", key, f"'{value}' {error}.", step) from None
    return [v.strip() for v in value.split(",") if v.strip()] if "," in value else value


def beside(path: Path, name: str, key: str) -> Path:
    """Return a file named in a scenario: it must lie in the scenario's folder or below it."""
    folder = path.resolve().parent
    try:
        found = resolved(folder / name)
    except DataError as error:
        raise DataError(Problem(str(path), key, f"'{name}': {p.what}", p.step) for p in error.problems) from None
    if not found.is_relative_to(folder):
        what = f"'{name}' leaves the folder of the scenario, which a file that is passed around must not."
        raise fault(str(path), key, what, "Move the file beside the scenario, or name it on the command line.")
    return path.parent / name
