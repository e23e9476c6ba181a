"""This tree against an older commit, timed in pairs: `python tests/benchmarks/pair.py COMMIT [WORK ...]`.

The older commit is laid in a temporary folder (git worktree); both run in the same Python, on the same frozen data and
with the same script, by processor time; within a process the best run counts, the one least disturbed by others. A
median ratio of at most 1.05 counts as not worse.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from statistics import median

from measure import FIRST, HAND_WASH, compiled, processor_time
from starts import TENSIDE, blend

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent.parent
NOT_WORSE, PAIRS = 1.05, 21
INSIDE = f"""
import gc, sys
from time import process_time
sys.path.append({str(HERE)!r})
from briefs import brief_of
from optimizer.solve.best import solve
from optimizer.studies.check import check
from optimizer.studies.frontier import frontier
from optimizer.studies.leeway import leeway
gc.disable()
def formula():
    found = solve(brief_of(40), weighable=True).rounded.formula
    doses = {{line.item.id: line.percent for line in found.lines}}
    sold = sorted(line.item.id for line in found.lines if line.item.surfactant > 0)[:3]
    doses.update({{name: round(doses[name] * 0.8, 2) for name in sold}})
    doses["aqua"] = 100 - found.held_back - sum(d for n, d in doses.items() if n != "aqua")
    return doses, found.held_back
"""
"""What a process that times one kind of work begins with."""
TIMED = """
found = []
for k in range({rounds} + 1):
    brief = brief_of({size})
    begin = process_time()
    {work}
    found.append(process_time() - begin)
print(min(found[1:]))
"""
WORK = {
    "linear brief, 40 materials": ("", "solve(brief)", 40, 21),
    "linear brief, 5,000 materials": ("", "solve(brief)", 5000, 3),
    "frontier, 40 materials": ("", 'frontier(brief, (1, "cost"), (-1, "mildness"))', 40, 5),
    "leeway, 40 materials": ("", "leeway(brief, 0.05)", 40, 5),
    "check of a broken formula": ("doses, held_back = formula()", "check(brief, doses, held_back)", 40, 9),
}
"""By name: what is made ready, the statement that is timed, materials of the brief, rounds of a process."""
COMMANDS = {
    "tenside --help": (*TENSIDE, "--help"),
    "tenside blend, first brief": (*TENSIDE, *blend(FIRST)),
    "tenside blend, hand-wash": (*TENSIDE, *blend(HAND_WASH)),
}


def main() -> None:
    """Time both trees and print a table; exit 1 if something is worse, 2 if no commit is named."""
    if len(sys.argv) < 2:
        print("name the older commit: make bench-pair BASE=COMMIT", file=sys.stderr)
        sys.exit(2)
    worse = False
    with tempfile.TemporaryDirectory() as folder, laid(sys.argv[1], Path(folder) / "old") as old:
        names = [n for n in (*WORK, *COMMANDS) if not sys.argv[2:] or any(part in n for part in sys.argv[2:])]
        width = max(map(len, names), default=0)
        print(f"{f'this tree to {sys.argv[1]}':<{width}}{'median':>10}{'worst':>10}  verdict", flush=True)
        for name in names:
            ratios = pairs(name, old, compiled(Path(folder)))
            verdict = "not worse" if median(ratios) <= NOT_WORSE else "WORSE"
            worse = worse or verdict == "WORSE"
            print(f"{name:<{width}}{median(ratios):>10.3f}{max(ratios):>10.3f}  {verdict}", flush=True)
    sys.exit(worse)


@contextmanager
def laid(commit: str, folder: Path) -> Iterator[Path]:
    """Lay a commit into a folder for as long as it is needed."""
    git = ["git", "-C", str(ROOT), "worktree"]
    added = subprocess.run([*git, "add", "--quiet", "--detach", str(folder), commit], check=False)
    if added.returncode:
        sys.exit(2)
    try:
        yield folder
    finally:
        subprocess.run([*git, "remove", "--force", str(folder)], check=True)


def pairs(name: str, old: Path, environment: dict[str, str]) -> list[float]:
    """Return the ratio of this tree to the old one of each pair; who runs first alternates."""
    trees = {"new": ROOT, "old": old}
    ratios = []
    for number in range(PAIRS + 1):
        order = list(trees)[:: 1 if number % 2 else -1]
        spent = {key: one(name, {**environment, "PYTHONPATH": str(trees[key])}, old) for key in order}
        ratios.append(spent["new"] / spent["old"])
    return ratios[1:]  # the first pair compiles


def one(name: str, environment: dict[str, str], neutral: Path) -> float:
    """Return the processor time of one kind of work [s]; of a command, that of its whole process."""
    if name in COMMANDS:
        return processor_time(COMMANDS[name], environment)
    ready, work, size, rounds = WORK[name]
    script = "\n".join([INSIDE, ready, TIMED.format(work=work, size=size, rounds=rounds)])
    run = [sys.executable, "-P", "-c", script]
    done = subprocess.run(run, env=environment, cwd=neutral.parent, check=True, stdout=subprocess.PIPE, text=True)
    return float(done.stdout)


if __name__ == "__main__":
    main()
