"""The command line from end to end: endings, JSON, what-ifs, exports, widths, colours, and what the demo claims."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import os
import pty
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import highspy
import pulp
import pytest
from openpyxl import Workbook
from typer.testing import CliRunner

from optimizer import __version__, cli
from optimizer.data.cautions import ALWAYS
from optimizer.data.library import Library, read_library
from optimizer.engine.highs import Session
from optimizer.files import shipped
from optimizer.report.formats.terminal import lines as terminal_lines
from optimizer.report.formula_json import Blend
from optimizer.report.record import record_of
from optimizer.report.reference import material_document
from optimizer.rules import IMPLIED, KINDS
from tests.support.command import Ran, Run
from tests.support.draws import some

SCENARIOS = shipped("scenarios")
BlendRecord = record_of(Blend)
OFTEN = ("common", "conditioning-shampoo", "gentle-wash", "hand-wash", "impossible-wash")
NAMES = sorted((p.stem for p in SCENARIOS.glob("*.toml")), key=lambda name: (name not in OFTEN, name))
IMPOSSIBLE = {"impossible-wash"}
COMMAND = [sys.executable, "-c", "from optimizer.cli import main; main()"]

SEARCHER = next(name for name in ("PULP_CBC_CMD", "COIN_CMD", "HiGHS") if name in pulp.listSolvers(onlyAvailable=True))
"""A solver that PuLP finds here; PuLP 4 brings no CBC."""


@pytest.fixture(scope="module")
def library() -> Library:
    return read_library([shipped("library")])


_BLENDS: dict[str, Ran] = {}


@pytest.fixture
def blended(run: Run) -> Callable[[str], Ran]:
    """Return the JSON run of a shipped scenario, once per process."""

    def blend(name: str) -> Ran:
        if name not in _BLENDS:
            _BLENDS[name] = run("blend", name, "--json")
        return _BLENDS[name]

    return blend


def doses(record: dict[str, Any]) -> dict[str, float]:
    return {line["id"]: line["percent"] for line in record["formula"]}


# --- Endings and JSON --------------------------------------------------------------------------------------


def test_the_shipped_scenarios_are_these() -> None:
    assert set(NAMES) >= {"hand-wash", "body-wash", "facial-wash", "conditioning-shampoo", *IMPOSSIBLE}
    assert len(NAMES) >= 9


@pytest.mark.parametrize("name", some(NAMES, len(OFTEN)))
def test_every_shipped_scenario_ends_as_expected(blended: Callable[[str], Ran], name: str) -> None:
    ran = blended(name)
    impossible = name in IMPOSSIBLE
    assert (ran.code, ran.err) == (4 if impossible else 0, "")
    record = ran.json
    assert record["ending"] == ("infeasible" if impossible else "optimal")
    assert record["proof"] == "certificate"
    assert (record["formula"] == []) == impossible
    if not impossible:
        assert sum(doses(record).values()) + record["held_back_percent"] == pytest.approx(100, abs=1e-6)
        assert record["cost_per_kg"] == pytest.approx(sum(line["cost_per_kg"] for line in record["formula"]), abs=1e-9)
        kept = [r for r in record["rules"] if r["source"] not in ("panel", "survey", "typical", "common practice")]
        for rule in kept:
            if rule["value"] is not None and rule["kind"] != "ph":
                assert rule["low"] is None or rule["value"] >= rule["low"] - 1e-5, rule["reading"]
                assert rule["high"] is None or rule["value"] <= rule["high"] + 1e-5, rule["reading"]


@pytest.mark.parametrize("name", some(NAMES, len(OFTEN)))
def test_json_is_the_documented_record(blended: Callable[[str], Ran], run: Run, name: str) -> None:
    ran = blended(name)
    record = BlendRecord.model_validate_json(ran.out)  # unknown and missing keys are errors
    assert json.loads(record.model_dump_json()) == ran.json
    schema = run("schema", "blend").json
    assert set(schema["properties"]) == set(ran.json)
    assert schema["additionalProperties"] is False


def test_an_unknown_key_is_no_record(blended: Callable[[str], Ran]) -> None:
    with pytest.raises(ValueError, match="extra_forbidden"):
        BlendRecord.model_validate({**blended("hand-wash").json, "surplus": 1})


def test_the_same_input_gives_the_same_bytes(blended: Callable[[str], Ran]) -> None:
    """In a process of its own, whose sets have another order, as in this one."""
    command = [*COMMAND, "blend", "hand-wash", "--json"]
    ran = subprocess.run(command, capture_output=True, check=True, env={**os.environ, "PYTHONHASHSEED": "1"})
    assert ran.stdout.decode() == blended("hand-wash").out
    assert len(ran.stdout) > 1000


def test_what_a_solver_prints_does_not_reach_stdout(
    run: Run, blended: Callable[[str], Ran], monkeypatch: pytest.MonkeyPatch
) -> None:
    quiet = blended("gentle-wash").out
    plain = Session.run

    def noisy(self: Session, *args: Any, **more: Any) -> Any:
        os.write(1, b"noise\n")
        return plain(self, *args, **more)

    monkeypatch.setattr(Session, "run", noisy)
    ran = run("blend", "gentle-wash", "--json")
    assert ran.out == quiet
    assert ran.err.startswith("noise\nnoise\n")


def test_another_solver_finds_the_same(run: Run, blended: Callable[[str], Ran]) -> None:
    expected = blended("hand-wash").json
    ran = run("blend", "hand-wash", "--json", "--solver", SEARCHER)
    assert ran.code == 0
    record = BlendRecord.model_validate_json(ran.out).model_dump()
    assert record["objective_value"] == pytest.approx(expected["objective_value"], abs=1e-7)
    assert doses(record) == pytest.approx(doses(expected), abs=1e-5)
    assert record["provenance"]["solver"] == f"{SEARCHER} through PuLP, certified with HiGHS"


def test_another_solver_finds_the_same_impossible(run: Run) -> None:
    ran = run("blend", "impossible-wash", "--json", "--solver", SEARCHER)
    assert (ran.code, ran.json["ending"]) == (4, "infeasible")


# --- What-ifs ----------------------------------------------------------------------------------------------


def test_set_moves_a_limit_by_the_id_of_its_rule(run: Run, blended: Callable[[str], Ran]) -> None:
    ran = run("blend", "hand-wash", "--json", "--set", "active.at_least=10", "--set", "humectant.at_least=2.5")
    rules = {r["id"]: r for r in ran.json["rules"]}
    assert (rules["active"]["low"], rules["active"]["high"]) == (10, 11)
    assert rules["humectant"]["low"] == 2.5
    assert ran.json["cost_per_kg"] > blended("hand-wash").json["cost_per_kg"]


def test_the_price_of_a_limit_foretells_the_what_if(run: Run, blended: Callable[[str], Ran]) -> None:
    """A shadow price times the step is the change of the optimum while the basis holds (linear programming)."""
    plain = blended("hand-wash").json
    rule = next(r for r in plain["rules"] if r["id"] == "humectant")
    assert rule["holds_to"] > 2.2
    ran = run("blend", "hand-wash", "--json", "--set", "humectant.at_least=2.2")
    assert ran.json["cost_per_kg"] - plain["cost_per_kg"] == pytest.approx(0.2 * rule["price"], abs=1e-7)


def test_set_moves_the_ph_and_the_part_held_back(run: Run) -> None:
    ran = run("blend", "hand-wash", "--json", "--set", "ph.low=5.6", "--set", "held_back.percent=3")
    assert ran.json["ph"]["target"] >= 5.8
    assert ran.json["held_back_percent"] == 3
    assert "sodium-benzoate" not in doses(ran.json)


def test_set_of_one_exact_value_drops_both_limits(run: Run) -> None:
    rules = {r["id"]: r for r in run("blend", "hand-wash", "--json", "--set", "active.exactly=10").json["rules"]}
    assert (rules["active"]["low"], rules["active"]["high"], rules["active"]["binding"]) == (10, 10, "equal")


@pytest.mark.thorough
def test_the_objective_of_the_command_line_replaces_the_briefs_own(run: Run, blended: Callable[[str], Ran]) -> None:
    plain = blended("hand-wash").json
    for goal, words, rule in (
        ("minimise salt", "least salt", "salt"),
        ("maximise mildness", "most mildness", "mildness"),
        ("maximise natural", "most natural", "natural"),
    ):
        found = run("blend", "hand-wash", "--json", "--objective", goal).json
        assert found["objective"] == words
        values = [next(r["value"] for r in record["rules"] if r["id"] == rule) for record in (plain, found)]
        assert found["objective_value"] == pytest.approx(values[1], abs=1e-9)
        assert values[1] < values[0] if goal.startswith("min") else values[1] > values[0]
        assert found["cost_per_kg"] >= plain["cost_per_kg"] - 1e-9


def shelf_rows() -> list[list[str]]:
    with (SCENARIOS / "shelf.csv").open(encoding="utf-8", newline="") as stream:
        return list(csv.reader(stream))


def test_what_only_the_bench_can_show_is_no_objective(run: Run) -> None:
    told = run("blend", "hand-wash", "--objective", "maximise viscosity")
    assert told.code == 3
    assert "'viscosity' is read at the bench, never computed" in " ".join(told.err.split())
    assert "trials plan" in told.err


def test_a_shelf_of_the_command_line_as_csv_and_as_workbook(
    run: Run, blended: Callable[[str], Ran], tmp_path: Path
) -> None:
    rows = shelf_rows()
    price = rows[0].index("Pack price")
    dear = [rows[0], *([*r[:price], str(2 * float(r[price])), *r[price + 1 :]] for r in rows[1:])]
    book = Workbook()
    for row in dear:
        book.active.append([float(c) if c.replace(".", "", 1).isdigit() else c or None for c in row])
    book.save(tmp_path / "dear.xlsx")
    with (tmp_path / "dear.csv").open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream, delimiter=";").writerows(dear)
    plain = blended("hand-wash").json
    found = [run("blend", "hand-wash", "--json", "--shelf", tmp_path / f"dear.{end}").json for end in ("csv", "xlsx")]
    for record in found:
        assert doses(record) == pytest.approx(doses(plain), abs=1e-9)
        assert record["cost_per_kg"] == pytest.approx(2 * plain["cost_per_kg"], abs=1e-9)
    for record in found:
        record["provenance"] = {}
    assert found[0] == found[1]


def test_a_library_of_the_command_line(run: Run, blended: Callable[[str], Ran], tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text("[override.glycerin]\nactive = 50\n", encoding="utf-8")
    ran = run("blend", "hand-wash", "--json", "--library", shipped("library"), "--library", own)
    assert ran.code == 0
    assert f"sha256 {own}" in ran.json["provenance"]
    before, after = ({r["id"]: r["value"] for r in record["rules"]} for record in (blended("hand-wash").json, ran.json))
    assert after["total-water"] - before["total-water"] == pytest.approx(
        2 * 0.495, abs=0.02
    )  # 99.5 % to 50 %, dose 2 %


def test_a_library_without_what_the_brief_needs_is_told(run: Run, tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text('[sources]\nx = "y"\n', encoding="utf-8")
    ran = run("blend", "hand-wash", "--library", own)
    assert ran.code == 3
    assert ran.out == ""


# --- Export ------------------------------------------------------------------------------------------------


@pytest.mark.thorough
@pytest.mark.parametrize("goal", ["", "minimise salt", "maximise active"])
@pytest.mark.parametrize("end", ["mps", "lp"])
def test_an_exported_model_solves_to_the_same(run: Run, tmp_path: Path, goal: str, end: str) -> None:
    path = tmp_path / f"model.{end}"
    ran = run("blend", "gentle-wash", "--json", "--export", path, *(["--objective", goal] if goal else []))
    assert ran.code == 0
    assert ran.err == f"wrote {path}\n"
    if end == "mps":
        _, problem = pulp.LpProblem.fromMPS(str(path))
        done = problem.solve(pulp.getSolver(SEARCHER, msg=False))
        assert int(getattr(done, "status", done)) == 1
        value = pulp.value(problem.objective)
    else:
        solver = highspy.Highs()
        solver.setOptionValue("output_flag", False)
        solver.readModel(str(path))
        solver.run()
        value = solver.getInfo().objective_function_value
    sign = -1 if goal.startswith("max") else 1
    assert sign * value == pytest.approx(ran.json["objective_value"], abs=1e-6)


def test_an_exported_model_has_names_to_read(run: Run, tmp_path: Path) -> None:
    run("blend", "hand-wash", "--json", "--export", tmp_path / "model.lp")
    text = (tmp_path / "model.lp").read_text(encoding="utf-8")
    for name in ("dose_glycerin", "dose_sodium_benzoate", "yes_use_sodium_benzoate", "humectant_low", "total_equal"):
        assert name in text


# --- Looks -------------------------------------------------------------------------------------------------

DOCUMENTS: dict[str, tuple[str, ...]] = {
    "solved": ("blend", "hand-wash"),
    "solved, long names": ("blend", "conditioning-shampoo"),
    "impossible": ("blend", "impossible-wash"),
    "rules": ("rules",),
    "check": ("library", "check"),
}


@pytest.mark.thorough
@pytest.mark.parametrize("width", [60, 80, 120])
@pytest.mark.parametrize("args", DOCUMENTS.values(), ids=list(DOCUMENTS))
def test_no_line_is_wider_than_the_terminal(
    run: Run, monkeypatch: pytest.MonkeyPatch, args: tuple[str, ...], width: int
) -> None:
    monkeypatch.setenv("COLUMNS", str(width))
    lines = run(*args).out.splitlines()
    assert [line for line in lines if len(line) > width] == []
    assert len(lines) == 1 or max(map(len, lines)) > width / 2


def on_a_terminal(*args: str, **env: str) -> str:
    """Return what a command prints on a terminal."""
    master, slave = pty.openpty()
    plain = {k: v for k, v in os.environ.items() if k not in ("NO_COLOR", "TERM", "COLUMNS")}
    with subprocess.Popen([*COMMAND, *args], stdout=slave, env={**plain, "TERM": "xterm", **env}) as process:
        os.close(slave)
        parts = []
        while True:
            try:
                part = os.read(master, 65536)
            except OSError:  # the terminal is closed once the command ends
                break
            if not part:
                break
            parts.append(part)
        process.wait()
    os.close(master)
    return b"".join(parts).decode()


@pytest.fixture(scope="module")
def coloured() -> str:
    return on_a_terminal("blend", "hand-wash")


@pytest.mark.thorough
def test_a_terminal_gets_colours(coloured: str) -> None:
    assert "\x1b[1mHarbour hand wash\x1b[0m" in coloured


@pytest.mark.thorough
@pytest.mark.parametrize("env", [{"NO_COLOR": "1"}, {"NO_COLOR": ""}, {"TERM": "dumb"}])
def test_colours_can_be_turned_off_and_nothing_is_lost(coloured: str, env: dict[str, str]) -> None:
    plain = on_a_terminal("blend", "hand-wash", **env)
    assert "\x1b" not in plain
    assert plain == re.sub(r"\x1b\[[\d;]*m", "", coloured)


def test_a_pipe_gets_no_colours(run: Run) -> None:
    assert "\x1b" not in run("blend", "hand-wash").out


def test_markdown_holds_what_the_terminal_shows(run: Run, blended: Callable[[str], Ran]) -> None:
    ran = run("blend", "hand-wash", "--markdown")
    assert ran.code == 0
    lines = ran.out.splitlines()
    assert lines[0] == "# Harbour hand wash"
    record = blended("hand-wash").json
    for line in record["rounded"]["formula"]:
        row = next(text for text in lines if text.startswith(f"| {line['name'].replace('_', chr(92) + '_')} |"))
        assert f"| {line['percent']:.2f} |" in row
    titles = [line.removeprefix("## ") for line in lines if line.startswith("## ")]
    terminal = run("blend", "hand-wash").out
    assert titles
    assert all(f"\n{title} " in terminal for title in titles)


@pytest.mark.thorough
@pytest.mark.parametrize("name", some(NAMES, len(OFTEN)))
def test_every_caution_of_a_used_material_is_in_the_json(
    blended: Callable[[str], Ran], library: Library, name: str
) -> None:
    record = blended(name).json
    said = {c["text"]: set(c["materials"]) for c in record["cautions"]}
    assert set(ALWAYS) <= set(said)
    for line in record["formula"]:
        material = library.by_id[line["id"]]
        for key in material.cautions:
            assert material.name in said[library.cautions[key]], (line["id"], key)


@pytest.mark.thorough
@pytest.mark.parametrize("flag", [[], ["--markdown"]])
@pytest.mark.parametrize("name", ["hand-wash", "conditioning-shampoo", "impossible-wash"])
def test_every_caution_is_in_the_text(run: Run, blended: Callable[[str], Ran], name: str, flag: list[str]) -> None:
    text = " ".join(run("blend", name, *flag).out.split())
    cautions = blended(name).json["cautions"]
    assert len(cautions) >= 2
    for caution in cautions:
        assert caution["text"] in text
        assert all(material in text for material in caution["materials"])


# --- Other commands ----------------------------------------------------------------------------------------


def test_start_lays_a_folder_that_blends(run: Run, tmp_path: Path) -> None:
    folder = tmp_path / "new" / "shop"
    ran = run("start", folder)
    laid = [folder / name for name in ("shelf.csv", "materials.toml", "first-brief.toml", "costs.toml", "bench.toml")]
    told = "".join(f"wrote {path}\n" for path in laid)
    assert ran == Ran(0, f"{told}\nNext: tenside blend {folder / 'first-brief.toml'}\n", "")
    assert sorted(folder.iterdir()) == sorted(laid)
    blend = run("blend", folder / "first-brief.toml", "--json")
    assert (blend.code, blend.json["ending"]) == (0, "optimal")
    args = ("library", "check", "--library", shipped("library"), "--library", folder / "materials.toml", "--json")
    assert set(run(*args).json["doubts"]) == WITHOUT_CAS


def test_start_overwrites_nothing(run: Run, tmp_path: Path) -> None:
    (tmp_path / "shelf.csv").write_text("mine\n", encoding="utf-8")
    (tmp_path / "first-brief.toml").write_text("mine too\n", encoding="utf-8")
    ran = run("start", tmp_path)
    said = [
        f"  {tmp_path / name}: the file exists and would be lost. Choose another folder."
        for name in ("shelf.csv", "first-brief.toml")
    ]
    assert ran == Ran(3, "", "\n".join(["tenside: 2 things stand in the way:", *said]) + "\n")
    assert {p.name: p.read_text(encoding="utf-8") for p in tmp_path.iterdir()} == {
        "shelf.csv": "mine\n",
        "first-brief.toml": "mine too\n",
    }


def test_rules_lists_every_kind(run: Run) -> None:
    kinds = {*KINDS, *(rule.model_fields["kind"].default for rule in IMPLIED)}
    notes = run("rules", "--json").json["rules"]
    assert {n["kind"] for n in notes} == kinds
    for note in notes:
        assert note["summary"].endswith(".")
        assert note["equation"]
        assert note["example"]
    text = run("rules").out
    assert all(f"\n{kind} ·" in text for kind in kinds)


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_rules_of_one_kind(run: Run, kind: str) -> None:
    ran = run("rules", kind)
    assert (ran.code, ran.err) == (0, "")
    headings = [line.split(" ·")[0] for line in ran.out.splitlines() if line.endswith("··")]
    assert headings == [kind]
    fields = {n["name"] for n in run("rules", kind, "--json").json["rules"][0]["fields"]}
    assert fields == set(KINDS[kind].model_fields) - {"kind"}


@pytest.mark.thorough
def test_schemas(run: Run) -> None:
    every = run("schema").json
    assert {"scenario", "library", "material", "shelf-line", "blend"} <= set(every)
    for name, schema in every.items():
        assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
        assert schema["type"] == "object"
        assert run("schema", name).json == schema


def test_library_list(run: Run, library: Library) -> None:
    every = run("library", "list", "--json").json["materials"]
    assert [m["id"] for m in every] == [m.id for m in library.materials]
    some = run("library", "list", "--function", "preservative", "--json").json["materials"]
    assert 5 < len(some) < len(every)
    assert all("preservative" in (m["function"], *m["also"]) for m in some)
    text = run("library", "list", "--markdown").out
    assert all(f"| {m.id} |" in text for m in library.materials)


def test_library_show_every_material(run: Run, library: Library) -> None:
    for material in library.materials:
        text = " ".join(" ".join(terminal_lines(material_document(material, library), 120)).split())
        for key in material.cautions:
            assert library.cautions[key] in text
        assert text.startswith(material.name)
        assert "Who says so" in text
        assert ("Doubtful" in text) == (material.id in WITHOUT_CAS)
    ran = run("library", "show", "cocamidopropyl-betaine")
    assert ran.code == 0
    assert "61789-40-0" in ran.out
    shown = run("library", "show", "cocamidopropyl-betaine", "--json").json
    assert shown == {**library.by_id["cocamidopropyl-betaine"].model_dump(mode="json"), "format": 1}
    assert shown["free_from"] == sorted(shown["free_from"]) != [], "in one order, whatever the process"


WITHOUT_CAS = {"potassium-cocoyl-glutamate", "rhamnolipids", "sophorolipids"}
"""Shipped surfactants of which no CAS number is on record; their suppliers' safety data sheets have it."""


