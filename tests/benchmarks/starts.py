"""Whole processes by processor time: help and blends, against processes that only import the libraries."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

from measure import BRIEFS, FIRST, HAND_WASH, Line, compiled, divided, processor_time

TENSIDE = (sys.executable, "-P", "-c", "from optimizer.cli import main; main()")
NEEDED = "import numpy, typer, highspy\nfrom pydantic import BaseModel"
MODEL = f"{NEEDED}\nclass Trivial(BaseModel):\n    figure: float\nTrivial(figure=1)"
HEAVIER = ("rich", "pulp", "openpyxl", "scipy", "pandas")
ALONE = f"""
import contextlib, io, sys
from optimizer.cli import main
with contextlib.suppress(SystemExit), contextlib.redirect_stdout(io.StringIO()):
    main()
loaded = sys.modules.keys() & {set(HEAVIER)}
assert not loaded, f"a blend loads {{loaded}}"
"""
READING = f"""
import sys
from pathlib import Path
from time import process_time
begin = process_time()
{MODEL}
middle = process_time()
from optimizer.brief.brief import load_brief
load_brief(Path(sys.argv[1]), libraries=map(Path, sys.argv[2:]))
print((process_time() - middle) / (middle - begin))
"""
ROUNDS = 21


def blend(brief: Path) -> tuple[str, ...]:
    """Return the words of a blend of a frozen brief, which reads nothing of what is shipped."""
    return ("blend", str(brief), *(word for file in BRIEFS[brief] for word in ("--library", str(file))))


def lines() -> Iterator[Line]:
    """Yield every claim on start-up."""
    python = (sys.executable, "-P", "-c")
    commands = {
        "help": (*TENSIDE, "--help"),
        "typer": (*python, "import typer"),
        "first": (*TENSIDE, *blend(FIRST)),
        "hand-wash": (*TENSIDE, *blend(HAND_WASH)),
        "needed": (*python, NEEDED),
        "model": (*python, MODEL),
    }
    times: dict[str, list[float]] = {name: [] for name in commands}
    with tempfile.TemporaryDirectory() as folder:
        environment = compiled(Path(folder))
        read = [*python, READING, str(HAND_WASH), *map(str, BRIEFS[HAND_WASH])]
        for brief in BRIEFS:
            subprocess.run([*python, ALONE, *blend(brief)], env=environment, check=True)
        for command in (*commands.values(), read):  # the first run compiles
            processor_time(command, environment)
        for _ in range(ROUNDS):
            for name, command in commands.items():
                times[name].append(processor_time(command, environment))
        reading = [
            float(subprocess.run(read, env=environment, check=True, capture_output=True, text=True).stdout)
            for _ in range(ROUNDS)
        ]
    yield Line("reading library and scenario to importing the libraries, processor time", reading, 1)
    yield Line("tenside --help to importing typer, processor time", divided(times, "help", "typer"), 2.3)
    what = "to importing what it needs, processor time"
    for brief_name, called, goal in (("first", "first brief", 1.05), ("hand-wash", "hand-wash", 1.15)):
        yield Line(f"tenside blend, {called}, {what}", divided(times, brief_name, "needed"), goal)
        yield Line("  the same to one that also builds a trivial model", divided(times, brief_name, "model"))
