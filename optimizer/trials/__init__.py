"""Trials: which beakers teach most, and what their readings say about the next blend."""
