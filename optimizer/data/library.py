"""How a library is read: files joined, figures overridden, references checked, doubts told."""

import re
from bisect import bisect_left
from collections.abc import Iterable, Iterator, Mapping
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from optimizer.chemistry.constants import SITES, WEAK
from optimizer.data.facts import (
    AllergenList,
    Ceiling,
    ChargeDensity,
    Condition,
    Exclusion,
    Frozen,
    Material,
    PropertyUnit,
    RankOrder,
)
from optimizer.data.names import names_of
from optimizer.errors import DataError, Problem, from_validation, nearest, slip_of
from optimizer.files import digest, is_folder, read_toml, shipped


class LibraryFile(Frozen):
    """One file of a library folder."""

    sources: dict[str, str] = {}
    substance: dict[str, dict[str, Any]] = {}
    """Facts by INCI name that entries in material lists inherit."""
    caution: dict[str, str] = {}
    rank_order: dict[str, RankOrder] = {}
    property: dict[str, PropertyUnit] = {}
    charge_density: dict[str, ChargeDensity] = {}
    """Of cationic polymers by INCI name."""
    ceiling: tuple[Ceiling, ...] = ()
    condition: tuple[Condition, ...] = ()
    exclusion: tuple[Exclusion, ...] = ()
    allergen_list: tuple[AllergenList, ...] = ()
    material: tuple[dict[str, Any], ...] = ()
    override: dict[str, dict[str, Any]] = {}
    """Changes of single figures by material id."""


STRENGTH = re.compile(r", (about )?[\d.-]+ %.*| \((?!and\)).*")
"""Strength, and what a name explains in brackets."""


class Library(Frozen):
    """Everything that was read, joined; materials sorted by id."""

    materials: tuple[Material, ...]
    ceilings: tuple[Ceiling, ...] = ()
    conditions: tuple[Condition, ...] = ()
    exclusions: tuple[Exclusion, ...] = ()
    allergen_lists: tuple[AllergenList, ...] = ()
    sources: dict[str, str] = {}
    cautions: dict[str, str] = {}
    rank_orders: dict[str, RankOrder] = {}
    property_units: dict[str, PropertyUnit] = {}
    charge_densities: dict[str, ChargeDensity] = {}
    """Of cationic polymers by INCI name."""
    files: dict[str, str] = {}
    """SHA-256 digests by file, for provenance."""

    @cached_property
    def by_id(self) -> Mapping[str, Material]:
        """Materials by id."""
        return {m.id: m for m in self.materials}

    @cached_property
    def called(self) -> Mapping[str, str]:
        """What a material is called in a sentence, by id: its name, without the strength that no other one needs."""
        full = sorted(m.name for m in self.materials)

        def short(name: str) -> str:
            without = STRENGTH.sub("", name)
            place = bisect_left(full, without)
            return name if any(f.startswith(without) for f in full[place + 1 : place + 2]) else without

        return {m.id: short(m.name) for m in self.materials}

    @cached_property
    def names(self) -> Mapping[str, set[str]]:
        """Ids by every name under which a file may list a material, in small letters."""
        return names_of(self.materials)


def read_library(paths: Iterable[Path]) -> Library:
    """Read library folders and files in order; later files may override earlier figures.

    Args:
        paths: Folders (all their `*.toml`) or single files.

    Raises:
        DataError: With every problem of every file at once.
    """
    paths = tuple(paths)
    files = tuple(f for p in paths for f in (sorted(p.glob("*.toml")) if is_folder(p) else [p]))
    try:
        digests = tuple((str(f), digest(f)) for f in files)
    except DataError:
        return _read.__wrapped__(paths, files, ())  # one that cannot be read is told with all other problems
    return _read(paths, files, digests)


def chosen_library(named: Iterable[Path] | None = None, own: Iterable[Path] | None = None) -> Library:
    """Return the named library files, else the shipped library; with a maker's own files on top.

    Raises:
        DataError: With every problem of every file at once.
    """
    return read_library([*(named or [shipped("library")]), *(own or [])])