def test_a_material_tells_for_which_use_a_ceiling_is(run: Run) -> None:
    """Annex V/1: 2.5 % as acid in what is rinsed off, 0.5 % in what stays on."""
    ran = run("library", "show", "sodium-benzoate", "--markdown").out
    for percent, use in (("2.5", "rinse-off"), ("0.5", "leave-on")):
        assert f"| Benzoic Acid or Sodium Benzoate | {percent} % as acid | {use} | law | EU Annex V/1" in ran
    assert ran.count("the Commission's own table, not the legal text") == 2, "below the ceilings, and who says so"
    assert "usual use" in ran
    assert "usual use" not in run("library", "show", "glycerin").out, "what is not stated is left out"


def test_many_old_texts_of_law_are_counted(run: Run) -> None:
    """The day is past the twelve months of all that was read in June 2026; the names stand in the JSON."""
    ran = run("library", "check", "--on", "2027-09-01", "--markdown").out
    named = run("library", "check", "--on", "2027-09-01", "--json").json["old_law"]
    many = sum(day == "2026-06-17" for day in named.values())
    assert many > 130
    assert f"- {many} texts, which 'tenside library law' prints ('--json' here names each): law read as it was" in ran
    assert ran.count("- eu-annex-v-39-against-57: law read as it was on 2014-09-18") == 1
    assert "eu-annex-v-29-phenoxyethanol" not in ran


