"""What rooms below say to whoever types commands, as it is said to whoever looks at pages: a command is a page here."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Protocol, TypeVar

from optimizer.desk.html import signed
from optimizer.errors import DataError, UsageError
from optimizer.immutable import replace
from optimizer.report.document import Cell, Curves, Document, Listing, Section, Sketch, Table
from optimizer.report.naming import ID
from optimizer.shell import WORD

COMMANDS = {
    "advice": "Advice", "batch": "Lay a batch", "blend": "the product's page", "card": "Card",
    "check": "Against the brief", "compare": "Side by side", "cost": "Cost", "explain": "", "frontier": "Pictures",
    "import": "", "import formula": "A formula of your own", "import prices": "A price list", "label": "Label",
    "leeway": "Pictures", "library": "Library", "library check": "What looks doubtful",
    "library evidence": "How well its figures are backed", "library find": "Library",
    "library law": "What the law says", "library list": "Library", "library show": "Library", "list": "Bench",
    "made": "As made", "open": "the desk", "pack-up": "Take everything along", "page": "", "ph": "pH",
    "range": "A whole range", "records": "Records", "records change": "", "records check": "Are the records sound?",
    "records due": "Bench",
    "records export": "Take the tables along", "records import": "", "records keep": "Keep",
    "records list": "Records", "records lots": "Records", "records master": "Master formula",
    "records note": "Records", "records result": "Note a reading of a test", "records sample": "Put a sample away",
    "records show": "Records", "records strike": "Strike it", "records tests": "Lay the tests of this batch",
    "records versions": "Master formulas", "records where": "Where did a lot go?",
    "restandardise": "Bring a formula to a new lot", "robust": "If lots differ", "rules": "What limits there are",
    "schema": "",
    "start": "New product", "stock": "Shelf", "substitute": "the page of that material", "thicken": "Thicken",
    "together": "From one shelf", "trials": "Trials", "trials fit": "What they tell",
    "trials next": "Choose two more beakers", "trials note": "Beakers", "trials plan": "Trials",
    "trials rate": "What to expect",
    "trials salt": "Salt curve", "trials sheet": "Sheet", "unpack": "Put it back", "variants": "Variants side by side",
    "weigh": "Weigh", "weighed": "Weigh", "why": "Why not another material?",
}  # fmt: skip
"""The page or button of the desk that does what a command does; empty where only the command line does it."""
COMMAND = re.compile(
    r"""'tenside ([^']+)'|\btenside ([a-z][a-z-]*(?: '[^']*'| "[^"]*"|(?!, then |[.;] |[.;)]?$|\)).)*)"""
)
INSTEAD = (
    (r"add --sure", "tick 'It is meant so'"), (r"; for the next batch name it under \[held_back\] .*", "."),
    (r"[Rr]un the command again", "send it again"),
    (r"Write a further portion (as|with) (?:[^;.]|\.\d)*[;.]( or strike what is wrong: tenside .*)?",
     "Sent again, it is a further portion; strike what is wrong."),
    (r"Or log a reading .*--added .*", "Or note a reading of what is in the vessel, with its pH, adding nothing."),
    (r" \(--lost\)", ""), (r"(, |: )see --json(?=\.|$)", ""), (r"(, digests|, not)? in --json(?=[. ]|$)", ""),
    (rf"tenside weighed (?:{WORD.pattern}) --finish-mass GRAMS --water-added (\S+)",
     r"note what it weighs as the mass and \1 g of water put back, under 'Finish'"),
    (r"([Rr])un 'tenside", r"\1ead 'tenside"),
    (r", or name the store with --store FILE", ""),
    (r"Name the store with --store FILE", "Put a sound copy in its place, or take the file out of the folder"),
    (r"\bat_(least|most)\b", r"at \1"),
    (r'([Ss])ay which(:| with) --as ".*?=[^"=]*"', r"\1ay which below"),
    (r'name its id: --as ".*?=[^"=]*"', "name it below"),
    (r"or say what they are with --as", "or say below what they are"),
    (r"write q\.s\. as its dose, or name it with --rest, such as --rest water", "name it here, such as water"),
    (r"; --assessor writes it as a table with figures and sources", ""), (r"--lot [^:]*: ", ""),
    (r" \(--bottle, --density\)", ", under 'Finish'"),
    (r"say yours with --with and --strength", "choose yours where a log begins"),
    (r"--bottles", "bottles"), (r"--bottle", "the bottle"), (r"--density", "the density"),
)  # fmt: skip
"""What is told to a page instead of what is told to a command line."""


