"""The library on the desk: what the commands find, every figure with who says so."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer.answers.kept import keep_batch
from optimizer.answers.known import doubts, evidence, law, material, materials_called, rules
from optimizer.data.library import read_library
from optimizer.desk.folder import Folder
from optimizer.files import shipped
from optimizer.report.document import Document
from tests.support.desk import TODAY, Browser, Words, desk_of
from tests.support.harbour import batch_file

LIBRARY = read_library([shipped("library")])


@pytest.fixture
def desk(tmp_path: Path) -> Browser:
    """Return a browser on a folder with one shelf."""
    (tmp_path / "shelf.csv").write_text("material,price per kg\nsalt,1\n", encoding="utf-8")
    return desk_of(tmp_path)


@pytest.mark.parametrize("word", ["salt", "CAPB", "betaine", "humectant"])
def test_an_everyday_word_finds_what_the_command_finds(desk: Browser, word: str) -> None:
    assert "/library" in desk.get("/").links
    desk.get("/library")
    page = desk.get(f"/library?words={word}")
    found = [link.rpartition("/")[2] for link in page.links if "/library/of/" in link]
    assert found == [m.id for m in materials_called(LIBRARY, word).found.materials]


@pytest.mark.parametrize(("word", "said"), [("qqqq", "Nothing is called 'qqqq'."), ("", "Type a word")])
def test_a_word_that_means_nothing_is_told_beside_the_field(desk: Browser, word: str, said: str) -> None:
    page = desk.get(f"/library?words={word}")
    assert page.status == 422
    assert said in Words.of(page.html.partition('id="words-problem"')[2].partition("</p>")[0].partition(">")[2])
    assert f'value="{word}"' in page.html


@pytest.mark.parametrize("name", ["sodium-hydroxide", "cocamidopropyl-betaine", "parfum"])
def test_a_material_is_shown_with_its_figures_sources_and_cautions(desk: Browser, name: str) -> None:
    page = desk.get(f"/library/of/{name}")
    document = material(LIBRARY, name).document()
    text = page.text.replace("\xa0", " ")
    assert page.status == 200
    for section in document.sections:
        cells = [c for row in getattr(section, "rows", ()) for c in row if isinstance(c, str)]
        for said in (*cells, *getattr(section, "items", ())):
            assert " ".join(said.split()[:6]) in text
    assert document.title in text


def test_a_caustic_one_says_so(desk: Browser) -> None:
    assert "goggles" in desk.get("/library/of/sodium-hydroxide").text


def test_no_material_of_that_name(desk: Browser) -> None:
    assert desk.get("/library/of/no-such-thing").status == 404
    assert desk.get("/library/of/..%2F..%2Fetc").status == 404


def test_a_word_of_the_shelf_leads_to_its_material(desk: Browser) -> None:
    assert "/library/of/salt" in desk.get("/shelf").links
    assert "Sodium Chloride" in desk.get("/library/of/salt").text


def test_what_it_rests_on_and_the_law_are_those_of_the_commands(desk: Browser) -> None:
    assert evidence(LIBRARY).document().verdict in desk.get("/library/how-backed").text.replace("\xa0", " ")
    for use in ("rinse-off", "leave-on"):
        page = desk.get(f"/library/law?use={use}")
        assert law(LIBRARY, use).document().verdict in page.text.replace("\xa0", " ")
        assert len(page.content) <= 100 * 1024


@pytest.mark.parametrize(
    ("place", "document"),
    [("/library/doubts", doubts(LIBRARY, TODAY).document()), ("/library/limits", rules().document())],
)
def test_what_is_doubtful_and_which_limits_there_are_is_told_as_the_command_tells_it(
    desk: Browser, place: str, document: Document
) -> None:
    assert place in desk.get("/library").links
    page = desk.get(place)
    text = page.text.replace("\xa0", " ")
    assert page.status == 200
    told = [s.title for s in document.sections if s.title]
    assert told
    assert [title for title in told if " ".join(title.split()[:4]) not in text] == []
    assert "'tenside " not in text


def test_whether_the_records_are_sound_is_a_page(desk: Browser, tmp_path: Path) -> None:
    assert "nothing to check" in desk.get("/records/sound").text
    keep_batch(batch_file(tmp_path, "12"), store=Folder(tmp_path).records)
    assert "/records/sound" in desk.get("/records").links
    page = desk.get("/records/sound")
    assert page.status == 200
    assert "'tenside " not in page.text
