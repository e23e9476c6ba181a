"""The thickening log: opened by a pH, stopped at the target, warned past the peak, and never past a limit."""

from __future__ import annotations

import json
import re
from itertools import pairwise
from math import exp
from pathlib import Path
from typing import Any

import pytest

from optimizer.answers.bench import sheet_of
from optimizer.answers.subject import subject_of
from optimizer.bench.batch import read_batch
from optimizer.bench.weigh import Step
from optimizer.report.record import record_of
from optimizer.report.thicken import Thickened
from tests.support.command import Run

BATCH = """# the salt batch of May
batch = "2026-05-A"
brief = "body-wash"
size_g = 2000
held_back_percent = 4
ph_low = 5.0
ph_target = 5.3
ph_high = 5.6
scale = {{ step_g = {step} }}

[[line]]
material = "sodium-laureth-sulfate-2eo-70"
percent = 14
[[line]]
material = "cocamidopropyl-betaine"
percent = 8
[[line]]
material = "phenoxyethanol-ethylhexylglycerin"
percent = 0.9
[[line]]
material = "parfum"
percent = 0.3
[[line]]
material = "aqua"
percent = 72.8
"""
ADJUSTED = """
[[adjustment]]
of = "{of}"
start_g = 1900
chemical = "citric acid"
strength_percent = 50
[[adjustment.reading]]
added_g = 4
ph = {ph}
"""
SALT, LIQUID = "sodium-chloride", "sorbitan-sesquicaprylate"


def laid(folder: Path, *, ph: float | None = 5.3, of: str = "batch", step: float = 0.1, more: str = "") -> Path:
    path = folder / "my-batch.toml"
    text = BATCH.format(step=step) + ("" if ph is None else ADJUSTED.format(of=of, ph=ph)) + more
    path.write_text(text, encoding="utf-8")
    return path


def log_of(run: Run, path: Path, material: str, *args: object) -> Any:
    code, out, err = run("thicken", path, "--material", material, *args, "--json")
    assert code == 0, err
    return json.loads(out)["logs"][0]


def sheet_with(path: Path, thickeners: str) -> dict[str, Step]:
    """Return the steps of a weigh sheet by title, with thickeners held ready."""
    found = subject_of(str(path), changes=[("held_back.thickeners", thickeners)])
    return {step.title: step for step in sheet_of(found).steps}


def salt_curve(percent: float, peak: float, at: float) -> float:
    """Return a viscosity [mPa s] that rises, peaks and falls; the shape is common practice, no source."""
    return 60 + peak * exp(-(((percent - at) / 0.45) ** 2))


def thickened(run: Run, path: Path, peak: float, at: float, target: float) -> list[Any]:
    """Follow the tool's own next step until it gives none, reading a simulated curve; return every state."""
    log = log_of(
        run,
        path,
        SALT,
        "--added",
        "0%",
        "--viscosity",
        salt_curve(0, peak, at),
        "--target",
        target,
        "--temperature",
        22,
    )
    seen = [log]
    while log["next"] and len(seen) < 30:
        dose = log["next"]["total_percent"]
        log = log_of(
            run,
            path,
            SALT,
            "--added",
            f"{dose}%",
            "--viscosity",
            salt_curve(dose, peak, at),
            "--temperature",
            22.4,
            "--ph",
            5.3,
        )
        seen.append(log)
    return seen


def test_a_salt_curve_is_followed_until_the_target(tmp_path: Path, run: Run) -> None:
    path = laid(tmp_path)
    seen = thickened(run, path, peak=9000, at=1.2, target=4000)
    assert [s["state"] for s in seen[:-1]] == ["open"] * (len(seen) - 1)
    last = seen[-1]
    assert last["state"] == "target reached"
    assert last["next"] is None
    assert 4000 <= last["steps"][-1]["reading"] < 7000
    doses = [s["added_percent"] for s in last["steps"]]
    assert all(0 < b - a <= 0.2 + 1e-9 for a, b in pairwise(doses))
    assert all(d * 2000 / 100 / 0.1 == pytest.approx(round(d * 2000 / 100 / 0.1)) for d in doses)
    text = path.read_text(encoding="utf-8")
    assert text.startswith("# the salt batch of May\n")
    assert text.count("[[thickening.step]]") == len(seen)


