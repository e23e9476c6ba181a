"""The door for programs: lazy names, one answer for commands and programs, one-line reprs, types for consumers."""

from __future__ import annotations

import csv
import json
import re
import shutil
import subprocess
import sys
from importlib import import_module
from pathlib import Path

import pytest
from typer.testing import CliRunner

import optimizer
from optimizer import cli
from optimizer.answers import questions, tradeoff
from optimizer.answers.answer import Answer
from optimizer.answers.intake import take_formula
from optimizer.answers.kept import Records
from optimizer.answers.starter import lay

ROOT = Path(__file__).resolve().parents[2]
HOUSE = Path(optimizer.__file__).parent
ROOMS = sorted(p.name for p in HOUSE.iterdir() if (p / "__init__.py").exists())
FORMULA = "material,percent\naqua,80\ncocamidopropyl-betaine,15\nglycerin,3\nsodium-benzoate,0.5\ncitric-acid,1.5\n"


def asked(tmp_path: Path) -> dict[str, Answer[object]]:
    """Return the answer to every question, from one small set of briefs."""
    formula = tmp_path / "formula.csv"
    if not formula.exists():
        formula.write_text(FORMULA, encoding="utf-8")
    brief = optimizer.read_brief("hand-wash")
    if not (tmp_path / "first").exists():
        lay(tmp_path / "first")
    return {
        "blend": optimizer.blend(brief),
        "check": optimizer.check(formula, brief),
        "compare": optimizer.compare("hand-wash", "body-wash"),
        "explain": optimizer.explain("impossible-wash"),
        "frontier": optimizer.frontier(tmp_path / "first" / "first-brief.toml"),
        "leeway": optimizer.leeway(tmp_path / "first" / "first-brief.toml"),
        "robust": optimizer.robust("oil-wash", draws=10),
        "substitute": optimizer.substitute("cocamidopropyl-betaine", brief),
        "together": optimizer.together({"hand-wash": 40}),
        "vary": optimizer.vary("hand-wash", {"active.at_least": [9, 10]}),
        "why": optimizer.why("decyl-glucoside", brief),
    }


QUESTIONS = (
    "blend",
    "check",
    "compare",
    "explain",
    "frontier",
    "leeway",
    "robust",
    "substitute",
    "together",
    "vary",
    "why",
)


def test_no_public_name_is_a_room() -> None:
    # A submodule that is imported takes its name in the package: a function of that name would be gone.
    assert set(QUESTIONS) < set(optimizer.__all__)
    assert not set(optimizer.__all__) & {*ROOMS, *(p.stem for p in HOUSE.glob("*.py"))}


@pytest.mark.thorough
def test_every_question_can_be_asked_twice_after_every_room_was_entered(tmp_path: Path) -> None:
    for file in HOUSE.rglob("*.py"):
        name = ".".join(file.relative_to(HOUSE.parent).with_suffix("").parts).removesuffix(".__init__")
        if "shipped" not in name:
            import_module(name)
    for name in optimizer.__all__:
        assert getattr(optimizer, name) is getattr(optimizer, name)
    first, again = asked(tmp_path), asked(tmp_path)
    assert tuple(sorted(first)) == QUESTIONS
    for name, answer in first.items():
        assert answer.to_json() == again[name].to_json(), name
        assert answer.rows(), name
        shown = repr(answer)
        assert "\n" not in shown
        assert len(shown) < 400, name
        assert "\n" not in repr(answer.found)[:400], name
        assert answer._repr_html_().startswith("<iframe"), name
        assert answer.document().title


def test_a_command_prints_what_a_program_gets() -> None:
    done = CliRunner().invoke(cli.app, ["blend", "hand-wash", "--json"])
    assert json.loads(done.stdout) == json.loads(optimizer.blend("hand-wash").to_json())
    done = CliRunner().invoke(cli.app, ["why", "decyl-glucoside", "hand-wash", "--json"])
    assert json.loads(done.stdout) == json.loads(optimizer.why("decyl-glucoside", "hand-wash").to_json())


def test_a_program_takes_in_a_formula_sheet_as_the_command_does(tmp_path: Path) -> None:
    sheet = tmp_path / "sheet.csv"
    sheet.write_text("Ingredient,%\nmy mild base,10\nWater,q.s. to 100\n", encoding="utf-8")
    words = ["--as", "my mild base=decyl glucoside"]
    done = CliRunner().invoke(cli.app, ["import", "formula", str(sheet), *words, "--json"])
    told = take_formula(sheet, words={"my mild base": "decyl glucoside"})
    assert json.loads(done.stdout) == json.loads(told.to_json())
    assert [line["material"] for line in told.rows()] == ["decyl-glucoside", "aqua"]


def test_a_program_asks_records_and_gets_what_the_command_prints(tmp_path: Path) -> None:
    kept = Path(shutil.copy(ROOT / "tests" / "made_by_0_1_0" / "records.db", tmp_path))
    records = Records(kept)
    number = records.listed().found.batches[0].batch
    for words, answer in (
        (["list"], records.listed()),
        (["show", number], records.show(number)),
        (["lots", number], records.lots(number)),
        (["tests", number, "--on", "2026-11-25"], records.tests(number, "2026-11-25")),
    ):
        done = CliRunner().invoke(cli.app, ["records", *words, "--store", str(kept), "--json"])
        assert json.loads(done.stdout) == json.loads(answer.to_json()), words