@lru_cache(maxsize=4)
def _read(paths: tuple[Path, ...], files: tuple[Path, ...], digests: tuple[tuple[str, str], ...]) -> Library:
    """Return the library of files whose content has these digests: what was read before is not read again."""
    problems = [
        Problem(str(p), "", "no .toml file is in this folder.", "Name a folder that holds library files, or a file.")
        for p in paths
        if is_folder(p) and not any(p.glob("*.toml"))
    ]
    read = _tables(files, problems)
    raw = _entries(read, problems)
    materials = _materials(raw, read, problems)
    sources = {k: v for _, f in read for k, v in f.sources.items()}
    cautions = {k: v for _, f in read for k, v in f.caution.items()}
    orders = {k: v for _, f in read for k, v in f.rank_order.items()}
    units = {k: v for _, f in read for k, v in f.property.items()}
    densities = {k: v for _, f in read for k, v in f.charge_density.items()}
    problems += _misspelt_functions({m.id: (raw[m.id][0], m.function, *m.also) for m in materials})
    for material in materials:
        where = raw[material.id][0]
        problems += _dangling(where, material, sources, cautions, orders)
    for where, file in read:
        problems += _unsaid(where, file, cautions)
        for name, density in file.charge_density.items():
            if density.source not in sources:
                what = f"there is no source '{density.source}'."
                problems.append(Problem(where, f"charge_density.{name}", what, nearest(density.source, sources)))
    if problems:
        raise DataError(problems)
    return Library.model_construct(  # of validated parts
        materials=tuple(materials),
        ceilings=tuple(sorted((c for _, f in read for c in f.ceiling), key=lambda c: c.id)),
        conditions=tuple(c for _, f in read for c in f.condition),
        exclusions=tuple(sorted((e for _, f in read for e in f.exclusion), key=lambda e: e.id)),
        allergen_lists=tuple(sorted((a for _, f in read for a in f.allergen_list), key=lambda a: a.id)),
        sources=sources,
        cautions=cautions,
        rank_orders=orders,
        property_units=units,
        charge_densities=densities,
        files=dict(digests),
    )


def _tables(files: Iterable[Path], problems: list[Problem]) -> list[tuple[str, LibraryFile]]:
    """Return the tables of each file with its name; faults join the problems."""
    read: list[tuple[str, LibraryFile]] = []
    for path in files:
        try:
            read.append((str(path), LibraryFile.model_validate(read_toml(path))))
        except ValidationError as error:
            problems += from_validation(error, str(path), LibraryFile)
        except DataError as error:
            problems += error.problems
    return read


def _materials(
    raw: Mapping[str, tuple[str, dict[str, Any]]], read: list[tuple[str, LibraryFile]], problems: list[Problem]
) -> list[Material]:
    """Return the materials of their entries, by id, with what all files say of their substances; faults join."""
    shared = {k: v for _, f in read for k, v in f.substance.items()}
    materials, spelled = [], _spellings(shared, (f for _, f in read))
    for name, (where, entry) in sorted(raw.items()):
        try:
            materials.append(Material.model_validate(_with_shared_facts(_as_spelled(entry, spelled), shared)))
        except ValidationError as error:
            problems += from_validation(error, where, Material, name)
    return materials


def _entries(read: list[tuple[str, LibraryFile]], problems: list[Problem]) -> dict[str, tuple[str, dict[str, Any]]]:
    """Return file and entry of each material by id, changed by later files; faults join the problems."""
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
    return raw


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


def _spellings(shared: Iterable[str], files: Iterable[LibraryFile]) -> dict[str, str]:
    """Return every name that facts and laws know, by the same name in small letters."""
    names = list(shared)
    for file in files:
        names += [name for ceiling in file.ceiling for name in ceiling.substances]
        names += [name for condition in file.condition for name in condition.substances]
        names += [name for pair in file.exclusion for name in (*pair.one, *pair.other)]
        names += [n for a in file.allergen_list for some in (a.names, *a.covers.values()) for n in some]
    return {name.casefold(): name for name in reversed(names)}