def on_page(text: str) -> str:
    """Return what is said to a command line as it is said to a page."""
    for typed, ticked in INSTEAD:
        text = re.sub(typed, ticked, text)
    return COMMAND.sub(_named, text) if "tenside " in text else text


def _named(found: re.Match[str]) -> str:
    words = [word.rstrip(",:") for word in (found[1] or found[2]).split()]
    command = next((c for c in (" ".join(words[:2]), words[0]) if c in COMMANDS), "")
    if not command:
        return found[0]
    page = COMMANDS[command]
    if not page:
        return f"'{command}' on the command line"
    return page if page.startswith("the ") else f"'{page}'"


class Named(Protocol):
    """What has a name, such as a material or a rule."""

    @property
    def name(self) -> str:
        """What people call it."""


Materials = Mapping[str, Named]
NOBODY: Materials = MappingProxyType({})
"""Where no material is called by its id."""
WORD = re.compile(r"(?<![\w-])[a-z0-9]+(?:-[a-z0-9]+)*(?![\w-])")


def sentence(text: str) -> str:
    """Return a text with a large letter at its beginning; 'pH' stays as it is."""
    return text if text.startswith("pH") else text[:1].upper() + text[1:]


def named(text: str, materials: Materials, word: re.Pattern[str] = WORD) -> str:
    """Return what is said of a brief with its materials by name, not by the id that its file has."""

    def name(found: re.Match[str]) -> str:
        material = materials.get(found[0])
        return re.split(r",| \((?!and\))", material.name)[0] if material else found[0]

    return word.sub(name, signed(text))


def in_full(text: str, materials: Materials) -> str:
    """Return a text with its materials by their whole names, so that two grades of one can be told apart."""
    return WORD.sub(lambda found: materials[found[0]].name if found[0] in materials else found[0], text)


Part = TypeVar("Part", bound=Section | Document)


def document_on_page(part: Part, materials: Materials = NOBODY) -> Part:
    """Return a report as a page shows it: the commands that follow are buttons there, materials have their names."""

    def said(text: str) -> str:
        return named(on_page(text), materials, ID)

    def cell(found: Cell) -> Cell:
        if isinstance(found, tuple):
            return tuple(said(part) if isinstance(part, str) else part for part in found)
        if not isinstance(found, str):
            return found
        return materials[found].name if found in materials else said(found)

    if isinstance(part, Table):
        rows = tuple(type(r)(map(cell, r)) for r in part.rows)
        columns = tuple(replace(c, name=signed(c.name), unit=signed(c.unit)) for c in part.every)
        return replace(part, title=signed(part.title), columns=columns, rows=rows, note=said(part.note))
    if isinstance(part, Listing):
        return replace(part, items=tuple(map(said, part.items)))
    if isinstance(part, Sketch):
        drawing = part.drawing
        if isinstance(drawing, Curves):
            drawing = replace(drawing, x=signed(drawing.x), y=signed(drawing.y))
        return replace(part, title=signed(part.title), note=said(part.note), drawing=drawing)
    facts = tuple((name, said(told)) for name, told in part.facts if not (name == "next" and _command(told)))
    sections = tuple(document_on_page(s, materials) for s in part.sections if not _commands(s))
    return replace(part, verdict=said(part.verdict), facts=facts, sections=sections)


def _command(text: str) -> bool:
    return text.startswith("tenside ")


def _commands(part: object) -> bool:
    """Return whether a part of a report tells commands and nothing else."""
    return isinstance(part, Listing) and bool(part.items) and all(map(_command, part.items))


def faults(error: DataError, folder: Path) -> list[str]:
    """Return what is wrong with files, each by its name in the maker's folder."""
    return [on_page(str(problem)).replace(f"{folder}{os.sep}", "") for problem in error.problems]


def in_words(error: DataError | UsageError) -> str:
    """Return what an error says as one text for a page, where no command can be typed."""
    said = [f"{p.what} {p.step}" for p in error.problems] if isinstance(error, DataError) else [str(error)]
    return on_page(" ".join(map(sentence, said)).strip())
