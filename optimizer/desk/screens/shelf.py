"""The shelf: what is there, at what price, of which lot, and what is left of it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote, urlencode

from optimizer.answers.beginning import library_in
from optimizer.answers.keeping import can_be_put_back, put_back
from optimizer.answers.lots import lot_doubts
from optimizer.answers.stock import ShelfLeft, change_shelf, shelf_left, shelves_in
from optimizer.data.facts import Material
from optimizer.data.names import ids_of
from optimizer.data.shelf import ShelfChange, ShelfLine, read_shelf
from optimizer.desk.asked import Asked
from optimizer.desk.brought import CALLED, meant
from optimizer.desk.frame import button, field, fields, folded, form, hidden, not_here, report
from optimizer.desk.guard import Outcome
from optimizer.desk.html import Html, markup, tag
from optimizer.desk.logged import sure
from optimizer.desk.screen import Page, RefusedError, Screen
from optimizer.desk.words import sentence
from optimizer.files import digest
from optimizer.report.stock import stock_document
from optimizer.units import number

MEASURED = {
    "lot_active": ("the active matter", 100.0),
    "lot_ph": ("the pH of the lot", 14.0),
    "lot_ph_at": ("the strength", 100.0),
}
"""What is measured of a lot, in words, and the most that it can be."""

UNUSUAL = "this lot is an unusual one"

SCREEN = Screen(entry=("/shelf", "Shelf"), rank=20)


def act(asked: Asked) -> Outcome:
    """Write a line of the shelf, or add one."""
    path = _shelf(asked)
    called = asked.text("called")
    if asked.text("back"):
        put_back(path, asked.text("back"))
        return asked.done("/shelf", f"{path.name} is as it was before its last change.")
    if asked.text("off"):
        change_shelf(path, ShelfChange({}, asked.whole("row"), asked.text("mark"), gone=True))
        return asked.done("/shelf", f"Taken off the shelf: {called}.")
    values = _values(asked)
    if asked.text("row"):
        if not values:
            raise RefusedError({"": "Nothing was changed, so nothing was written."})
        _refuse_doubtful(asked, path, values)
        change_shelf(path, ShelfChange(values, asked.whole("row"), asked.text("mark")))
        return asked.done("/shelf", f"Written: {called}.")
    material = meant(asked, "new", library_in(asked.folder.path))
    _refuse_doubtful(asked, path, values, material)
    change_shelf(path, ShelfChange({"material": material.id, **values}))
    return asked.done("/shelf", f"Added: {material.name}.")


def _shelf(asked: Asked) -> Path:
    """Return the shelf that a form is about, by its name among those of the folder."""
    found = next((p for p in shelves_in(asked.folder.path) if p.name == asked.text("shelf")), None)
    if found is None:
        raise RefusedError({"": "This shelf is not in the folder any more."})
    return found


def _values(asked: Asked) -> dict[str, str]:
    """Return the cells that were changed, as texts."""
    figures = {"price_per_kg": "the price per kg", "pack_kg": "the pack", "stock_kg": "the stock"}
    told = {name: asked.maybe(name, words) for name, words in figures.items()}
    values = {n: f"{v:.12g}" for n, v in told.items() if v is not None and asked.text(n) != asked.text(f"was-{n}")}
    if "stock_kg" in values:
        values["counted_on"] = asked.today
    if "price_per_kg" in values:
        values["priced_on"] = asked.today
    other_lot = asked.text("lot") != asked.text("was-lot")
    for name, (words, most) in MEASURED.items():
        figure, was = asked.maybe(name, words, most=most), asked.text(f"was-{name}")
        if figure is not None and asked.text(name) != was:
            values[name] = f"{figure:.12g}"
        elif was and (figure is None or other_lot):
            values[name] = ""  # measured of the lot before
    if other_lot:
        values["lot"] = asked.text("lot")
    if asked.text("supplier"):
        values["supplier"] = asked.text("supplier")
    return values


def _refuse_doubtful(asked: Asked, path: Path, values: dict[str, str], material: Material | None = None) -> None:
    """Refuse a measured active matter that its material cannot have; one that is unusual unless it is meant so."""
    if not values.get("lot_active"):
        return
    known, active = library_in(asked.folder.path), float(values["lot_active"])
    if material is None:
        line = next((line for line in read_shelf(path).lines if line.mark == asked.text("mark")), None)
        ids = ids_of([line.material], known.materials) if line else {}
        material = known.by_id.get(next(iter(ids.values()), ""))
    if material is None:
        return
    impossible, unusual = lot_doubts(material, active)
    if impossible:
        raise RefusedError({"lot_active": sentence(impossible)})
    if unusual and not asked.ticked("sure"):
        raise RefusedError({"lot_active": unusual, "": "Nothing is written yet."})


@SCREEN.at("/shelf", act=act, rights="formula")
def shelf(asked: Asked) -> Page:
    """Show the shelves of the folder."""
    paths = shelves_in(asked.folder.path)
    if not paths:
        said = "No shelf lies in this folder: a table shelf.csv with what you have, its price, pack, stock and lot."
        lay = tag("a", "Lay one from a price list", href="/prices")
        return Page("Shelf", markup(tag("p", said), tag("p", lay, class_="go")), here="shelf")
    return Page("Shelf", markup(*(_one(asked, path) for path in paths)), here="shelf")


def _one(asked: Asked, path: Path) -> Html:
    found = shelf_left(path, asked.folder.records, asked.today)
    items = (_line(asked, found, line) for line in found.lines)
    return tag(
        "section",
        tag("h2", path.name),
        tag("ul", *items, class_="entries"),
        *_changes(asked, path),
        folded("What runs low, and when to buy", report(stock_document(found.stock), f"{path.stem}-")),
    )


def _changes(asked: Asked, path: Path) -> Iterator[Html]:
    """Yield what can be done with a shelf as a whole, or who may."""
    refused = not_here(asked, "/shelf")
    if refused is not None:
        yield refused
        return
    yield folded("Add a line", _add(asked, path), open_="new" in asked.problems)
    yield tag("p", tag("a", "A price list", href=f"/prices?{urlencode({'shelf': path.name})}"), class_="go")
    if can_be_put_back(path):
        undo = button("Put the shelf back as it was before", quiet=True, name="back", value=digest(path))
        yield form(asked.unasked, "/shelf", hidden({"shelf": path.name}), undo)


def _line(asked: Asked, found: ShelfLeft, line: ShelfLine) -> Html:
    price = f"{line.price_per_kg:.2f} {line.currency} per kg" if line.price_per_kg is not None else "no price"
    stocked = line.row in found.left_kg
    left = f"{number(found.left_kg[line.row], 3)} kg{' left' if line.counted_on else ''}" if stocked else ""
    uncounted = stocked and not line.counted_on
    facts = [price, f"packs of {number(line.pack_kg, 3)} kg" if line.pack_kg else "", line.supplier]
    facts += [f"lot {line.lot}" if line.lot else ""]
    facts += [f"active {number(line.lot_active, 2)} %" if line.lot_active else ""]
    facts += [f"pH {number(line.lot_ph, 2)}" if line.lot_ph is not None else ""]
    counted = f"{number(line.stock_kg or 0.0, 3)} kg counted on {line.counted_on}" if line.counted_on else ""
    name = found.names[line.row]
    low = any(h.low and h.name == name for h in found.stock.materials)
    return tag(
        "li",
        tag("div", tag("span", _known(found, line), class_="name"), tag("span", left, class_="n"), class_="line"),
        tag("p", "as written: count it, to see what is left", class_="of") if uncounted else None,
        tag("p", "Runs low", class_="next") if low else None,
        tag("p", ", ".join(f for f in (*facts, counted) if f), class_="of"),
        _changing(asked, found.path, line, name) if asked.may_send("/shelf") else None,
        id=f"row-{line.row}",
    )


def _known(found: ShelfLeft, line: ShelfLine) -> Html:
    """Return the name of a line's material, which leads to what is known of it."""
    return tag("a", found.names[line.row], href=f"/library/of/{quote(line.material, safe='')}")


