"""The family of rules: one union, told apart by `kind`."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from optimizer.rules.acidity import Acidity
from optimizer.rules.base import LimitRule, Rule
from optimizer.rules.ceiling import UseLevel
from optimizer.rules.clarity import Clear, Solubiliser
from optimizer.rules.composition import Active, Natural, Property, Ratio, Salt, Share, Water
from optimizer.rules.cost import Cost
from optimizer.rules.dose import Dose, IfUsed, Stock, Total
from optimizer.rules.mean import HarshnessLoad, MeanRating
from optimizer.rules.selection import Count, Excludes, Needs, OneOf
from optimizer.rules.thickening import Thickening

AnyRule = Annotated[
    Dose
    | IfUsed
    | Active
    | Share
    | Ratio
    | Water
    | Salt
    | Natural
    | Property
    | MeanRating
    | HarshnessLoad
    | Cost
    | UseLevel
    | Clear
    | Solubiliser
    | Count
    | OneOf
    | Needs
    | Excludes
    | Thickening,
    Field(discriminator="kind"),
]
"""Every rule that a scenario may state under [[rule]]."""

IMPLIED: tuple[type[Rule], ...] = (Total, Acidity, Stock)
"""Rules that the brief's other tables state: the total, [ph] and batch_kg with the shelf."""

STATED: tuple[type[Rule], ...] = (
    Dose, IfUsed, Active, Share, Ratio, Water, Salt, Natural, Property, MeanRating, HarshnessLoad,
    Cost, UseLevel, Clear, Solubiliser, Count, OneOf, Needs, Excludes, Thickening,
)  # fmt: skip

MEASURES: dict[str, LimitRule] = {
    "cost": Cost(id="cost"),
    "active": Active(id="active"),
    "water": Water(id="water"),
    "salt": Salt(id="salt"),
    "natural": Natural(id="natural"),
    "mildness": MeanRating(id="mildness", rating="mildness"),
    "flash-foam": MeanRating(id="flash-foam", rating="flash_foam"),
    "foam-density": MeanRating(id="foam-density", rating="foam_density"),
    "load": HarshnessLoad(id="load"),
    "anionic": Share(id="anionic", of={"charges": ("anionic",)}),
    "amphoteric": Share(id="amphoteric", of={"charges": ("amphoteric",)}),
    "nonionic": Share(id="nonionic", of={"charges": ("nonionic",)}),
}
"""Measures that an objective or a frontier may name without a rule of the brief."""