@pytest.mark.parametrize("at", [0.35, 0.5, 0.6, 0.75, 0.9])
def test_the_alarm_comes_within_a_step_of_a_peak_below_the_target(tmp_path: Path, run: Run, at: float) -> None:
    path = laid(tmp_path)
    last = thickened(run, path, peak=2500, at=at, target=4000)[-1]
    assert last["state"] in ("peak passed", "no longer rising")
    assert last["next"] is None
    steps = [(s["added_percent"], s["reading"]) for s in last["steps"]]
    best = max(steps, key=lambda s: s[1])[0]
    assert abs(best - at) <= 0.2 + 1e-9
    assert steps[-1][0] <= best + 0.2 + 1e-9
    assert sum(dose > at for dose, _ in steps) <= 2


def test_the_alarm_is_loud(tmp_path: Path, run: Run) -> None:
    path = laid(tmp_path)
    for dose, value in ((0, 100), (0.2, 900), (0.4, 700)):
        _, out, _ = run(
            "thicken", path, "--material", SALT, "--added", f"{dose}%", "--viscosity", value, "--temperature", 22
        )
    assert "PEAK PASSED: the reading fell from 900 at 0.2 % to 700 at 0.4 %" in " ".join(out.split())
    assert "add " not in out.split("Next step")[1].split("handling")[0]


def test_noise_is_no_peak(tmp_path: Path, run: Run) -> None:
    """Noise of 5 %: an editable default, no source. Before a rise, equal readings are no peak either."""
    path = laid(tmp_path)
    for dose, value in ((0, 100), (0.2, 98), (0.4, 101)):
        log = log_of(run, path, SALT, "--added", f"{dose}%", "--viscosity", value, "--temperature", 22)
    assert log["state"] == "open"


@pytest.mark.parametrize(
    ("ph", "of", "words"),
    [
        (None, "batch", "no pH of the batch is logged, and Sorbitan Sesquicaprylate needs pH 4 to 6.5. Adjust"),
        (7.1, "batch", "the last pH is 7.1, and Sorbitan Sesquicaprylate needs pH 4 to 6.5."),
        (5.3, "sample", "no pH of the batch is logged"),
    ],
)
def test_no_step_without_a_ph_inside_the_window(
    tmp_path: Path, run: Run, ph: float | None, of: str, words: str
) -> None:
    path = laid(tmp_path, ph=ph, of=of)
    before = path.read_text(encoding="utf-8")
    code, out, err = run("thicken", path, "--material", LIQUID, "--added", "0.5%", "--judged", 2)
    assert (code, out) == (3, "")
    assert words in err
    assert path.read_text(encoding="utf-8") == before
    assert log_of(run, path, LIQUID)["state"] == "closed"
    assert log_of(run, path, LIQUID)["next"] is None


def test_a_thickener_that_shares_no_ph_with_the_target_is_never_a_reason_to_move_it(tmp_path: Path, run: Run) -> None:
    """Target 5 to 5.6; the polymer builds at pH 6 to 8 (library)."""
    polymer = 'material = "acrylates-copolymer"'
    log = log_of(run, laid(tmp_path, more=f"[[thickening]]\n{polymer}\n"), "acrylates-copolymer")
    assert log["state"] == "closed"
    assert log["verdict"].startswith("The target of this batch is pH 5 to 5.6, and Acrylates Copolymer needs pH 6 to 8")
    assert "Adjust" not in log["verdict"]


