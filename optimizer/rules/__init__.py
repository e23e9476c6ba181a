"""The family of rules: one union, told apart by `kind`."""

from typing import Annotated, Any, Union, get_args

from pydantic import Field

from optimizer.rules.acidity import Acidity, SharedWindow
from optimizer.rules.base import CurvedRule, LimitRule, Rule
from optimizer.rules.ceiling import UseLevel
from optimizer.rules.clarity import Clear, Solubiliser
from optimizer.rules.composition import Active, Natural, Property, Ratio, Salt, Share, Water
from optimizer.rules.cost import Cost
from optimizer.rules.dose import Dose, IfUsed, Stock, Total
from optimizer.rules.mean import HarshnessLoad, MeanRating
from optimizer.rules.micelle import FreeMonomer, MixedCmc
from optimizer.rules.preserved import Preserved
from optimizer.rules.preserving import UndissociatedAcid
from optimizer.rules.selection import Count, Excludes, Needs, OneOf
from optimizer.rules.thickening import Thickening

__all__ = [
    "IMPLIED",
    "KINDS",
    "MEASURES",
    "STATED",
    "Acidity",
    "AnyRule",
    "Clear",
    "Cost",
    "CurvedRule",
    "Dose",
    "Excludes",
    "LimitRule",
    "Preserved",
    "Property",
    "Rule",
    "SharedWindow",
    "Stock",
    "Total",
    "UndissociatedAcid",
    "UseLevel",
    "named_measure",
]

STATED: tuple[type[Rule], ...] = (
    Dose, IfUsed, Active, Share, Ratio, Water, Salt, Natural, Property, MeanRating, HarshnessLoad,
    MixedCmc, FreeMonomer, Cost, UseLevel, Clear, Solubiliser, Count, OneOf, Needs, Excludes, Thickening,
    UndissociatedAcid,
)  # fmt: skip
"""Every rule that a scenario may state under [[rule]]."""

IMPLIED: tuple[type[Rule], ...] = (Total, Acidity, Stock, Preserved)
"""Rules that nobody states: those of the brief's other tables ([ph], batch_kg with the shelf) and of every brief."""

KINDS: dict[str, type[Rule]] = {get_args(rule.model_fields["kind"].annotation)[0]: rule for rule in STATED}
"""Stated rules by kind."""

AnyRule = Annotated[Union[STATED], Field(discriminator="kind")]  # type: ignore[valid-type]  # noqa: UP007
"""The union, for the schema of a scenario file; its validator is built only when that is asked for."""

_MEASURES: dict[str, tuple[type[LimitRule], dict[str, Any]]] = {
    "cost": (Cost, {}),
    "active": (Active, {}),
    "water": (Water, {}),
    "salt": (Salt, {}),
    "natural": (Natural, {}),
    "mildness": (MeanRating, {"rating": "mildness"}),
    "flash-foam": (MeanRating, {"rating": "flash_foam"}),
    "foam-density": (MeanRating, {"rating": "foam_density"}),
    "load": (HarshnessLoad, {}),
    "anionic": (Share, {"of": {"charges": ("anionic",)}}),
    "amphoteric": (Share, {"of": {"charges": ("amphoteric",)}}),
    "nonionic": (Share, {"of": {"charges": ("nonionic",)}}),
    "mixed-cmc": (MixedCmc, {}),
    "free-monomer": (FreeMonomer, {}),
}

MEASURES = tuple(_MEASURES)
"""Measures that an objective or a frontier may name without a rule of the brief."""


def named_measure(name: str) -> LimitRule:
    """Return a measure of `MEASURES`, without limits."""
    rule, fields = _MEASURES[name]
    return rule.model_validate({"id": name, **fields})
