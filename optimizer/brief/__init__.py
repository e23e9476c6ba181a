"""What the product must be: the scenario as written, and joined with library and shelf."""