def _changing(asked: Asked, path: Path, line: ShelfLine, name: str) -> Html:
    """Return the form that changes a line, or the link that shows it: a shelf may be long, a page may not."""
    here = {"of": path.name, "line": str(line.row)}
    sent = (asked.text("shelf"), asked.text("row"))
    if (path.name, str(line.row)) in (sent, (asked.query.get("of"), asked.query.get("line"))):
        change = folded("Change it", _change(asked, path, line, name), open_=True)
        return markup(change, tag("p", _other_lot(here), class_="go"))
    change = tag("a", "Change it", href=f"/shelf?{urlencode(here)}#row-{line.row}")
    return tag("p", change, _other_lot(here), class_="go")


def _other_lot(here: dict[str, str]) -> Html:
    """Return the way to what a new lot of a line makes of a formula."""
    return tag("a", "Bring a formula to a new lot", href=f"/lot?{urlencode(here)}")


def _change(asked: Asked, path: Path, line: ShelfLine, name: str) -> Html:
    mine = asked.text("row") == str(line.row)
    there = {
        "price_per_kg": f"{line.price_per_kg:.4g}" if line.price_per_kg is not None else "",
        "stock_kg": "",
        "lot": line.lot,
        **{n: number(v, 3) if (v := getattr(line, n)) is not None else "" for n in MEASURED},
    }
    asking = asked if mine else asked.unasked
    mark = asked.text("mark") if mine else line.mark  # what was typed is about the line that the page was made from
    return form(
        asking,
        "/shelf",
        hidden({"shelf": path.name, "row": str(line.row), "mark": mark, "called": name}),
        hidden({f"was-{name}": value for name, value in there.items()}),
        _fields(asking, there, f"{line.row}", line.currency),
        sure(asking, UNUSUAL) if "lot_active" in asking.problems else None,
        tag("p", button("Write it"), button("Take it off the shelf", quiet=True, name="off", value="yes"),
            class_="buttons"),
        keep=" ".join((path.name, line.material, line.lot, line.supplier)),
    )  # fmt: skip


