"""The law that a library holds: what of it applies to a kind of product, and which figures have grown old."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from optimizer.data.facts import AllergenList, Ceiling, Condition, Exclusion, Stated
from optimizer.data.library import Library
from optimizer.immutable import immutable, result, seen, told_as, untold

MONTHS = 12
"""Law figures that were read longer ago are told [months]; common practice, no source."""
NOT_THE_TEXT = (
    "Read in tables and texts of others on the day that stands beside each figure; none of it is the legal text. Only "
    "the Official Journal is: look up what is in force where it is made and sold, or ask a qualified safety assessor."
)


@immutable
class ConditionTold:
    """What a law asks with a substance besides any ceiling."""

    condition: Condition = untold()
    text: str
    """The caution that says it."""
    substances: tuple[str, ...] = seen("condition.substances")
    jurisdiction: str = seen("condition.jurisdiction")
    entry: str = seen("condition.entry")
    act: str = seen("condition.act")
    as_of: str = seen("condition.as_of")
    source: str = seen("condition.source")


@immutable
class AllergenTold:
    """A fragrance allergen that a label names."""

    name: str
    """As it is printed."""
    above_percent: float
    """Named above this share [% of the product]."""
    together: tuple[str, ...]
    """Names that count together under it; empty if it stands for itself."""
    list_id: str = told_as("list")
    jurisdiction: str
    entry: str
    act: str
    as_of: str
    source: str


@result
class Law:
    """What the library holds of the law for one use: the output of `tenside library law --json`."""

    FORMAT = 1
    use: str
    """Rinse-off or leave-on."""
    ceilings: tuple[Ceiling, ...]
    """In the order of the annexes."""
    exclusions: tuple[Exclusion, ...]
    conditions: tuple[ConditionTold, ...]
    allergens: tuple[AllergenTold, ...]
    sources: dict[str, str]
    """What the source keys stand for."""
    caution: str = NOT_THE_TEXT


def law_of(library: Library, use: str) -> Law:
    """Return the law of a library that holds for a use, whatever the product."""
    ceilings = [c for c in library.ceilings if c.kind == "law" and c.use in (use, "any")]
    exclusions = [e for e in library.exclusions if e.jurisdiction]
    allergens = [a for list_ in library.allergen_lists for a in _allergens(list_, use)]
    stated: list[Stated] = [*ceilings, *exclusions, *library.conditions, *library.allergen_lists]
    return Law(
        use=use,
        ceilings=tuple(sorted(ceilings, key=_place)),
        exclusions=tuple(exclusions),
        conditions=tuple(ConditionTold(c, library.cautions[c.caution]) for c in sorted(library.conditions, key=_place)),
        allergens=tuple(sorted(allergens, key=lambda a: a.name)),
        sources={s.source: library.sources.get(s.source, s.source) for s in stated},
    )


def _allergens(list_: AllergenList, use: str) -> Iterator[AllergenTold]:
    above = list_.leave_on_above if use == "leave-on" else list_.rinse_off_above
    for name in list_.names:
        entry, act = list_.entries.get(name, (list_.entry, list_.act))
        together = list_.covers.get(name, ())
        yield AllergenTold(name, above, together, list_.id, list_.jurisdiction, entry, act, list_.as_of, list_.source)


def _place(stated: Stated) -> tuple[str, int, str]:
    """Return where an entry stands among others: its annex, then its number."""
    annex, _, number = stated.entry.partition("/")
    digits = "".join(c for c in number if c.isdigit())
    return annex, int(digits or 0), number


def laws_of(library: Library) -> tuple[tuple[str, Stated], ...]:
    """Return every text of law that a library holds, by a name."""
    laws: list[tuple[str, Stated]] = [(c.id, c) for c in library.ceilings if c.kind == "law"]
    laws += [(e.id, e) for e in library.exclusions if e.jurisdiction]
    laws += [(f"{c.caution} ({c.entry})", c) for c in library.conditions]
    laws += [(a.id, a) for a in library.allergen_lists]
    return tuple(laws)


def grown_old(library: Library, day: date) -> tuple[tuple[str, str], ...]:
    """Return what of the law was read more than twelve months before a day, or on no known day: what, and when."""
    limit = _months_before(day, MONTHS)
    return tuple((name, stated.as_of) for name, stated in laws_of(library) if not _read_since(stated.as_of, limit))


def _months_before(day: date, months: int) -> date:
    year, month = divmod(day.year * 12 + day.month - 1 - months, 12)
    return date(year, month + 1, min(day.day, 28))


def _read_since(as_of: str, limit: date) -> bool:
    try:
        return date.fromisoformat(as_of) >= limit
    except ValueError:
        return False
