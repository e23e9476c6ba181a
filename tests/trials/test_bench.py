"""Trials at the bench by commands: sheet, readings as typed, next beakers; sums by hand, refusals as whole texts."""

from __future__ import annotations

import re
from pathlib import Path
from shutil import copytree
from typing import Any

import numpy as np
import pytest
import tomlkit

from optimizer.answers.questions import read_brief
from optimizer.answers.trials import read_trials
from optimizer.brief.brief import Brief
from optimizer.files import shipped
from optimizer.rules.row import Setting
from optimizer.solve.existing import formula_at
from optimizer.solve.rounding import broken
from optimizer.trials.choosing import field_of
from optimizer.trials.design import information, moments_of
from optimizer.trials.more import body_of, made_columns, more_beakers
from optimizer.trials.series import Series, read_series
from tests import make_trials as demo
from tests.support.command import Run

PLAN = (
    "trials",
    "plan",
    "gentle-wash",
    "--free",
    "mildness",
    "--factors",
    "amphoteric-share,nonionic-share",
    "--on",
    "2026-05-04",
)


LAID: dict[str, bytes] = {}


@pytest.fixture
def laid(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, run: Run) -> Path:
    """Lay a series in two directions: 8 chosen beakers, the plan first and last; it is worked out once."""
    monkeypatch.chdir(tmp_path)
    path = Path("t.toml")
    if not LAID:
        assert run(*PLAN, "--out", path).code == 0
        LAID["t.toml"] = path.read_bytes()
    path.write_bytes(LAID["t.toml"])
    return path


def readings(path: Path) -> list[tuple[int, str, str]]:
    return [(r.beaker, r.what, r.read) for r in read_series(path).all_readings]


def test_a_plan_never_replaces_a_file(laid: Path, run: Run) -> None:
    before = laid.read_bytes()
    refused = run(*PLAN, "--out", laid)
    assert refused.code == 3
    assert "the file exists and would be lost" in refused.err
    assert laid.read_bytes() == before


def test_the_sheet_adds_up(laid: Path, run: Run) -> None:
    """Each material's grams over all rows, what the pre-dilution brings included, are the planned doses of 100 g."""
    sheet = run("trials", "sheet", laid, "--json").json
    series = read_series(laid)
    mix = series.mix[0]
    assert (mix.material, mix.into, mix.parts) == ("tetrasodium-glutamate-diacetate", "aqua", 9.0)
    for k, beaker in enumerate(series.beaker):
        grams = {line["id"]: line["grams"][k] for line in sheet["lines"]}
        taken = grams.pop(mix.id)
        grams[mix.material] = taken / 10
        grams[mix.into] += taken * 9 / 10
        assert grams == pytest.approx(beaker.doses)
        assert sheet["beakers"][k]["total_g"] == pytest.approx(96.0)
    made = sheet["mixes"][0]
    assert made["weigh_g"] >= 0.1 * len(series.beaker)
    assert made["into_g"] == pytest.approx(9 * made["weigh_g"])
    assert sheet["held_g"] == 4.0


def test_no_amount_below_half_a_gram_is_weighed_alone(laid: Path, run: Run) -> None:
    lines = run("trials", "sheet", laid, "--json").json["lines"]
    assert min(g for line in lines for g in line["grams"]) >= 0.5


def test_perfume_comes_with_its_solubiliser(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, run: Run) -> None:
    """The solubiliser is a surfactant that moves, so only part of it goes into the pre-dilution."""
    monkeypatch.chdir(tmp_path)
    brief = copytree(shipped("scenarios"), Path("shop")) / "hand-wash.toml"
    with brief.open("a", encoding="utf-8") as stream:
        stream.write("\n[objective]\nplanned = false\n")
    factors = "strength,nonionic-share,amphoteric-share"
    assert run("trials", "plan", brief, "--factors", factors, "--out", "h.toml").code == 0
    series = read_series(Path("h.toml"))
    mixes = {m.material: m for m in series.mix}
    assert mixes["parfum"].into == "caprylyl-capryl-glucoside"
    assert mixes["potassium-sorbate"].into == "aqua"
    for beaker in series.beaker:
        left = beaker.doses["caprylyl-capryl-glucoside"] - mixes["parfum"].parts * beaker.doses["parfum"]
        assert left >= 0.5
    assert series.z() == pytest.approx(series.coordinates.z(np.array([list(b.doses.values()) for b in series.beaker])))


