"""Planning ratings: the mean over active matter, and the load that strength adds."""

from typing import Annotated, Any, ClassVar, Literal, get_args

import numpy as np
from pydantic import BeforeValidator

from optimizer.data.facts import RatingName
from optimizer.data.pool import Ingredient, Pool, Vector
from optimizer.errors import spelled
from optimizer.rules.base import LimitRule


def _rating(value: Any) -> Any:
    return spelled(value, get_args(RatingName)) if isinstance(value, str) else value


class MeanRating(LimitRule):
    """Mean of a planning rating over the surfactant active matter.

    Equation: sum_i x_i a_i r_i / sum_i x_i a_i, with r_i the rating 0 to 100 (higher is milder,
    or foams more). A material without a rating counts as 0, the worst. Linear averaging
    overstates the harshness of mixtures (J. Soc. Cosmet. Chem. 30 (1979) 422: replacing 20 %
    cut the eye score by a third) and over-buys foam, which saturates (J. Surfactants Deterg.
    1998, 10.1007/s11743-998-0026-2). It is a rating for planning, not a measured property.
    """

    kind: Literal["rating"] = "rating"
    rating: Annotated[RatingName, BeforeValidator(_rating)]
    """Which rating is averaged."""
    at: Literal["low", "typical", "high"] = "typical"
    """Which end of each rating is used."""
    planning: ClassVar[bool] = True
    unit: ClassVar[str] = "rating points"
    step: ClassVar[float] = 1.0
    ratio: ClassVar[bool] = True
    highest: ClassVar[float] = 100.0

    @property
    def name(self) -> str:
        """What is measured."""
        return f"mean {self.rating.replace('_', ' ')} rating"

    def unrated(self, item: Ingredient) -> bool:
        """A surfactant without the rating."""
        return item.surfactant > 0 and self.rating not in item.material.ratings

    def rests_on(self, item: Ingredient) -> tuple[str, ...]:
        """Its active share and the rating, for a surfactant."""
        return ("substances", self.rating) if item.surfactant > 0 else ()

    def rated(self, item: Ingredient) -> float:
        """The material's rating, 0 if nobody rated it."""
        rating = item.material.ratings.get(self.rating)
        return 0.0 if rating is None else float(getattr(rating, self.at))

    def amount(self, item: Ingredient) -> float:
        """Rating times active share."""
        return item.surfactant * self.rated(item)

    def per(self, item: Ingredient) -> float:
        """Active share."""
        return item.surfactant

    def amounts(self, pool: Pool) -> Vector:
        """Rating times active share of every candidate."""
        return pool.surfactant * pool.vector(self.rated)

    def pers(self, pool: Pool) -> Vector:
        """Active share of every candidate."""
        return pool.surfactant


class HarshnessLoad(LimitRule):
    """Harshness load: active matter times what its mildness rating lacks of 100.

    Equation: sum_i x_i a_i (100 - m_i) / 100, with m_i the mildness rating. Unlike the mean it
    grows with strength: twice the active matter is twice the load. Not a measured property.
    """

    kind: Literal["load"] = "load"
    figures: ClassVar[tuple[str, ...]] = ("substances", "mildness")
    planning: ClassVar[bool] = True
    unit: ClassVar[str] = "% harsh-equivalent"
    step: ClassVar[float] = 0.1

    @property
    def name(self) -> str:
        """What is measured."""
        return "harshness load"

    def amount(self, item: Ingredient) -> float:
        """Active share times lacking mildness."""
        rating = item.material.ratings.get("mildness")
        return item.surfactant * (1 - (0.0 if rating is None else rating.typical) / 100)

    def amounts(self, pool: Pool) -> Vector:
        """Active share times lacking mildness of every candidate."""
        ratings = [i.material.ratings.get("mildness") for i in pool.items]
        return pool.surfactant * (1 - np.array([0.0 if r is None else r.typical for r in ratings]) / 100)
