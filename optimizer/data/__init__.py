"""What is known and what is there: raw materials, shelf, formulas, and how they are read."""