def test_the_sheet_says_what_keeps_beakers_comparable(laid: Path, run: Run) -> None:
    told = run("trials", "sheet", laid, "--markdown").out
    assert "for measuring, not for use" in told
    assert "No thickener (" in told
    assert "goggles and gloves" in told
    assert "1,4-dioxane" not in told, "a caution for purchase, not for the bench"
    numbers = [int(n) for n in re.findall(r"(?<=\| )(\d+)(?: plan)?(?= \|)", told) if int(n) <= 10]
    assert set(range(1, 11)) <= set(numbers)


def test_only_some_beakers(laid: Path, run: Run) -> None:
    assert [b["number"] for b in run("trials", "sheet", laid, "--only", "3,5", "--json").json["beakers"]] == [3, 5]
    assert run("trials", "sheet", laid, "--only", "3,11").err.endswith(
        "there is no beaker 11: the series has 1 to 10.\n"
    )
    assert run("trials", "sheet", laid, "--only", "x").code == 2


def test_sheets_are_files_to_print(laid: Path, run: Run) -> None:
    assert run("trials", "sheet", laid, "--pdf", "s.pdf", "--html", "s.html").code == 0
    assert Path("s.pdf").read_bytes().startswith(b"%PDF")
    page = Path("s.html").read_text("utf-8")
    assert "Trial sheet" in page
    assert run("trials", "sheet", laid, "--pdf", "s.html").code == 2


def test_readings_are_noted_as_typed(laid: Path, run: Run) -> None:
    words = (
        "1",
        "viscosity=3200",
        "clarity=4",
        "2",
        "viscosity=>60000",
        "3",
        "separated",
        "4",
        "lost",
        "5",
        "viscosity=lost",
    )
    noted = run(
        "trials", "note", laid, *words, "--temperature", "22", "--with", "spindle 3, 12 rpm", "--on", "2026-05-05"
    )
    assert noted.code == 0
    assert readings(laid) == [
        (1, "viscosity", "3200"), (1, "clarity", "4"), (2, "viscosity", ">60000"),
        (3, "separated", "yes"), (4, "lost", "yes"), (5, "viscosity", "lost"),
    ]  # fmt: skip
    series = read_series(laid)
    first, second = series.all_readings[:2]
    assert (first.temperature_c, first.with_, first.on) == (22, "spindle 3, 12 rpm", "2026-05-05")
    assert second.temperature_c is None
    assert "4 of 10 beakers" not in noted.out
    assert noted.out.splitlines()[2] == "5 of 10 beakers have a reading. Still open: 6, 7, 8, 9 and 10."
    assert "# --- What the bench adds" in laid.read_text("utf-8"), "remarks are kept"


def test_all_that_is_wrong_is_told_at_once_and_nothing_is_written(laid: Path, run: Run) -> None:
    assert run("trials", "note", laid, "1", "viscosity=3200").code == 0
    before = laid.read_bytes()
    refused = run(
        "trials",
        "note",
        laid,
        "1",
        "viscosity=3100",
        "clarity=9",
        "viscositty=2",
        "77",
        "clarity=2",
        "2",
        "glycerin=300",
    )
    assert refused.code == 3
    assert refused.err == (
        "tenside: 5 things stand in the way:\n"
        "  t.toml, beaker 1: viscosity of it is noted already (3200). Strike the wrong one with --strike, or add "
        "--further for a second reading.\n"
        "  t.toml, beaker 1: clarity: '9' is no judgement from 1 to 5. Write 1 to 5, or lost.\n"
        "  t.toml, beaker 1: 'viscositty' is no reading, material or pre-dilution of this series. Did you mean "
        "'viscosity'? For a reading of your own say how it is read: --as number, log, judged or yes/no.\n"
        "  t.toml, beaker 77: there is no beaker 77. There are beakers 1 to 10.\n"
        "  t.toml, beaker 2: glycerin: 300 g cannot have gone into a beaker of 100 g. Write the grams of this beaker.\n"
    )
    assert laid.read_bytes() == before


