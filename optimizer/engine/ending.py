"""How a search ends and what it rests on, in the words that results use."""

from typing import Literal

Ending = Literal["optimal", "feasible", "infeasible", "stopped", "failed"]
Proof = Literal["certificate", "solver bound", "local", "none"]
"""'certificate': checked outside the solver, with all choices; 'solver bound': a search through choices that rests on
the solver's word; 'local': the best of its neighbourhood and of the starting points
tried, where a rule is not linear; 'none': not certified."""

WEAKEST_FIRST: tuple[Proof, ...] = ("none", "local", "solver bound", "certificate")


def weakest(proofs: set[Proof]) -> Proof:
    """Return the proof that a claim over several programs rests on."""
    return next(p for p in WEAKEST_FIRST if p in proofs)
