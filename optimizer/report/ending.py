"""How the search for a formula ended, and what that rests on, in words."""

from __future__ import annotations

from optimizer.solve.result import Result

PROOFS = {
    "certificate": "proven that none is better, checked outside the solver",
    "solver bound": "checked outside the solver; that none is better rests on the solver's search through all choices",
    "local": "the best of its neighbourhood and of the starting points tried, checked outside the solver",
    "none": "not proven",
}
IMPOSSIBLE = {
    "certificate": "proven at every pH, by a combination of the limits that no formula can meet",
    "solver bound": "this rests on the solver's search through all choices",
    "local": "not proven",
    "none": "not certified: no proof of it stood the check outside the solver",
}
VERDICTS = {
    "optimal": "Solved",
    "feasible": "A formula that keeps every rule, but the proof that none is better was not finished",
    "infeasible": "Impossible: no formula keeps every rule",
    "stopped": "Stopped before any formula was found",
    "failed": "The solver failed",
}
LOCAL = "A formula that keeps every rule, not proven the best of all"


def verdict_of(result: Result) -> str:
    """Return how the search ended, and what that rests on."""
    proof = IMPOSSIBLE[result.proof] if result.ending == "infeasible" else PROOFS[result.proof]
    if result.groups > len(result.settings) and result.proof == "certificate":
        proof = f"proven: all {result.groups} groups of choices ruled out or worse, each checked outside the solver"
    found = VERDICTS[result.ending]
    if result.proof == "local":
        found = LOCAL
    elif (result.ending, result.proof) == ("infeasible", "none"):
        found = "The solver finds no formula that keeps every rule"
    return f"{found}; {proof}."
