"""What would make the desk a toy, looked for in a real browser: figures without a source, guesses told as best, proofs
that queue, requests of strangers, lost entries.

Places are drawn with fixed seeds around the shipped briefs; masses are made up.
"""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from math import inf
from pathlib import Path
from random import Random
from shutil import copytree
from typing import Any

import pytest

import optimizer as tenside
from optimizer.answers.keeping import stated
from optimizer.answers.ruled import Ruled
from optimizer.answers.rulers import Rulers
from optimizer.bench.batch import read_batch
from optimizer.desk.serve import OWN
from optimizer.errors import DataError
from optimizer.files import shipped
from optimizer.report.record import record
from optimizer.solve.best import solve
from tests.support.chromium import marks, served, wait, window
from tests.support.clicks import fill, press, proven, text
from tests.support.harbour import batch_file
from tests.support.shown import Figures, figures_of

pytestmark = marks

MOVE = """
const slide = document.querySelector(`[data-moves="${arguments[0]}"]`);
slide.value = arguments[1];
slide.dispatchEvent(new Event('input', { bubbles: true }));
"""
SHOWN_TO = 6e-4
"""Three decimals of a cost are shown."""
SHOWN = """
const sum = document.querySelector('#answer .sum'), at = document.querySelector('#answer [data-address]');
return [sum.dataset.word, sum.dataset.number, sum.querySelector('strong').textContent, at.dataset.address];
"""
REPLACED = """
const parts = [document.getElementById('answer'), ...document.querySelectorAll('.told')];
return [parts.map((part) => part.outerHTML).join(' '), Number(document.querySelector('#answer .sum').dataset.number)];
"""
PLACES = """
const { min, max, step } = document.querySelector(`[data-moves="${arguments[0]}"]`);
return [Number(min), Number(max), Number(step)];
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return the demo's briefs as a folder of one's own."""
    copytree(shipped("scenarios"), tmp_path / "demo")
    return tmp_path / "demo"


@contextmanager
def opened(chrome: Any, folder: Path, page: str) -> Iterator[Any]:
    """Open a page of a folder's desk in a window."""
    with served(folder) as desk, window(chrome) as browser:
        browser.get(desk.entry())
        browser.get(f"{desk.address}{page}")
        yield browser


def at_rest(browser: Any, key: str, place: float, own: float) -> bool:
    """Return whether what is shown is the proven answer at a place of a ruler."""
    shown = browser.execute_script(SHOWN)[3]
    return proven(browser) and (f"{key}={place:g}" in shown if place != own else key not in shown)


def answered(browser: Any, moved: dict[str, float]) -> tuple[str, str] | None:
    """Return in a word and a sentence what the page says of a place, once it says anything of that one."""
    word, _, verdict, address = browser.execute_script(SHOWN)
    there = [p.partition("=") for p in address.partition("?")[2].split("&") if p]
    return (word, verdict) if {key: float(value) for key, _, value in there} == moved else None


def cost_of(verdict: str) -> float:
    """Return the cost that a verdict begins with; nothing is dearer than what fits nowhere."""
    return inf if verdict.startswith(("Not known", "Nothing fits")) else float(verdict.split(maxsplit=1)[0])


