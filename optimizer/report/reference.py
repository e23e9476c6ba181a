"""Rules and raw materials as documents."""

from collections.abc import Iterable, Iterator
from dataclasses import replace

from optimizer.brief.explained import BriefExplained
from optimizer.brief.listing import BriefLine, Briefs
from optimizer.data.cautions import cautions_from
from optimizer.data.doubts import Doubts
from optimizer.data.evidence import LEVELS, WORDS
from optimizer.data.facts import Ceiling, Confidence, Material, Substance
from optimizer.data.law import MONTHS
from optimizer.data.library import Library, doubts
from optimizer.immutable import result
from optimizer.report.document import Columns, Document, Listing, Table, figures, filled
from optimizer.report.law import WHERE, meant, most
from optimizer.rules.reference import RuleNote
from optimizer.units import listed, number

NAMED = 6
"""So many old texts of law are named; more are counted."""


@result
class Rules:
    """Kinds of rule: the output of `tenside rules --json`."""

    FORMAT = 2
    rules: tuple[RuleNote, ...]


@result
class Materials:
    """Raw materials: the output of `tenside library list | find --json`."""

    FORMAT = 2
    materials: tuple[Material, ...]


class MaterialShown(Material):
    """A raw material: the output of `tenside library show --json`."""

    format: int = 1
    """Number of the record's format; it rises when a key goes or changes its meaning."""


def rules_document(found: Rules) -> Document:
    """Return the reference of the rules."""
    sections: list[Table | Listing] = []
    for note in found.rules:
        rows = tuple((f.name, f.type, f.default, f.meaning) for f in note.fields)
        said = f"{note.summary} Equation: {note.equation} Unit: {note.unit or 'none'}."
        said += f" Reads: “{note.example}”." if note.example else ""
        sections.append(Table(note.kind, ("field", "type", "default", "meaning"), rows, note=said))
    return Document(
        "Kinds of rule",
        "Each [[rule]] has a kind and the fields below; total, ph and stock come from the brief's other tables.",
        sections=sections,
    )


def explained_document(found: BriefExplained) -> Document:
    """Return the tables of a brief."""
    sections = []
    for table in found.tables:
        title = f"[[{table.name}]]" if table.name == "rule" else f"[{table.name}]" if table.name else "Above all tables"
        rows = tuple((k.name, k.type, k.default, k.meaning, k.example) for k in table.keys)
        sections.append(
            Table(title, ("key", "what is written", "if left out", "meaning", "example"), rows, table.purpose)
        )
    verdict = "Every key may be left out but the name; keys that stand in brackets belong to the table of that name."
    return Document("The tables of a brief", verdict, sections=sections)


def columns_document(found: BriefExplained) -> Document:
    """Return the columns of a shelf."""
    (shelf,) = found.tables
    rows = tuple((k.name, k.type, k.meaning, k.example) for k in shelf.keys)
    table = Table("Columns", ("column", "what is written", "meaning", "example"), rows)
    return Document("The columns of a shelf", shelf.purpose, sections=(table,))


def briefs_document(found: Briefs) -> Document:
    """Return the briefs that there are."""

    def table(title: str, lines: Iterable[BriefLine]) -> Table:
        rows = tuple(
            (
                b.call,
                b.name,
                f"unusable: {b.trouble}" if b.trouble else f"{b.product}, {b.use}, {b.market}",
                b.aim,
            )
            for b in lines
        )
        return Table(title, ("write", "name", "what it is", "aim"), rows)

    tables = filled(table(f"Your own, in {found.folder}", found.own), table("Shipped", found.shipped))
    verdict = f"{len(found.own)} briefs of your own, {len(found.shipped)} shipped."
    following = Listing("Next", ("tenside blend BRIEF", "tenside start FOLDER lays a first brief of your own"))
    return Document("Briefs", verdict, (), (*tables, following))


def library_document(found: Materials) -> Document:
    """Return a list of materials."""
    rows = tuple(
        (m.id, m.function, m.charge or "", m.surfactant_matter or m.active_matter, window(m.ph_stable), m.look)
        for m in found.materials
    )
    table = Table("Raw materials", ("id", "function", "charge", *figures("active %", "pH", digits=1), "look"), rows)
    count = "1 raw material" if len(rows) == 1 else f"{len(rows)} raw materials"
    return Document("Library", f"{count}; typical figures, replace them by your lot's.", sections=(table,))


