"""A product and its variants side by side, with the one that is made chosen by a button."""

from __future__ import annotations

from optimizer.answers.product import side_by_side, variants_of
from optimizer.brief.scenario import read_scenario
from optimizer.desk.asked import Asked
from optimizer.desk.folder import name_of
from optimizer.desk.frame import report
from optimizer.desk.html import Html, markup, path_to, tag
from optimizer.desk.screen import Page, Screen
from optimizer.errors import DataError

SCREEN = Screen()


@SCREEN.at("/formula/{brief}/variants")
def variants(asked: Asked) -> Page:
    """Show them."""
    path = asked.folder.brief(asked.names["brief"])
    paths = variants_of(path)
    way = (path_to("formula", asked.names["brief"]), "To the formula")
    if len(paths) < 2:
        words = "There is no variant yet. Move a limit of the formula, then keep it as a variant."
        return Page("Variants", tag("p", words), back=way)
    names = {p: name_of(asked.folder.path, p) for p in paths}
    items = []
    for p in paths:
        try:
            title = read_scenario(p)[0].name
        except DataError as error:
            items.append(tag("li", tag("p", p.name, class_="name"), tag("p", error.problems[0].what, class_="of")))
            continue
        items.append(_one(title, names[p]))
    return Page("Variants", markup(tag("ul", *items, class_="entries"), _beside(paths)), back=way)


def _one(title: str, name: str) -> Html:
    return tag(
        "li",
        tag("p", tag("a", title, href=path_to("formula", name)), class_="name"),
        tag(
            "p",
            tag("a", "Make this one", href=path_to("formula", name, "batch"), class_="button quiet"),
            class_="buttons",
        ),
    )


def _beside(paths: tuple[object, ...]) -> Html:
    try:
        return report(side_by_side(paths))  # type: ignore[arg-type]
    except DataError as error:
        return tag("p", f"They cannot be compared: {error.problems[0].what}", class_="soft")
