"""Long random runs outside CI: briefs against the oracle, broken files against every reader, figures of all sizes.

Families of scenarios with choices are held against the oracle too.

Prints how many answers were wrong, unproven or crashed (goal 0), how well simulated trials tell made-up truths (the
summary of docs/trials.md) and how many checks of the tests rest on something outside the project (goal 150). Usage:
python tests/soak.py [briefs] [files] [figures] [families] [truths]

`python tests/soak.py --figures 57 60` looks at single briefs with big and small figures again: what is wrong, and
the smallest brief that is still wrong.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
import traceback
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from math import ceil
from pathlib import Path
from random import Random
from typing import Any

import numpy as np

from optimizer.solve.best import solve
from optimizer.solve.result import Result
from optimizer.units import KEPT
from tests.support import briefs, families, figures, hostile, made_up_truths, oracle

ROOT = Path(__file__).resolve().parent.parent
CHUNK = 500
FAMILIES, SCENARIOS = 50, 20
COPIES = 60
"""Spoilt copies of each kind of file in one go."""
OUTSIDE = (
    "solve/test_published_blends.py",
    "engine/test_published_engine.py",
    "rules/test_worked_examples.py",
    "data/test_library.py",
)
"""Test files whose checks rest on published cases, handbooks, standards or registry rules."""


def run_briefs(first: int) -> Counter[str]:
    """Solve a chunk of random briefs and compare each with the oracle."""
    found: Counter[str] = Counter()
    for seed in range(first, first + CHUNK):
        case = briefs.draw(Random(f"soak {seed}"))
        found["briefs"] += 1
        try:
            result = solve(briefs.brief_of(case))
        except Exception:  # every crash is counted and shown
            found["crashed"] += 1
            print(f"brief {seed} crashed:\n{traceback.format_exc(limit=3)}", file=sys.stderr)
            continue
        best = oracle.best(case)
        found[result.ending] += 1
        found["unproven"] += result.proof == "none"
        same = result.ending == best.ending
        if same and result.formula is not None:
            same = abs(result.objective - best.objective) <= 1e-6 * (1 + abs(best.objective))
        if not same and best.ending == "infeasible" and result.formula is not None and _by_a_hair(case, result):
            found["by a hair"] += 1
        elif not same:
            found["wrong"] += 1
            print(f"brief {seed}: {result.ending} {result.objective}, oracle {best.ending}", file=sys.stderr)
    return found


def _by_a_hair(case: Any, result: Result) -> bool:
    """Return whether a formula that exact arithmetic refuses keeps every rule within the named tolerance."""
    assert result.formula is not None
    doses = {line.item.id: line.percent for line in result.formula.lines}
    target = result.ph.target if result.ph else None
    for rule in oracle.hard_rules(case, oracle.candidates(case)):
        value = oracle.value_at(case, rule, doses, target)
        low, high = oracle.limits_of(rule)
        if max(low - value, value - high) > KEPT * (1 + abs(value)):
            return False
    return True


def run_files(seed: int) -> Counter[str]:
    """Feed spoilt files of every kind to their readers; anything but an answer or a told error is a crash."""
    found: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as name:
        for which, outcome in hostile.fuzzed(Path(name), seed, COPIES):
            found["files"] += 1
            if outcome in ("accepted", "refused"):
                found[outcome] += 1
            else:
                found["crashed"] += 1
                print(f"file {which} crashed:\n{outcome}", file=sys.stderr)
    return found


def judge_figures(seed: int) -> tuple[Any, dict[str, str], Result | None]:
    """Return a brief with big and small figures, what is wrong about its answer, and the answer.

    One in ten is rounded to the scale's steps too, which takes longer.
    """
    case = figures.draw(Random(f"figures {seed}"))
    try:
        wrong, result = figures.judged(case, weighable=seed % 10 == 0)
    except Exception:  # every crash is counted and shown
        return case, {"crashed": traceback.format_exc(limit=-3)}, None
    return case, wrong, result


def run_figures(first: int) -> Counter[str]:
    """Judge a chunk of random briefs with big and small figures by exact arithmetic."""
    found: Counter[str] = Counter()
    for seed in range(first, first + CHUNK):
        _, wrong, result = judge_figures(seed)
        found["figures"] += 1
        counted = [name for name in wrong if not name.startswith("(")]
        found["by a hair"] += len(wrong) > len(counted)
        answered = result is not None and result.ending in ("optimal", "infeasible")
        found["crashed"] += "crashed" in counted
        found["unanswered"] += not answered and "crashed" not in counted
        found["wrong"] += answered and bool(counted)
        found.update(f"figures: {name}" for name in wrong)
        for name in counted:
            print(f"figures {seed}: {name}: {wrong[name]}  [python tests/soak.py --figures {seed}]", file=sys.stderr)
    return found


def run_families(first: int) -> Counter[str]:
    """Answer a chunk of drawn families together and compare every scenario with the oracle."""
    found: Counter[str] = Counter()
    for seed in range(first, first + FAMILIES):
        found["families"] += 1
        try:
            wrong, counted = families.judged(seed, SCENARIOS)
        except Exception:  # every crash is counted and shown
            found["crashed"] += 1
            print(f"family {seed} crashed:\n{traceback.format_exc(limit=3)}", file=sys.stderr)
            continue
        found.update({f"families: {name}": count for name, count in counted.items()})
        found["wrong"] += len(wrong)
        for line in wrong:
            print(f"family {seed} {line}", file=sys.stderr)
    return found


def show_figures(seeds: list[int]) -> int:
    """Print what is wrong about single briefs, and the smallest ones that are still wrong."""
    for seed in seeds:
        case, wrong, _ = judge_figures(seed)
        print(f"figures {seed}:\n{figures.words(case)}")
        for name, how in wrong.items():
            small = figures.shrunk(case, name)
            print(f"{name}: {how}\n{figures.words(small)}")
    return 0


def outside_checks() -> int:
    """Return how many collected tests rest on something outside the project."""
    files = [str(ROOT / "tests" / name) for name in OUTSIDE]
    listed = subprocess.run(
        [sys.executable, "-m", "pytest", "--collect-only", "-q", *files], capture_output=True, text=True, check=False
    ).stdout
    return sum(int(n) for n in re.findall(r"\.py: (\d+)", listed))


TRUTHS = 2718
"""Seed of the made-up truths; nothing was chosen by looking at these."""


def run_trials(truths: int) -> list[tuple[str, float, str, bool]]:
    """Return what simulated trials come to: its name, figure and goal, and whether that is met."""
    alone, usual = _ratios(made_up_truths.errors(truths, TRUTHS))
    straight, _ = _ratios(made_up_truths.errors(truths, TRUTHS, ("line", "mildly bent")))
    repeated, _ = _ratios(made_up_truths.errors(truths, TRUTHS, repeats=2))
    each = made_up_truths.errors(truths, TRUTHS).mean(axis=0)
    shares, says = made_up_truths.coverage(truths, TRUTHS)
    found = made_up_truths.kept(2 * truths, TRUTHS)
    by_mean, by_bound = found[~np.isnan(found).any(axis=1)].mean(axis=0)
    _, improved, drawn = made_up_truths.shortfalls(max(truths * 2 // 5, 8), TRUTHS).mean(axis=0)
    tenth, tenth_told = np.quantile(shares, 0.1), np.quantile(shares[says], 0.1)
    beside = "shown beside it"
    return [
        ("error of 8 chosen beakers over that of 8 random ones, same fit", alone, "at most 0.5", alone <= 0.5),
        ("the same, random ones with the usual fit", usual, "at most 0.5", usual <= 0.5),
        ("the same as a mean of each truth's error, same fit", each[0] / each[1], beside, True),
        ("the same, nearly straight truths", straight, "at most 0.5", straight <= 0.5),
        ("the same, 2 beakers of the plan besides in both", repeated, beside, True),
        ("90 % intervals hold, mean of all truths", shares.mean(), "at least 0.90", shares.mean() >= 0.9),
        ("90 % intervals hold, worst tenth of all truths", tenth, "at least 0.85", tenth >= 0.85),
        ("90 % intervals hold, mean where it predicts", shares[says].mean(), beside, True),
        ("90 % intervals hold, worst tenth where it predicts", tenth_told, "at least 0.85", tenth_told >= 0.85),
        ("series that predict", says.mean(), beside, True),
        ("targets kept by the bound", by_bound, "at least 0.85", by_bound >= 0.85),
        ("targets kept by the mean", by_mean, beside, True),
        ("shortfall after expected improvement", improved / drawn, "at most 0.6 of random", improved <= 0.6 * drawn),
    ]


def _ratios(errors: Any) -> tuple[float, float]:
    """Return the error of chosen beakers over that of random ones by the same and the usual fit, root mean squares."""
    chosen, same, usual = np.sqrt((errors**2).mean(axis=0))
    return float(chosen / same), float(chosen / usual)


def main() -> int:
    """Return 0 if nothing was wrong, unproven or crashed."""
    if sys.argv[1:2] == ["--figures"]:
        return show_figures([int(seed) for seed in sys.argv[2:]])
    wanted = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    files = int(sys.argv[2]) if len(sys.argv) > 2 else 10_000
    sizes = int(sys.argv[3]) if len(sys.argv) > 3 else 20_000
    kin = int(sys.argv[4]) if len(sys.argv) > 4 else 5_000
    simulated = run_trials(int(sys.argv[5]) if len(sys.argv) > 5 else 500)
    total: Counter[str] = Counter()
    with ProcessPoolExecutor() as pool:
        for number, part in enumerate(pool.map(run_briefs, range(0, wanted, CHUNK)), 1):
            total += part
            if sys.stderr.isatty():
                print(f"\r{number * CHUNK:,} briefs", end="", file=sys.stderr)
        for part in pool.map(run_files, range(2, 2 + ceil(files / (COPIES * len(hostile.sound_files()))))):
            total += part
        for part in pool.map(run_figures, range(0, sizes, CHUNK)):
            total += part
        for part in pool.map(run_families, range(0, kin, FAMILIES)):
            total += part
    for name in (
        "briefs",
        "optimal",
        "infeasible",
        "by a hair",
        "files",
        "accepted",
        "refused",
        "figures",
        "unanswered",
        "families",
    ):
        print(f"{name:>12} {total[name]:>9,}")
    for name in sorted(n for n in total if n.startswith(("figures: ", "families: "))):
        print(f"{'':>12} {total[name]:>9,}  {name}")
    print(f"{'wrong':>12} {total['wrong']:>9,}  goal 0")
    print(f"{'unproven':>12} {total['unproven']:>9,}  goal 0")
    print(f"{'crashed':>12} {total['crashed']:>9,}  goal 0")
    for name, figure, goal, _ in simulated:
        print(f"{'trials':>12} {figure:>9.3f}  {name}, {goal}")
    print(f"{'outside':>12} {outside_checks():>9,}  checks of the tests, goal 150")
    missed = any(not met for *_, met in simulated)
    return int(missed or any(total[name] for name in ("wrong", "unproven", "crashed")))


if __name__ == "__main__":
    sys.exit(main())