def doubts_document(found: Doubts) -> Document:
    """Return what looks doubtful in a library, each doubt once with all its materials."""
    doubtful = tuple(f"{', '.join(names)}: {doubt}" for doubt, names in found.by_doubt().items())
    old = tuple(_old_law(found, read) for read in sorted(set(found.old_law.values())))
    sections = (Listing("Doubtful figures", doubtful), Listing("Law that was read long ago", old))
    verdict = f"{found.materials} materials, {len(found.doubts)} with doubtful figures."
    return Document("Check of the library", verdict, (), sections, good=not found.doubts)


def _old_law(found: Doubts, read: str) -> str:
    """Return what was read on a day that is long past; many texts by their number alone."""
    names = [name for name, known in found.old_law.items() if known == read]
    which = ", ".join(names)
    if len(names) > NAMED:
        which = f"{len(names)} texts, which 'tenside library law' prints ('--json' here names each)"
    since = f"as it was on {read}" if read else "on no known day"
    return f"{which}: law read {since}, more than {MONTHS} months before {found.on}; read it again"


def material_document(material: Material, library: Library) -> Document:
    """Return everything known of a material, with who says so."""
    doubtful = tuple(doubts(material))
    cautions = tuple(replace(c, materials=()).words for c in cautions_from([material], library).values())
    sections = (
        _substances(material),
        *filled(_micelles(material), _ratings(material, library)),
        *_allergens(material),
        *filled(_ceilings(material, library)),
        _backing(material, library),
        Listing("Doubtful", doubtful),
        Listing("Cautions", cautions, "caution"),
    )
    facts = (*_always_known(material), *(fact for fact in _perhaps_known(material, library) if fact[1]))
    return Document(material.name, material.id, facts, sections)


def _always_known(material: Material) -> Iterator[tuple[str, str]]:
    """Yield facts of which also that they are not known is told."""
    supplied = " at ".join(w for w in (window(material.ph_supplied), material.ph_supplied_at) if w)
    yield "INCI", material.inci
    yield "function", listed([material.function, *material.also])
    yield "charge", material.charge or "none"
    yield "counts as active", f"{number(material.surfactant_matter, 2)} % surfactant active matter as supplied"
    yield "supplied pH", supplied or "unknown"
    yield "stable at pH", window(material.ph_stable) or "unknown"
    yield "stands while made, pH", window(material.ph_making) or "as supplied or stable"
    yield "clear at pH", window(material.ph_clear) or "as stable"
    yield "look", _look(material)
    yield "phase", material.phase
    yield "free from", listed(sorted(material.free_from)) or "nothing declared"
    yield "vegan", {True: "yes", False: "no", None: "not declared"}[material.vegan]


def _perhaps_known(material: Material, library: Library) -> Iterator[tuple[str, str]]:
    """Yield facts that are told only where they are known; else their words are empty."""
    stated = [material.alkalinity] if material.alkalinity else [s.alkalinity for s in material.substances]
    kinds: list[str] = list(dict.fromkeys(k for k in stated if k))
    yield "usual use, %", "" if material.use is None else " / ".join(map(number, material.use))
    yield "alkalinity", f"taken as {listed(kinds)}, an assumption" if kinds else ""
    yield "lipid", material.lipid or ""
    yield "melts", "" if material.melts is None else f"{window(material.melts)} °C"
    yield "warm to", "" if material.warm_to is None else f"{number(material.warm_to)} °C"
    yield "add below", "" if material.add_below is None else f"{number(material.add_below)} °C"
    yield "dissolves", "" if material.dissolves is None else f"{number(material.dissolves)} % alone in water of 25 °C"
    yield "charge of polymer", listed(_charges(material, library))
    yield "salts", "" if material.salt_known else "brings dissolved salts that are not known"
    yield "handling", material.handling
    yield "notes", material.notes
    if t := material.thickener:
        heat = f", heat to {number(t.heat_to)} °C" if t.heat_to else ""
        after = ", added after the pH is set" if t.after_ph else ""
        at = window(t.ph) or "as stable"
        yield "thickener", f"{t.type}, {number(t.use[0])} to {number(t.use[1])} %, pH {at}{heat}{after}"


def _ratings(material: Material, library: Library) -> Table:
    rows = tuple(
        (
            name.replace("_", " "),
            r.typical,
            f"{number(r.low, 0)} - {number(r.high, 0)}",
            f"{r.basis}{', by analogy' if r.by_analogy else ''}",
            library.rank_orders[r.basis].map,
        )
        for name, r in sorted(material.ratings.items())
    )
    note = "Ratings for planning, 0 to 100: nobody measured them. The order is published or declared, the map chosen."
    columns: Columns = ("rating", *figures("typical", "low - high", digits=0), "rank order", "map")
    return Table("Ratings", columns, rows, note)


