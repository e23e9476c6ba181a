"""The command line with every command registered."""

from optimizer.cli import load, rooms
from optimizer.cli.common import app

__all__ = ["app"]

load(rooms())