def _fields(asked: Asked, there: dict[str, str], key: str, currency: str) -> Html:
    asks = {
        "stock_kg": ("Counted now", "kg", "stock"),
        "price_per_kg": ("Price", f"{currency} per kg".strip(), "price"),
        "lot": ("Lot", "", "lot"),
        "lot_active": ("Measured active matter", "%", "active"),
        "lot_ph": ("Measured pH of the lot", "", "ph"),
        "lot_ph_at": ("Read at", "% in water", "at"),
    }
    return fields(
        field(asked, name, label, figure=name != "lot", unit=unit, value=there[name], key=f"{short}-{key}")
        for name, (label, unit, short) in asks.items()
    )


def _add(asked: Asked, path: Path) -> Html:
    empty = dict.fromkeys(("price_per_kg", "stock_kg", "lot", *MEASURED), "")
    asking = asked.unasked if asked.text("row") else asked
    return form(
        asking,
        "/shelf",
        hidden({"shelf": path.name}),
        field(
            asking,
            "new",
            "Material",
            hint=CALLED,
            choices=sorted(m.name for m in library_in(asked.folder.path).materials),
            need=True,
            key=f"new-{path.stem}",
        ),
        field(asking, "supplier", "Supplier", key=f"supplier-{path.stem}"),
        field(asking, "pack_kg", "Pack", figure=True, unit="kg", key=f"pack-{path.stem}"),
        _fields(asking, empty, f"new-{path.stem}", ""),
        sure(asking, UNUSUAL, "new") if "lot_active" in asking.problems else None,
        button("Add it"),
        keep=f"{path.name} new",
    )
