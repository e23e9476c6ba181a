"""What is said of limits on rulers, held against solving each place. Figures are made up around the shipped briefs'."""

from __future__ import annotations

import threading
import time
from math import isnan, nan
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
import pytest

import optimizer as tenside
from optimizer.answers.ruled import Ruled
from optimizer.answers.rulers import OpenRulers, Rulers
from optimizer.answers.starter import lay
from optimizer.errors import DataError
from optimizer.files import shipped
from optimizer.report.record import record
from optimizer.solve.best import solve
from optimizer.sweep.live import Live
from optimizer.sweep.turns import Turns
from tests.support.draws import drawn

BRIEFS = ("hand-wash", "body-wash", "facial-wash")


def rulers_of(name: str) -> Rulers:
    """Return the rulers of a shipped brief."""
    return Rulers(shipped("scenarios") / f"{name}.toml")


def places(rulers: Rulers, count: int) -> list[dict[str, float]]:
    """Return drafts with one or two limits moved, seeded."""
    random, found = Random(rulers.brief.scenario.name), []
    marks = [m for m in rulers.marks if m.live]
    for _ in range(count):
        some = random.sample(marks, random.choice((1, 1, 2)))
        found.append({m.key: round(m.at + random.randint(-6, 6) * m.step, 6) for m in some})
    return [{k: v for k, v in d.items() if v >= 0} for d in found]


@pytest.mark.thorough
@pytest.mark.parametrize("name", BRIEFS)
def test_proven_is_what_blend_says_and_nothing_unproven_is_cheaper(name: str) -> None:
    """72 places over three briefs, each asked, proven and asked again: no guess is told as best."""
    rulers, seen = rulers_of(name), set()
    for draft in places(rulers, drawn(5, of=24)):
        try:
            first = rulers.ask(draft)
        except DataError:
            with pytest.raises(DataError):
                tenside.read_brief(name, **draft)
            continue
        second = rulers.prove(draft)
        assert second is not None
        said = record_of_blend(name, draft)
        for answer in (first, second, rulers.ask(draft)):
            seen.add(answer.word)
            agrees(answer, said)
    assert "proven" in seen


def record_of_blend(name: str, draft: dict[str, float]) -> dict[str, float]:
    """Return ending and cost of `blend --json` at a draft."""
    said = tenside.blend(tenside.read_brief(name, **draft))
    told = said.record().model_dump()
    return {"code": said.exit_code, "cost": nan if told["cost_per_kg"] is None else told["cost_per_kg"]}


def agrees(answer: Ruled, said: dict[str, float]) -> None:
    """Hold an answer against what `blend` says."""
    if answer.word == "proven":
        assert (answer.ending == "infeasible") == (said["code"] == 4)
        assert answer.cost == pytest.approx(said["cost"], abs=1e-7, nan_ok=True)
    elif not isnan(answer.cost):
        assert said["code"] == 0
        assert answer.cost >= said["cost"] - 1e-7


@pytest.mark.thorough
def test_what_a_step_costs_is_what_the_step_costs_when_it_is_solved() -> None:
    rulers, checked = rulers_of("hand-wash"), 0
    answer = rulers.prove({"mildness.at_least": 59.0})
    assert answer is not None
    for ruler in answer.rulers:
        for sign, change in ((1, ruler.raised), (-1, ruler.lowered)):
            if isnan(change):
                continue
            there = {"mildness.at_least": 59.0, ruler.key: ruler.at + sign * ruler.step}
            solved = tenside.blend(tenside.read_brief("hand-wash", **there))
            assert solved.found.cost - answer.cost == pytest.approx(change, abs=1e-7)
            checked += 1
    assert checked >= 6


@pytest.mark.thorough
def test_a_limit_fits_up_to_where_it_says_and_not_beyond() -> None:
    rulers, draft, checked = rulers_of("hand-wash"), {"active.at_least": 9.5}, 0
    assert rulers.reach(draft)
    for ruler in rulers.ask(draft).rulers:
        if not ruler.nothing or ruler.key in ("alkyl-sulfates.at_most", "salt.at_most"):
            continue
        assert ruler.fits_proof == "certificate"
        way = 1 if ruler.key.endswith("at_least") else -1
        for beyond, code in ((-1e-4, 0), (1e-3, 4)):
            at = {**draft, ruler.key: ruler.fits_to + way * beyond}
            try:
                assert solve(tenside.read_brief("hand-wash", **at)).exit_code == code, ruler.key
            except DataError:  # a lower limit above its upper one is refused as such
                assert code == 4
        checked += 1
    assert checked >= 4


