"""The formula on the desk, inside this process: what stands on the page, what is kept, what is refused.

Figures are made up around those of the shipped briefs.
"""

from __future__ import annotations

import re
import threading
from pathlib import Path
from shutil import copytree
from typing import Any

import pytest

import optimizer as tenside
from optimizer.answers.keeping import stated
from optimizer.answers.kept import Records
from optimizer.answers.ruled import Ruled
from optimizer.answers.rulers import Rulers
from optimizer.desk import work
from optimizer.desk.screens import pictures
from optimizer.files import digest, shipped
from optimizer.report.record import record
from optimizer.units import number
from tests.support.desk import TODAY, Browser, desk_of
from tests.support.shown import Figures, figures_of

MOVED = "/formula/hand-wash?mildness.at_least=60"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return the demo's briefs as a folder of one's own."""
    copytree(shipped("scenarios"), tmp_path / "demo")
    return tmp_path / "demo"


@pytest.fixture
def desk(folder: Path) -> Browser:
    """Return a browser on its desk."""
    return desk_of(folder)


def change(**moved: float) -> str:
    """Return in words what moved limits of the hand wash cost against the file, as `blend` says."""
    costs = [tenside.blend(tenside.read_brief("hand-wash", **some)).found.objective for some in (moved, {})]
    return f"{costs[0] - costs[1]:+.3f} EUR against the file"


@pytest.mark.parametrize("address", [MOVED, "/formula/body-wash?active.at_least=12.5", "/formula/facial-wash"])
def test_every_figure_on_the_page_is_one_of_the_record_of_the_same_request(
    desk: Browser, monkeypatch: pytest.MonkeyPatch, address: str
) -> None:
    records: list[Ruled] = []
    made = Rulers._told

    def spy(self: Rulers, *more: Any) -> Ruled:
        records.append(made(self, *more))
        return records[-1]

    monkeypatch.setattr(Rulers, "_told", spy)
    for place, fragment in ((address, "0"), (address, "1"), (address.replace("?", "/proof?"), "1")):
        if "/proof?" not in place and place is not address:
            continue
        records.clear()
        answer = desk.send("GET", place, headers={"x-fragment": fragment})
        assert answer.status == 200
        assert len(records) == 1
        shown = Figures(answer.html.partition("<main")[2] or answer.html).found
        assert len(shown) > 20
        assert shown - figures_of(record(records[0]).model_dump()) == set()


def test_the_page_of_a_formula_says_what_it_is_not_and_what_its_materials_ask_for(desk: Browser) -> None:
    page = desk.get("/formula/hand-wash").text
    listing = next(p for p in tenside.blend("hand-wash").document().sections if getattr(p, "title", "") == "Cautions")
    assert "not a safety assessment" in page
    assert len(listing.items) >= 8
    assert all(" ".join(item.split()) in page for item in listing.items if "figures that decided" not in item)


def test_the_formula_sums_to_100_with_what_is_kept_free_and_says_what_is_planned(desk: Browser) -> None:
    page = desk.get("/formula/hand-wash")
    table = page.html.partition("<caption")[2].partition("</table>")[0]
    rows = re.findall(r"<th[^>]*>(.*?)</th><td[^>]*>([0-9.]+)</td>", table)
    assert rows[-2][0].startswith("kept free for Citric Acid")
    assert rows[-1] == ("total", "100.00")
    assert sum(float(percent) for _, percent in rows[:-1]) == pytest.approx(100, abs=0.05)
    said = dict(tenside.blend("hand-wash").document().facts)["planned cost"]
    planned = re.search(r"with (.*?) planned, not computed", said)
    assert planned is not None
    assert f"Out of what is kept free: {planned[1]} planned for the bench, not computed." in page.text


def test_a_move_is_answered_at_once_and_the_proof_follows(desk: Browser) -> None:
    desk.get("/formula/body-wash")
    first = desk.send("GET", "/formula/body-wash?mildness.at_least=66", headers={"x-fragment": "1"})
    follow = re.search(r'data-follow="([^"]+/proof[^"]+)"', first.html)
    assert follow, "an answer that is not proven says that its proof follows"
    second = desk.send("GET", follow[1].replace("&amp;", "&"), headers={"x-fragment": "1"})
    said = tenside.blend(tenside.read_brief("body-wash", mildness__at_least=66)).found
    assert f"{said.cost:.3f} EUR per kg" in second.text
    assert "Proven: nothing better keeps every limit." in second.text
    again = desk.send("GET", "/formula/body-wash?mildness.at_least=66", headers={"x-fragment": "1"})
    assert 'data-word="proven"' in again.html


@pytest.mark.thorough
def test_a_draft_lives_in_the_address_alone(desk: Browser, folder: Path) -> None:
    before = digest(folder / "hand-wash.toml")
    here, file = desk.get(MOVED).text, stated(folder / "hand-wash.toml")["mildness.at_least"]
    other = desk_of(folder).get(MOVED).text
    assert change(mildness__at_least=60) in here
    assert f"in the file {number(file)}" in here
    assert other.partition("Limits")[0] == here.partition("Limits")[0]
    assert "against the file" not in desk.get("/formula/hand-wash").text
    assert digest(folder / "hand-wash.toml") == before


def test_keeping_writes_into_the_brief_and_it_can_be_put_back(desk: Browser, folder: Path) -> None:
    path = folder / "hand-wash.toml"
    before = path.read_bytes()
    desk.get(MOVED)
    after = desk.submit("/formula/hand-wash/keep")
    assert "Kept in the brief." in after.text
    assert path.read_bytes() == re.sub(rb'(rating = "mildness"\nat_least = )[0-9.]+', rb"\g<1>60", before)
    assert path.read_bytes() != before
    back = desk.submit("/formula/hand-wash/back")
    assert "as it was before" in back.text
    assert path.read_bytes() == before


def test_a_source_of_the_figure_before_is_none_of_a_moved_one(desk: Browser, folder: Path) -> None:
    path = folder / "hand-wash.toml"
    noted = re.sub(r'(rating = "mildness"\nat_least = [0-9.]+)', r"\1  # usual; no source", path.read_text("utf-8"))
    path.write_text(noted, encoding="utf-8")
    desk.get(MOVED)
    assert "Kept in the brief." in desk.submit("/formula/hand-wash/keep").text
    assert 'rating = "mildness"\nat_least = 60\n' in path.read_text(encoding="utf-8")


@pytest.mark.thorough
def test_what_another_page_changed_is_kept_and_the_same_figure_is_shown_both_ways(desk: Browser, folder: Path) -> None:
    other = desk_of(folder)
    desk.get(MOVED)
    other.get("/formula/hand-wash?active.at_least=9.5")
    other.submit("/formula/hand-wash/keep")
    assert "Kept in the brief." in desk.submit("/formula/hand-wash/keep").text
    figures = tenside.read_brief(folder / "hand-wash.toml").scenario.rule
    kept = {rule.id: getattr(rule, "at_least", None) for rule in figures}
    assert (kept["mildness"], kept["active"]) == (60, 9.5)

    desk.get("/formula/hand-wash?salt.at_most=1")
    other.get("/formula/hand-wash?salt.at_most=1.1")
    other.submit("/formula/hand-wash/keep")
    before = (folder / "hand-wash.toml").read_bytes()
    clash = desk.submit("/formula/hand-wash/keep")
    assert clash.status == 422
    assert "salt at most: 1.1 in the file now, 1 of yours, 1.2 when you began" in clash.text
    assert (folder / "hand-wash.toml").read_bytes() == before


def test_a_variant_lies_beside_its_brief_and_both_stand_side_by_side(desk: Browser, folder: Path) -> None:
    desk.get(MOVED)
    nameless = desk.submit("/formula/hand-wash/variant", {"name": " "})
    assert nameless.status == 422
    assert "a variant needs a name" in nameless.text
    desk.get(MOVED)
    made = desk.submit("/formula/hand-wash/variant", {"name": "Soft Quay"})
    assert made.address.startswith("/formula/soft-quay")
    milder = tenside.blend(tenside.read_brief("hand-wash", mildness__at_least=60)).found
    assert f"{milder.cost:.3f} EUR per kg" in made.text
    both = desk.get("/formula/soft-quay/variants")
    assert "/formula/hand-wash/batch" in both.links
    assert "/formula/soft-quay/batch" in both.links
    assert "Doses, % w/w as supplied" in both.text


@pytest.mark.thorough
@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("-3", "-3 cannot be: it is 0 to 100."),
        ("1,234", "can be read two ways"),
        ("soft", "soft is not a number"),
        ("1e999", "larger than any figure"),
        ("101", "101 cannot be"),
    ],
)
def test_a_figure_that_cannot_be_is_told_beside_its_field_and_the_rest_counts(
    desk: Browser, typed: str, said: str
) -> None:
    page = desk.get(f"/formula/hand-wash?mildness.at_least={typed}&active.at_least=9,5")
    assert page.status == 200
    assert said in page.text
    assert change(active__at_least=9.5) in page.text
    assert f'value="{typed}"' in page.html


def test_limits_that_contradict_leave_no_figure_of_before_and_a_way_back(desk: Browser) -> None:
    place = "/formula/hand-wash?active.at_least=12.5"
    whole, part = desk.get(place), desk.send("GET", place, headers={"x-fragment": "1"})
    for page in (whole, part):
        assert "At least 12.5 is above at most 11" in page.text
        assert '<a href="/formula/hand-wash">Leave the brief as it is</a>' in page.html
        assert "Keep in the brief" not in page.html
    for emptied in ('data-goes="#doses"></div>', 'data-goes="#told-active.at_least"></div>'):
        assert emptied in part.html


def test_limits_that_contradict_and_keys_that_lead_nowhere_are_sentences(desk: Browser) -> None:
    crossed = desk.get("/formula/hand-wash?active.at_least=12")
    assert "These limits cannot be" in crossed.text
    assert "above at most" in crossed.text
    assert "There is no limit 'nothing.at_least'" in desk.get("/formula/hand-wash?nothing.at_least=3").text
    assert "no brief of this name" in desk.get("/formula/nothing-here").text


def test_what_clashes_is_told_with_mends_that_really_mend(desk: Browser) -> None:
    page = desk.get("/formula/impossible-wash")
    assert "Nothing fits" in page.text
    mends = desk.get("/formula/impossible-wash/impossible")
    assert "These 3 clash" in mends.text
    tries = [link for link in mends.links if "/formula/impossible-wash?" in link]
    assert len(tries) == 2
    for link in tries:
        assert "Proven: nothing better keeps every limit." in desk.get(link).text
    kept = desk.submit("/formula/impossible-wash/keep")
    assert "Kept in the brief." in kept.text
    assert "Nothing fits" not in kept.text


def test_mends_of_a_moved_limit_keep_the_rest_of_the_draft(desk: Browser) -> None:
    mends = desk.get("/formula/hand-wash/impossible?mildness.at_least=80&ph.low=4.9")
    link = next(link for link in mends.links if "mildness.at_least=6" in link)
    assert "ph.low=4.9" in link
    assert "EUR per kg" in desk.get(link).text


@pytest.mark.thorough
def test_a_material_is_swapped_asked_about_and_left_out(desk: Browser) -> None:
    swap = desk.get("/formula/hand-wash/swap?material=cocamidopropyl-betaine")
    assert "takes its place" in swap.text
    without = next(link for link in swap.links if "missing.cocamidopropyl-betaine=1" in link)
    page = desk.get(without)
    assert "Without Cocamidopropyl Betaine." in page.text
    assert "Cocamidopropyl Betaine out" in page.text
    why = desk.get("/formula/hand-wash/why?material=decyl-glucoside")
    assert "Out:" in why.text
    assert "There is no formula" in desk.get("/formula/impossible-wash/swap?material=glycerin").text
    assert "What clashes?" in desk.get("/formula/impossible-wash/why?material=glycerin").text
    assert "no material of this name" in desk.get("/formula/hand-wash/why?material=no-such").text


@pytest.mark.thorough
def test_pictures_show_the_windows_and_the_trade_off_with_the_formula_as_it_stands(desk: Browser) -> None:
    page = desk.get("/formula/gentle-wash/pictures")
    assert "shared by all" in page.text
    room = desk.get("/formula/gentle-wash/room?loss=0,02")
    assert "How far each dose may move" in room.text
    line = desk.get("/formula/gentle-wash/trade-off?against=minimise+salt")
    while "It is being drawn." in line.text:
        line = desk.get(line.address)
    assert "Every break is exact." in line.text
    assert "the formula as it stands" in line.text
    assert "cannot be traded" in desk.get("/formula/gentle-wash/trade-off?against=x").text


def test_a_trade_off_says_how_far_it_is_and_can_be_broken_off(desk: Browser, monkeypatch: pytest.MonkeyPatch) -> None:
    begun, broken = threading.Event(), threading.Event()

    def drawn_slowly(rulers: Any, draft: Any, against: str, tell: Any, between: Any) -> Any:
        tell("12 sets of choices followed")
        begun.set()
        try:
            while True:
                between()
        finally:
            broken.set()

    monkeypatch.setattr(pictures, "trade_off", drawn_slowly)
    monkeypatch.setattr(work, "SOON_S", 0.01)
    address = "/formula/hand-wash/trade-off?against=maximise+mildness"
    desk.get(address)
    assert begun.wait(20)
    page = desk.get(address)
    assert "It is being drawn. 12 sets of choices followed" in page.text
    assert 'data-goes="#growing"' in desk.get(address, x_fragment="1").html
    desk.get(address)
    page = desk.submit("/trade-off")
    assert "The trade-off was broken off." in page.text
    assert broken.wait(20), "nothing goes on that nobody waits for"


def test_a_batch_is_laid_from_the_proven_formula_alone(desk: Browser, folder: Path) -> None:
    desk.get("/formula/hand-wash/batch")
    assert "either kilograms or bottles" in desk.submit("/formula/hand-wash/batch", {"number": "12"}).text
    assert "Type the measured density." in desk.submit("/formula/hand-wash/batch", {"number": "1", "bottles": "4"}).text
    desk.get("/formula/hand-wash/batch")
    laid = desk.submit("/formula/hand-wash/batch", {"number": "12", "kilos": "2,5"})
    assert laid.address.startswith("/batch/batch-12/weigh")
    assert (folder / "batch-12.toml").is_file()
    desk.get("/formula/hand-wash/batch")
    assert (
        "There is a batch of this number"
        in desk.submit("/formula/hand-wash/batch", {"number": "12", "kilos": "2"}).text
    )
    desk.get("/formula/impossible-wash/batch")
    refused = desk.submit("/formula/impossible-wash/batch", {"number": "13", "kilos": "2"})
    assert refused.status == 422
    assert not (folder / "batch-13.toml").exists()


def test_a_limit_if_used_that_clashes_is_moved_by_its_ruler(folder: Path) -> None:
    """Glycerin is asked for with 1 to 3 %, and with 6 % or more if it is used: 3 % suffices, by hand; doses made up."""
    path = folder / "hand-wash.toml"
    more = (
        '[[rule]]\nid = "some"\nkind = "dose"\nof = ["glycerin"]\nat_least = 1\nat_most = 3\n'
        '[[rule]]\nid = "enough"\nkind = "if-used"\nof = ["glycerin"]\nat_least = 6\n'
    )
    path.write_text(f"{path.read_text(encoding='utf-8')}\n{more}", encoding="utf-8")
    desk = desk_of(folder)
    page = desk.get("/formula/hand-wash/impossible")
    assert "if used, at least 6 → 3 %" in page.text
    assert "No ruler does this" not in page.text
    there = desk.get(next(link for link in page.links if "enough.at_least=3" in link))
    assert "What clashes?" not in there.text, "with it a formula fits"


def test_a_telephone_that_may_only_note_changes_no_formula(folder: Path) -> None:
    desk = desk_of(folder)
    phone = Browser(desk.app, desk.guard).opened(phone=True, formulas=False)
    before = digest(folder / "hand-wash.toml")
    assert not any(form.method == "post" for form in phone.get(MOVED).forms), "what it may not send is not offered"
    assert phone.at.text.count("on the machine that the desk runs on") == 1
    keep = desk.get(MOVED).form("/formula/hand-wash/keep")
    assert phone.submit("/formula/hand-wash/keep", form=keep).status == 403
    assert digest(folder / "hand-wash.toml") == before


def test_names_that_are_markup_are_words(folder: Path) -> None:
    path = folder / "hand-wash.toml"
    text = path.read_text(encoding="utf-8").replace("Harbour hand wash", "<script>x</script>")
    path.write_text(text, encoding="utf-8")
    page = desk_of(folder).get("/formula/hand-wash")
    assert "<script>x" not in page.html
    assert "&lt;script&gt;x" in page.html


def test_a_brief_that_breaks_underneath_is_a_sentence(desk: Browser, folder: Path) -> None:
    desk.get("/formula/hand-wash")
    (folder / "hand-wash.toml").write_text("name = ", encoding="utf-8")
    page = desk.get("/formula/hand-wash")
    assert page.status != 500
    assert "TOML" in page.text or "no brief of this name" in page.text


def test_a_formula_is_kept_as_a_version_of_its_master_with_the_reason(desk: Browser, folder: Path) -> None:
    assert "/formula/hand-wash/master" in desk.get("/formula/hand-wash").links
    desk.get("/formula/hand-wash/master")
    refused = desk.submit("/master", {"why": "  "})
    assert (refused.status, (folder / "records.db").exists()) == (422, False)
    kept = desk.submit("/master", {"why": "first <version>"})
    assert kept.status == 200
    assert "Kept as version 1." in kept.text
    assert "first <version>" in kept.text
    (version,) = Records(folder / "records.db").versions("Harbour hand wash").found.versions
    assert (version.why, version.on) == ("first <version>", TODAY)
    best = tenside.blend(tenside.read_brief(folder / "hand-wash.toml")).found.weighable
    assert {d.material: d.after for d in version.doses} == pytest.approx(dict(best.doses))
    assert f"Coco-Glucoside {best.doses['coco-glucoside']:.2f}" in kept.text
    desk.get("/formula/hand-wash/master")
    again = desk.submit("/master", {"why": "again"})
    assert again.status == 422
    assert "is the same as its version 1" in again.text
    assert any(link.startswith("/master?name=") for link in desk.get("/records").links)


def test_what_has_no_formula_becomes_no_version(desk: Browser, folder: Path) -> None:
    assert "/formula/impossible-wash/master" not in desk.get("/formula/impossible-wash").links
    desk.get("/formula/impossible-wash/master")
    assert desk.submit("/master", {"why": "all the same"}).status == 422
    assert not (folder / "records.db").exists()
    assert desk.get("/master?name=no-such").status == 409
