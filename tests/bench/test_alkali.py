"""A batch below its target pH: the alkali that the brief keeps ready is planned, said and logged, never acid."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer.bench.acid import adjuster
from optimizer.bench.batch import read_batch
from optimizer.bench.steps import parts_of
from optimizer.data.library import chosen_library
from tests.support.command import Ran, Run
from tests.support.desk import desk_of

SOFT = """name = "Soft wash"
market = "EU"
[pool]
unpriced = true
materials = ["cocamidopropyl-betaine", "sodium-cocoyl-isethionate", "glycerin", "aqua"]
[ph]
low = 6.3
high = 7.0
[held_back]
percent = 4
acids = {acids}
[fixed]
cocamidopropyl-betaine = 10
sodium-cocoyl-isethionate = 5
[objective]
minimise = "active"
"""
"""A made-up wash of two surfactants that are slightly acid as supplied, with a target near neutral."""
NONE_NAMED = "the brief names no alkali: name yours under 'acids' of [held_back], which holds alkalis too"
BLINDS = "Alkali: it burns skin and can blind"


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def laid(run: Run, acids: list[str], name: str = "b") -> Path:
    """Lay a batch of the soft wash with these ids kept ready."""
    Path(f"{name}-brief.toml").write_text(SOFT.format(acids=str(acids).replace("'", '"')), encoding="utf-8")
    path = Path(f"{name}.toml")
    assert run("batch", f"{name}-brief.toml", "--size", "1kg", "--out", path).code == 0
    return path


def words(ran: Ran) -> str:
    assert ran.code == 0, ran.err
    return " ".join(ran.out.split())


@pytest.mark.parametrize(
    ("ready", "chemical", "percent"),
    [
        ("sodium-hydroxide-20", "sodium hydroxide", 20.0),  # its share in the library, as sold
        ("triethanolamine", "triethanolamine", 99.0),
    ],
)
def test_the_alkali_that_is_kept_ready_is_planned_and_begins_the_log(
    folder: Path, run: Run, ready: str, chemical: str, percent: float
) -> None:
    path = laid(run, ["citric-acid", ready])
    told = run("ph", path, "--json").json
    assert (told["solution"]["chemical"], told["solution"]["strength_percent"]) == (chemical, percent)
    assert "the brief keeps room for it" in told["assumed"]
    assert BLINDS in told["dose"]["caution"]
    assert words(run("ph", path, "--read", 5.4, "--of", "batch")).count("Add ") == 1
    (log,) = read_batch(path).adjustment
    assert (log.chemical, log.strength_percent) == (chemical, percent)
    assert run("made", path, "--json").code in (0, 4)


def test_where_no_alkali_is_kept_ready_that_is_said_with_how_to_add_one(folder: Path, run: Run) -> None:
    path = laid(run, ["citric-acid"])
    said = words(run("ph", path))
    assert NONE_NAMED in said
    assert BLINDS in said
    sheet = words(run("weigh", path))
    assert "below the target, and the brief keeps no alkali ready: have one at hand" in sheet
    assert BLINDS in sheet
    assert "keeps no alkali ready" not in words(run("weigh", laid(run, ["sodium-hydroxide-20"], "c")))


def test_a_reading_above_the_target_begins_a_log_of_acid(folder: Path, run: Run) -> None:
    """What was read goes before what was estimated; the brief keeps alkali alone, so a common acid is taken."""
    path = laid(run, ["sodium-hydroxide-20"])
    assert run("ph", path, "--read", 8.1, "--of", "batch").code == 0
    assert read_batch(path).adjustment[0].chemical == "citric acid anhydrous"


def test_a_solution_that_only_moves_the_ph_away_is_told_with_what_brings_it_back(folder: Path, run: Run) -> None:
    path = laid(run, ["citric-acid", "sodium-hydroxide-20"])
    said = words(run("ph", path, "--read", 5.4, "--of", "batch", "--with", "citric-acid"))
    assert "What brings it up is sodium hydroxide, 20 % w/w, taken because" in said
    assert BLINDS in said
    assert run("ph", path, "--json").json["way_back"]["chemical"] == "sodium hydroxide"


@pytest.mark.parametrize(
    ("named", "percent"), [("sodium-hydroxide-20", 20.0), ("Sodium Hydroxide, 20 % solution", 20.0)]
)
def test_what_is_added_may_be_named_as_the_brief_names_it(folder: Path, run: Run, named: str, percent: float) -> None:
    path = laid(run, ["sodium-hydroxide-20"])
    assert run("ph", path, "--with", named, "--json").json["solution"]["strength_percent"] == percent
    assert run("ph", path, "--with", named, "--strength", 5, "--json").json["solution"]["strength_percent"] == 5
    refused = run("ph", path, "--with", "glycerin", "--strength", 5)
    assert "this acid or alkali is not known" in refused.err


def test_solutions_as_they_are_dosed() -> None:
    """Acids at 50 % at most: common practice, no source; else the share that the library has."""
    known = chosen_library().by_id
    found = {
        name: (solution.chemical.name, solution.percent)
        for name in ("citric-acid", "citric-acid-50", "lactic-acid", "triethanolamine", "sodium-hydroxide-20")
        if (solution := adjuster(known[name])) is not None
    }
    assert found == {
        "citric-acid": ("citric acid anhydrous", 50.0),
        "citric-acid-50": ("citric acid anhydrous", 50.0),
        "lactic-acid": ("lactic acid", 50.0),
        "triethanolamine": ("triethanolamine", 99.0),
        "sodium-hydroxide-20": ("sodium hydroxide", 20.0),
    }
    assert adjuster(known["glycerin"]) is None


def test_alkaline_surfactants_are_never_brought_down_with_an_alkali(folder: Path, run: Run) -> None:
    """The recipe of decyl glucoside with what alkali destroys: the step apart takes the acid, not the lye beside it."""
    known = chosen_library().by_id
    path = laid(run, ["sodium-hydroxide-20"])
    batch = read_batch(path)
    doses = {"aqua": 80.0, "decyl-glucoside": 10.0, "sodium-cocoyl-isethionate": 5.0, "cocamidopropyl-betaine": 5.0}
    lines = [batch.line[0].model_copy(update={"material": n, "percent": p}) for n, p in doses.items()]
    made = batch.model_copy(update={"line": tuple(lines)})
    later = (known["sodium-hydroxide-20"], known["citric-acid"])
    for ready, acid in ((later, "Citric Acid"), (later[:1], "acid")):
        steps = parts_of(made, {n: known[n] for n in doses}, ready)
        apart = next(" ".join(s.do) for s in steps if "brought to pH 6 to 7 first" in s.title)
        assert f"bring them to pH 6 to 7 with {acid} in small portions" in apart
        assert "Hydroxide" not in apart
    assert any("Raise it with Sodium Hydroxide, 20 % solution, stirred into" in line for s in steps for line in s.do)


def test_the_desk_offers_the_alkali_and_says_how_it_is_handled(folder: Path, run: Run) -> None:
    laid(run, ["citric-acid", "sodium-hydroxide-20"])
    desk = desk_of(folder)
    page = desk.get("/batch/b/ph")
    assert "What will be added: sodium hydroxide, 20 % w/w" in page.text
    assert BLINDS in page.text
    assert "--with" not in page.text
    fields = dict(page.form("/ph").fields)
    assert (fields["chemical"], fields["strength"]) == ("sodium hydroxide", "20")
    wrong = desk.submit("/ph", {"ph": "5.4", "chemical": "citric acid anhydrous", "strength": "50"})
    assert "What brings it up is sodium hydroxide" in wrong.text
    assert BLINDS in wrong.text
    assert dict(wrong.forms[-1].fields).get("chemical", "sodium hydroxide") == "sodium hydroxide"
