"""A first brief from a maker's answers: what it is, how strong, how mild, what must not be in, pH, perfume, budget.

Every figure is a default to begin with, written into the file with where it comes from; the maker moves it afterwards.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

import tomlkit

from optimizer.data.library import Library
from optimizer.errors import DataError, Problem, nearest
from optimizer.immutable import immutable
from optimizer.units import file_stem, listed, number

COMMON = "common practice, no source"
PLANNING = "a place on the planning scale of 0 to 100, made up; nobody measured it"


BLEND_ALONE = "the blend's materials per kg, as answered; acid and thickener come on top"


@immutable
class Offer:
    """One answer that a question offers.

    Attributes:
        key: How it is sent and stored.
        words: How it reads.
        low: Lower end of the figures that it stands for.
        high: Upper end.
        source: Where they come from.
    """

    key: str
    words: str
    low: float = 0.0
    high: float = 0.0
    source: str = COMMON


PRODUCTS = tuple(Offer(w, w) for w in ("hand wash", "body wash", "face wash", "shampoo"))
STRENGTHS = {
    "hand wash": (Offer("light", "light", 6, 8), Offer("usual", "usual", 8, 12), Offer("strong", "strong", 12, 15)),
    "body wash": (Offer("light", "light", 9, 12), Offer("usual", "usual", 12, 15), Offer("strong", "strong", 15, 18)),
    "face wash": (Offer("light", "light", 3, 5), Offer("usual", "usual", 5, 8), Offer("strong", "strong", 8, 10)),
    "shampoo": (Offer("light", "light", 8, 10), Offer("usual", "usual", 10, 13), Offer("strong", "strong", 13, 16)),
}
"""Active matter by product [% of the product]."""
MILDNESS = (
    Offer("everyday", "for every day", 50, 100, PLANNING),
    Offer("gentle", "gentle", 60, 100, PLANNING),
    Offer("very gentle", "very gentle", 72, 100, PLANNING),
)
"""Least mildness rating, mean over the active matter."""
ACIDITY = (
    Offer("like skin", "slightly acid, like skin", 4.8, 5.5),
    Offer("mild", "mildly acid", 5.0, 6.2),
    Offer("near neutral", "near neutral", 5.8, 7.0),
)
"""Range of the product's pH."""
FREE = (
    Offer("sulfate", "sulfates"),
    Offer("ethoxylate", "ethoxylates (PEG, laureth)"),
    Offer("silicone", "silicones"),
    Offer("paraben", "parabens"),
    Offer("formaldehyde releaser", "formaldehyde releasers"),
    Offer("isothiazolinone", "isothiazolinones"),
    Offer("animal", "anything of animal origin"),
    Offer("oil", "oils and essential oils"),
)
"""What must not be in; only what a supplier declares free from it is then a candidate."""
SOLUBILISER = 3.0
"""Least solubiliser [g per g of perfume]; common practice, no source."""
PERFUME_PERCENT = 0.3
"""Perfume that is asked for if nobody says how much [%]; common practice, no source."""
MOST_PERFUME = 3.0
"""More than this is a slip of the hand [%]; common practice, no source."""
CHARGES = {"anionic": (15, 60), "amphoteric": (20, 100)}
"""Shares of the active matter [%]: foam on one hand, mildness on the other; common practice, no source."""
WASHES = ("surfactant", "humectant", "chelator", "preservative")
THICKENERS = ("sorbitan-sesquicaprylate", "peg-150-distearate")
PLAIN_THICKENERS = ("sorbitan-sesquicaprylate", "xanthan-gum-clear")
"""Without ethoxylates."""
SALT = "sodium-chloride"
PRESERVATIVES = ("phenoxyethanol-ethylhexylglycerin", "sodium-benzoate")


@immutable
class Wanted:
    """What a maker answered.

    Attributes:
        name: How the product is called.
        product: One of `PRODUCTS`.
        strength: One of `STRENGTHS` of the product.
        mildness: One of `MILDNESS`.
        acidity: One of `ACIDITY`.
        free: Any of `FREE`.
        without: Materials that must not be in, by id.
        perfume: Material that scents it; empty for none.
        perfume_percent: How much of it [% as supplied].
        budget: Most that the materials of the blend may cost per kg; None for no limit.
    """

    name: str
    product: str
    strength: str = "usual"
    mildness: str = "gentle"
    acidity: str = "mild"
    free: tuple[str, ...] = ()
    without: tuple[str, ...] = ()
    perfume: str = ""
    perfume_percent: float = PERFUME_PERCENT
    budget: float | None = None


def scents(library: Library) -> tuple[str, ...]:
    """Return the ids of what can scent a product: perfumes and essential oils."""
    return tuple(m.id for m in library.materials if m.lipid in ("perfume", "essential oil"))


