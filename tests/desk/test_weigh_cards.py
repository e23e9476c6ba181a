"""One line at a time: what a step has one do and handle stands on its card, and no step is passed over.

The batch is the shipped facial wash's: it brings alkaline surfactants to pH 6 to 7 apart, and what may thicken it
swells in the water. Its size is made up, so that small lines need a premix.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from optimizer.answers.bench import batch_subject, sheet_of
from optimizer.bench.batch import read_batch
from optimizer.bench.weigh import Step, WeighSheet
from optimizer.report.weigh import remark
from tests.support.command import Run
from tests.support.desk import Browser, desk_of


@pytest.fixture(scope="module")
def laid(tmp_path_factory: pytest.TempPathFactory) -> Path:
    from optimizer.answers.bench import lay_batch
    from optimizer.answers.subject import subject_of

    path = tmp_path_factory.mktemp("laid") / "FW-1.toml"
    lay_batch(subject_of("facial-wash"), path, size="3kg", scale=1.0, on="2026-05-04")
    return path


@pytest.fixture
def batch(laid: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(laid, tmp_path / "FW-1.toml"))


def sheet(batch: Path) -> WeighSheet:
    return sheet_of(batch_subject(batch))


def weigh_step(desk: Browser, step: Step) -> None:
    for line in step.lines:
        desk.get(f"/batch/FW-1/weigh?line={line.number}")
        page = desk.submit("/weigh", {"grams": f"{line.grams:g}", "material": line.material.id})
        assert page.status == 200, page.text


def test_acid_is_cautioned_on_the_card_whose_step_takes_it(batch: Path) -> None:
    step = next(s for s in sheet(batch).steps if s.part.apart)
    page = desk_of(batch.parent).get(f"/batch/FW-1/weigh?line={step.lines[0].number}").html
    figure, entry = page.index('<p class="figure">'), page.index('name="grams"')
    assert "Solid acid and strong solutions hurt eyes" in page[figure:entry], "before anything of it is weighed"
    assert figure < entry < page.index("bring them to pH 6 to 7 with Citric Acid"), "words push no grams down"
    whole = page[page.index("The whole sheet") :]
    assert "Solid acid and strong solutions hurt eyes" in whole


def test_what_a_step_cautions_of_stays_on_the_cards_of_its_later_lines(batch: Path) -> None:
    first, second = next(s for s in sheet(batch).steps if s.part.apart).lines[:2]
    desk = desk_of(batch.parent)
    desk.get(f"/batch/FW-1/weigh?line={first.number}")
    assert desk.submit("/weigh", {"grams": f"{first.grams:g}"}).status == 200
    page = desk.get(f"/batch/FW-1/weigh?line={second.number}").html
    card = page[: page.index("The whole sheet")]
    assert "Alkaline as supplied" in page[: page.index('name="grams"')], "what is weighed now"
    assert card.count("Solid acid and strong solutions hurt eyes") == 1


def test_a_step_without_a_line_is_shown_between_two_lines(batch: Path) -> None:
    first, early, after = sheet(batch).steps[:3]
    assert early.part.may_be_now
    assert not early.lines
    desk = desk_of(batch.parent)
    weigh_step(desk, first)
    page = desk.get("/batch/FW-1/weigh")
    assert f"Before line {after.lines[0].number}" in page.text
    assert early.part.do[0] in page.text
    assert f"Nothing goes in: on to line {after.lines[0].number}" in page.text
    assert any(link.endswith(f"/weigh?line={after.lines[0].number}") for link in page.links)
    thickener = early.part.later[0]
    page = desk.submit("/weigh", {"grams": "12", "material": thickener.id})
    assert page.status == 200
    assert read_batch(batch).weighed_g[thickener.id] == 12
    assert f"Line {after.lines[0].number} of" in desk.get("/batch/FW-1/weigh").text, "noted, it is not asked again"


def test_more_of_it_than_is_held_back_is_asked_about(batch: Path) -> None:
    first, early = sheet(batch).steps[:2]
    desk = desk_of(batch.parent)
    weigh_step(desk, first)
    desk.get("/batch/FW-1/weigh")
    page = desk.submit("/weigh", {"grams": "900", "material": early.part.later[0].id})
    assert page.status == 422
    assert early.part.later[0].id not in read_batch(batch).weighed_g


def test_a_premix_is_told_before_its_water_is_weighed(batch: Path) -> None:
    found = sheet(batch)
    numbers = {li.material.id: li.number for li in found.lines}
    small = next(li for li in found.lines if li.dilution and numbers[li.dilution.diluent] < li.number)
    assert small.dilution is not None
    diluent = found.lines[numbers[small.dilution.diluent] - 1]
    told = remark(found, diluent)
    assert f"no. {small.number}, {small.material.name}" in told
    assert f"{small.dilution.less_g:g} g less" in told
    page = desk_of(batch.parent).get(f"/batch/FW-1/weigh?line={diluent.number}")
    assert told in page.text


def test_two_estimates_of_one_batch_say_how_they_go_together(batch: Path, run: Run) -> None:
    apart = [s for s in sheet(batch).steps if s.part.apart]
    last = apart[-1].part.ph
    assert last is not None
    assert "with the acid that brought the alkaline surfactants to pH 6 to 7" in " ".join(
        run("weigh", batch).out.split()
    )
    note = next(n for n in run("ph", batch, "--json").json["notes"] if "without any acid" in n)
    assert f"about pH {round(last.typical, 1):g} is estimated" in note
    assert f"step {apart[0].number} of the weigh sheet" in note
    desk = desk_of(batch.parent)
    page = desk.get("/batch/FW-1/ph")
    assert note[1:] in page.text
    desk.submit("/ph", {"ph": "7.5", "now": "4"})
    assert read_batch(batch).adjustment[0].added_g == 4, "acid that went in apart is counted from the start"