def _ceilings(material: Material, library: Library) -> Table:
    held = {s.inci for s in material.substances}
    found = [c for c in library.ceilings if held.intersection(c.substances)]
    rows = tuple((listed(c.substances, "or"), most(c), meant(c), c.kind, c.place or _source(c, library)) for c in found)
    read = dict.fromkeys(_source(c, library) for c in found if c.place)
    note = " ".join(
        ["Only a law is a hard limit. Law changes: check the text in force.", *(f"Read in: {s}" for s in read)]
    )
    return Table("Ceilings", ("substance", "at most", "products", "kind", WHERE), rows, note)


def _source(ceiling: Ceiling, library: Library) -> str:
    return library.sources.get(ceiling.source, ceiling.source)


def _backing(material: Material, library: Library) -> Table:
    """Return who says so, best first: each source once, with all figures that it stands for."""
    parts = [(_figure(figure), *by) for figure, by in material.backing.items()]
    parts += [(f"{_figure(figure)} of {s.inci}", *by) for s in material.substances for figure, by in s.backing.items()]
    said: dict[tuple[Confidence, str], list[str]] = {}
    for figure, source, confidence in sorted(parts, key=lambda part: (LEVELS.index(part[2]), part[0])):
        said.setdefault((confidence, library.sources.get(source, source)), []).append(figure)
    rows = tuple((", ".join(names), confidence, source) for (confidence, source), names in said.items())
    return Table("Who says so", ("figure", "confidence", "source"), rows)


def _figure(key: str) -> str:
    """Return a key of backing in words."""
    return "everything else" if key == "default" else WORDS.get(key, key.replace("_", " "))


def _allergens(material: Material) -> list[Table | Listing]:
    title = "Fragrance allergens, % of the material"
    if material.allergens is None:
        return []
    if not material.allergens:
        return [Listing(title, ("None, by its sheet.",))]
    rows = tuple((name, *shares) for name, shares in material.allergens.items())
    return [Table(title, ("allergen", *figures("low", "typical", "high")), rows)]


def _substances(material: Material) -> Table:
    rows = tuple(
        (
            s.inci,
            s.cas,
            s.role,
            " - ".join(dict.fromkeys(number(x, 2) for x in (s.low, s.typical, s.high))),
            s.molar_mass or None,
            _natural(s),
        )
        for s in material.substances
    )
    return Table(
        "What is in it, % of the material",
        ("INCI", "CAS", "role", *figures("low - typical - high", "g/mol", "natural origin", digits=2)),
        rows,
    )


def _micelles(material: Material) -> Table:
    """Return the critical micelle concentration of every surfactant."""
    rows = []
    for s in material.substances:
        if s.surfactant and s.micelle is None:
            rows.append((s.inci, "unknown", "", "no figure: rules count it on the safe side"))
        elif s.micelle is not None:
            c = s.micelle.cmc
            span = " - ".join(f"{x:.2g}" for x in (c.millimolar.low, c.millimolar.typical, c.millimolar.high))
            rows.append((s.inci, span, c.backed, f"{s.micelle.family}: {c.source}"))
    note = (
        "Of the chain cut as sold, mixed ideally from its homologues; in water without salt near 25 °C. Carried salt "
        "lowers it. One significant digit is all a technical figure deserves."
    )
    columns = ("INCI", "mM, low - typical - high", "confidence", "source")
    return Table("Critical micelle concentration", columns, tuple(rows), note=note)


def _charges(material: Material, library: Library) -> list[str]:
    """Return how densely the polymers of a material are charged, with who says so."""
    known = {
        s.inci: library.charge_densities[s.inci] for s in material.substances if s.inci in library.charge_densities
    }
    return [
        f"{' to '.join(dict.fromkeys(map(number, d.mmol_per_g)))} mmol per g of {inci} ({d.confidence})"
        for inci, d in known.items()
    ]


def _natural(substance: Substance) -> str:
    low, high = substance.natural
    if (low, high) == (0.0, 1.0):
        return "unknown"
    return number(low, 2) if low == high else f"{number(low, 2)} - {number(high, 2)}"


def _look(material: Material) -> str:
    words = ["clear on its own" if material.look == "clear" else material.look, material.colour]
    if material.clear_up_to is not None:
        words.append(f"clear up to {number(material.clear_up_to)} %")
    return listed([w for w in words if w])


def window(ends: tuple[float, float] | None) -> str:
    """Return a pH range as text, empty if unknown."""
    return "" if ends is None else f"{number(ends[0], 1)} - {number(ends[1], 1)}"