@pytest.mark.thorough
@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("viscosity=3",), "name the beaker first"),
        (("1", "viscosity="), "write READING=VALUE"),
        (("1", "viscosity=0"), "is not above 0, and its logarithm counts"),
        (("1", "separated=perhaps"), "is neither yes nor no"),
        (("1", "foam-drainage=3", "--as", "logarithm"), "there is no such kind of reading"),
    ],
)
def test_what_cannot_be_noted(laid: Path, run: Run, words: tuple[str, ...], said: str) -> None:
    refused = run("trials", "note", laid, *words)
    assert refused.code in (2, 3)
    assert said in refused.err
    assert readings(laid) == []


def test_a_reading_of_ones_own_is_declared_once(laid: Path, run: Run) -> None:
    assert (
        run("trials", "note", laid, "1", "drainage=38", "2", "drainage=41", "--as", "number", "--unit", "s").code == 0
    )
    assert run("trials", "note", laid, "3", "drainage=>90", "foam-height=140").code == 0
    measures = read_series(laid).measures
    assert (measures["drainage"].kind, measures["drainage"].unit) == ("number", "s")
    assert measures["foam-height"].unit == "mm"
    assert [r.low for r in read_series(laid).reads("drainage")] == [38, 41, 90]


def test_weights_by_any_name_of_the_material(laid: Path, run: Run) -> None:
    assert run("trials", "note", laid, "2", "CAPB=8.5g@L-7", "mix-a=1.02", "Glycerin=2,05").code == 0
    assert run("trials", "note", laid, "2", "glycerin=+0.05").code == 0
    series = read_series(laid)
    assert series.put_in(2) == {"cocamidopropyl-betaine": 8.5, "mix-a": 1.02, "glycerin": pytest.approx(2.1)}
    assert series.all_weighed[0].lot == "L-7"
    made = dict(zip(series.region.materials, series.made(2), strict=True))
    assert made["cocamidopropyl-betaine"] == pytest.approx(8.5)
    assert made["tetrasodium-glutamate-diacetate"] == pytest.approx(0.102)
    again = run("trials", "note", laid, "2", "glycerin=2")
    assert "glycerin of it is weighed already (2.1 g)" in again.err


def test_a_table_of_readings(laid: Path, run: Run) -> None:
    Path("r.csv").write_text("Beaker,viscosity,clarity,separated\n1,3200,4,\n2,>60000,,no\n3,,,x\n", "utf-8")
    assert run("trials", "note", laid, "r.csv").code == 0
    assert readings(laid) == [
        (1, "viscosity", "3200"), (1, "clarity", "4"), (2, "viscosity", ">60000"), (2, "separated", "no"),
        (3, "separated", "yes"),
    ]  # fmt: skip
    Path("w.csv").write_text("number,viscosity\n1,3200\n", "utf-8")
    assert "no column names the beaker" in run("trials", "note", laid, "w.csv").err


def test_wrong_lines_are_struck_with_the_reason(laid: Path, run: Run) -> None:
    assert run("trials", "note", laid, "1", "viscosity=32000", "glycerin=2.5").code == 0
    struck = run("trials", "note", laid, "--strike", "1", "--why", "a nought too many", "--on", "2026-05-06")
    assert "1: beaker 1: viscosity 32000; 2026-05-06: a nought too many" in struck.out
    assert run("trials", "note", laid, "--strike-weight", "1", "--why", "other beaker").code == 0
    series = read_series(laid)
    assert series.reads("viscosity") == ()
    assert series.put_in(1) == {}
    assert run("trials", "note", laid, "1", "viscosity=3200").code == 0
    assert "is struck already" in run("trials", "note", laid, "--strike", "1", "--why", "again").err
    assert (
        "there is no reading of this number. There are 2."
        in run("trials", "note", laid, "--strike", "9", "--why", "x").err
    )
    assert run("trials", "note", laid, "--strike", "2").code == 2
    assert run("trials", "note", laid, "--why", "no line").code == 2


