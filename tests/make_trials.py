"""Make the demo's series of trials: readings of a stated, made-up truth on the plan that the tool lays.

`python tests/make_trials.py` writes scenarios/trials/gentle-wash.toml anew; run it after a change of the shipped brief,
its shelf or the plan. Nothing in it was ever measured.
"""

from __future__ import annotations

from math import exp
from pathlib import Path

import numpy as np
import tomli

from optimizer.answers.questions import read_brief
from optimizer.files import shipped
from optimizer.trials.plan import TrialPlan, TrialsQuestion, plan
from optimizer.trials.series import Series, series_from
from optimizer.trials.text import series_text

FILE = shipped("scenarios") / "trials" / "gentle-wash.toml"
ASKED = TrialsQuestion(factors=("strength", "amphoteric-share", "nonionic-share"), free=("mildness",), days=2)
SEED, NOISE, SECOND_DAY, MOST = 5, 0.08, 0.06, 1200
"""Of the noise; its size [ln units]; how much higher all of the second day reads; the end of the spindle [mPas]."""
HEAD = f"""\
# MADE-UP READINGS of the demo, from a stated truth; nothing here was ever measured:
#   ln viscosity = 7.1 + 1.5 (active - 7.2) + 0.09 (amphoteric - 35) - 0.008 (amphoteric - 35)^2 - 0.03 (nonionic - 36)
#   with shares in % of the active matter; each reading off by {NOISE:.0%} at random, the second day {SECOND_DAY:.0%}
#   higher, nothing read above {MOST} mPas; separated with more than 34 % anionic;
#   clarity falls with the nonionic share.
"""


def truth(active: float, amphoteric: float, nonionic: float) -> float:
    """Return the viscosity of the made-up truth [mPas].

    Args:
        active: Active matter [%].
        amphoteric: Share of it [%].
        nonionic: Share of it [%].
    """
    bend = 0.09 * (amphoteric - 35) - 0.008 * (amphoteric - 35) ** 2
    return exp(7.1 + 1.5 * (active - 7.2) + bend - 0.03 * (nonionic - 36))


def clarity(nonionic: float) -> int:
    """Return the judgement of the made-up truth, 1 to 5."""
    return max(1, min(5, round(5.4 - 0.14 * (nonionic - 26))))


def separated(amphoteric: float, nonionic: float) -> bool:
    """Return whether it separates in the made-up truth."""
    return 100 - amphoteric - nonionic > 34


def figures(found: TrialPlan, doses: dict[str, float]) -> tuple[float, float, float]:
    """Return active matter, amphoteric and nonionic share of doses [%]."""
    x = np.array([[doses[n] for n in found.region.formula.ids]])
    known = {w.id: float(w.told(x)[0]) for w in found.region.ways}
    return known["strength"], known["amphoteric-share"], known["nonionic-share"]


def made() -> str:
    """Return the text of the demo's series."""
    found = plan(read_brief("gentle-wash"), ASKED)
    text = series_text(found, name="gentle-wash-1", brief="gentle-wash", planned_on="2026-05-04")
    rng = np.random.default_rng(SEED)
    out = [HEAD + text]
    for beaker in found.beakers:
        active, amphoteric, nonionic = figures(found, beaker.doses)
        off = rng.normal(0, NOISE) + SECOND_DAY * (beaker.day - 1)
        on = f"2026-05-0{4 + beaker.day}"
        if separated(amphoteric, nonionic):
            out.append(entry(beaker.number, "separated", "yes", on))
            continue
        value = round(truth(active, amphoteric, nonionic) * exp(off), -1)
        out.append(entry(beaker.number, "viscosity", f">{MOST}" if value > MOST else f"{value:.0f}", on))
        out.append(entry(beaker.number, "clarity", str(clarity(nonionic)), on))
    return "\n".join(out)


def entry(beaker: int, what: str, read: str, on: str) -> str:
    """Return one reading as it is written."""
    more = 'temperature_c = 22\nwith = "spindle 2, 30 rpm"\n' if what == "viscosity" else ""
    return f'[[reading]]\nbeaker = {beaker}\nwhat = "{what}"\nread = "{read}"\n{more}after = "24 h"\non = "{on}"\n'


def series() -> Series:
    """Return the series as it reads."""
    return series_from(tomli.loads(made()), str(FILE))


if __name__ == "__main__":
    Path(FILE).write_text(made(), encoding="utf-8")
