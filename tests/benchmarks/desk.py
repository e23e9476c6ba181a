"""The rulers of the desk: what a move costs against a whole blend in the same process, and how soon it is on the page.

Peers run in between: a blend of the same brief, a fixed fragment of the same length fetched by the same browser.
"""

from __future__ import annotations

import gc
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from random import Random
from shutil import copytree
from typing import Any

from live import to_blend
from measure import Line, spent
from starlette.responses import HTMLResponse
from starlette.routing import Route

import optimizer as tenside
from optimizer.answers.bench import batch_subject, note_weights
from optimizer.answers.draft import live_part
from optimizer.bench.weighed import Weight
from optimizer.desk.drafting import POOL
from optimizer.desk.screens import formula
from optimizer.files import shipped

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
from tests.support.chromium import CHROMIUM, DRIVER, chromium, served, wait
from tests.support.desk import desk_of
from tests.support.harbour import batch_file

NAMES = ("hand-wash", "body-wash", "facial-wash")
KEY = "mildness.at_least"
MOVES = 20
SOON = 0.06
"""What a proof may take beside the ratio [s]."""
DRAGGED = """
const slide = document.querySelector('[data-moves="mildness.at_least"]'), values = arguments[0], done = arguments[1];
const place = document.getElementById('answer'), took = [], fixed = [], late = arguments[0].map(() => null);
const at = () => { const a = place.querySelector('[data-address]'); return a ? a.dataset.address : ''; };
const once = (value) => new Promise((tell) => {
  const begin = performance.now();
  const watch = new MutationObserver(() => {
    if (!`${at()}&`.includes(`mildness.at_least=${value}&`)) return;
    watch.disconnect(); tell(performance.now() - begin);
  });
  watch.observe(place, { childList: true, subtree: true });
  slide.value = value;
  slide.dispatchEvent(new Event('input', { bubbles: true }));
});
const fetched = async () => {
  const begin = performance.now(), text = await (await fetch('/fixed')).text();
  const side = document.createElement('div');
  side.innerHTML = text;
  return performance.now() - begin;
};
const rest = () => new Promise((tell) => setTimeout(tell, 200));
(async () => {
  for (const value of values) { took.push(await once(value)); await rest(); fixed.push(await fetched()); }
  done([took, fixed]);
})();
"""
HURRIED = """
const slide = document.querySelector('[data-moves="mildness.at_least"]'), values = arguments[0], done = arguments[1];
const place = document.getElementById('answer');
let live = 0, left = 0, last = '';
const begin = performance.now();
new MutationObserver(() => {
  const sum = place.querySelector('.sum'), a = place.querySelector('[data-address]');
  if (sum && performance.now() - begin < 2000 && sum.dataset.number !== last) { live += 1; last = sum.dataset.number; }
  const final = values[values.length - 1];
  const there = a && `${a.dataset.address}&`.includes(`mildness.at_least=${final}&`);
  if (left && there && sum && sum.dataset.word === 'proven') {
    done([live / 2, performance.now() - left]);
    left = 0;
  }
}).observe(place, { childList: true, subtree: true });
values.forEach((value, k) => setTimeout(() => {
  slide.value = value;
  slide.dispatchEvent(new Event('input', { bubbles: true }));
  if (k === values.length - 1) left = performance.now();
}, 50 * k));
"""


def lines() -> Iterator[Line]:
    """Yield every claim on the desk's rulers."""
    with tempfile.TemporaryDirectory() as here:
        folder = Path(here) / "demo"
        copytree(shipped("scenarios"), folder)
        for name in NAMES:
            yield from _moves(folder, name)
        yield from _first(folder)
        yield from _noted(folder)
        yield from _idle(folder)
        yield from _long(folder)
        if CHROMIUM.exists() and DRIVER.exists():
            yield from _seen(folder)


def _moves(folder: Path, name: str) -> Iterator[Line]:
    """Yield what moves cost, each place asked, then proven, as somebody does who drags a ruler."""
    path, desk = folder / f"{name}.toml", desk_of(folder)
    rulers, brief, random = POOL.of(path), tenside.read_brief(path), Random(name)
    mark = next(m for m in rulers.marks if m.key == KEY)
    rulers.prove({})
    live = rulers._place({}).live

    def page(at: float) -> object:
        return desk.send("GET", f"/formula/{name}?{KEY}={at}", headers={"x-fragment": "1"})

    def alone(at: float) -> object:
        return live.ask(live_part(rulers.marks, {KEY: at}))

    places = [round(mark.at + random.uniform(-3, 3), 1) for _ in range(MOVES)]
    of_page, of_answer = to_blend(brief, places, (page, alone), lambda at: rulers.prove({KEY: at}))
    yield Line(f"desk, {name}: a move (answer and fragment) to a blend, processor time", of_page, 0.35)
    yield Line("  the live answer alone", of_answer, 0.15)


def _first(folder: Path) -> Iterator[Line]:
    """Yield what a first page takes, nothing of its brief being known, against reading and blending it."""
    ratios = []
    for _ in range(7):
        desk = desk_of(folder)
        POOL._rulers.clear()
        page = spent(lambda desk=desk: desk.get("/formula/hand-wash"))  # type: ignore[misc]
        ratios.append(page / spent(lambda: tenside.blend(tenside.read_brief(folder / "hand-wash.toml")).document()))
    yield Line("desk: first page to reading and blending in the same process, processor time", ratios, 1.5)