def test_every_figure_in_the_page_stands_in_the_record_of_the_same_request(
    chrome: Any, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    records: dict[int, Ruled] = {}
    made = Rulers._told

    def spy(self: Rulers, *more: Any) -> Ruled:
        found = made(self, *more)
        records[found.number] = found
        return found

    monkeypatch.setattr(Rulers, "_told", spy)
    own = stated(folder / "hand-wash.toml")["mildness.at_least"]
    with opened(chrome, folder, "/formula/hand-wash") as browser:
        for place in (own + 2, own - 1):
            browser.execute_script(MOVE, "mildness.at_least", place)
            wait(lambda place=place: at_rest(browser, "mildness.at_least", place, own))
            html, number = browser.execute_script(REPLACED)
            shown = Figures(html).found
            assert len(shown) > 12
            assert shown - figures_of(record(records[number]).model_dump()) == set(), place


@pytest.mark.parametrize("name", ["hand-wash", "body-wash", "facial-wash"])
def test_no_guess_is_told_as_best_at_24_places(chrome: Any, folder: Path, name: str) -> None:
    """72 places over the three briefs: what the page calls proven is what `blend` finds, and nothing is cheaper."""
    random, own, words = Random(name), stated(folder / f"{name}.toml"), set()
    with opened(chrome, folder, f"/formula/{name}") as browser:
        wait(lambda: proven(browser))
        at = {key: own[key] for key in ("mildness.at_least", "active.at_least")}
        for _ in range(24):
            key = random.choice(list(at))
            least, most, step = browser.execute_script(PLACES, key)
            near = [round(own[key] + k * step, 6) for k in range(-6, 7)]
            place = at[key] = random.choice([p for p in near if least <= p <= most and p != at[key]])
            browser.execute_script(MOVE, key, place)
            moved = {k: v for k, v in at.items() if v != own[k]}
            try:
                brief = tenside.read_brief(folder / f"{name}.toml", **moved)
            except DataError:  # at least more than at most
                wait(lambda: "is above at most" in text(browser))
                continue
            word, verdict = wait(lambda moved=moved: answered(browser, moved))
            words.add(word)
            found = solve(brief)
            if word != "proven":
                assert found.ending != "optimal" or cost_of(verdict) >= found.objective - SHOWN_TO, moved
            elif found.ending == "optimal":
                assert cost_of(verdict) == pytest.approx(found.objective, abs=SHOWN_TO), moved
            else:
                assert verdict.startswith("Nothing fits"), (moved, verdict)
    assert {"proven"} < words


def test_old_proofs_do_not_queue(chrome: Any, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """20 moves a second for 2 s, body wash, to mildness 72: the last place is proven, those passed over are dropped."""
    ended: list[tuple[float, bool]] = []
    prove = Rulers.prove

    def noted(self: Rulers, *more: Any) -> Ruled | None:
        found = prove(self, *more)
        ended.append((time.monotonic(), found is not None))
        return found

    monkeypatch.setattr(Rulers, "prove", noted)
    own = stated(folder / "body-wash.toml")["mildness.at_least"]
    with opened(chrome, folder, "/formula/body-wash") as browser:
        wait(lambda: proven(browser))
        ended.clear()
        for k in range(40):
            browser.execute_script(MOVE, "mildness.at_least", round(own + (72 - own) * (k + 1) / 40, 1))
            time.sleep(0.05)
        stopped = time.monotonic()
        word = wait(lambda: (s := browser.execute_script(SHOWN))[3].endswith("=72") and s[0] in DONE and s[0])
    after = sum(at > stopped for at, _ in ended)
    assert after <= 2, "one that ran and the one of the last place"
    said = tenside.blend(tenside.read_brief(folder / "body-wash.toml", **{"mildness.at_least": 72})).found
    assert (word == "proven") == (said.ending == "optimal")


DONE = ("proven", "impossible")


def test_a_page_of_another_origin_on_this_machine_reads_and_changes_nothing(chrome: Any, tmp_path: Path) -> None:
    """Another server of the same address shares the cookies: it is the key of the form and the origin that stop it."""
    path = batch_file(tmp_path, "12", bottles=None)
    before = path.read_bytes()
    with served(tmp_path) as desk, stranger() as strange, window(chrome) as browser:
        browser.get(desk.entry())
        browser.get(strange)
        told = browser.execute_async_script(FROM_OUTSIDE, desk.address)
        assert told == ["TypeError", "TypeError", "blocked"], "no answer can be read, no page framed"
        browser.execute_script(SEND_FORM, desk.address)
        wait(lambda: desk.address in browser.current_url)
        assert "Noted" not in browser.page_source
        browser.get(desk.address)
        assert "Bench" in browser.title or "tenside" in browser.title.lower()
    assert path.read_bytes() == before


FROM_OUTSIDE = """
const [desk, done] = arguments, fields = new URLSearchParams({ grams: "200", material: "aqua" });
const read = fetch(`${desk}/batch/batch-12/weigh`, { credentials: "include" }).then((a) => a.status, (e) => e.name);
const sent = fetch(`${desk}/batch/batch-12/weigh`,
  { method: "POST", mode: "no-cors", credentials: "include", body: fields }).then((a) => a.type, (e) => e.name);
const frame = document.createElement("iframe");
frame.src = `${desk}/`;
const framed = new Promise((told) => {
  frame.onload = () => { try { frame.contentDocument.title; told("read"); } catch { told("blocked"); } };
});
document.body.append(frame);
Promise.all([read, sent, framed]).then(done);
"""
SEND_FORM = """
const form = document.createElement("form");
form.method = "post";
form.action = `${arguments[0]}/batch/batch-12/weigh`;
for (const [name, value] of [["grams", "200"], ["material", "aqua"], ["line", "1"]]) {
  const field = document.createElement("input");
  [field.name, field.value] = [name, value];
  form.append(field);
}
document.body.append(form);
form.submit();
"""


class Strange(BaseHTTPRequestHandler):
    """A page of somebody else's."""

    def do_GET(self) -> None:
        self.send_response(200)
        self.send_header("Content-Type", "text/html")
        self.end_headers()
        self.wfile.write(b"<!doctype html><title>strange</title><body></body>")

    def log_message(self, *_: Any) -> None:
        """Say nothing."""


@contextmanager
def stranger() -> Iterator[str]:
    """Serve somebody else's page from the same machine."""
    with ThreadingHTTPServer((OWN, 0), Strange) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        try:
            yield f"http://{OWN}:{server.server_port}/"
        finally:
            server.shutdown()
            thread.join()


def test_two_windows_and_a_command_lose_no_line_of_each_other(chrome: Any, tmp_path: Path) -> None:
    path = batch_file(tmp_path, "12", bottles=None)
    script = (
        "import sys; from optimizer import cli\n"
        "for n in range(4):\n"
        f"    sys.argv = ['tenside', 'weighed', {str(path)!r}, f'aqua=+0.5@C{{n}}', '--sure', '--json']\n"
        "    try: cli.main()\n"
        "    except SystemExit as ended:\n"
        "        if ended.code: raise\n"
    )
    with served(tmp_path) as desk, window(chrome) as browser:
        browser.get(desk.entry())
        with subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.DEVNULL) as command:
            for n in range(4):
                for sign, width in (("D", 1200), ("P", 390)):
                    browser.set_window_size(width, 844)
                    browser.get(f"{desk.address}/batch/batch-12/weigh?line=2")
                    fill(browser, grams="0,5", lot=f"{sign}{n}")
                    press(browser)
                    if "are noted already" in text(browser):
                        press(browser)
                    assert "Noted: 0.5 g" in text(browser)
            assert command.wait(120) == 0
    lots = [w.lot for w in read_batch(path).weighed]
    assert sorted(lots) == sorted(f"{sign}{n}" for sign in "CDP" for n in range(4))
