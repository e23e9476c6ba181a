"""On what an answer rests: the figures that its rules read of the materials in it, and how well they are backed."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from math import inf, isnan, nan

from optimizer.brief.brief import Brief
from optimizer.data.cautions import Caution
from optimizer.data.evidence import BELIEVED, Backed, figures_of
from optimizer.data.formula import Formula
from optimizer.data.pool import Ingredient
from optimizer.immutable import immutable
from optimizer.rules import Rule
from optimizer.rules.row import Setting
from optimizer.units import USED

NAMED = 6
"""So many weak figures are named; the others are counted."""


@immutable
class Rests:
    """The figures that decided, those of limits that bind first."""

    figures: tuple[Backed, ...]
    order: str = ", those of limits that bind first"
    """In which order they stand, where several are named."""

    @property
    def believed(self) -> tuple[Backed, ...]:
        """Those that are from memory or assumed."""
        return tuple(f for f in self.figures if f.level in BELIEVED)

    @property
    def words(self) -> str:
        """All of it in one line."""
        weak = self.believed
        if not weak:
            return self.short
        named = [f.words for f in weak[:NAMED]]
        more = [f"{len(weak) - NAMED} more"] if len(weak) > NAMED else []
        first = self.order if len(weak) > 1 else ""
        return f"{self.short.removesuffix('.')}{first}: {'; '.join([*named, *more])}."

    @property
    def short(self) -> str:
        """Their numbers alone."""
        weak, total = len(self.believed), len(self.figures)
        if not weak:
            return f"Rests on {total} figure{'s' if total > 1 else ''} of its materials; none is from memory."
        return f"{weak} of {total} figures that decided {'is' if weak == 1 else 'are'} from memory."


def rests_on(brief: Brief, formula: Formula, setting: Setting) -> Rests:
    """Return the figures of used materials that the brief's rules read, those of rules that bind first."""
    used = [line.item for line in formula.lines if line.percent > USED]
    return rests_of(brief, used, lambda rule: _binds(rule, formula, setting))


def rests_along(brief: Brief, formulas: Sequence[Formula]) -> Rests:
    """Return the figures that decided somewhere along several formulas of a brief, whatever their pH."""
    used = {line.item.id: line.item for formula in formulas for line in formula.lines if line.percent > USED}
    return rests_of(brief, used.values(), lambda rule: any(_binds(rule, formula, Setting()) for formula in formulas))


def rests_of(brief: Brief, used: Iterable[Ingredient], binds: Callable[[Rule], bool]) -> Rests:
    """Return the figures that a brief's rules read of the ingredients that its answers use.

    Args:
        brief: The brief.
        used: The ingredients.
        binds: Whether a rule decided; what such a rule reads comes first.
    """
    known = [(item, figures_of(item.material)) for item in used]
    rules = sorted(
        [*brief.modelled, *brief.watched, *([brief.acidity] if brief.acidity else [])], key=lambda rule: not binds(rule)
    )
    return Rests(tuple(dict.fromkeys(figure for rule in rules for figure in _read(rule, known))))


def rests_of_clash(brief: Brief, conflict: Iterable[str]) -> Rests:
    """Return the figures by which rules of a brief clash: of all candidates that count for them.

    Args:
        brief: The brief.
        conflict: Ids of the rules. The pH rule counts for the materials that the others name, if they name any.
    """
    rules = [rule for rule in brief.enforced if rule.id in set(conflict)]
    named = {m for rule in rules for m in getattr(getattr(rule, "of", None), "materials", ())}
    known = [(item, figures_of(item.material)) for item in brief.pool.items]
    meant = [pair for pair in known if pair[0].id in named] or known
    read = (f for rule in rules for f in _read(rule, meant if rule is brief.acidity else known))
    return Rests(tuple(dict.fromkeys(read)), order="")


def _read(rule: Rule, known: list[tuple[Ingredient, dict[str, Backed]]]) -> Iterator[Backed]:
    for item, stated in known:
        yield from (stated[figure] for figure in rule.rests_on(item) if figure in stated)


def _binds(rule: Rule, formula: Formula, setting: Setting) -> bool:
    """Return whether a rule stands within a noticeable step of one of its limits."""
    ends = [end for end in rule.limits if abs(end) < inf]
    value = rule.value(formula, setting) if ends else nan
    return not isnan(value) and min(abs(value - end) for end in ends) < rule.step


def told_of(brief: Brief, formula: Formula, setting: Setting) -> tuple[Caution, ...]:
    """Return the line that says on what an answer rests, after the materials of it that nobody read a sheet of."""
    unread = sorted({x.item.material.name for x in formula.lines if x.percent > USED and x.item.material.unread})
    found = [Caution("Entered from memory as a whole, no sheet of it was read: ask for it first.", tuple(unread))]
    return (*(found if unread else []), *line_of([rests_on(brief, formula, setting)]))


def line_of(found: Iterable[Rests]) -> tuple[Caution, ...]:
    """Return the one line that says on what an answer rests, or several answers together; nothing without figures."""
    return _told(Rests(tuple(dict.fromkeys(figure for rests in found for figure in rests.figures))))


def line_of_clash(brief: Brief, conflict: Iterable[str]) -> tuple[Caution, ...]:
    """Return the one line that says on what it rests that rules clash; nothing without rules or figures."""
    return _told(rests_of_clash(brief, conflict))


def _told(rests: Rests) -> tuple[Caution, ...]:
    return (Caution(rests.words, rests=rests.short),) if rests.figures else ()
