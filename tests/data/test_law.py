"""The law of the library against the Commission's own table, and what a plain reading of it gets wrong.

Source, unless a test names another: European Commission, CosIng database, export of Annexes II, III and V of Regulation
(EC) No 1223/2009, last update 17 June 2026 (`eu_annex_v.csv`, `eu_allergens.csv` beside this file). Materials, doses
and prices are made up.
"""

from __future__ import annotations

import csv
import re
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from optimizer.assessment.alarms import cautions_at
from optimizer.brief.brief import Brief, make_brief
from optimizer.brief.scenario import scenario_from
from optimizer.data.cautions import cautions_from
from optimizer.data.facts import Material, Stated
from optimizer.data.law import grown_old, law_of, laws_of
from optimizer.data.library import Library, read_library
from optimizer.data.pool import Ingredient
from optimizer.errors import DataError
from optimizer.files import shipped
from optimizer.labelling.allergens import allergens_of, sheet_wishes
from optimizer.labelling.substances import Dosed
from optimizer.rules.ceiling import in_basis
from optimizer.rules.row import Setting
from optimizer.solve.existing import formula_at
from optimizer.studies.check import check
from tests.support.command import Run

HERE = Path(__file__).parent
LIBRARY = read_library([shipped("library")])
LAWS = laws_of(LIBRARY)


