"""Every speed claim, each as a ratio to a peer in the same session: all parts run, then one table, then the verdict.

`python tests/benchmarks/run.py [PART ...]` runs the named parts only, `--long` families over five seeds. Alternating
runs, fixed seeds, frozen data.
"""

from __future__ import annotations

import gc
import os
import sys
import traceback
from collections.abc import Callable, Iterable, Iterator
from functools import partial

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line does; before numpy is imported

import choices
import desk
import families
import joint
import ph
import ranges
import starts
import tradeoff
import trials
import trust
from measure import Line, Program, cbc, divided, highs, lean, program_of, timed
from shop import brief_of

from optimizer.model.model import cases
from optimizer.solve.best import solve

Part = Callable[[], Iterable[Line]]
VERDICT = 4
"""The cell of a row that tells whether its goals are met."""


def main() -> None:
    """Measure all parts, print the table; exit 1 if a goal is missed or a part broke, 2 if there is no such part."""
    named = [name for name in sys.argv[1:] if name != "--long"]
    unknown = [name for name in named if name not in PARTS]
    if unknown:
        print(f"no part is called {', '.join(unknown)}; there are {', '.join(PARTS)}.", file=sys.stderr)
        sys.exit(2)
    gc.disable()  # as timeit and the command line do
    chosen = {name: PARTS[name] for name in named} or PARTS
    rows = [row for name, part in chosen.items() for row in measured(name, part)]
    print(table(rows))
    sys.exit(any(row[VERDICT] in ("MISSED", "BROKE") for row in rows))


def measured(name: str, part: Part) -> list[tuple[str, ...]]:
    """Return the rows of a part; one that breaks is told and does not stop the others."""
    print(f"measuring {name} ...", file=sys.stderr, flush=True)
    rows = []
    try:
        for line in part():
            rows.append(line.cells())
    except Exception:
        traceback.print_exc()
        rows.append((f"{name}: broke off, see above", "", "", "", "BROKE", ""))
    gc.collect()
    return rows


def table(rows: Iterable[tuple[str, ...]]) -> str:
    """Return the rows of all parts below their headings."""
    told = [
        ("what, as a ratio where no unit is named", "median", "worst", "goal", "verdict", "HiGHS at its best"),
        *rows,
    ]
    width = max(len(row[0]) for row in told)
    figures = slice(1, VERDICT + 1)
    lines = (
        f"{row[0]:<{width}}" + "".join(f"{cell:>15}" for cell in row[figures]) + f"  {row[VERDICT + 1]}" for row in told
    )
    return "\n".join(line.rstrip() for line in lines)


def answers() -> Iterator[Line]:
    """From loaded data to a verified answer, against highspy and PuLP with CBC on the same model."""
    times = versus(40, rounds=42, peers={"highs": highs, "lean": lean})
    yield Line("linear brief, 40 materials: solve to highspy with ready arrays", divided(times, "solve", "highs"), 4)
    yield Line("  the same to highspy without presolve and threads", divided(times, "solve", "lean"), 8)
    times = versus(40, rounds=21, peers={"cbc": cbc})  # apart, as a process started by PuLP slows what runs next
    yield Line("  the same to PuLP + CBC, build and solve", divided(times, "solve", "cbc"), 1)


def large() -> Iterator[Line]:
    """A library of 5,000 materials."""
    times = versus(5000, rounds=7, peers={"highs": highs, "lean": lean})
    yield Line("5,000 materials: solve to highspy with ready arrays", divided(times, "solve", "highs"), 3.5)
    yield Line("  the same to highspy without presolve and threads", divided(times, "solve", "lean"))


def building() -> Iterator[Line]:
    """Time to build the model, per material."""
    sizes = (1250, 2500, 5000)
    times: dict[str, list[float]] = {str(size): [] for size in sizes}
    for _ in range(7):
        for size in sizes:
            brief = brief_of(size)
            times[str(size)].append(timed(partial(cases, brief.modelled, brief.acidity, brief.pool)) / size)
    for size in sizes[1:]:
        yield Line(f"building per material, {size:,} to {sizes[0]:,}", divided(times, str(size), str(sizes[0])), 1.5)


Peer = Callable[[Program], float]


def versus(size: int, rounds: int, peers: dict[str, Peer]) -> dict[str, list[float]]:
    """Return the times of solving a generated brief, always on freshly read data, and of its peers.

    Who runs first after the data were read finds the processor's caches full of them, so all take turns at it.
    """
    program = program_of(brief_of(size))
    best = solve(brief_of(size)).objective
    for name, peer in peers.items():
        assert abs(peer(program) - best) < 1e-5, f"{name} finds another optimum"
    names = ["solve", *peers]
    times: dict[str, list[float]] = {name: [] for name in names}
    for turn in range(rounds):
        brief = brief_of(size)
        calls = {"solve": partial(solve, brief), **{name: partial(peer, program) for name, peer in peers.items()}}
        for name in names[turn % len(names) :] + names[: turn % len(names)]:
            times[name].append(timed(calls[name]))
    return times


PARTS: dict[str, Part] = {
    "answers": answers,
    "large": large,
    "building": building,
    "choices": choices.lines,
    "families": families.lines,
    "trust": trust.lines,
    "tradeoff": tradeoff.lines,
    "ranges": ranges.lines,
    "joint": joint.lines,
    "ph": ph.lines,
    "trials": trials.lines,
    "starts": starts.lines,
    "desk": desk.lines,
}

if __name__ == "__main__":
    main()
