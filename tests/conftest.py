"""Every command is there for tests that call them inside this process, whichever file runs alone."""

from optimizer import cli

cli.load(cli.rooms())