def _as_spelled(entry: Mapping[str, Any], spelled: Mapping[str, str]) -> dict[str, Any]:
    """Return a material entry with the names of its substances and allergens spelled as facts and laws spell them.

    A law, a fact or an amount that counts together must not be missed because a name stands in capitals.
    """
    changed = dict(entry)
    substances, allergens = entry.get("substances"), entry.get("allergens")
    if isinstance(substances, list) and all(isinstance(s, dict) for s in substances):
        changed["substances"] = [
            {**s, "inci": spelled.get(s["inci"].casefold(), s["inci"])} if isinstance(s.get("inci"), str) else s
            for s in substances
        ]
    if isinstance(allergens, dict):
        changed["allergens"] = {spelled.get(str(k).casefold(), k): v for k, v in allergens.items()}
    return changed


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
    stated = [(f"backing.{figure}", source) for figure, (source, _) in material.backing.items()]
    stated += [(f"{s.inci}.backing.{f}", source) for s in material.substances for f, (source, _) in s.backing.items()]
    for figure, source in stated:
        if source not in sources:
            key = f"{material.id}.{figure}"
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


def _misspelt_functions(said: Mapping[str, tuple[str, ...]]) -> Iterator[Problem]:
    """Yield functions that look like slips of those of other files; `said` holds file and functions by material."""
    files: dict[str, set[str]] = {}
    for where, *functions in said.values():
        for function in functions:
            files.setdefault(function, set()).add(where)
    for name, (where, *functions) in said.items():
        for function in functions:
            if files[function] == {where}:
                meant = slip_of(function, (other for other, found in files.items() if found != {where}))
                if meant:
                    what, step = f"no other material has the function '{function}'.", f"Did you mean '{meant}'?"
                    yield Problem(where, f"{name}.function", what, step)


def _unsaid(where: str, file: LibraryFile, cautions: Mapping[str, str]) -> list[Problem]:
    """Return the conditions of a file that no caution says."""
    return [
        Problem(where, "condition", f"there is no caution '{c.caution}'.", nearest(c.caution, cautions))
        for c in file.condition
        if c.caution not in cautions
    ]


def doubts(material: Material) -> list[str]:
    """Return what looks wrong with a material's figures; nothing is refused for it.

    Shares that do not sum to 100, a powder entered as a weak solution, windows inside-out or clear where nothing is
    stable, ratings outside their own range, a betaine entered as total solids, a surfactant without molar mass or CAS
    number. A sentence is the same for every material of which it is true, so that a list can be grouped by it.
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
    for name in ("ph_supplied", "ph_stable", "ph_making", "ph_clear"):
        window = getattr(material, name)
        if window and window[0] >= window[1]:
            found.append(f"{name} is inside-out: {window[0]:g} to {window[1]:g}")
    if (
        material.ph_stable
        and material.ph_clear
        and (material.ph_clear[0] < material.ph_stable[0] or material.ph_clear[1] > material.ph_stable[1])
    ):
        found.append("ph_clear reaches outside ph_stable")
    made, own = material.ph_making, material.ph_supplied
    if made and own and (own[0] < made[0] or own[1] > made[1]):
        found.append("its supplied pH lies outside ph_making, which it stands as supplied")
    for name, rating in material.ratings.items():
        if not rating.low <= rating.typical <= rating.high:
            found.append(f"the rating {name} is not in the order low, typical, high")
    betaine = any(s.family == "betaine" for s in material.substances)
    if betaine and material.surfactant_matter > 33 and not material.powder:
        found.append("a betaine above 33 % is usually printed as total solids, salt included")
    surfactants = [s for s in material.substances if s.surfactant]
    if any(s.molar_mass is None for s in surfactants):
        found.append("a surfactant without molar mass; ask its supplier for the mean")
    if not all(s.cas for s in surfactants):
        found.append("a surfactant without CAS number; it stands on the safety data sheet")
    return found