def test_a_family_of_curves_is_read_once_for_each_value(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[tuple[list[tuple[str, str]], tuple[str, ...]]] = []

    def read(more: tradeoff.Changes, axes: tuple[str, ...]) -> optimizer.Brief:
        asked.append((list(more), axes))
        return optimizer.read_brief("hand-wash")

    monkeypatch.setattr(questions, "frontier", lambda briefs, **_: briefs)
    sides = {"best": "minimise cost", "against": "maximise mildness"}
    assert list(tradeoff.traded(read, **sides, by="active.at_least = 9, 10")) == [  # type: ignore[call-overload]
        "active.at_least = 9", "active.at_least = 10",
    ]  # fmt: skip
    assert [more for more, _ in asked] == [[("active.at_least", "9")], [("active.at_least", "10")]]
    assert {axes for _, axes in asked} == {("cost", "mildness")}
    alone: object = tradeoff.traded(read, **sides)
    assert isinstance(alone, optimizer.Brief)
    with pytest.raises(optimizer.UsageError, match=r"--by active: write RULE.LIMIT=VALUE,VALUE"):
        tradeoff.traded(read, **sides, by="active")


def test_a_program_plans_named_briefs_with_rates_of_other_currencies(tmp_path: Path) -> None:
    lay(tmp_path)
    shelf = tmp_path / "shelf.csv"
    text = shelf.read_text(encoding="utf-8")
    assert ",EUR," in text
    shelf.write_text(text.replace(",EUR,", ",USD,", 1), encoding="utf-8")
    brief = str(tmp_path / "first-brief.toml")
    with pytest.raises(optimizer.DataError, match="USD"):
        optimizer.together({brief: 2})
    plan = optimizer.together({brief: 2}, rates={"USD": 0.9}).found  # made up
    assert (plan.ending, plan.currency) == ("optimal", "EUR")


def test_a_plan_of_nothing_or_of_no_mass_and_a_range_without_values_are_refused() -> None:
    with pytest.raises(optimizer.DataError, match="no product is named"):
        optimizer.together({})
    for kg in (-4, 0, float("nan"), float("inf")):
        with pytest.raises(optimizer.DataError, match="is no mass to make"):
            optimizer.together({"hand-wash": kg})
    with pytest.raises(optimizer.UsageError, match=r"active\.at_least: there is no value"):
        optimizer.vary("hand-wash", {"active.at_least": []})


def test_a_program_writes_the_table_of_a_range(tmp_path: Path) -> None:
    out = tmp_path / "answers.csv"
    told = optimizer.vary("hand-wash", {"active.at_least": [9, 10]}, out=out)
    with out.open(encoding="utf-8", newline="") as stream:
        written = [float(row["cost"]) for row in csv.DictReader(stream)]
    assert written == pytest.approx([row["cost_per_kg"] for row in told.rows()])
    assert len(written) == 2
    assert list(tmp_path.iterdir()) == [out], "pieces go once the table is there"


def test_a_program_is_told_the_next_step_and_every_scenario_of_a_range() -> None:
    """The size in the step and the limits are made up."""
    told = optimizer.blend("hand-wash")
    assert told.document().facts[0] == ("next", "tenside batch hand-wash --size 5kg --out batch.toml")
    asked = optimizer.read_brief("hand-wash", active__at_least=10)
    assert all(name != "next" for name, _ in optimizer.blend(asked).document().facts), "nobody said what it is called"
    altered = optimizer.blend(asked, name="hand-wash", altered=True).document()
    assert altered.facts[0][1].startswith("write what you changed into the brief, then tenside batch hand-wash")
    ranged = optimizer.vary("hand-wash", {"active.at_least": [9, 10]})
    assert "Every scenario" in ranged._repr_html_()
    assert [part.title for part in ranged.page().sections][:-1] == [part.title for part in ranged.document().sections]


def test_reprs_of_formulas_and_results_are_one_line() -> None:
    found = optimizer.blend("hand-wash").found
    assert re.fullmatch(r"<result for 'Harbour hand wash': optimal, .*, 0\.99\d*>", repr(found))
    assert re.fullmatch(r"<formula of \d+ materials, 9 % active matter, 4 % kept free>", repr(found.formula))


def test_the_door_loads_nothing_by_itself() -> None:
    code = "import sys, optimizer; print(sorted(m for m in sys.modules if m[:5] in ('optim', 'numpy', 'pydan')))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    assert done.stdout.strip() == "['optimizer']"


@pytest.mark.slow
def test_a_consumer_sees_types(tmp_path: Path) -> None:
    consumer = tmp_path / "consumer.py"
    consumer.write_text(
        "import optimizer as tenside\n"
        "answer = tenside.blend(tenside.read_brief('hand-wash'))\n"
        "reveal_type(answer.found.cost)\n"
        "reveal_type(answer.rows())\n",
        encoding="utf-8",
    )
    command = [sys.executable, "-m", "mypy", "--strict", "--no-incremental", "--config-file", "", str(consumer)]
    done = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, check=False)
    assert 'Revealed type is "float"' in done.stdout.replace("builtins.", "")
    assert "Success" in done.stdout or "consumer.py" not in [
        line.split(":")[0].rsplit("/", 1)[-1] for line in done.stdout.splitlines() if ": error:" in line
    ]
    assert (HOUSE / "py.typed").exists()


def test_frames_need_pandas(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    with pytest.raises(optimizer.UsageError, match="needs pandas"):
        optimizer.blend("hand-wash").to_frame()


@pytest.mark.thorough
def test_the_page_for_python_runs(capsys: pytest.CaptureFixture[str]) -> None:
    blocks = re.findall(r"```python\n(.*?)```", (ROOT / "docs" / "python.md").read_text(encoding="utf-8"), re.DOTALL)
    assert len(blocks) >= 6
    place: dict[str, object] = {}
    for block in blocks:
        exec(compile(block, "docs/python.md", "exec"), place)
    shown = capsys.readouterr().out
    assert "cocamidopropyl-betaine" in shown
    assert "at_least" in shown, "the nearest key is told"
