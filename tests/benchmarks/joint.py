"""Twenty products from one shelf of sixty materials sold in packs: the gap that is proven in a minute."""

from __future__ import annotations

import random
from collections.abc import Iterator
from typing import Any

from briefs import RULES, brief_of
from measure import Line

from optimizer.data.shelf import ShelfLine
from optimizer.studies.multi_product import Product, joint

PRODUCTS, MATERIALS, SECONDS = 20, 60, 60.0
GOAL = 0.005


def lines() -> Iterator[Line]:
    """Yield the gap of five seeded product ranges."""
    gaps = [joint(shop(seed), time_limit=SECONDS).gap for seed in range(5)]
    what = f"{PRODUCTS} products from a shelf of {MATERIALS} in packs: gap proven in a minute"
    yield Line(what, gaps, GOAL, GOAL)


def shop(seed: int) -> tuple[Product, ...]:
    """Return products of different targets and batch sizes that share a shelf of packs and some stock."""
    draw = random.Random(seed)
    shelf = brief_of(MATERIALS, seed).shelf
    assert shelf is not None
    lines = tuple(
        line.model_copy(update={"row": row})
        for row, line in enumerate((offer for line in shelf.lines for offer in offers(line, draw)), 2)
    )
    return tuple(
        Product(brief_of(MATERIALS, seed, targets(draw), lines), float(draw.choice((50, 100, 200, 400))))
        for _ in range(PRODUCTS)
    )


def offers(line: ShelfLine, draw: random.Random) -> tuple[ShelfLine, ShelfLine]:
    """Return a small and a cheaper large pack of a material; of one in three some is in stock."""
    assert line.price_per_kg is not None
    small = {"supplier": "quay", "pack_kg": 5.0, "stock_kg": draw.choice((0.0, 0.0, 8.0))}
    large = {"supplier": "pier", "pack_kg": 25.0, "price_per_kg": round(line.price_per_kg * 0.85, 4)}
    return line.model_copy(update=small), line.model_copy(update=large)


def targets(draw: random.Random) -> list[dict[str, Any]]:
    """Return the rules with a product's own active matter and mildness."""
    active = draw.choice((8, 9, 10, 11))
    own = ({"at_least": active, "at_most": active + 2}, {"at_least": draw.choice((45, 50, 55))})
    return [{**RULES[0], **own[0]}, {**RULES[1], **own[1]}, *RULES[2:]]
