"""`tenside advice`: what a bench chemist would say to a formula."""

from typing import Any

from optimizer.answers.answer import Answer
from optimizer.cli.common import BENCH, Changes, For, Libraries, ShelfFile, SubjectName, app, changes_of, command


@command(app, BENCH)
def advice(
    subject: SubjectName,
    against: For = "",
    changes: Changes = None,
    shelf: ShelfFile = None,
    library: Libraries = None,
) -> Answer[Any]:
    """Advise the bench: how to thicken, how much salt is in, how to keep it clear, what to mind."""
    from optimizer.answers.papers import advice_for
    from optimizer.answers.subject import subject_of

    found = subject_of(subject, against=against, changes=changes_of(changes), shelf=shelf, libraries=library)
    return advice_for(found)
