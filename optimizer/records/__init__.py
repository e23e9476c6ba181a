"""Kept records: versioned master formulas, batches, lots, readings and tests in one SQLite file."""
