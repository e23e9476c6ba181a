"""The only room that touches a solver, and the checks that do not trust it."""
