"""tenside: find, prove and explain percentages for surfactant cleansers."""

__version__ = "0.1.0"
