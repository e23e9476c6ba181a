"""Every command is there for tests that call them inside this process, whichever file runs alone."""

import pytest

from optimizer import cli

cli.load(cli.rooms())

SLOW = (
    "test_damaged_records.py::test_values_of_another_kind_are_told",
    "test_damaged_records.py::test_random_damage_is_told",
    "test_docs.py::",
    "test_frontier.py::test_no_choice_beside_a_break_betters_the_frontier[pearly-wash",
    "test_limits.py::test_prices_and_ranges_of_drawn_briefs",
    "test_lost_clusters.py::",
    "test_repairs_typed.py::test_enough_impossible_briefs_are_drawn",
    "test_successive.py::test_no_point_of_the_stepped_frontier_is_worse_than_blend_at_its_limit[None]",
    "test_why.py::test_prices_of_all_choices_of_drawn_briefs",
)
"""Long runs beside shorter ones of their kind: `make test-all` runs them, `make test` does not."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark the slow ones."""
    for item in items:
        if any(name in item.nodeid for name in SLOW):
            item.add_marker(pytest.mark.slow)