def _noted(folder: Path) -> Iterator[Line]:
    """Yield what it takes to note a weight, with the page that follows, against writing it and making that page."""
    desk, ratios = desk_of(folder), list[float]()
    for count in range(12):
        other = batch_file(folder, f"peer-{count}", bottles=None)
        place = f"/batch/{batch_file(folder, f'{count}', bottles=None).stem}/weigh"
        desk.get(place)
        took = spent(lambda: desk.submit("/weigh", {"grams": "400", "lot": "A"}))
        assert "400 g weighed, lot A" in desk.at.text
        write = spent(lambda other=other: note_weights(batch_subject(other), [Weight("aqua", 400, "A")]))  # type: ignore[misc]
        ratios.append(took / (write + spent(lambda place=place: desk.get(place))))  # type: ignore[misc]
    yield Line("desk: noting a weight to writing it and making its page, processor time", ratios, 1.3)


def _idle(folder: Path) -> Iterator[Line]:
    """Yield the processor time that a desk takes while nobody asks anything."""
    with served(folder):
        time.sleep(1)
        begin = time.process_time()
        time.sleep(5)
        yield Line("desk: processor time of 5 s in which nobody asks, ms", [1000 * (time.process_time() - begin)], 50)


def _long(folder: Path) -> Iterator[Line]:
    """Yield what 2,000 answers leave behind [MiB]."""
    rulers, random, before = POOL.of(folder / "hand-wash.toml"), Random(5), 0.0
    for count in range(2200):
        if count == 200:
            gc.collect()
            before = _resident()
        rulers.ask({KEY: round(random.uniform(56, 60), 2)})
    gc.collect()
    yield Line("desk: what 2,000 answers leave behind, MiB", [_resident() - before], 20)


def _resident() -> float:
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


def _seen(folder: Path) -> Iterator[Line]:
    """Yield how soon a move is on the page, and what is left of live answers while proofs run."""
    inside: list[float] = []
    made = formula._formula

    def timed(asked: Any) -> Any:
        begin = time.perf_counter()
        found = made(asked)
        inside.append(1000 * (time.perf_counter() - begin))
        return found

    formula._formula = timed
    random = Random(9)
    POOL._rulers.clear()
    try:
        with served(folder) as desk, chromium() as browser:
            browser.set_script_timeout(300)
            browser.get(desk.entry())
            browser.get(f"{desk.address}/formula/body-wash")
            told = browser.execute_script("return performance.getEntriesByType('resource').length + 1")
            yield Line("desk: requests of a page before anything is moved", [float(told)], 4)
            yield Line("desk: length of the page, KiB", [len(browser.page_source.encode()) / 1024], 100)
            again = desk_of(folder).send("GET", f"/formula/body-wash?{KEY}=60", headers={"x-fragment": "1"})
            fixed = HTMLResponse("<p>" + "x" * (len(again.content) - 7) + "</p>")
            desk.app.router.routes.insert(0, Route("/fixed", lambda _: fixed))
            own = next(m.at for m in POOL.of(folder / "body-wash.toml").marks if m.key == KEY)
            values = [f"{v:g}" for v in _places(random, 200, own)]
            inside.clear()
            took, trips = list[float](), list[float]()
            for first in range(0, len(values), 25):
                some, fetched = browser.execute_async_script(DRAGGED, values[first : first + 25])
                took, trips = [*took, *some], [*trips, *fetched]
            peer = [a + b for a, b in zip(inside[: len(trips)], trips, strict=False)]
            yield Line(
                "desk: a move until it is on the page, p95 to (stage 1 inside + round trip)",
                [_p95(took) / _p95(peer)],
                1.3,
            )
            trip = statistics.median(trips) / 1000
            POOL._rulers.clear()
            browser.get(f"{desk.address}/formula/body-wash")
            wait(lambda: browser.find_elements("css selector", '.sum[data-word="proven"]'))
            steps = [f"{v:g}" for v in (own + (72 - own) * k // 39 for k in range(39))] + ["72"]
            before = _free()
            live, last = browser.execute_async_script(HURRIED, steps)
            alone, free = _solved(folder, 72.0), (before + _free()) / 2
            what = "desk: 8 to the live answers a second of a free core, at 20 moves a second with proofs running"
            yield Line(what, [8 * free / live], 1, peer=f"{live:g} a second, {free:.0%} of a core free")
            allowed = 1.3 * (alone + trip) + SOON
            yield Line("desk: proof of the last one to 1.3 x (solve + round trip) + 60 ms", [last / 1000 / allowed], 1)
    finally:
        formula._formula = made


def _places(random: Random, count: int, own: float) -> Iterator[float]:
    """Yield places of a ruler, no two alike one after the other and none that of the file."""
    last = own
    for _ in range(count):
        at = last
        while at in (last, own):
            at = own + random.randint(-1, 4)  # whole steps, as a ruler has them
        last = at
        yield at


def _free() -> float:
    """Return which share of a core whoever is busy gets here now: others may be at work on this machine."""
    begin, used = time.perf_counter(), time.process_time()
    while time.perf_counter() < begin + 1:
        pass
    return min(1.0, (time.process_time() - used) / (time.perf_counter() - begin))


def _p95(values: list[float]) -> float:
    return statistics.quantiles(values, n=20)[-1]


def _solved(folder: Path, at: float) -> float:
    """Return how long a blend takes at a place [s], wall."""
    path = folder / "body-wash.toml"
    brief = tenside.read_brief(path, **{KEY: at})
    times = []
    for _ in range(3):
        begin = time.perf_counter()
        tenside.blend(brief)
        times.append(time.perf_counter() - begin)
    return statistics.median(times)