def barred_perfume(wanted: Wanted, library: Library) -> str:
    """Return why what must not be in keeps the wanted perfume out, in words; empty if it does not."""
    perfume = library.by_id.get(wanted.perfume)
    if perfume is None:
        return ""
    if "oil" in wanted.free and perfume.lipid == "essential oil":
        return "it is an essential oil"
    animal = "animal" in wanted.free and perfume.vegan is not True
    declared = [offer.words for offer in FREE if offer.key in _declared(wanted) and offer.key not in perfume.free_from]
    missing = [*declared, *(offer.words for offer in FREE if offer.key == "animal" and animal)]
    return f"nobody declares it free from {listed(missing, 'or')}" if missing else ""


def first_brief(
    wanted: Wanted,
    library: Library,
    *,
    shelf: str = "shelf.csv",
    own: Iterable[str] = (),
    currency: str = "EUR",
    market: str = "EU",
) -> str:
    """Return the text of a brief that asks for what a maker answered.

    Args:
        wanted: The answers.
        library: What is known of materials.
        shelf: File beside the brief that says what is there and what it costs.
        own: Files of own materials beside the brief.
        currency: Of the shelf's prices.
        market: Whose legal ceilings apply.

    Raises:
        DataError: With every answer that cannot be used, by its field.
    """
    problems = list(_problems(wanted, library))
    if problems:
        raise DataError(problems)
    head = [
        "# Laid by answers to a few questions. Every figure is a place to begin: change it, and look what it costs.",
        f"name = {_text(wanted.name.strip())}",
        f"product = {_text(wanted.product)}",
        'use = "rinse-off"',
        _noted(f"market = {_text(market)}", "whose legal ceilings apply; check the text in force"),
        f"currency = {_text(currency)}",
        _noted(f"shelf = {_text(shelf)}", "what you have and what it costs"),
    ]
    if names := list(own):
        head.append(_noted(f"library = {_list(names)}", "your own materials"))
    return "\n".join([*head, "", *_tables(wanted, library), *_rules(wanted, library), ""])


def _problems(wanted: Wanted, library: Library) -> Iterator[Problem]:
    """Yield a problem for each answer that is none of those offered."""
    where = "your answers"
    if not file_stem(wanted.name):
        yield Problem(where, "name", "the product has no name.", "Give it one with a letter or a digit in it.")
    elif len(wanted.name) > 80:
        yield Problem(where, "name", "the name is longer than 80 letters.", "Choose a shorter one.")
    strengths = STRENGTHS.get(wanted.product, STRENGTHS["hand wash"])
    asked = (
        ("product", (wanted.product,), PRODUCTS),
        ("strength", (wanted.strength,), strengths),
        ("mildness", (wanted.mildness,), MILDNESS),
        ("acidity", (wanted.acidity,), ACIDITY),
        ("free", wanted.free, FREE),
    )
    for field, said, offers in asked:
        known = [offer.key for offer in offers]
        for word in said:
            if word not in known:
                yield Problem(where, field, f"'{word}' is not offered.", nearest(word, known))
    for word in wanted.without:
        if word not in library.by_id:
            what = f"there is no material '{word}'."
            yield Problem(where, "without", what, nearest(word, library.by_id))
    if wanted.perfume and wanted.perfume not in scents(library):
        yield Problem(where, "perfume", f"'{wanted.perfume}' is no perfume.", nearest(wanted.perfume, scents(library)))
    if wanted.perfume and not 0 < wanted.perfume_percent <= MOST_PERFUME:
        what = f"{number(wanted.perfume_percent)} % of perfume is not above 0 and at most {number(MOST_PERFUME)} %."
        yield Problem(where, "perfume_percent", what, f"{number(PERFUME_PERCENT)} % is a place to begin.")
    if wanted.budget is not None and not 0 < wanted.budget < float("inf"):
        yield Problem(where, "budget", "this is no price per kg.", "Write a figure above 0, or leave it empty.")


def _tables(wanted: Wanted, library: Library) -> Iterator[str]:
    functions = [*WASHES]
    if wanted.perfume:
        functions += [library.by_id[wanted.perfume].function, "solubiliser"]
    yield _noted("[pool]", "which materials may be used")
    yield f"functions = {_list(functions)}"
    declared = _declared(wanted)
    if declared:
        yield _noted(f"free_from = {_list(declared)}", "only materials declared free from these")
    if "animal" in wanted.free:
        yield _noted("vegan = true", "only materials declared so")
    if "oil" in wanted.free:
        yield "oil_free = true"
    if wanted.without:
        yield f"without = {_list(wanted.without)}"
    acidity = _chosen(wanted.acidity, ACIDITY)
    yield from ("", _noted("[ph]", "a target is picked that suits every material"))
    yield _noted(f"low = {acidity.low:g}", f"{acidity.words}; {acidity.source}")
    yield f"high = {acidity.high:g}"
    yield from ("tolerance = 0.2", "", _noted("[held_back]", "kept free for what is added to effect at the bench"))
    yield from ("percent = 3.0", 'acids = ["citric-acid"]')
    yield f"thickeners = {_list(_thickeners(wanted))}"
    yield from ("", "[objective]", 'minimise = "cost"', _noted('then = ["maximise mildness"]', "ties are broken so"))


