"""Kept records: versioned master formulas, batches, lots, readings and tests in one SQLite file."""

STORE = "records.db"
"""Name of that file beside the batch files."""
