"""Lots that differ: what they make of a pool, formulas that are safe against them, random draws."""