def _thickeners(wanted: Wanted) -> tuple[str, ...]:
    """Return what may be named on the sheet for the last step: salt too, where sulfates may lead."""
    salt = () if "sulfate" in wanted.free else (SALT,)
    return (*salt, *(PLAIN_THICKENERS if "ethoxylate" in wanted.free else THICKENERS))


def _declared(wanted: Wanted) -> list[str]:
    """Return what a supplier must declare a material free from."""
    return [word for word in wanted.free if word not in ("animal", "oil")]


def _rules(wanted: Wanted, library: Library) -> Iterator[str]:
    """Yield the rules, each with where its figures come from."""
    strength = _chosen(wanted.strength, STRENGTHS[wanted.product])
    mildness = _chosen(wanted.mildness, MILDNESS)
    active = f"{strength.words} for a {wanted.product}; {strength.source}"
    yield from _rule("active", "active", at_least=strength.low, at_most=strength.high, note=active)
    yield from _rule("mildness", "rating", rating=_text("mildness"), at_least=mildness.low, note=f"{mildness.source}")
    for charge, (least, most) in CHARGES.items():
        group = f'{{ charges = ["{charge}"], called = "{charge}" }}'
        ends = {"at_least": float(least)} | ({"at_most": float(most)} if most < 100 else {})
        yield from _rule(f"{charge}-share", "share", of=group, note=f"of the active matter; {COMMON}", **ends)
    of = '{ functions = ["humectant"], called = "humectants" }'
    yield from _rule("humectant", "dose", of=of, at_least=2.0, at_most=4.0, note=COMMON)
    of = '{ functions = ["chelator"], called = "chelators" }'
    yield from _rule("chelator", "dose", of=of, at_least=0.1, at_most=0.2, note=COMMON)
    if wanted.perfume:
        note = "as answered" if wanted.perfume_percent != PERFUME_PERCENT else COMMON
        yield from _rule("perfume", "dose", of=_list([wanted.perfume]), exactly=wanted.perfume_percent, note=note)
        yield from _rule("solubiliser", "solubiliser", at_least=SOLUBILISER, note=f"g per g of perfume; {COMMON}")
        ids = sorted(m.id for m in library.materials if m.function == "solubiliser")
        of = f'{{ materials = {_list(ids)}, called = "solubilisers" }}'
        enough = round(2 * SOLUBILISER * wanted.perfume_percent, 6)
        yield from _rule("solubiliser-dose", "dose", of=of, at_most=enough, note=f"twice that at least; {COMMON}")
    yield from _preserved()
    yield from _rule("thickening", "thickening", note="the pH must suit one of the thickeners")
    if wanted.budget is not None:
        yield from _rule("budget", "cost", at_most=wanted.budget, note=BLEND_ALONE)


def _preserved() -> Iterator[str]:
    """Yield one preservative system, not a mixture of both, each with its least dose and its partner."""
    phenoxy, benzoate = PRESERVATIVES
    of = f'{{ materials = {_list(PRESERVATIVES)}, called = "the two preservative systems" }}'
    yield from _rule("preservative", "one-of", of=of, note=COMMON)
    yield from _rule("phenoxyethanol-dose", "if-used", of=_list([phenoxy]), at_least=0.9, note=COMMON)
    yield from _rule("benzoate-dose", "if-used", of=_list([benzoate]), at_least=0.5, note=COMMON)
    partner = {"of": _list([benzoate]), "other": '["potassium-sorbate"]'}
    yield from _rule("benzoate-partner", "needs", at_least=0.3, note=COMMON, **partner)


def _rule(name: str, kind: str, *, note: str = "", **fields: str | float) -> Iterator[str]:
    """Yield one rule, its note beside its first figure or, without one, its kind; texts are TOML already."""
    yield from ("", "[[rule]]", f"id = {_text(name)}")
    lines = {"kind": _text(kind)}
    lines |= {key: value if isinstance(value, str) else f"{value:.10g}" for key, value in fields.items()}
    figures = [key for key, value in fields.items() if isinstance(value, float | int)]
    for key, value in lines.items():
        beside = key == (figures[0] if figures else "kind")
        yield _noted(f"{key} = {value}", note if beside else "")


def _noted(line: str, note: str) -> str:
    """Return a line with what is said beside it."""
    return f"{line:<38} # {note}" if note else line


def _chosen(key: str, offers: Iterable[Offer]) -> Offer:
    return next(offer for offer in offers if offer.key == key)


def _text(text: str) -> str:
    return tomlkit.string(text).as_string()


def _list(words: Iterable[str]) -> str:
    return f"[{', '.join(map(_text, words))}]"


def brief_file(folder: Path, name: str) -> Path:
    """Return where the brief of a new product lies: its name as a file, in the folder."""
    return folder / f"{file_stem(name)}.toml"
