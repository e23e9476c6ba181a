"""Many scenarios at once: grids of limits, prices and missing materials, folders and tables of them."""
