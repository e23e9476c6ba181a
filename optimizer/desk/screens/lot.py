"""A new lot: a formula brought to the active matter that was measured of it, in grams."""

from __future__ import annotations

from urllib.parse import urlencode

from optimizer.answers.beginning import library_in
from optimizer.answers.lots import best_at_lot, restandardise
from optimizer.answers.stock import shelves_in
from optimizer.data.facts import Material
from optimizer.data.names import material_of
from optimizer.data.shelf import ShelfLine, read_shelf
from optimizer.desk.asked import Asked
from optimizer.desk.folder import in_a_choice
from optimizer.desk.frame import asking, button, choice, field, fields, hidden, report
from optimizer.desk.html import Html, markup, tag
from optimizer.desk.screen import Page, RefusedError, Screen
from optimizer.desk.words import in_full, in_words, sentence
from optimizer.errors import DataError, UsageError
from optimizer.units import number

SCREEN = Screen()
BEST = "best"
"""Stands for the best formula of a product, beside those of one's own."""


@SCREEN.at("/lot")
def lot(asked: Asked) -> Page:
    """Ask which formula is brought to the lot, and show what is weighed then."""
    material, line = _line_of(asked)
    asked.typed = {name: [value] for name, value in asked.query.items()}
    body: Html | None = None
    if "active" in asked.query:
        try:
            body = _brought(asked, material)
        except RefusedError as refused:
            asked.problems, asked.readings = refused.problems, refused.readings
        except (DataError, UsageError) as error:
            said = sentence(in_full(in_words(error), {material.id: material}))
            asked.problems = {"active" if "--lot" in str(error) else "": said}
    here = {"of": asked.query.get("of", ""), "line": asked.query.get("line", "")}
    back = (f"/shelf?{urlencode(here)}#row-{here['line']}", "Shelf")
    title, status = f"A new lot of {material.name}", 422 if asked.problems else 200
    return Page(title, markup(_asks(asked, line, here), body), here="shelf", back=back, status=status)


def _line_of(asked: Asked) -> tuple[Material, ShelfLine]:
    """Return the material of the shelf's line that an address names, and the line.

    Raises:
        RefusedError: If there is no such line.
    """
    shelf = next((p for p in shelves_in(asked.folder.path) if p.name == asked.query.get("of")), None)
    lines = read_shelf(shelf).lines if shelf else ()
    line = next((ln for ln in lines if str(ln.row) == asked.query.get("line")), None)
    if line is None:
        raise RefusedError({"": "There is no such line on the shelf any more."})
    known = library_in(asked.folder.path)
    return known.by_id[material_of(line.material, known.materials)], line


def _asks(asked: Asked, line: ShelfLine, here: dict[str, str]) -> Html:
    briefs = asked.folder.products()
    if not briefs:
        return tag("p", "There is no product here yet whose formula could be brought to it.")
    formulas = [(BEST, "its best formula"), *in_a_choice((name, path.stem) for name, path in asked.folder.formulas())]
    was = f"{number(line.lot_active, 2)} %, as the shelf has it" if line.lot_active else "what is usual"
    return asking(
        "/lot",
        tag("p", "What was planned is kept: active matter, the share of each charge, every limit.", class_="soft"),
        hidden(here),
        fields(
            choice(asked, "for", "Product", briefs),
            choice(asked, "formula", "Formula", formulas),
            field(asked, "active", "Measured active matter of the new lot", figure=True, unit="%", need=True,
                  hint=f"Planned with {was}."),
            field(asked, "kg", "How much is made", figure=True, unit="kg", value="5", need=True),
            field(asked, "step", "Step of your scale", figure=True, unit="g", value="1"),
        ),
        tag("p", button("What is weighed then?"), class_="buttons"),
        novalidate=True,
    )  # fmt: skip


def _brought(asked: Asked, material: Material) -> Html:
    active = asked.figure("active", "the active matter", least=0.01, most=100)
    kg = asked.figure("kg", "the mass", least=0.001, most=100_000, unit="kg")
    step = asked.figure("step", "the step of the scale", least=0.001, most=1000, unit="g")
    brief, formula = asked.folder.brief(asked.text("for")), asked.text("formula", BEST)
    if formula == BEST:
        answer = best_at_lot(brief, material.id, active, kg=kg, step_g=step)
    else:
        lots = [f"{material.id}={active!r}"]
        answer = restandardise(asked.folder.formula(formula), str(brief), kg=kg, lots=lots, step_g=step)
    return report(answer.document(), materials=answer.found.brief.library.by_id)