def test_the_sheet_offers_no_thickener_that_does_not_work_at_the_target(tmp_path: Path) -> None:
    """Target 5 to 5.6; carbomer builds at pH 5.5 to 10 and takes a base for it, xanthan at 3 to 12 (library)."""
    steps = sheet_with(laid(tmp_path), "carbomer,xanthan-gum-clear")
    swelling = " ".join(steps["Gum or polymer, hydrated"].do)
    assert "If Xanthan Gum, clear grade is to thicken it" in swelling
    assert "Carbomer" not in swelling
    assert steps["Thickening"].do[0].startswith("Not fit to thicken this blend: Carbomer. It works at pH 5.5 to 10")


def test_a_thickener_that_takes_a_base_has_its_caution_where_it_goes_in(tmp_path: Path) -> None:
    """The target is moved to pH 6.2 to 7, where acrylates copolymer builds (library: 6 to 8)."""
    path = laid(tmp_path, ph=None)
    text = path.read_text(encoding="utf-8")
    for end, was in (("low = 6.2", "low = 5.0"), ("target = 6.6", "target = 5.3"), ("high = 7", "high = 5.6")):
        text = text.replace(f"ph_{was}", f"ph_{end}")
    path.write_text(text, encoding="utf-8")
    step = sheet_with(path, "acrylates-copolymer")["Gum or polymer, hydrated"]
    told = [c for c in step.cautions if "goggles" in c.text and "a base has neutralised" in c.text]
    assert [c.materials for c in told] == [("Acrylates Copolymer",)]


def test_salt_stays_closed_where_the_make_up_gives_it_no_charge_to_screen(tmp_path: Path, run: Run) -> None:
    """A made up wash of glucoside and betaine; what is in is noted all the same."""
    path = laid(tmp_path)
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("sodium-laureth-sulfate-2eo-70", "decyl-glucoside"), encoding="utf-8")
    _, out, err = run("thicken", path, "--material", SALT)
    assert "Salt is not the way here. Salt screens the charge of sulfate-type anionics" in " ".join(out.split()), err
    assert f"--material {SALT} --added" not in out + err
    assert log_of(run, path, SALT)["state"] == "closed"
    begun = log_of(run, path, SALT, "--added", "0.2%", "--judged", 2, "--ph", 5.3)
    assert begun["state"] == "open"
    assert any(note.startswith("Salt is not the way here") for note in begun["notes"])


def test_a_ph_outside_both_is_brought_to_what_they_share(tmp_path: Path, run: Run) -> None:
    log = log_of(run, laid(tmp_path, ph=7.1), LIQUID)
    assert log["verdict"].endswith("Adjust it to pH 5 to 5.6, then log a reading with its pH.")


def test_the_blend_before_any_thickener_may_be_read_and_a_new_ph_opens(tmp_path: Path, run: Run) -> None:
    path = laid(tmp_path, ph=None)
    assert log_of(run, path, LIQUID, "--added", "0%", "--judged", 1)["state"] == "closed"
    log = log_of(run, path, LIQUID, "--added", "0%", "--judged", 1, "--ph", 5.4)
    assert log["state"] == "open"
    assert log["next"]["percent"] == pytest.approx(0.5)
    assert log["next"]["grams"] == pytest.approx(10)


def test_a_ph_read_after_the_addition_does_not_open_the_log(tmp_path: Path, run: Run) -> None:
    path = laid(tmp_path, ph=None)
    code, _, err = run("thicken", path, "--material", LIQUID, "--added", "0.5%", "--judged", 1, "--ph", 5.4)
    assert code == 3
    assert "Or log a reading of what is in the vessel with its pH: --added 0% --ph ..." in err


def test_a_ph_that_left_the_window_closes_it_until_a_new_one_is_read(tmp_path: Path, run: Run) -> None:
    path = laid(tmp_path)
    assert log_of(run, path, LIQUID, "--added", "0.5%", "--judged", 2, "--ph", 6.9)["state"] == "closed"
    code, _, err = run("thicken", path, "--material", LIQUID, "--added", "1%", "--judged", 3)
    assert (code, "--added 0.5% --ph ..." in err) == (3, True)
    assert log_of(run, path, LIQUID, "--added", "0.5%", "--judged", 2, "--ph", 5.4)["state"] == "open"