def test_next_beakers_teach_more_than_drawn_ones(laid: Path, run: Run) -> None:
    """Average variance with two further beakers: below that of any of 40 random pairs, worked out anew here."""
    series, brief = read_trials(laid)
    found = more_beakers(series, brief, 2)
    field = field_of(body_of(series), False, series.seed + len(series.beaker))
    made = made_columns(series, field, 2)
    precision = np.append(field.full.precision(0.1), 1e-4)
    moments = np.pad(field.moments, (0, 1))

    def variance(more: Any) -> float:
        columns = np.hstack([field.columns(more, np.zeros(len(more))), np.ones((len(more), 1))])
        return float(np.trace(np.linalg.solve(information(np.vstack([made, columns]), precision), moments)))

    plan = series.coordinates.z(np.array([list(series.beaker[0].doses.values())]))
    rng = np.random.default_rng(7)
    drawn = [variance(np.vstack([plan, field.z[rng.integers(0, len(field.z), 2)]])) for _ in range(40)]
    assert found.variance_after < min(drawn) + 1e-9
    assert found.variance_after < found.variance_before
    own = series.coordinates.z(np.array([list(b.doses.values()) for b in found.beakers]))
    assert variance(own) == pytest.approx(found.variance_after, rel=0.02)
    assert moments_of(np.eye(2)).tolist() == [[0.5, 0.0], [0.0, 0.5]]


def test_next_beakers_keep_the_rules_and_follow_in_the_file(laid: Path, run: Run) -> None:
    answer = run("trials", "next", laid, "--count", "3", "--repeats", "2", "--json").json
    series = read_series(laid)
    assert [b["number"] for b in answer["beakers"]] == [11, 12, 13, 14, 15]
    assert [(b.day, b.role == "plan") for b in series.beaker[10:]] == [
        (2, True),
        (2, False),
        (2, False),
        (2, False),
        (2, True),
    ]
    brief = read_brief("gentle-wash")
    at = Setting(5.5, 5.3, 5.7)
    for beaker in series.beaker[10:]:
        formula = formula_at(brief.pool, beaker.doses)
        assert [r.id for r in brief.enforced if r.id != "mildness" and broken(r, formula, at)] == []
    assert run("trials", "sheet", laid, "--only", "11,12").code == 0
    assert run("trials", "note", laid, "12", "viscosity=2500").code == 0


def test_a_lost_beaker_is_made_up_for(laid: Path) -> None:
    """Without a corner that was lost, the next beaker goes to where that one was."""
    series, brief = read_trials(laid)
    z = series.z()
    far = int(np.argmax(np.linalg.norm(z, axis=1)))
    twins = [b.number for b, at in zip(series.beaker, z, strict=True) if np.allclose(at, z[far], atol=0.05)]
    without = lost(series, twins)
    chosen = more_beakers(without, brief, 1).beakers[-1]
    at = series.coordinates.z(np.array([list(chosen.doses.values())]))[0]
    assert np.linalg.norm(at - z[far]) < 0.2 * np.linalg.norm(z[far])


def lost(series: Series, numbers: list[int]) -> Series:
    raw = series.model_dump(by_alias=True)
    raw["reading"] = [{"beaker": n, "what": "lost", "read": "yes"} for n in numbers]
    return Series.model_validate(raw)


def test_a_series_of_ph_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, run: Run) -> None:
    """The share that was asked for cannot move, so pH is all that is left: plan, sheet, readings, next beakers."""
    monkeypatch.chdir(tmp_path)
    asked = ("clear-shampoo", "--factors", "amphoteric-share", "--with", "ph=5.8:6.2", "--out", "p.toml")
    planned = run("trials", "plan", *asked, "--json").json
    assert [f["id"] for f in planned["factors"]] == ["ph"]
    assert planned["notes"][0].startswith("amphoteric share of the active matter stays as in the plan")
    assert {b["ph"] for b in planned["beakers"]} == {5.8, 6.0, 6.2}
    assert len({str(b["doses"]) for b in planned["beakers"]}) == 1
    assert "each beaker has its own target pH" in run("trials", "sheet", "p.toml", "--markdown").out
    assert run("trials", "note", "p.toml", "2", "ph=5.9", "viscosity=900").code == 0
    process = read_series(Path("p.toml")).process()
    assert process is not None
    assert process[1] == pytest.approx(-0.5)
    after = run("trials", "next", "p.toml", "--json").json
    assert after["variance_after"] < after["variance_before"]


