"""A product begun by answers: every combination loads, most can be met, what cannot says what clashes.

Figures are made up or those that the questions offer (common practice, no source, as the brief itself says).
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from math import isnan
from pathlib import Path
from random import Random

import pytest

import optimizer as tenside
from optimizer.answers.beginning import begin, library_in, shelf_in
from optimizer.answers.starter import lay, lay_what_is_missing
from optimizer.assessment.alarms import cautions_at
from optimizer.brief.beginning import (
    ACIDITY,
    FREE,
    MILDNESS,
    PRODUCTS,
    STRENGTHS,
    Wanted,
    brief_file,
    first_brief,
)
from optimizer.brief.brief import Brief, make_brief
from optimizer.brief.scenario import scenario_from
from optimizer.data.library import Library
from optimizer.data.shelf import Shelf, read_shelf
from optimizer.errors import DataError
from optimizer.files import shipped, toml_of
from tests.support.command import Run
from tests.support.draws import drawn

MEANT = [(), *((offer.key,) for offer in FREE), ("sulfate", "ethoxylate"), tuple(offer.key for offer in FREE)]


def every() -> Iterator[Wanted]:
    """Yield every combination of product, strength, mildness, pH, perfume, budget, and of what must not be in."""
    for product in PRODUCTS:
        for strength, mildness, acidity in itertools.product(STRENGTHS[product.key], MILDNESS, ACIDITY):
            for free, perfume, budget in itertools.product(MEANT, ("", "parfum"), (None, 3.0)):
                yield Wanted(
                    "A wash", product.key, strength.key, mildness.key, acidity.key, free, (), perfume, 0.3, budget
                )


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a first working folder."""
    path = tmp_path_factory.mktemp("bench")
    lay(path)
    return path


def asked(wanted: Wanted, library: Library, shelf: Shelf) -> Brief:
    """Return the brief that answers ask for."""
    return make_brief(scenario_from(toml_of(first_brief(wanted, library), "x"), "x"), library, shelf)


@pytest.mark.thorough
def test_every_combination_of_answers_is_a_brief(folder: Path) -> None:
    library, (_, shelf) = library_in(folder), shelf_in(folder)
    combinations = list(every())
    assert len(combinations) == 4 * 3 * 3 * 3 * len(MEANT) * 2 * 2
    for wanted in Random(4).sample(combinations, drawn(250, of=len(combinations))):
        brief = asked(wanted, library, shelf)
        assert {"active", "mildness", "preservative"} <= {rule.id for rule in brief.modelled}
        assert brief.scenario.product == wanted.product


@pytest.mark.thorough
@pytest.mark.parametrize("shelf_of", ["first folder", "demo"])
def test_most_answers_can_be_met_and_the_others_say_what_clashes(folder: Path, shelf_of: str) -> None:
    library = library_in(folder)
    shelf = shelf_in(folder)[1] if shelf_of == "first folder" else read_shelf(shipped("scenarios") / "shelf.csv")
    some = Random(14).sample(sorted(every(), key=str), drawn(24, of=400))
    met = 0
    for wanted in some:
        answer = tenside.blend(asked(wanted, library, shelf))
        if answer.exit_code == 0:
            met += 1
            alarms = cautions_at(answer.found.brief, answer.found.weighable, answer.found.setting)
            assert [c for c in alarms if c.loud] == [], wanted
            continue
        assert answer.exit_code == 4
        assert answer.record().conflict, wanted  # type: ignore[attr-defined]
    assert met >= 0.5 * len(some)


def test_the_answers_are_the_limits_of_the_brief(tmp_path: Path) -> None:
    wanted = Wanted(
        "Harbour shower", "body wash", "strong", "very gentle", "like skin", ("sulfate",), ("glycerin",), "parfum", 0.5,
        4.2,
    )  # fmt: skip
    lay(tmp_path)
    begun = begin(tmp_path, wanted)
    path, brief = begun.path, begun.brief
    assert path == tmp_path / "harbour-shower.toml"
    limits = {rule.id: rule.limits for rule in brief.modelled}
    assert limits["active"] == (15, 18)
    assert limits["mildness"][0] == 72
    assert limits["perfume"] == (0.5, 0.5)
    assert limits["budget"][1] == 4.2
    assert "the blend's materials per kg, as answered; acid and thickener come on top" in path.read_text("utf-8")
    assert brief.acidity is not None
    assert brief.acidity.limits == (4.8, 5.5)
    assert brief.scenario.pool.free_from == ("sulfate",)
    assert "glycerin" not in brief.pool.index
    assert tenside.read_brief(path).modelled == brief.modelled


