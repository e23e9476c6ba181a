"""On what an answer rests: the figures that its rules read of the materials in it, and how well they are backed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from math import inf, isnan, nan

from optimizer.brief.brief import Brief
from optimizer.data.cautions import Caution
from optimizer.data.evidence import BELIEVED, Backed, figures_of
from optimizer.data.formula import Formula, Line
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

    @property
    def believed(self) -> tuple[Backed, ...]:
        """Those that are from memory or assumed."""
        return tuple(f for f in self.figures if f.level in BELIEVED)

    @property
    def words(self) -> str:
        """All of it in one line."""
        weak, total = self.believed, len(self.figures)
        if not weak:
            return f"Rests on {total} figure{'s' if total > 1 else ''} of its materials; none is from memory."
        named = [f.words for f in weak[:NAMED]]
        more = [f"{len(weak) - NAMED} more"] if len(weak) > NAMED else []
        first = ", those of limits that bind first" if len(weak) > 1 else ""
        verb = "is" if len(weak) == 1 else "are"
        return f"{len(weak)} of {total} figures that decided {verb} from memory{first}: {'; '.join([*named, *more])}."


def rests_on(brief: Brief, formula: Formula, setting: Setting) -> Rests:
    """Return the figures of used materials that the brief's rules read, those of rules that bind first."""
    used = [line for line in formula.lines if line.percent > USED]
    known = {line.item.id: figures_of(line.item.material) for line in used}
    rules = [*brief.modelled, *brief.watched, *([brief.acidity] if brief.acidity else [])]
    read = [(rule, figures) for rule in rules if (figures := tuple(_read(rule, used, known)))]
    read.sort(key=lambda pair: not _binds(pair[0], formula, setting))
    return Rests(tuple(dict.fromkeys(figure for _, figures in read for figure in figures)))


def _read(rule: Rule, used: list[Line], known: Mapping[str, Mapping[str, Backed]]) -> Iterator[Backed]:
    for line in used:
        stated = known[line.item.id]
        yield from (stated[figure] for figure in rule.rests_on(line.item) if figure in stated)


def _binds(rule: Rule, formula: Formula, setting: Setting) -> bool:
    """Return whether a rule stands within a noticeable step of one of its limits."""
    ends = [end for end in rule.limits if abs(end) < inf]
    value = rule.value(formula, setting) if ends else nan
    return not isnan(value) and min(abs(value - end) for end in ends) < rule.step


def told_of(brief: Brief, formula: Formula, setting: Setting) -> tuple[Caution, ...]:
    """Return the line that says on what an answer rests, after the materials of it that nobody read a sheet of."""
    unread = sorted({x.item.material.name for x in formula.lines if x.percent > USED and x.item.material.unread})
    rests = rests_on(brief, formula, setting)
    found = [Caution("Entered from memory as a whole, no sheet of it was read: ask for it first.", tuple(unread))]
    return (*(found if unread else []), *([Caution(rests.words)] if rests.figures else []))
