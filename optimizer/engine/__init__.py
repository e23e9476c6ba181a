"""The only rooms that touch a solver, and the checks that do not trust it."""
