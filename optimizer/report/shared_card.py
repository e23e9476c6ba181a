"""The card to share as a document, as a picture for a screen, and as a file that `import formula` takes back."""

from __future__ import annotations

import csv
from io import BytesIO, StringIO

from optimizer.bench.shared_card import Instead, SharedCard, SharedLine
from optimizer.report.card import CARD
from optimizer.report.cautions import alarm_listing
from optimizer.report.document import Column, Columns, Document, Listing, Row, Section, Strong, Table, figures
from optimizer.units import is_whole, listed, number

SCREEN = 1080
"""Width of the picture [px]: that of many telephones."""


def shared_document(card: SharedCard) -> Document:
    """Return the card: doses in % and grams, what each is for, steps with what one sees, what to use instead."""
    sections: list[Section] = [
        alarm_listing(card.card.alarms),
        _formula(card),
        *([_grams(card)] if card.sizes_g else []),
        Listing("Step by step", tuple(_steps(card))),
        *([_instead(card)] if card.instead else []),
        Listing("Remarks", card.remarks),
        Listing("Cautions", tuple(c.words for c in card.cautions if not c.loud), "caution"),
    ]
    return Document(card.title, "To make, in per cent as supplied.", _facts(card), sections, kind=CARD)


def _facts(card: SharedCard) -> list[tuple[str, str]]:
    setting = card.setting
    facts = []
    if setting.target is not None:
        window = ""
        if setting.low is not None and setting.high is not None:
            window = f", between {number(setting.low, 2)} and {number(setting.high, 2)}"
        facts.append(
            ("pH", f"{number(setting.target, 2)}{window}: read at room temperature, without foam on the probe")
        )
    if card.held_back:
        names = listed([m.name for m in card.card.later], "or")
        what = f"for {names}, added to effect; the rest is water" if names else "to make up with water"
        facts.append(("kept free", f"{number(card.held_back, 2)} % {what}"))
    return facts


def _formula(card: SharedCard) -> Table:
    fine = any(not is_whole(100 * line.percent) for line in card.lines)
    extra: list[tuple[Column, str]] = []
    if any(line.price == line.price for line in card.lines):
        extra.append((figures(f"{card.money} per kg", form=".2f")[0], "price"))
    extra += [(Column(w), w) for w in ("suppliers", "lots") if any(getattr(line, w) for line in card.lines)]

    def more(line: SharedLine) -> Row:
        found = (getattr(line, name) for _, name in extra)
        return tuple(", ".join(v) if isinstance(v, tuple) else v for v in found)

    rows: list[Row] = [(line.name, line.percent, line.there_for, *more(line)) for line in card.lines]
    blank = ("",) * len(extra)
    if card.held_back:
        rows.append(("kept free", card.held_back, "acid, thickener, water", *blank))
    rows.append(Strong(("total", card.card.total, "", *blank)))
    columns: Columns = (
        "material", *figures("%", form=f".{3 if fine else 2}f"), "what it is there for", *(c for c, _ in extra),
    )  # fmt: skip
    return Table("What goes in", columns, tuple(rows))


def _grams(card: SharedCard) -> Table:
    """Return grams for each batch, to a hundredth below 1 kg and to a tenth above."""
    columns: Columns = (
        "material",
        *(figures(_batch(g), form=".2f" if g < 1000 else ".1f")[0] for g in card.sizes_g),
    )
    grams = card.grams
    rows: list[Row] = [(line.name, *grams[line.id]) for line in card.lines]
    if card.held_back:
        rows.append(("kept free", *(card.held_back * g / 100 for g in card.sizes_g)))
    rows.append(Strong(("total", *(card.card.total * g / 100 for g in card.sizes_g))))
    note = "Where an amount is too small for your balance, make a larger batch."
    return Table("In grams", columns, tuple(rows), note)


def _batch(grams: float) -> str:
    return f"for {number(grams)} g" if grams < 1000 else f"for {number(grams / 1000)} kg"


def _steps(card: SharedCard) -> list[str]:
    names = {line.id: line.name for line in card.lines}
    method = []
    for k, step in enumerate(card.steps, 1):
        what = listed([names[n] for n in step.materials])
        see = f" You see: {' '.join(step.see)}" if step.see else ""
        method.append(f"{k}. {step.title}{f' ({what})' if what else ''}: {' '.join(step.do)}{see}")
    return method


def _instead(card: SharedCard) -> Listing:
    note = (
        "Worked out from planning figures at equal active matter, every rule of the brief kept; foam, feel, thickness "
        "and clarity are not worked out. Make a beaker of it first. No preservative is swapped by a card."
    )
    return Listing("What to use instead", (*map(_said, card.instead), note))


def _said(one: Instead) -> str:
    if not one.use:
        return f"Without {one.missing}: nothing known keeps the brief ({one.why_not})."
    also = listed([f"{name} to {number(dose, 2)} %" for name, dose in one.also])
    dose = f"{number(one.percent, 2)} % {one.use}{f', and {also}' if also else ''}; water the rest."
    handling = f" {one.use}: {one.handling}" if one.handling else ""
    return f"Without {one.missing}: {dose}{handling}"


def shared_csv(card: SharedCard) -> str:
    """Return the formula as a table that `import formula` takes back: by id, % w/w as supplied.

    Water is the rest, what is added to effect is named: held against a brief its doses are those of the card.
    """
    stream = StringIO()
    table = csv.writer(stream, lineterminator="\n")
    table.writerow(("material", "percent"))
    water = next((line.id for line in card.lines if line.material.function == "solvent"), "")
    table.writerows((x.id, "q.s. to 100" if x.id == water else f"{x.percent:.6g}") for x in card.lines)
    table.writerows((material.id, "to effect") for material in card.card.later)
    return stream.getvalue()


def screen_png(card: SharedCard) -> bytes:
    """Return the whole card as one picture as wide as a screen, page below page."""
    from PIL import Image

    from optimizer.report.formats.paper import page_count, png_of
    from optimizer.report.formats.pdf import document_pdf

    pdf = document_pdf(shared_document(card))
    pages = [Image.open(BytesIO(png_of(pdf, page))).convert("RGB") for page in range(page_count(pdf))]
    pages = [p.resize((SCREEN, round(p.height * SCREEN / p.width)), Image.Resampling.LANCZOS) for p in pages]
    whole = Image.new("RGB", (SCREEN, sum(p.height for p in pages)), "white")
    top = 0
    for p in pages:
        whole.paste(p, (0, top))
        top += p.height
    stream = BytesIO()
    whole.save(stream, format="PNG", optimize=True)
    return stream.getvalue()
