"""What was moved is kept with remarks, put back to the last byte, and never over somebody else's change.

Figures are made up around those of the shipped briefs and the first working folder.
"""

from __future__ import annotations

from pathlib import Path
from shutil import copytree

import pytest

import optimizer as tenside
from optimizer.answers.keeping import (
    ASIDE,
    KEPT_TEXTS,
    ChangedMeanwhileError,
    can_be_put_back,
    keep,
    keep_as_variant,
    put_back,
    stated,
)
from optimizer.answers.starter import lay
from optimizer.errors import DataError
from optimizer.files import digest, shipped


@pytest.fixture
def brief(tmp_path: Path) -> Path:
    """Return the first brief of a working folder."""
    lay(tmp_path)
    return tmp_path / "first-brief.toml"


def test_only_the_figure_changes_and_every_remark_stays(brief: Path) -> None:
    before = brief.read_text(encoding="utf-8")
    now = keep(brief, {"active.at_least": 10.5, "ph.low": 5.2}, {"active.at_least": 11.0, "ph.low": 5.0})
    after = brief.read_text(encoding="utf-8")
    differing = [(a, b) for a, b in zip(before.splitlines(), after.splitlines(), strict=True) if a != b]
    assert differing == [("low = 5.0", "low = 5.2"), ("at_least = 11", "at_least = 10.5")]
    assert now == digest(brief)
    assert tenside.read_brief(brief).scenario.ph.low == 5.2  # type: ignore[union-attr]


def test_a_brief_is_put_back_to_the_last_byte_as_often_as_it_was_changed(brief: Path) -> None:
    texts = [brief.read_bytes()]
    for least in (10.5, 10.0):
        keep(brief, {"active.at_least": least}, {})
        texts.append(brief.read_bytes())
    for earlier in (texts[1], texts[0]):
        put_back(brief, digest(brief))
        assert brief.read_bytes() == earlier
    assert not can_be_put_back(brief)
    with pytest.raises(DataError, match="no earlier text"):
        put_back(brief, digest(brief))


def test_nothing_is_put_back_over_what_an_editor_wrote(brief: Path) -> None:
    known = keep(brief, {"active.at_least": 10.5}, {})
    brief.write_text(brief.read_text(encoding="utf-8") + "# mine\n", encoding="utf-8")
    with pytest.raises(DataError, match="changed since"):
        put_back(brief, known)
    assert brief.read_text(encoding="utf-8").endswith("# mine\n")


@pytest.mark.thorough
def test_no_more_than_so_many_earlier_texts_are_kept(brief: Path) -> None:
    for step in range(KEPT_TEXTS + 3):
        keep(brief, {"active.at_least": 10 + step / 100}, {})
    assert len(list((brief.parent / ASIDE).iterdir())) == KEPT_TEXTS
    put_back(brief, digest(brief))
    assert stated(brief)["active.at_least"] == 10 + (KEPT_TEXTS + 1) / 100


def test_another_change_of_the_file_is_kept_beside_and_one_of_the_same_figure_is_told(brief: Path) -> None:
    keep(brief, {"mildness.at_least": 62.0}, {})  # made by another page
    keep(brief, {"active.at_least": 10.5}, {"active.at_least": 11.0})
    assert (stated(brief)["mildness.at_least"], stated(brief)["active.at_least"]) == (62.0, 10.5)
    before = brief.read_bytes()
    with pytest.raises(ChangedMeanwhileError) as told:
        keep(brief, {"active.at_least": 12.0}, {"active.at_least": 11.0})
    clash = told.value.clashes[0]
    assert (clash.key, clash.page, clash.file, clash.yours) == ("active.at_least", 11.0, 10.5, 12.0)
    assert brief.read_bytes() == before


def test_a_rule_that_another_brief_states_is_varied_and_not_copied(tmp_path: Path) -> None:
    folder = tmp_path / "demo"
    copytree(shipped("scenarios"), folder)
    path = folder / "hand-wash.toml"
    keep(path, {"humectant.at_least": 2.5, "active.at_least": 9.5}, {"humectant.at_least": 2.0})
    figures = stated(path)
    assert (figures["humectant.at_least"], figures["humectant.at_most"], figures["active.at_least"]) == (2.5, 4.0, 9.5)
    assert path.read_text(encoding="utf-8").endswith('[[rule]]\nid = "humectant"\nat_least = 2.5\n')
    assert tenside.blend(path).exit_code == 0


def test_what_makes_no_brief_is_refused_and_nothing_is_written(brief: Path) -> None:
    before = brief.read_bytes()
    for draft in ({"active.at_least": 14.0}, {"ph.low": 6.4}, {"nothing.at_least": 1.0}):
        with pytest.raises(DataError):
            keep(brief, draft, {})
        assert brief.read_bytes() == before
    assert not can_be_put_back(brief)


def test_a_material_that_is_out_joins_those_that_are_left_out(tmp_path: Path) -> None:
    folder = tmp_path / "demo"
    copytree(shipped("scenarios"), folder)
    path = folder / "hand-wash.toml"
    keep(path, {"missing.decyl-glucoside": 1.0}, {})
    pool = tenside.read_brief(path).scenario.pool
    assert pool.without == ("benzyl-alcohol-dehydroacetic-acid", "decyl-glucoside")


def test_a_variant_is_a_brief_of_its_own(brief: Path) -> None:
    before = brief.read_bytes()
    variant = keep_as_variant(brief, {"mildness.at_least": 64.0, "ph.high": 6.0, "missing.glycerin": 1.0}, "Milder 1")
    assert brief.read_bytes() == before
    varied = tenside.read_brief(variant)
    assert variant.name == "milder-1.toml"
    assert varied.scenario.name == "Milder 1"
    assert stated(variant) == {**stated(brief), "mildness.at_least": 64.0, "ph.high": 6.0}
    assert "glycerin" in varied.scenario.pool.without
    with pytest.raises(DataError, match="is there already"):
        keep_as_variant(brief, {}, "Milder 1")