def test_the_upper_end_of_the_salt_budget_is_told(tmp_path: Path, run: Run) -> None:
    log = log_of(run, laid(tmp_path, ph=None), SALT, "--added", "0%", "--viscosity", 100, "--ph", 5.3)
    assert log["notes"][-1].startswith("At the upper ends of the printed ranges only 1.06 %")


def test_ph_outside_the_batch_window_is_told(tmp_path: Path, run: Run) -> None:
    notes = log_of(run, laid(tmp_path, ph=6.2), LIQUID)["notes"]
    assert notes == ["pH 6.2 is outside the batch's window 5 to 5.6: set it before you go on."]


def test_never_past_the_held_back_room_or_a_planned_limit(tmp_path: Path, run: Run) -> None:
    """Room 4 % less 4 g of acid solution in 2000 g = 3.8 %; the plan says 0.7 %."""
    more = f'\n[[thickening]]\nmaterial = "{LIQUID}"\nmost_percent = 0.7\n'
    path = laid(tmp_path, more=more)
    log = log_of(run, path, LIQUID, "--added", "0.5%", "--judged", 2, "--temperature", 22)
    assert log["limits"] == pytest.approx({"planned": 0.7, "part held back": 3.8})
    assert log["next"]["total_percent"] <= 0.7 + 1e-9
    log = log_of(run, path, LIQUID, "--added", "0.7%", "--judged", 2, "--temperature", 22)
    assert (log["state"], log["next"]) == ("limit reached", None)
    log = log_of(run, path, LIQUID, "--added", "0.9%", "--judged", 2, "--temperature", 22, "--sure")
    assert "0.9 % is in, past the limit of 0.7 %." in log["notes"]


def test_salt_counts_against_the_budget(tmp_path: Path, run: Run) -> None:
    """Carried 8 x 5.1 % + 14 x 0.3 % = 0.45 % (a lot of the shelf a little less), acid 2 g in 2000 g = 0.1 %."""
    log = log_of(run, laid(tmp_path), SALT, "--added", "0.6%", "--viscosity", 300, "--temperature", 22)
    assert log["limits"]["salt budget"] == pytest.approx(1.45, abs=0.01)
    assert log["most_percent"] == log["limits"]["salt budget"]
    assert log["budget"]["left"]["typical"] == pytest.approx(0.85, abs=0.01)
    assert [p["percent"]["typical"] for p in log["budget"]["parts"] if p["origin"] == "added salt"] == [0.6]


def test_other_thickeners_use_the_same_room(tmp_path: Path, run: Run) -> None:
    path = laid(tmp_path)
    log_of(run, path, LIQUID, "--added", "1.0%", "--judged", 2, "--temperature", 22)
    assert log_of(run, path, SALT)["limits"]["part held back"] == pytest.approx(2.8)


def test_readings_of_other_temperatures_are_not_compared(tmp_path: Path, run: Run) -> None:
    """Apart by more than 2 °C: an editable default, no source; warm blends are thinner (common practice)."""
    path = laid(tmp_path)
    log_of(run, path, SALT, "--added", "0%", "--viscosity", 100, "--temperature", 22)
    log_of(run, path, SALT, "--added", "0.2%", "--viscosity", 900, "--temperature", 22)
    log = log_of(run, path, SALT, "--added", "0.4%", "--viscosity", 400, "--temperature", 35)
    assert log["state"] == "read again"
    assert log["verdict"] == "Add nothing yet: read again at 22 °C, or once more at 35 °C to go on from there."
    assert any("not comparable" in note for note in log["notes"])
    log = log_of(run, path, SALT, "--added", "0.4%", "--viscosity", 1900, "--temperature", 23)
    assert log["state"] == "open"
    assert [s["comparable"] for s in log["steps"]] == [True, True, False, True]