def test_the_record_holds_what_is_shown_and_is_json() -> None:
    rulers = rulers_of("hand-wash")
    rulers.prove({"mildness.at_least": 59.0})
    told = record(rulers.ask({"mildness.at_least": 59.0})).model_dump()
    assert told["format"] == 1
    assert told["moved"] == {"mildness.at_least": 59.0}
    assert told["verdict"] == f"{told['objective']:.3f} EUR per kg as planned"
    assert told["alone"] == f"the blend alone {told['cost']:.3f} EUR per kg"
    planned = told["objective"] - solve(tenside.read_brief("hand-wash")).objective
    assert told["against"] == f"{planned:+.3f} EUR against the file"
    assert told["change"] == pytest.approx(told["cost"] - told["cost_of_file"])
    assert sum(line["percent"] for line in told["lines"]) == pytest.approx(96, abs=1e-6)
    assert told["standing"] == "Proven: nothing better keeps every limit."


def test_what_equals_the_file_is_not_moved_and_what_is_no_limit_is_told() -> None:
    rulers = rulers_of("hand-wash")
    assert rulers.ask({"active.at_least": 9.0}).moved == {}
    with pytest.raises(DataError) as told:
        rulers.ask({"activ.at_least": 9.0, "mildness.at_least": 900.0, "missing.soap": 1.0})
    assert [p.key for p in told.value.problems] == ["activ.at_least", "mildness.at_least", "missing.soap"]


@pytest.mark.thorough
def test_the_ph_moves_too_and_a_material_can_be_out() -> None:
    rulers = rulers_of("hand-wash")
    for draft, key in (({"ph.low": 5.3}, {"ph.low": 5.3}), ({"missing.decyl-glucoside": 1.0}, {})):
        answer = rulers.prove(draft)
        assert answer is not None
        assert answer.word == "proven"
        brief = tenside.read_brief("hand-wash", **key)
        if not key:
            brief = rulers.brief_at(draft)
        assert answer.cost == pytest.approx(tenside.blend(brief).found.cost, abs=1e-7)
    assert "decyl-glucoside" not in [
        line.id for line in rulers.ask({"missing.decyl-glucoside": 1.0}).lines if line.percent
    ]


def test_questions_are_answered_while_a_proof_runs_and_numbers_never_fall() -> None:
    rulers, numbers, stop = rulers_of("body-wash"), [], threading.Event()
    rulers.ask({})
    costs = np.linspace(58, 72, 15)

    def proofs() -> None:
        for place in costs:
            rulers.prove({"mildness.at_least": float(place)}, stop.is_set)

    worker = threading.Thread(target=proofs)
    worker.start()
    for place in np.tile(costs, 2):
        answer = rulers.ask({"mildness.at_least": float(place)})
        assert answer.moved.get("mildness.at_least", 58.0) == place
        numbers.append(answer.number)
    stop.set()
    worker.join(60)
    assert not worker.is_alive()
    assert numbers == sorted(set(numbers))


def test_a_brief_is_read_anew_when_one_of_its_files_has_changed(tmp_path: Path) -> None:
    lay(tmp_path)
    pool, path = OpenRulers(), tmp_path / "first-brief.toml"
    before = pool.of(path)
    assert pool.of(path) is before
    shelf = tmp_path / "shelf.csv"
    shelf.write_text(shelf.read_text(encoding="utf-8").replace(",18.00,", ",36.00,"), encoding="utf-8")
    after = pool.of(path)
    assert after is not before
    assert after.file.cost > before.file.cost


def test_proofs_of_two_briefs_take_one_core_together(monkeypatch: pytest.MonkeyPatch) -> None:
    running, most, made = 0, list[int](), Live.prove

    def prove(self: Live, *more: Any) -> Any:
        nonlocal running
        running += 1
        most.append(running)
        time.sleep(0.02)
        try:
            return made(self, *more)
        finally:
            running -= 1

    monkeypatch.setattr(Live, "prove", prove)
    pool = OpenRulers()
    briefs = [pool.of(shipped("scenarios") / f"{name}.toml") for name in ("hand-wash", "body-wash")]
    threads = [threading.Thread(target=rulers.prove, args=({},)) for rulers in briefs]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert len(most) >= len(briefs)
    assert max(most) == 1


def test_a_proof_goes_before_what_takes_long() -> None:
    turns, done = Turns(), list[str]()

    def takes_long() -> None:
        with turns.after():
            began.set()
            while not turns.waiting:
                time.sleep(0.001)
            turns.give_way()
            done.append("long")

    began = threading.Event()
    thread = threading.Thread(target=takes_long)
    thread.start()
    began.wait(20)
    with turns.first():
        done.append("proof")
    thread.join(20)
    assert done == ["proof", "long"]
    with turns.after():
        turns.give_way()  # nobody waits: it goes on
