"""Every command is there for tests that call them inside this process, whichever file runs alone."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from tempfile import gettempdir
from typing import Any

import pytest
from hypothesis import settings
from hypothesis.configuration import set_hypothesis_home_dir

from optimizer import cli
from tests.support import once
from tests.support.command import Ran, Run
from tests.support.draws import Extent

once.install()
cli.load(cli.rooms())
set_hypothesis_home_dir(Path(gettempdir()) / "tenside-hypothesis")  # a folder .hypothesis here stops the collection


settings.register_profile("tests", deadline=None)  # a busy machine is no fault of what is tested
settings.load_profile("tests")


def pytest_configure(config: pytest.Config) -> None:
    """Who asks for all tests (`-m ''`) gets every drawn example, too."""
    Extent.everything = not config.option.markexpr


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> Run:
    """Return a runner of the command line in this process."""

    def command(*args: str | Path) -> Ran:
        capfd.readouterr()
        monkeypatch.setattr(sys, "argv", ["tenside", *map(str, args)])
        code = 0
        try:
            cli.main()
        except SystemExit as ended:
            code = int(ended.code or 0)
        out, err = capfd.readouterr()
        return Ran(code, out, err)

    return command


@pytest.fixture(scope="session")
def chrome() -> Iterator[Any]:
    """Return the one browser of this process; `tests.support.chromium.window` makes it fit a test."""
    from tests.support.chromium import chromium

    with chromium() as driver:
        yield driver