def test_near_the_target_steps_are_halved(tmp_path: Path, run: Run) -> None:
    path = laid(tmp_path)
    log = log_of(run, path, LIQUID, "--added", "0%", "--flow", 5, "--target", 20)
    assert log["next"]["percent"] == pytest.approx(0.5)
    assert log_of(run, path, LIQUID, "--added", "0.5%", "--flow", 17)["next"]["percent"] == pytest.approx(0.25)
    assert log_of(run, path, LIQUID, "--added", "0.75%", "--flow", 21)["state"] == "target reached"


def test_a_gel_is_the_end_without_a_target(tmp_path: Path, run: Run) -> None:
    path = laid(tmp_path)
    assert log_of(run, path, LIQUID, "--added", "0.5%", "--judged", 5)["state"] == "target reached"


def test_grams_are_rounded_down_to_the_scale_and_small_ones_told(tmp_path: Path, run: Run) -> None:
    """0.2 % of 2000 g is 4 g; a scale of 3 g steps gives 3 g, less than the 60 g it weighs to 5 %."""
    log = log_of(run, laid(tmp_path, step=3), SALT)
    assert log["next"]["grams"] == pytest.approx(3)
    assert log["next"]["percent"] == pytest.approx(0.15)
    assert any("less than the 60 g" in note for note in log["notes"])


def test_less_than_the_scale_can_weigh_ends_it(tmp_path: Path, run: Run) -> None:
    log = log_of(run, laid(tmp_path, step=10), SALT, "--added", "0%", "--viscosity", 100)
    assert (log["state"], log["next"]) == ("limit reached", None)


@pytest.mark.thorough
@pytest.mark.parametrize(
    ("args", "code", "words"),
    [
        (("--material", SALT, "--added", "0.2%", "--viscosity", 9, "--flow", 3), 3, "one step has 2 readings"),
        (
            ("--material", SALT, "--added", "0.6%", "--flow", 3),
            3,
            "the log is read as a viscosity, this step as a time to run out",
        ),
        (
            ("--material", SALT, "--added", "0.2%", "--viscosity", 3),
            3,
            "0.2 % is less than the 0.4 % of the step before",
        ),
        (
            ("--material", SALT, "--added", "-0.2%", "--viscosity", 3),
            3,
            "thickening.sodium-chloride.added_percent: -0.2",
        ),
        (
            ("--material", SALT, "--added", "0.6%", "--viscosity", -3),
            3,
            "thickening.sodium-chloride.viscosity_mpas: -3",
        ),
        (("--material", SALT, "--added", "0.6%"), 3, "write a reading: viscosity_mpas, flow_s or judged"),
        (("--material", SALT, "--added", "0.6%", "--judged", 7), 3, "thickening.sodium-chloride.judged: 7"),
        (("--material", "sodium-chlorid", "--added", "0.6%", "--judged", 2), 3, "Did you mean 'sodium-chloride'?"),
        (("--material", "glycerin", "--added", "0.6%", "--judged", 2), 3, "this is no thickener."),
        (
            ("--material", "xanthan-gum", "--added", "0.2%", "--judged", 2),
            3,
            "this thickener is not planned for the batch",
        ),
        (("--material", "xanthan-gum"), 3, "Planned: sodium-chloride, sorbitan-sesquicaprylate"),
        (("--added", "0.6%", "--judged", 2), 2, "name the thickener with --material"),
        (("--material", SALT, "--judged", 2), 2, "say how much is in so far with --added"),
    ],
)
def test_what_cannot_be_logged_is_refused_and_nothing_is_written(
    tmp_path: Path, run: Run, args: tuple[object, ...], code: int, words: str
) -> None:
    path = laid(tmp_path)
    for dose, value in ((0, 100), (0.4, 200)):
        log_of(run, path, SALT, "--added", f"{dose}%", "--viscosity", value)
    before = path.read_text(encoding="utf-8")
    ended, out, err = run("thicken", path, *args, "--target", 500) if code == 3 else run("thicken", path, *args)
    assert (ended, out) == (code, "")
    assert words in err
    assert path.read_text(encoding="utf-8") == before


