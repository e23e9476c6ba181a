"""Master formulas: versions that are never changed, each with its figures and what differs from the last one."""

from math import isfinite

from optimizer.brief.brief import Brief
from optimizer.data.formula import Formula
from optimizer.errors import nearest
from optimizer.records.store import Printed, Store, StoreAnswer
from optimizer.rules import named_measure
from optimizer.rules.row import Setting
from optimizer.solve.existing import CHARGES

FIGURES = ("cost_per_kg", "active_percent", *(f"{c}_percent" for c in CHARGES), "ph_low", "ph_target", "ph_high",
           "held_back_percent")  # fmt: skip
"""Columns of a version that hold figures."""


class DoseChange(StoreAnswer):
    """A dose in the last version and in this one [% as supplied]; null where the material is not used."""

    material: str
    before: float | None
    after: float | None


class FigureChange(StoreAnswer):
    """A figure in the last version and in this one; null where it has no value."""

    figure: str
    before: float | None
    after: float | None


class Version(Printed):
    """A version of a master formula, held against the one before it."""

    name: str
    version: int
    on: str
    why: str
    brief: str
    currency: str
    doses: tuple[DoseChange, ...]
    """Every material of either version, largest dose first."""
    figures: tuple[FigureChange, ...]

    @property
    def changed(self) -> tuple[str, ...]:
        """Materials whose dose changed."""
        return tuple(d.material for d in self.doses if d.before != d.after)


class Versions(Printed):
    """The versions of a master formula, newest first."""

    name: str
    versions: tuple[Version, ...]


def figures_of(brief: Brief, formula: Formula, setting: Setting) -> dict[str, float | None]:
    """Return the figures of a formula: cost, active matter, charge shares, the pH window its materials share."""
    plain = Setting()
    cost = formula.cost
    found: dict[str, float | None] = {
        "cost_per_kg": cost if isfinite(cost) else None,
        "active_percent": named_measure("active").value(formula, plain),
    }
    for charge in CHARGES:
        share = sum(line.percent * line.item.by_charge.get(charge, 0.0) for line in formula.lines)
        active = found["active_percent"]
        found[f"{charge}_percent"] = 100 * share / active if active else None
    window = None if brief.acidity is None else brief.acidity.shared(formula)
    low, high = (None, None) if window is None else (window.low, window.high)
    found |= {"ph_low": low, "ph_target": setting.target, "ph_high": high, "held_back_percent": formula.held_back}
    return found


def add_version(
    store: Store, name: str, brief: Brief, formula: Formula, setting: Setting, *, why: str, on: str
) -> Version:
    """Keep a formula as the next version of a master formula.

    Args:
        store: An open store.
        name: Name of the master formula.
        brief: The brief it was held against.
        formula: The formula.
        setting: Its target pH.
        why: What changed and why.
        on: Today (ISO 8601).

    Raises:
        DataError: If nothing differs from the last version.
    """
    doses, figures = formula.doses, figures_of(brief, formula, setting)
    with store.writing():
        last = store.rows("SELECT * FROM master WHERE name = ? ORDER BY version DESC LIMIT 1", name)
        if last and doses == _doses(store, last[0]["id"]) and figures == {f: last[0][f] for f in FIGURES}:
            what = f"'{name}' is the same as its version {last[0]['version']}."
            raise store.fault("", what, "There is nothing to keep.")
        version = last[0]["version"] + 1 if last else 1
        row = store.put(
            "master", name=name, version=version, on_date=on, why=why, brief=brief.scenario.name,
            currency=brief.scenario.currency, **figures,
        )  # fmt: skip
        for material, percent in sorted(doses.items()):
            store.put("dose", master_id=row, material=material, percent=percent)
        return _version(store, name, version)


def versions_of(store: Store, name: str) -> Versions:
    """Return the versions of a master formula, newest first.

    Raises:
        DataError: If there is no such master formula, with the nearest.
    """
    with store.reading():
        found = store.rows("SELECT version FROM master WHERE name = ? ORDER BY version DESC", name)
        if not found:
            known = [r["name"] for r in store.rows("SELECT name FROM master")]
            raise store.fault("", f"there is no master formula '{name}'.", nearest(name, known))
        return Versions(name=name, versions=tuple(_version(store, name, r["version"]) for r in found))


def _version(store: Store, name: str, version: int) -> Version:
    sql = "SELECT * FROM master WHERE name = ? AND version IN (?, ?) ORDER BY version"
    *older, this = store.rows(sql, name, version - 1, version)
    before = _doses(store, older[0]["id"]) if older else {}
    after = _doses(store, this["id"])
    order = sorted({*before, *after}, key=lambda m: (-max(after.get(m, 0.0), before.get(m, 0.0)), m))
    return Version.of(
        this,
        doses=tuple(DoseChange(material=m, before=before.get(m), after=after.get(m)) for m in order),
        figures=tuple(FigureChange(figure=f, before=older[0][f] if older else None, after=this[f]) for f in FIGURES),
    )


def _doses(store: Store, master: int) -> dict[str, float]:
    rows = store.rows("SELECT material, percent FROM dose WHERE master_id = ?", master)
    return {r["material"]: r["percent"] for r in rows}