def rows_of(name: str) -> list[dict[str, str]]:
    """Return the rows of a table beside this file."""
    lines = (HERE / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def bare(name: str) -> str:
    """Return a name as letters and digits alone."""
    return re.sub(r"[^a-z0-9]", "", name.casefold())


def held(inci: str, *share: float, **more: Any) -> dict[str, Any]:
    """Return a substance; one number stands for all three."""
    return {"inci": inci, "share": list(share) if len(share) == 3 else [share[0]] * 3, **more}


def material(name: str, *substances: dict[str, Any], **more: Any) -> Material:
    """Return a material of made-up facts."""
    backing = {"default": ("invented", "common practice")}
    plain = {"id": name, "name": name, "function": "preservative", "phase": "water", "backing": backing, **more}
    return Material.model_validate({**plain, "substances": list(substances)})


def shared(inci: str) -> Material:
    """Return a material of one substance with the facts that the library shares by INCI name."""
    text = f"""
[[material]]
id = "own"
name = "own"
function = "preservative"
phase = "preservation"
substances = [{{ inci = "{inci}", share = [100, 100, 100] }}]
backing = {{ default = ["common", "common practice"] }}
"""
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "own.toml"
        path.write_text(text, encoding="utf-8")
        return read_library([shipped("library"), path]).by_id["own"]


def brief_of(*materials: Material, product: str = "shampoo", use: str = "rinse-off") -> Brief:
    """Return a brief of materials and water, which the shipped library's law holds for."""
    everything = tuple(sorted((*materials, LIBRARY.by_id["aqua"]), key=lambda m: m.id))
    library = LIBRARY.model_copy(update={"materials": everything})
    table = {
        "name": "wash", "product": product, "use": use, "pool": {"unpriced": True}, "unpreserved": "made up",
    }  # fmt: skip
    return make_brief(scenario_from(table, "made up"), library, None)


def broken(dose: float, *materials: Material, product: str = "shampoo", use: str = "rinse-off") -> set[str]:
    """Return the ceilings that each material at a dose in water breaks together."""
    brief = brief_of(*materials, product=product, use=use)
    found = check(brief, {**{m.id: dose for m in materials}, "aqua": 100 - dose * len(materials)}, 0.0)
    return {name.removeprefix("level-") for name in found.broken if name.startswith("level-")}


# --- Every figure ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("name", "stated"), LAWS, ids=[name for name, _ in LAWS])
def test_every_figure_of_law_has_entry_act_day_and_source(name: str, stated: Stated) -> None:
    assert re.match(r"Annex (II|III|V)(/\d+[a-c]?|, preamble)?$", stated.entry)
    assert re.match(r"\((EC|EU)\) (\d{3,4}/20\d\d|20\d\d/\d+)$", stated.act)
    assert date(2014, 1, 1) < date.fromisoformat(stated.as_of)
    assert LIBRARY.sources[stated.source].startswith("Regulation (")
    assert stated.jurisdiction == "EU"
    assert stated.place == f"EU {stated.entry}, {stated.act}, as read {stated.as_of}"


def test_law_figures_are_counted() -> None:
    assert len(LAWS) >= 130
    assert len({name for name, _ in LAWS}) == len(LAWS)
    assert sum(stated.as_of == "2026-06-17" for _, stated in LAWS) >= len(LAWS) - 1


APART = {
    "9": "sulfites count as sulfur dioxide: a condition",
    "59": "counts as silver: not held",
    "61": "in deodorant and make-up only: not held",
}
READ_OTHERWISE = {"25": 0.0, "51": 0.42, "12a": 0.14}
"""Shampoo: triclosan in soaps and shower gel only (V/25); hydroxymethylglycinate releases 0.1 % of formaldehyde at less
(II/1669); butyl and propyl paraben together."""
HAIR = {"cetrimoniumchloride": 2.5, "steartrimoniumchloride": 2.5, "behentrimoniumchloride": 5.0}
"""In rinse-off hair products by Annex III/286 and III/287."""
NAMED = {"35": "Piroctone Olamine", "39": "Methylchloroisothiazolinone", "58": "Ethyl Lauroyl Arginate HCl"}


@pytest.mark.parametrize("row", rows_of("eu_annex_v.csv"), ids=lambda row: f"entry {row['entry']}")
def test_every_preservative_of_the_table_has_its_ceiling(row: dict[str, str]) -> None:
    entry, names = row["entry"], re.split(r" ?/ ?|; |, (?=[A-Zo])", row["names"])
    if entry in APART:
        assert not any(c.entry == f"Annex V/{entry}" for c in LIBRARY.ceilings)
        return
    names = [NAMED[entry]] if entry in NAMED else [n for n in names if n not in ("HEPB",)]
    figure = row["rinse_off_percent"].split(" ")[0]
    most = READ_OTHERWISE.get(entry, float(figure) if figure else None)
    here = [c for c in LIBRARY.ceilings if c.entry == f"Annex V/{entry}"]
    assert here
    assert {c.act for c in here} == {row["act"]}
    known = {bare(n) for c in here for n in c.substances}
    for name in names:
        plain = bare(re.sub(r"\(\d\)", "", name)).replace("propoylparaben", "propylparaben")
        assert plain in known, name
        if most is None:
            continue
        held_here = [c for c in LIBRARY.ceilings if c.applies("rinse-off", "shampoo") and c.kind == "law"]
        mine = [c.percent for c in held_here if plain in {bare(n) for n in c.substances}]
        assert min(mine) == HAIR.get(plain, most), name


@pytest.mark.parametrize("row", rows_of("eu_allergens.csv"), ids=lambda row: f"entry {row['entry']}")
def test_every_allergen_of_the_table_is_named(row: dict[str, str]) -> None:
    found = {
        entry: (name, act, list_) for list_ in LIBRARY.allergen_lists for name, (entry, act) in list_.entries.items()
    }
    place = f"Annex III/{row['entry']}"
    if row["entry"] == "46":  # 6-methylcoumarin stands in oral products only
        assert place not in found
        return
    name, act, list_ = found[place]
    assert act == row["act"]
    assert (list_.rinse_off_above, list_.leave_on_above) == (
        float(row["rinse_off_above"]),
        float(row["leave_on_above"]),
    )
    if row["one_name"]:
        assert bare(name) == bare(row["one_name"])
        single = {bare(n) for n in re.split(r"; |/(?=[ct]|trans)|, (?=N)", re.sub(r"\([^)]*\)", "", row["names"]))}
        together = {bare(n) for n in (name, *list_.covers.get(name, ()))}
        assert {n for n in single if n} <= together


# --- What a plain reading gets wrong -----------------------------------------------------------------------


def test_sodium_and_potassium_benzoate_have_ceilings_of_their_own() -> None:
    """V/1 allows 2.5 % as acid, V/1a only 0.5 %: 0.5 x 160.21 / 122.12 = 0.656 % of the potassium salt."""
    potassium = shared("Potassium Benzoate")
    assert broken(0.65, potassium) == set()
    assert broken(0.66, potassium) == {"eu-annex-v-1a-benzoates"}
    assert broken(2.9, shared("Sodium Benzoate")) == set()
    assert broken(2.96, shared("Sodium Benzoate")) == {"eu-annex-v-1-benzoic"}


def test_law_is_found_however_a_name_is_written(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text(
        '[[material]]\nid = "own"\nname = "own"\nfunction = "perfume"\nphase = "preservation"\n'
        'substances = [{ inci = "POTASSIUM BENZOATE", share = [100, 100, 100] }]\n'
        'allergens = { "methyl salicylate" = [1, 1, 1] }\n'
        'backing = { default = ["common", "common practice"] }\n',
        encoding="utf-8",
    )
    own = read_library([shipped("library"), path]).by_id["own"]
    assert own.inci == "Potassium Benzoate"
    assert own.substances[0].as_acid == pytest.approx(122.12 / 160.21)
    assert broken(1.0, own) == {"eu-annex-v-1a-benzoates"}
    assert "eu-annex-iii-324-methyl-salicylate" in broken(7.0, own)


def test_esters_and_salts_of_unknown_mass_count_whole() -> None:
    """Nobody says how much acid MEA-benzoate is: on the safe side all of it counts."""
    unknown = material("own", held("MEA-Benzoate", 100))
    law = next(c for c in LIBRARY.ceilings if c.id == "eu-annex-v-1a-benzoates")
    assert in_basis(law, Ingredient(unknown, 0.0)) == 1.0


def test_butyl_and_propyl_paraben_share_a_ceiling() -> None:
    """V/12a, 0.14 % as acid: 0.14 x 180.2 / 138.12 = 0.1827 % propyl ester alone; half of each together."""
    propyl, butyl = shared("Propylparaben"), shared("Butylparaben").model_copy(update={"id": "butyl"})
    assert broken(0.18, propyl) == set()
    assert broken(0.19, propyl) == {"eu-annex-v-12a-butyl-propyl-paraben"}
    assert broken(0.09, propyl, butyl) == set()  # 0.069 + 0.064
    assert broken(0.10, propyl, butyl) == {"eu-annex-v-12a-butyl-propyl-paraben"}  # 0.0766 + 0.0711 = 0.1478


def told(*materials: Material) -> dict[str, str]:
    """Return the cautions of materials in words by key."""
    return {key: caution.words for key, caution in cautions_from(materials, LIBRARY).items()}


def test_only_the_salts_of_salicylic_acid_have_the_exception_for_shampoo() -> None:
    acid, salt = told(LIBRARY.by_id["salicylic-acid"]), told(shared("Sodium Salicylate"))
    assert "not for children under 3, shampoo included" in acid["salicylic"]
    assert "EU Annex V/3, (EU) 2019/1966, as read 2026-06-17 and EU Annex III/98, (EU) 2021/850" in acid["salicylic"]
    assert "salicylate" not in acid
    assert "not for children under 3, except in shampoo" in salt["salicylate"]
    assert "salicylic" not in salt


def scent(**content: float) -> Material:
    """Return a perfume that declares allergens [%]."""
    allergens = {name.replace("_", " "): (share, share, share) for name, share in content.items()}
    return material("scent", held("Parfum", 100), function="perfume", lipid="perfume", allergens=allergens)


ROSE = "eu-annex-iii-157-rose-ketones"


@pytest.mark.parametrize(
    ("perfume", "product", "use", "expected"),
    [
        # 0.5 % of a perfume: III/324 caps methyl salicylate at 0.06 %, in hand wash at 0.6 %
        (scent(Methyl_Salicylate=11.9), "shampoo", "rinse-off", set()),
        (scent(Methyl_Salicylate=12.1), "shampoo", "rinse-off", {"eu-annex-iii-324-methyl-salicylate"}),
        (scent(Methyl_Salicylate=12.1), "hand wash", "rinse-off", set()),
        (scent(Methyl_Salicylate=12.1), "", "leave-on", {"eu-annex-iii-324-methyl-salicylate-leave-on"}),
        # III/73 and III/157: 0.02 % in any product; rose ketones all together
        (scent(Isoeugenol=4.1), "body wash", "rinse-off", {"eu-annex-iii-73-isoeugenol"}),
        (scent(Isoeugenol=3.9), "body wash", "rinse-off", set()),
        (scent(**{"Alpha-Damascone": 2.1, "Delta-Damascone": 2.1}), "shampoo", "rinse-off", {ROSE}),
        (scent(**{"Alpha-Damascone": 2.1, "Delta-Damascone": 1.8}), "shampoo", "rinse-off", set()),
        # III/75: 0.5 %, in shower gel and bath products 1.3 %
        (scent(Benzyl_Salicylate=100), "", "rinse-off", set()),
        # II/1666: prohibited
        (scent(Butylphenyl_Methylpropional=0.1), "", "rinse-off", {"eu-annex-ii-1666-butylphenyl-methylpropional"}),
    ],
)  # fmt: skip
def test_caps_on_perfume_substances(perfume: Material, product: str, use: str, expected: set[str]) -> None:
    assert broken(0.5, perfume, product=product, use=use) == expected


@pytest.mark.parametrize(("product", "most"), [("shampoo", 0.5), ("gentle wash", 0.5), ("shower gel", 1.3)])
def test_benzyl_salicylate_by_product(product: str, most: float) -> None:
    pure = scent(Benzyl_Salicylate=100)
    assert broken(most - 0.001, pure, product=product) == set()
    assert len(broken(most + 0.001, pure, product=product)) == 1


@pytest.mark.parametrize(
    ("inci", "product", "most"),
    [
        ("Climbazole", "shampoo", 0.5),  # V/32
        ("Climbazole", "anti-dandruff shampoo", 2.0),  # III/310
        ("Selenium Sulfide", "anti-dandruff shampoo", 1.0),  # III/49
        ("Selenium Sulfide", "shampoo", 0.0),
        ("Sodium Hydroxymethylglycinate", "shampoo", 0.42),  # II/1669: 0.1 % of formaldehyde is 0.423 % of it
        ("Sodium Pyrithione", "shampoo", 0.0),  # II/369
        ("Diethanolamine", "shampoo", 0.0),  # II/411
        ("Iodopropynyl Butylcarbamate", "shampoo", 0.02),  # V/56
        ("Benzalkonium Chloride", "shampoo", 0.1),  # V/54; III/65 for other purposes is not counted
        ("Behentrimonium Chloride", "shampoo", 5.0),  # III/287
        ("BHT", "shampoo", 0.8),  # III/325
        ("o-Cymen-5-ol", "shampoo", 0.1),  # V/38
        ("Climbazole", "body wash", 0.0),  # V/32 names shampoo alone of what is rinsed off
        ("Zinc Pyrithione", "shampoo", 0.0),  # II/1670
        ("Piroctone Olamine", "shampoo", 1.0),  # V/35
        ("Laureth-9", "shampoo", 4.0),  # III/257
        ("Cetrimonium Chloride", "conditioner", 2.5),  # III/286
        ("Cetrimonium Chloride", "body wash", 0.1),  # V/44
        ("Phenoxyisopropanol", "shampoo", 1.0),  # V/43
        ("Triclosan", "shower gel", 0.3),  # V/25
        ("Triclosan", "shampoo", 0.0),
    ],
)
def test_own_materials_meet_the_law_by_their_inci_name(inci: str, product: str, most: float) -> None:
    own = material("own", held(inci, 100))
    assert broken(most + 0.01, own, product=product)
    if most:
        assert broken(most - 0.01, own, product=product) == set()


@pytest.mark.parametrize(
    ("inci", "product", "most"),
    [
        ("Citral", "shampoo", 1.2),  # III/70
        ("Hexyl Salicylate", "shampoo", 0.5),  # III/380; 0.1 % for children under 3 is a caution
        ("Hydroxycitronellal", "shampoo", 1.0),  # III/72
        ("Myroxylon Balsamum Pereirae Balsam Oil", "shampoo", 0.4),  # III/154
        ("Methyl N-Methylanthranilate", "shampoo", 0.2),  # III/323
        ("Methyl Salicylate", "hand wash", 0.6),  # III/324
    ],
)
def test_caps_on_declared_perfume_substances(inci: str, product: str, most: float) -> None:
    pure = scent(**{inci: 100})
    assert broken(most + 0.01, pure, product=product)
    assert broken(most - 0.01, pure, product=product) == set()


@pytest.mark.parametrize(
    ("inci", "key", "words"),
    [
        ("Cocamide DEA", "nitrosamine-amide", "secondary amine in the product and 5 % in the raw"),  # III/60
        ("Lauramide DEA", "nitrosamine-amide", "nothing nitrosating beside it, kept free of nitrite"),
        ("Piroctone Olamine", "nitrosamine-mono", "at least 99 % pure"),  # III/61
        ("Zinc Chloride", "zinc", "1 % together, counted as zinc"),  # III/24
        ("Iodopropynyl Butylcarbamate", "under-three", "Not for children under 3"),  # V/56
        ("Hexyl Salicylate", "under-three", "Not for children under 3"),  # III/380
        ("Methyl Salicylate", "under-six", "Not for children under 6"),  # III/324
        ("Salicylic Acid", "salicylic", "shampoo included"),  # V/3
        ("Sodium Salicylate", "salicylate", "except in shampoo"),  # V/3
        ("Imidazolidinyl Urea", "formaldehyde", "releases formaldehyde"),  # (EU) 2022/1181
        ("Sodium Sulfite", "sulfite", "counted as sulfur dioxide"),  # V/9
        ("Retinol", "vitamin-a", "0.3 % counted as retinol"),
        ("Pinus Mugo Leaf Oil", "peroxide-10", "below 10 mmol/l"),  # III/109
    ],
)
def test_what_a_plain_reading_misses_is_said(inci: str, key: str, words: str) -> None:
    assert words in told(material("own", held(inci, 1), held("Aqua", 99, role="water")))[key]


def test_no_limit_is_made_up_for_the_amide_of_betaine() -> None:
    """Annexes II, III and V hold no numeric limit on the free amine of cocamidopropyl betaine."""
    betaine = LIBRARY.by_id["cocamidopropyl-betaine"]
    held_names = {s.inci for s in betaine.substances if s.role == "active"}
    assert not [c for c in LIBRARY.ceilings if c.kind == "law" and held_names & set(c.substances)]


def test_phenoxyisopropanol_is_barred_from_what_stays_on() -> None:
    own = material("own", held("Phenoxyisopropanol", 100))
    assert broken(0.5, own, use="leave-on") == {"eu-annex-v-43-phenoxyisopropanol-leave-on"}


# --- Names of groups ---------------------------------------------------------------------------------------


def test_names_of_a_group_are_added_up_under_one_name() -> None:
    """III/70: geranial and neral are printed as Citral; 0.5 % x (1.2 + 1.0) % = 0.011 %, each alone stays below."""
    perfume = scent(Geranial=1.2, Neral=1.0)
    found = {a.name: a for a in allergens_of([Dosed(perfume, 0.5)], LIBRARY.allergen_lists, "rinse-off")}
    assert set(found) == {"Citral"}
    assert found["Citral"].typical == pytest.approx(0.011)
    assert found["Citral"].verdict == "certain"
    assert found["Citral"].printed
    assert not [w for w in sheet_wishes([Dosed(perfume, 0.5)], LIBRARY.allergen_lists) if "on no list" in w]


def test_an_oil_of_a_group_counts_under_its_name() -> None:
    oil = material("oil", held("Citrus Sinensis Peel Oil", 100), function="essential oil", allergens={})
    found = allergens_of([Dosed(oil, 0.1)], LIBRARY.allergen_lists, "rinse-off")
    assert [(a.name, a.listed_as) for a in found] == [("Citrus Aurantium Peel Oil", "Citrus Sinensis Peel Oil")]


# --- Conditions --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("law", [c for c in LIBRARY.conditions if c.substances], ids=lambda c: f"{c.caution} {c.entry}")
def test_each_condition_is_said_of_what_holds_its_substance(law: Any) -> None:
    for inci in law.substances:
        own = material("own", held(inci, 60), held("Aqua", 40, role="water"))
        assert law.place in told(own)[law.caution]
        assert told(own)[law.caution].startswith(LIBRARY.cautions[law.caution])
        if law.declared:
            assert law.caution in told(scent(**{inci: 1.0}))
    assert law.caution not in told(LIBRARY.by_id["glycerin"])


@pytest.mark.parametrize(
    ("name", "key", "words"),
    [
        ("dmdm-hydantoin", "formaldehyde", "above 0.001 % released in total the label must say"),  # (EU) 2022/1181
        ("triethanolamine", "nitrosamine-tri", "at most 0.5 % secondary amine and 50 micrograms"),  # III/62
        ("cocamide-mea", "nitrosamine-open", "is open; keep its clauses all the same"),  # III/61
        ("polyquaternium-7", "acrylamide", "at most 0.5 mg/kg in what is rinsed off"),  # III/66
        ("hydrolyzed-wheat-protein", "wheat", "at most 3.5 kDa"),  # III/307
        ("sodium-hydroxide-20", "hydroxide", "a pH of 11 at most"),  # III/15a
        ("styrene-acrylates-copolymer", "nano", "Prohibited as nano material"),  # II/1725
        ("sodium-laureth-sulfate-2eo-28", "dioxane", "prohibited as an ingredient"),  # II/343
        ("parfum", "peroxide-20", "below 20 mmol/l"),  # III/88, limonene
        ("sodium-dehydroacetate", "sprays", "Not in aerosol sprays"),  # V/13
    ],
)
def test_the_cautions_of_shipped_materials(name: str, key: str, words: str) -> None:
    assert words in told(LIBRARY.by_id[name])[key]


def test_a_bromo_preservative_beside_an_amine_is_warned_of() -> None:
    """V/20, V/21 and III/62: the formation of nitrosamines must be avoided."""
    bronopol = material("bronopol", held("2-Bromo-2-Nitropropane-1,3-Diol", 100))
    brief = brief_of(bronopol, LIBRARY.by_id["triethanolamine"])
    pair = next(r for r in brief.watched if r.id == "exclusion-nitrosating-against-amines")
    both = formula_at(brief.pool, {"bronopol": 0.05, "triethanolamine": 1.0, "aqua": 98.95})
    assert pair.breaks(both, Setting())
    assert not pair.breaks(formula_at(brief.pool, {"bronopol": 0.05, "aqua": 99.95}), Setting())


def test_conditions_reach_an_answer() -> None:
    brief = brief_of(LIBRARY.by_id["dmdm-hydantoin"])
    formula = formula_at(brief.pool, {"dmdm-hydantoin": 0.4, "aqua": 99.6})
    laws = [c.law for c in cautions_at(brief, formula, Setting())]
    assert "EU Annex V, preamble, (EU) 2022/1181, as read 2026-06-17" in laws


def test_a_condition_without_a_caution_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text(
        '[[condition]]\ncaution = "sprai"\nsubstances = ["X"]\nsource = "common"\nconfidence = "common practice"\n'
    )
    with pytest.raises(DataError, match=r"there is no caution 'sprai'.*sprays"):
        read_library([shipped("library"), path])


# --- Its day -----------------------------------------------------------------------------------------------


def test_old_figures_are_told_after_twelve_months() -> None:
    assert [name for name, _ in grown_old(LIBRARY, date(2027, 6, 17))] == ["eu-annex-v-39-against-57"]
    assert len(grown_old(LIBRARY, date(2027, 6, 18))) == len(LAWS)
    assert grown_old(LIBRARY, date(2028, 2, 29))  # a day that the year before lacks


def test_the_check_tells_old_law(run: Run) -> None:
    fresh, old = run("library", "check", "--on", "2026-12-01"), run("library", "check", "--on", "2027-12-01", "--json")
    assert fresh.code == old.code == 0
    assert "eu-annex-v-39-against-57: law read as it was on 2014-09-18" in " ".join(fresh.out.split())
    assert old.json["old_law"]["eu-annex-v-29-phenoxyethanol"] == "2026-06-17"
    assert run("library", "check", "--on", "2026-13-01").code == 2


def test_library_law_tells_what_holds_for_what_is_rinsed_off(run: Run) -> None:
    found = run("library", "law", "--json")
    assert found.code == 0
    by_id = {c["id"]: c for c in found.json["ceilings"]}
    one = by_id["eu-annex-v-1a-benzoates"]
    assert (one["percent"], one["basis"], one["entry"], one["act"], one["as_of"]) == (
        0.5, "as acid", "Annex V/1a", "(EC) 1223/2009", "2026-06-17",
    )  # fmt: skip
    assert "eu-annex-v-1-benzoic-leave-on" not in by_id
    assert len(found.json["allergens"]) == 80
    assert "not the legal text" in run("library", "law").out
    assert "0.001 %" in run("library", "law", "--use", "leave-on", "--markdown").out
    assert run("library", "law", "--use", "leaveon").code == 2


def test_law_is_told_in_the_order_of_the_annexes() -> None:
    places = [c.entry for c in law_of(LIBRARY, "rinse-off").ceilings if c.entry.startswith("Annex V/")]
    assert (
        places.index("Annex V/1a") < places.index("Annex V/2") < places.index("Annex V/12") < places.index("Annex V/57")
    )


def test_a_library_without_law_has_none() -> None:
    empty = Library(materials=())
    assert law_of(empty, "rinse-off").ceilings == ()
    assert grown_old(empty, date(2030, 1, 1)) == ()