def test_library_check(run: Run, library: Library, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    total = len(library.materials)
    cas = "a surfactant without CAS number; it stands on the safety data sheet"
    shown = f"- {', '.join(sorted(WITHOUT_CAS))}: {cas}\n"
    pair = "eu-annex-v-39-against-57"
    old = f"- {pair}: law read as it was on 2014-09-18, more than 12 months before 2026-12-01; read it again\n"
    end = f"\n## Law that was read long ago\n\n{old}"

    def told(doubtful: int, lines: str) -> str:
        head = f"# Check of the library\n\n**{total} materials, {doubtful} with doubtful figures.**\n"
        return f"{head}\n## Doubtful figures\n\n{lines}{end}"

    assert run("library", "check", "--on", "2026-12-01", "--markdown").out == told(len(WITHOUT_CAS), shown)
    own = tmp_path / "own.toml"
    own.write_text("[override.decyl-glucoside]\npowder = true\n", encoding="utf-8")
    args = ("library", "check", "--on", "2026-12-01", "--library", str(shipped("library")), "--library", str(own))
    doubt = "a powder entered at 52.5 % active matter; is that the strength of a solution?"
    assert run(*args, "--markdown").out == told(1 + len(WITHOUT_CAS), f"- decyl-glucoside: {doubt}\n{shown}")
    doubts = {"decyl-glucoside": [doubt], **{name: [cas] for name in WITHOUT_CAS}}
    assert run(*args, "--json").json == {"format": 1, "materials": total, "doubts": doubts, "old_law": {
        "eu-annex-v-39-against-57": "2014-09-18"
    }, "on": "2026-12-01"}  # fmt: skip


def test_library_check_tells_a_doubt_once_for_all_its_materials(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "120")
    own = tmp_path / "own.toml"
    head = '[sources]\nmine = "made-up figures"\n'
    one = """
[[material]]
id = "wash-{0}"
name = "Wash {0}"
function = "surfactant"
phase = "cosurfactant"
substances = [
  {{ inci = "Wash", share = [30, 30, 30], surfactant = true, charge = "nonionic" }},
  {{ inci = "Aqua", role = "water", share = "balance" }},
]
backing = {{ default = ["mine", "supplier-typical"] }}
"""
    own.write_text(head + "".join(one.format(k) for k in "abc"), encoding="utf-8")
    out = run("library", "check", "--library", own).out
    assert out.startswith("\nCheck of the library\n3 materials, 3 with doubtful figures.\n\nDoubtful figures ··")
    assert out.split("··\n", 1)[1] == (
        "- wash-a, wash-b, wash-c: a surfactant without molar mass; ask its supplier for the mean\n"
        "- wash-a, wash-b, wash-c: a surfactant without CAS number; it stands on the safety data sheet\n\n"
    )


def test_version_and_help() -> None:
    runner = CliRunner()
    assert runner.invoke(cli.app, ["--version"]).output == f"tenside {__version__}\n"
    for command in ("blend", "start", "rules", "schema", "library"):
        helped = runner.invoke(cli.app, [command, "--help"])
        assert helped.exit_code == 0
        assert command in runner.invoke(cli.app, ["--help"]).output


def test_a_reader_that_stops_early_gets_no_trace() -> None:
    process = subprocess.Popen(
        [*COMMAND, "library", "list", "--json"], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )  # its output is longer than a pipe holds
    assert process.stdout is not None
    assert process.stderr is not None
    process.stdout.read(10)
    process.stdout.close()
    said = process.stderr.read().decode()
    process.stderr.close()
    assert (process.wait(), said) == (0, "")


# --- What the demo claims ----------------------------------------------------------------------------------


def test_the_demo_binds_five_rules_of_four_kinds(blended: Callable[[str], Ran]) -> None:
    binding = [r for r in blended("hand-wash").json["rules"] if r["binding"] and r["id"] != "total"]
    assert len(binding) >= 5
    assert len({r["kind"] for r in binding}) >= 4
    assert all(r["binding"] in ("low", "high", "equal") for r in binding)


def test_the_demo_has_a_yes_or_no_that_matters(run: Run, blended: Callable[[str], Ran]) -> None:
    plain = blended("hand-wash").json
    systems = {"sodium-benzoate", "phenoxyethanol-ethylhexylglycerin"}
    chosen = systems & set(doses(plain))
    assert len(chosen) == 1
    other = (systems - chosen).pop()
    forced = run("blend", "hand-wash", "--json", "--set", f"fixed.{other}=0.9")
    assert forced.code == 0
    assert systems & set(doses(forced.json)) == {other}
    assert forced.json["cost_per_kg"] > plain["cost_per_kg"] + 0.01


def test_the_demo_has_a_ph_that_matters(blended: Callable[[str], Ran]) -> None:
    record = blended("hand-wash").json
    feasible = [s for s in record["settings"] if s["ending"] == "optimal"]
    assert len(feasible) >= 3
    costs = [s["objective"] for s in feasible]
    assert min(costs) == pytest.approx(record["objective_value"], abs=1e-9)
    assert record["objective_is"] == "planned cost"
    assert max(costs) > min(costs) + 0.01


def test_a_blend_imports_nothing_that_looks_for_plugins_or_opens_workbooks() -> None:
    script = (
        "import contextlib, io, sys\n"
        "from optimizer.cli import main\n"
        "sys.argv = ['tenside', 'blend', 'hand-wash']\n"
        "with contextlib.suppress(SystemExit), contextlib.redirect_stdout(io.StringIO()): main()\n"
        "print(sorted({'importlib.metadata', 'email', 'zipfile', 'tempfile', 'rich', 'openpyxl'} & set(sys.modules)))\n"
        "from pydantic.plugin._loader import _loading_plugins, get_plugins\n"
        "print(_loading_plugins, tuple(get_plugins()))\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines() == ["[]", "False ()"], done.stderr


def test_the_page_of_commands_is_that_of_the_whole_application_without_reading_their_options() -> None:
    from typer.core import TyperGroup
    from typer.main import get_command

    from optimizer.cli.every import app

    bare, whole = get_command(cli.without_options(app)), get_command(app)
    assert isinstance(bare, TyperGroup)
    assert isinstance(whole, TyperGroup)
    assert [c.params for c in bare.commands.values()] == [[] for _ in bare.commands]
    assert all(c.params for c in whole.commands.values() if not hasattr(c, "commands"))

    def page(command: Any) -> str:
        with contextlib.redirect_stdout(io.StringIO()) as out, contextlib.suppress(SystemExit):
            command.main(["--help"], prog_name="tenside")
        return out.getvalue()

    assert page(bare) == page(whole) != ""


def test_help_loads_no_solver_and_no_models() -> None:
    # common practice, no source: help answers at once
    script = "import sys, optimizer.cli; print({'numpy', 'pydantic', 'highspy', 'matplotlib'} & set(sys.modules))"
    ran = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert ran.stdout == "set()\n"


@pytest.mark.thorough
def test_each_command_is_found_in_the_file_that_is_loaded_for_it() -> None:
    """Only one file of commands is loaded for a command; the list that says which must not drift."""
    from optimizer.cli import ROOMS
    from optimizer.cli.every import app

    named = {c.name or c.callback.__name__: c.callback.__module__ for c in app.registered_commands if c.callback}
    groups = {g.name for g in app.registered_groups}
    assert set(ROOMS) == set(named) | groups
    for command, module in named.items():
        assert ROOMS[command] == (module.removeprefix("optimizer.cli."),)
    for group in groups:
        done = subprocess.run([*COMMAND, str(group), "--help"], capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr


def test_naming_all_commands_loads_nothing_that_they_compute_with() -> None:
    """The page of commands, and every wrong word, start as quickly as if there were one command."""
    code = (
        "import sys\n"
        "from optimizer import cli\n"
        "cli.load(cli.rooms())\n"
        "heavy = {'numpy', 'pydantic', 'highspy', 'tomlkit', 'starlette', 'optimizer.bench.batch'}\n"
        "print(sorted(heavy & set(sys.modules)))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_one_material_is_told_in_the_singular_and_who_sets_both_ends_of_a_window_once(run: Run, tmp_path: Path) -> None:
    assert "1 raw material;" in run("library", "find", "CAPB").out
    assert run("start", tmp_path / "bench").code == 0
    told = " ".join(run("blend", tmp_path / "bench" / "first-brief.toml").out.split())
    assert "set by the brief" in told
    assert "the brief and the brief" not in told


def test_who_sets_an_end_of_the_window_is_told_by_name_and_kept_by_id(run: Run, blended: Callable[[str], Ran]) -> None:
    told = " ".join(run("blend", "hand-wash").out.split())
    assert "window 4.8 (brief) to 5.2 (Sodium Benzoate)" in told
    assert "set by the brief and Sodium Benzoate" in told
    assert blended("hand-wash").json["ph"]["high_set_by"] == ["sodium-benzoate"]