def test_a_file_with_steps_out_of_order_or_mixed_readings_is_told(tmp_path: Path, run: Run) -> None:
    steps = "".join(
        f"[[thickening.step]]\nadded_percent = {dose}\n{reading}\n"
        for dose, reading in ((0.4, "judged = 2"), (0.2, "judged = 2"))
    )
    head = f'\n[[thickening]]\nmaterial = "{SALT}"\n'
    code, _, err = run("thicken", laid(tmp_path, more=head + steps))
    assert code == 3
    assert "the steps are out of order" in err
    mixed = steps.replace("0.4\njudged = 2", "0\njudged = 1").replace("judged = 2", "flow_s = 9")
    notes = log_of(run, laid(tmp_path, more=head + mixed), SALT)["notes"]
    assert "The log mixes readings: only judged is followed, flow_s is left aside." in notes


def test_all_planned_thickeners_before_the_first_step_and_the_curve_after(tmp_path: Path, run: Run) -> None:
    path = laid(tmp_path)
    code, out, _ = run("thicken", path)
    assert code == 0
    assert "3 thickeners are planned" in out
    said = "".join(out.split())  # a long path is broken where the line ends
    assert re.search(r"planned\.nexttensidethicken\S+--material\S+--added0%", said)
    for dose, value in ((0, 100), (0.2, 900)):
        run("thicken", path, "--material", SALT, "--added", f"{dose}%", "--viscosity", value, "--target", 3000)
    code, out, _ = run("thicken", path)
    assert re.search(r"next\s+add [\d.]+ g, mix, read, then tenside thicken", out.replace("\n", " "))
    assert "The curve" in out
    assert out.count("●") == 2
    assert "-----" in out
    assert all(len(line) <= 100 for line in out.splitlines())
    code, out, _ = run("thicken", path, "--markdown")
    assert code == 0
    assert "## The curve" in out


def test_json_keeps_its_schema(tmp_path: Path, run: Run) -> None:
    path = laid(tmp_path)
    log_of(
        run,
        path,
        SALT,
        "--added",
        "0%",
        "--viscosity",
        100,
        "--on",
        "2026-05-04T10:30",
        "--note",
        "clear",
        "--waited",
        10,
    )
    record = record_of(Thickened).model_validate(json.loads(run("thicken", path, "--json")[1]))
    step = record.logs[0].steps[0]
    assert (step.on, step.note, step.waited_min) == ("2026-05-04T10:30", "clear", 10)
    _, out, _ = run("schema", "thicken")
    assert set(json.loads(out)["properties"]) == set(record_of(Thickened).model_fields)


def test_what_is_no_batch_is_refused(run: Run) -> None:
    code, _, err = run("thicken", "hand-wash")
    assert code == 2
    assert "hand-wash is no batch file" in err


def test_grams_and_per_cent_are_told_apart(run: Run, tmp_path: Path) -> None:
    path = laid(tmp_path)
    code, _, err = run("thicken", path, "--material", SALT, "--added", "5", "--viscosity", 100)
    assert code == 2
    size = read_batch(path).size_g
    assert err == (
        f"tenside: --added 5: grams or per cent? Write --added 5g ({500 / size:g} % of the {size:g} g batch) or "
        f"--added 5% ({size / 20:g} g).\n"
    )
    for typed in ("3g", "3 g", "0.003kg", "3,0 g", f"{300 / size}%"):
        path = laid(tmp_path)
        log = log_of(run, path, SALT, "--added", typed, "--viscosity", 100)
        assert log["added_percent"] == pytest.approx(300 / size)
    for typed in ("3 ml", "3 spoons", "three"):
        code, _, err = run("thicken", path, "--material", SALT, "--added", typed, "--viscosity", 100)
        assert (code, "write grams such as 21g, or per cent such as 0.5%" in err) == (2, True)


