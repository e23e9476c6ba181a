"""`tenside advice`: what a bench chemist would say to a formula."""

from typing import Any

from optimizer.answers.answer import Answer
from optimizer.cli.common import BENCH, For, Given, SubjectName, app, command


@command(app, BENCH)
def advice(subject: SubjectName, against: For = "", given: Given = Given()) -> Answer[Any]:
    """Advise the bench: how to thicken, how much salt is in, how to keep it clear, what to mind."""
    from optimizer.answers.papers import advice_for

    return advice_for(given.subject(subject, against=against))
