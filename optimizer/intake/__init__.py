"""Tables that a maker already keeps, taken in: a formula sheet, a price list; what was assumed is always told."""