def test_what_passes_the_limit_is_refused_unless_it_is_so(run: Run, tmp_path: Path) -> None:
    path = laid(tmp_path)
    before = path.read_bytes()
    code, _, err = run("thicken", path, "--material", LIQUID, "--added", "21%", "--judged", 3)
    assert code == 3
    assert "21 % is past the limit of " in err
    assert "if so much really is in, add --sure" in err
    assert path.read_bytes() == before
    log = log_of(run, path, LIQUID, "--added", "21%", "--judged", 3, "--sure")
    assert log["state"] == "limit reached"
    assert log_of(run, path, LIQUID, "--added", "21%", "--judged", 3)["added_percent"] == 21, "no more than before"


def test_a_struck_step_stays_and_the_log_goes_on_without_it(run: Run, tmp_path: Path) -> None:
    path = laid(tmp_path)
    log_of(run, path, LIQUID, "--added", "0%", "--judged", 1, "--ph", 5.3)
    log_of(run, path, LIQUID, "--added", "1.5%", "--judged", 2, "--ph", 5.3)
    told = run("thicken", path, "--strike", 2, "--why", "0.5, not 1.5", "--not-added", "--json").json
    assert told["logs"][0]["added_percent"] == 0
    assert [(s["number"], s["line"], s["why"]) for s in told["struck"]] == [
        (2, "sorbitan-sesquicaprylate 1.5 %", "0.5, not 1.5")
    ]
    log = log_of(run, path, LIQUID, "--added", "0.5%", "--judged", 2, "--ph", 5.3)
    assert [s["number"] for s in log["steps"]] == [1, 3]
    text = path.read_text(encoding="utf-8")
    assert "added_percent = 1.5" in text
    assert 'struck = "0.5, not 1.5"' in text
    code, _, err = run(
        "thicken", path, "--strike", 3, "--why", "x", "--material", LIQUID, "--added", "0.7%", "--judged", 2
    )
    assert (code, "strike the wrong line first" in err) == (2, True)
    assert "there is no step of thickening of this number" in run("thicken", path, "--strike", 7, "--why", "x").err


def test_what_was_added_before_a_misread_thickness_stays_in(run: Run, tmp_path: Path) -> None:
    path = laid(tmp_path)
    log_of(run, path, LIQUID, "--added", "0%", "--judged", 1, "--ph", 5.3)
    log_of(run, path, LIQUID, "--added", "1.5%", "--judged", 5, "--ph", 5.3)
    told = run("thicken", path, "--strike", 2, "--why", "read too soon", "--json").json["logs"][0]
    assert (told["added_percent"], told["state"], told["next"]) == (1.5, "read again", None)
    log = log_of(run, path, LIQUID, "--added", "1.5%", "--judged", 2, "--ph", 5.3)
    assert [s["number"] for s in log["steps"]] == [1, 3]
    assert log["state"] == "open"


def test_a_thickener_that_is_a_line_of_the_batch_is_told_beside_its_log(run: Run, tmp_path: Path) -> None:
    """The next master formula holds the salt of the last batch: logged again it would count twice."""
    line = '[[line]]\nmaterial = "sodium-chloride"\npercent = 0.6\n[[line]]\nmaterial = "aqua"\npercent = 72.2'
    batch = laid(tmp_path)
    text = batch.read_text(encoding="utf-8")
    batch.write_text(text.replace('[[line]]\nmaterial = "aqua"\npercent = 72.8', line), encoding="utf-8")
    told = " ".join(run("thicken", str(batch), "--material", "salt").out.split())
    assert "0.6 % of it is a line of the batch" in told
    batch.write_text(text, encoding="utf-8")
    assert "is a line of the batch" not in run("thicken", str(batch), "--material", "salt").out
