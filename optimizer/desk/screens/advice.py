"""What a bench chemist would say to a product or a batch: how it thickens, what keeps it clear, what to mind."""

from __future__ import annotations

from optimizer.answers.papers import advice_for
from optimizer.answers.product import subject_at
from optimizer.answers.subject import Subject
from optimizer.desk.asked import Asked
from optimizer.desk.drafting import back, product_of
from optimizer.desk.frame import report
from optimizer.desk.html import Html
from optimizer.desk.screen import Page, Screen
from optimizer.desk.way import subject, way

SCREEN = Screen()


@SCREEN.at("/formula/{brief}/advice")
def of_product(asked: Asked) -> Page:
    """Show advice on the formula of a product, the draft counted."""
    rulers, draft = product_of(asked)
    found = subject_at(rulers, draft)
    return Page(f"Advice: {found.name}", _advice(found), back=back(asked, rulers, draft))


@SCREEN.at("/batch/{batch}/advice")
def of_batch(asked: Asked) -> Page:
    """Show advice on a batch."""
    found = subject(asked)
    return Page(f"Advice: {found.name}", _advice(found), way=way(asked, "advice"))


def _advice(found: Subject) -> Html:
    return report(advice_for(found).document(), materials=found.brief.library.by_id)
