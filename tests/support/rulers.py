"""A ruler of a brief, moved as on the desk: step by step, each place asked and proven."""

from __future__ import annotations

from collections.abc import Iterable

from optimizer.answers.draft import live_part, marks_of
from optimizer.brief.brief import Brief
from optimizer.sweep.live import Live, LiveAnswer


class Ruler:
    """One limit of a brief from one end of its ruler to the other.

    Attributes:
        steps: Where it may stand, as far as the rule's other limit lets it.
        between: Half way between each two of them.
    """

    def __init__(self, brief: Brief, key: str) -> None:
        self.brief, self.key, self.live = brief, key, Live(brief)
        self._marks = marks_of(brief)
        mark = next(m for m in self._marks if m.key == key)
        low, high = mark.rule.limits
        ends = (mark.least, min(mark.most, high)) if mark.field == "at_least" else (max(mark.least, low), mark.most)
        count = round((ends[1] - ends[0]) / mark.step)
        self.at, self.steps = mark.at, [round(ends[0] + k * mark.step, 6) for k in range(count + 1)]
        self.between = [step + mark.step / 2 for step in self.steps[:-1]]

    def ask(self, at: float) -> LiveAnswer:
        """Return what is known at once at a place."""
        return self.live.ask(live_part(self._marks, {self.key: at}))

    def prove(self, at: float) -> LiveAnswer | None:
        """Return the proven answer at a place."""
        return self.live.prove(live_part(self._marks, {self.key: at}))

    def passed(self) -> None:
        """Move it once from end to end."""
        for at in self.steps:
            self.prove(at)

    def asked(self, places: Iterable[float]) -> list[LiveAnswer]:
        """Return what is known at once at several places."""
        return [self.ask(at) for at in places]


def not_at_once(answers: list[LiveAnswer]) -> float:
    """Return the share of answers that are not proven."""
    return sum(answer.word != "proven" for answer in answers) / len(answers)
