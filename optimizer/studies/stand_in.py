"""What one material would change in the place of another: label names, salt response, pH, handling."""

from __future__ import annotations

from optimizer.data.facts import Material
from optimizer.data.formula import Formula
from optimizer.data.pool import Group, Ingredient
from optimizer.rules.counting import group_active
from optimizer.rules.row import Setting
from optimizer.units import USED, number

FAR = 1.0
"""A supplied pH this far from the product's target is told."""


def matter_of(item: Ingredient, like: Ingredient) -> float:
    """Return the active matter per unit [-] by which a stand-in can be compared with the missing material.

    Surfactants compare by surfactant matter, grades of one substance by its share; what is 0 does not compare.
    """
    if like.surfactant > 0:
        return item.surfactant
    return item.material.active_matter / 100 if item.material.inci == like.material.inci else 0.0


def label_names(formula: Formula) -> frozenset[str]:
    """Return the INCI names of everything that is used, impurities aside."""
    used = [line.item.material for line in formula.lines if line.percent > USED]
    return frozenset(s.inci for m in used for s in m.substances if s.role != "impurity")


def watch(item: Ingredient, instead: Ingredient, setting: Setting, sulfates: Group) -> tuple[str, ...]:
    """Return what to watch at the bench when a material takes another's place, most telling first.

    Args:
        item: The stand-in.
        instead: The missing material.
        setting: The product's pH.
        sulfates: The anionics that answer to salt.
    """
    material = item.material
    said = [_salt_response(item, instead, sulfates), _supplied_ph(material, setting)]
    if material.look != "clear":
        upto = f"; clear up to {number(material.clear_up_to)} %" if material.clear_up_to else ""
        said.append(f"makes a product {material.look}{upto}")
    said.append(material.handling.rstrip("."))
    return tuple(s[0].upper() + s[1:] for s in said if s)


def _salt_response(item: Ingredient, instead: Ingredient, sulfates: Group) -> str:
    """Return how the answer to salt changes; common practice, no source."""
    if not item.surfactant or not instead.surfactant:
        return ""
    before, after = group_active(sulfates, instead) > 0, group_active(sulfates, item) > 0
    if before and not after:
        return "not sulfate-type: salt may thicken less or not at all"
    if after and not before:
        return "sulfate-type: salt thickens more, go in small steps"
    return "sulfate-type like the other: find the salt dose anew" if after else ""


def _supplied_ph(material: Material, setting: Setting) -> str:
    if material.ph_supplied is None or setting.target is None:
        return ""
    low, high = material.ph_supplied
    at = f" ({material.ph_supplied_at})" if material.ph_supplied_at else ""
    span = f"supplied at pH {number(low, 1)} - {number(high, 1)}{at}"
    if low > setting.target + FAR:
        return f"{span}, the product is at {number(setting.target, 2)}: plan acid"
    if high < setting.target - FAR:
        return f"{span}, the product is at {number(setting.target, 2)}: plan alkali"
    return ""