def test_every_figure_of_the_brief_says_where_it_comes_from() -> None:
    text = first_brief(Wanted("A", "shampoo", perfume="parfum"), library_in(shipped("library")))
    for rule in text.split("[[rule]]")[1:]:
        assert "# " in rule, rule
        assert any(word in rule for word in ("no source", "made up", "as answered", "must suit")), rule


def test_an_empty_folder_gets_an_example_shelf_and_nothing_is_replaced(tmp_path: Path) -> None:
    (tmp_path / "costs.toml").write_text('currency = "EUR"\n', encoding="utf-8")
    path = begin(tmp_path, Wanted("Mine", "hand wash")).path
    assert (tmp_path / "shelf.csv").read_text(encoding="utf-8").startswith("material,")
    assert (tmp_path / "costs.toml").read_text(encoding="utf-8") == 'currency = "EUR"\n'
    assert tenside.blend(path).exit_code == 0
    with pytest.raises(DataError, match="is there already"):
        begin(tmp_path, Wanted("Mine", "shampoo"))


def test_an_example_shelf_beside_own_materials_names_no_others(tmp_path: Path) -> None:
    (tmp_path / "materials.toml").write_text('[sources]\nmine = "made up"\n', encoding="utf-8")
    laid = lay_what_is_missing(tmp_path)
    assert {path.name for path in laid} == {"shelf.csv", "costs.toml", "bench.toml"}
    assert "my-" not in (tmp_path / "shelf.csv").read_text(encoding="utf-8")
    assert tenside.blend(begin(tmp_path, Wanted("Mine", "hand wash")).path).exit_code == 0


def test_answers_that_are_none_are_told_by_field_all_at_once(tmp_path: Path) -> None:
    wrong = Wanted("!", "soap", "huge", "soft", "sour", ("sugar",), ("soap-nuts",), "glycerin", 0.3, -1.0)
    with pytest.raises(DataError) as told:
        first_brief(wrong, library_in(shipped("library")))
    fields = [problem.key for problem in told.value.problems]
    assert fields == ["name", "product", "strength", "mildness", "acidity", "free", "without", "perfume", "budget"]
    with pytest.raises(DataError, match="perfume is not above 0 and at most 3 %"):
        first_brief(Wanted("A", "shampoo", perfume="parfum", perfume_percent=30), library_in(shipped("library")))
    with pytest.raises(DataError, match="another file of the folder"):
        begin(tmp_path, Wanted("Bench", "shampoo"))


@pytest.mark.parametrize(("free", "named"), [((), True), (("ethoxylate",), True), (("sulfate",), False)])
def test_salt_is_named_for_the_bench_where_sulfates_may_lead_and_is_priced(
    tmp_path: Path, free: tuple[str, ...], named: bool
) -> None:
    """The sheet names what the plan thickens with; nothing that it counts is free."""
    lay(tmp_path)
    wanted = Wanted("A wash", "body wash", "strong", "everyday", "mild", free, (), "parfum", 0.3, None)
    brief = asked(wanted, library_in(tmp_path), shelf_in(tmp_path)[1])
    assert ("sodium-chloride" in [i.id for i in brief.pool.thickeners]) == named
    assert not [i.id for i in brief.pool.later if isnan(i.price)]


def test_an_answer_that_is_none_is_told_by_the_option_that_was_typed(tmp_path: Path, run: Run) -> None:
    told = run("start", str(tmp_path), "--product", "shampoo", "--ph", "5")
    assert told.code == 3
    assert "your answers, ph: '5' is not offered. Known: like skin" in told.err


def test_a_perfume_that_the_shelf_does_not_price_is_asked_for_before_a_brief_is_laid(tmp_path: Path) -> None:
    """The example shelf has no essential oil."""
    wanted = Wanted("A wash", "shampoo", perfume="essential-oil-lavender")
    with pytest.raises(DataError, match="the shelf does not price it") as refused:
        begin(tmp_path, wanted)
    assert "Write essential-oil-lavender with its price on shelf.csv first." in str(refused.value)
    assert not (tmp_path / "a-wash.toml").exists()


def test_letters_with_marks_stay_in_the_name_of_a_file(tmp_path: Path) -> None:
    assert brief_file(tmp_path, "Küste / Nord: 1") == tmp_path / "kuste-nord-1.toml"
    assert brief_file(tmp_path, "Großes Meer") == tmp_path / "grosses-meer.toml"
