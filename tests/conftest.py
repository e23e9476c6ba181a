"""Every command is there for tests that call them inside this process, whichever file runs alone."""

from __future__ import annotations

import gc
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

gc.disable()  # until all is collected: a third of that time was a search for garbage that is not there
once.install()
cli.load(cli.rooms())
set_hypothesis_home_dir(Path(gettempdir()) / "tenside-hypothesis")  # a folder .hypothesis here stops the collection


settings.register_profile("tests", deadline=None)  # a busy machine is no fault of what is tested
settings.load_profile("tests")


def pytest_configure(config: pytest.Config) -> None:
    """Who asks for all tests (`-m ''`) gets every drawn example, too."""
    Extent.everything = not config.option.markexpr


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    """Who asks for the browser alone does not wait for other files to be read; `house/test_tests` holds the names."""
    alone = config.option.markexpr == "browser" and collection_path.suffix == ".py"
    return True if alone and "browser" not in collection_path.stem else None


LONGEST = (
    "test_commands_run_in_order",
    "test_from_an_empty_folder_to_kept_records",
    "test_nothing_is_found_by_the_accessibility_checker",
    "test_a_whole_batch_by_clicks_with_every_other_host_blocked",
    "test_a_whole_batch_without_script",
    "test_make_demo_goes_from_the_brief_to_the_bottles",
    "test_a_range_is_the_same_to_the_last_digit_on_any_number_of_processes_and_resumed",
)
"""Tests of 20 seconds and more that are no `slow` ones."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The longest begin first, so that no worker is left alone with one of them at the end."""
    items.sort(key=lambda item: not item.name.startswith(LONGEST))


def pytest_collection_finish() -> None:
    """What was collected stays until the end: the search for garbage need not look at it again."""
    gc.freeze()
    gc.enable()


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