def test_the_best_is_looked_for_where_the_truth_is_better(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, run: Run
) -> None:
    """The demo's made-up truth: viscosity there against that of the beakers that were made, and of drawn candidates."""
    monkeypatch.chdir(tmp_path)
    Path("t.toml").write_text(demo.made(), "utf-8")
    series = read_series(Path("t.toml"))
    answer = run("trials", "next", "t.toml", "--goal", "maximise viscosity", "--count", "3", "--json").json
    assert answer["aim"] == "best"
    brief = read_brief("gentle-wash")
    after = read_series(Path("t.toml"))
    worth = {b.number: viscosity(brief, b.doses) for b in after.beaker}
    chosen = [worth[b.number] for b in after.beaker if b.day == 3 and b.role == "chosen"]
    made = [worth[b.number] for b in series.beaker if b.role == "chosen"]
    assert chosen
    assert np.mean(chosen) > np.quantile(made, 0.6)
    apart = after.coordinates.z(
        np.array([list(b.doses.values()) for b in after.beaker if b.day == 3 and b.role != "plan"])
    )
    assert min(np.linalg.norm(a - b) for k, a in enumerate(apart) for b in apart[:k]) > 0.4


def viscosity(brief: Brief, doses: dict[str, float]) -> float:
    used = [(brief.pool.items[brief.pool.index[n]], d) for n, d in doses.items()]
    total = sum(d * i.surfactant for i, d in used)
    kinds = ("amphoteric", "nonionic")
    return demo.truth(
        total, *(100 * sum(d * i.surfactant for i, d in used if i.material.charge == c) / total for c in kinds)
    )


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--aim", "best"), "say of which reading, such as --goal 'maximise viscosity'"),
        (("--goal", "viscosity"), "say of which reading"),
        (("--goal", "maximise foam"), "nobody reads 'foam'"),
        (("--goal", "maximise viscosity"), "0 beakers have a reading of viscosity"),
    ],
)
def test_what_cannot_be_best(laid: Path, run: Run, words: tuple[str, ...], said: str) -> None:
    before = laid.read_bytes()
    refused = run("trials", "next", laid, *words)
    assert refused.code == 2
    assert said in refused.err
    assert laid.read_bytes() == before


def test_a_brief_that_changed_is_told(laid: Path, run: Run) -> None:
    document = tomlkit.parse(laid.read_text("utf-8"))
    document["brief_digest"] = "0" * 16
    laid.write_text(tomlkit.dumps(document), "utf-8")
    refused = run("trials", "next", laid)
    assert refused.code == 3
    assert "has changed since these trials were planned" in refused.err
    assert run("trials", "sheet", laid).code == 0


@pytest.mark.parametrize("rows", [0, 1, 2])
def test_a_region_that_somebody_cut_open_is_told(laid: Path, run: Run, rows: int) -> None:
    document = tomlkit.parse(laid.read_text("utf-8"))
    kept = list(document["region"]["row"])[:rows]  # type: ignore[index,arg-type]
    document["region"]["row"] = kept  # type: ignore[index]
    laid.write_text(tomlkit.dumps(document), "utf-8")
    refused = run("trials", "next", laid)
    assert refused.code == 3
    assert "bound no region. Plan the series anew." in refused.err


def test_what_is_no_series_is_told(laid: Path, run: Run) -> None:
    Path("other.toml").write_text('batch = "x"\n', "utf-8")
    for command in ("sheet", "note", "next"):
        refused = run("trials", command, "other.toml")
        assert refused.code == 3
        assert "this is no series of trials" in refused.err
