"""What a label must say of a formula, with the lots that went in."""
