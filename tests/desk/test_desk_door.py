"""Who is let in, and what is refused before a screen is asked. All names, keys and weights are made up.

The attacks: DNS rebinding (a foreign Host), forms of other pages (Origin and Sec-Fetch-Site, as the Fetch standard of
WHATWG has them), a key that was read over a shoulder, addresses that climb out of the folder, markup in names.
"""

from __future__ import annotations

import threading
from pathlib import Path
from urllib.parse import urlencode

import pytest

from optimizer.bench.batch import read_batch
from optimizer.desk.app import make_desk
from optimizer.desk.guard import PHONE_SECONDS, Guard
from tests.support.desk import ORIGIN, TODAY, Browser, desk_of
from tests.support.harbour import batch_file

PLACE = "/batch/batch-12/weigh"


@pytest.fixture
def desk(tmp_path: Path) -> Browser:
    batch_file(tmp_path, "12", bottles=None, head='planned_on = "2026-05-04"\nheld_back_percent = 0\n')
    return desk_of(tmp_path)


def fields(desk: Browser, **more: str) -> list[tuple[str, str]]:
    """Return the fields of a form that weighs 200 g."""
    desk.get(PLACE)
    return [*desk.at.form("/weigh").fields, ("grams", "200"), *more.items()]


def noted(tmp_path: Path) -> int:
    return len(read_batch(tmp_path / "batch-12.toml").all_weighed)


def test_a_key_is_good_once_and_leaves_the_address(tmp_path: Path) -> None:
    guard = Guard()
    looked_at = guard.invite()
    first, second = (Browser(make_desk(tmp_path, guard=guard), guard) for _ in range(2))
    assert first.send("HEAD", f"/open?key={looked_at}").status == 200
    assert guard.enter(looked_at, "a browser"), "a preview of the link uses up no key"
    key = guard.invite()
    answer = first.send("GET", f"/open?key={key}")
    assert (answer.status, answer.headers["location"], answer.headers["referrer-policy"]) == (303, "/", "no-referrer")
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert "path=/" in cookie
    assert key not in cookie
    assert second.get(f"/open?key={key}").status == 403
    assert not second.cookies
    assert first.get("/").status == 200
    assert first.get(f"/open?key={key}").status == 200, "who is in stays in"
    assert second.get("/open?key=").status == 403
    assert second.get("/open").status == 403


def test_a_key_for_a_telephone_is_good_for_ten_minutes(tmp_path: Path) -> None:
    now = [0.0]
    guard = Guard(clock=lambda: now[0])
    late, early = guard.invite(phone=True, seconds=PHONE_SECONDS), guard.invite(phone=True, seconds=PHONE_SECONDS)
    assert len(late) * 6 >= 128, "at least 128 bits"
    now[0] = 599.0
    assert guard.enter(early, "telephone")
    now[0] = 601.0
    assert guard.enter(late, "telephone") is None


@pytest.mark.parametrize(
    "address",
    ["/", PLACE, "/shelf", "/records", "/devices", "/nothing", "/echo?text=1", "/changes?kind=batch&name=batch-12"],
)
def test_nothing_is_shown_without_a_key(desk: Browser, address: str) -> None:
    desk.get(address)
    desk.cookies.clear()
    answer = desk.get(address)
    assert answer.status == 403
    assert "HW" not in answer.text
    assert "not let in" in answer.text


def test_files_of_the_desk_need_a_key_too(desk: Browser) -> None:
    style = desk.at.html.partition('<link rel="stylesheet" href="')[2].partition('"')[0]
    answer = desk.get(style)
    assert (answer.status, answer.headers["cache-control"]) == (200, "private, max-age=31536000, immutable")
    desk.cookies.clear()
    assert desk.get(style).status == 403


@pytest.mark.parametrize("host", ["evil.example", "evil.example:8365", "127.0.0.1.evil.example:8365", "", "192.0.2.9"])
def test_a_foreign_name_of_the_desk_is_refused(desk: Browser, host: str) -> None:
    for address in ("/", "/open?key=x", PLACE):
        assert desk.send("GET", address, headers={"host": host}).status == 403


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"origin": ""},
        {"origin": "https://127.0.0.1:8365"},
        {"origin": "http://127.0.0.1:9999"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
        {"sec-fetch-site": "none"},
    ],
)
def test_a_change_that_another_page_asks_for_is_refused(desk: Browser, tmp_path: Path, headers: dict[str, str]) -> None:
    pairs = fields(desk)
    assert desk.post(PLACE, pairs, headers=headers).status == 403
    assert noted(tmp_path) == 0
    assert desk.post(PLACE, pairs, headers={"sec-fetch-site": "same-origin"}).status == 303
    assert noted(tmp_path) == 1


@pytest.mark.parametrize("form", ["", "x", "a.b", "\u00e4.\u00f6", "." * 50])
def test_a_form_that_was_not_made_here_is_refused(desk: Browser, tmp_path: Path, form: str) -> None:
    pairs = [(n, form if n == "form" else v) for n, v in fields(desk)]
    assert desk.post(PLACE, pairs).status == 403
    assert noted(tmp_path) == 0


def test_a_form_of_another_place_or_device_is_refused(desk: Browser, tmp_path: Path) -> None:
    pairs = fields(desk)
    desk.get("/batch/batch-12/ph")
    elsewhere = dict(desk.at.form("/ph").fields)["form"]
    assert desk.post(PLACE, [(n, elsewhere if n == "form" else v) for n, v in pairs]).status == 403
    other = Browser(desk.app, desk.guard).opened()
    assert other.post(PLACE, pairs).status == 403
    assert noted(tmp_path) == 0


def test_a_double_tap_notes_once(desk: Browser, tmp_path: Path) -> None:
    pairs = fields(desk)
    answers = []
    taps = [threading.Thread(target=lambda: answers.append(desk.post(PLACE, pairs))) for _ in range(6)]
    for tap in taps:
        tap.start()
    for tap in taps:
        tap.join()
    assert {a.status for a in answers} == {303}
    assert len({a.headers["location"] for a in answers}) == 1
    assert noted(tmp_path) == 1
    assert "Noted: 200 g" in desk.follow(answers[0]).text


def test_a_form_out_of_the_browsers_memory_that_holds_something_else_is_never_dropped(
    desk: Browser, tmp_path: Path
) -> None:
    desk.get(PLACE)
    form = desk.at.form("/weigh")
    assert desk.submit("/weigh", {"grams": "200"}, form=form).status == 200
    again = desk.submit("/weigh", {"grams": "30"}, form=form)  # back, and another figure
    assert again.status == 422
    assert "This form was sent before, with something else in it, and that was noted." in again.text
    assert 'value="30"' in again.html
    assert noted(tmp_path) == 1
    assert desk.submit("/weigh").status == 200, "what is shown then can be sent"
    assert [w.grams for w in read_batch(tmp_path / "batch-12.toml").weighed] == [200, 30]


@pytest.mark.parametrize(
    "address",
    ["/batch/../weigh", "/batch/..%2f..%2fetc%2fpasswd/weigh", "/batch/%2e%2e/weigh", "/batch//etc/passwd/weigh",
     "/batch/nobody/weigh", "/batch/batch-12.toml/weigh", "/formula/../../secret", "/static/../app.py"],
)  # fmt: skip
def test_names_are_looked_up_and_never_made_into_a_path(desk: Browser, tmp_path: Path, address: str) -> None:
    (tmp_path.parent / "secret.toml").write_text('batch = "secret"\n', encoding="utf-8")
    answer = desk.get(address)
    assert answer.status == 404
    assert "root:" not in answer.text


def test_markup_in_names_is_shown_and_never_run(tmp_path: Path) -> None:
    evil = "<script>alert(1)</script>\"'><img src=x onerror=alert(1)>"
    told = f"batch = {evil!r}\n".replace("\\'", "'") if "'" not in evil else ""
    path = batch_file(tmp_path, "12", bottles=None)
    text = path.read_text(encoding="utf-8").replace('product = "Harbour hand wash"', f"product = '''{evil}'''")
    path.write_text(text, encoding="utf-8")
    assert not told
    desk = desk_of(tmp_path)
    for address in ("/", PLACE, "/batch/batch-12/ph", "/batch/batch-12/label", "/batch/batch-12/cost", "/nothing/<b>"):
        page = desk.get(address).html
        assert "<script>alert" not in page
        assert "<img" not in page
    desk.get(PLACE)
    page = desk.submit("/weigh", {"grams": evil, "lot": evil}).html
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert(1)" in page


def test_every_answer_says_what_a_browser_may_do(desk: Browser) -> None:
    for address in ("/", PLACE, "/nothing", "/batch/batch-12/card.pdf"):
        headers = desk.get(address).headers
        policy = headers["content-security-policy"]
        for part in ("default-src 'none'", "script-src 'self'", "style-src 'self'", "connect-src 'self'",
                     "img-src 'self' data:", "form-action 'self'", "frame-ancestors 'none'"):  # fmt: skip
            assert part in policy
        assert "unsafe" not in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["cache-control"] == "no-store"
    page = desk.get(PLACE).html
    assert "http://" not in page.replace("http://www.w3.org", "")
    assert " style=" not in page
    assert "<style" not in page
    assert page.count("<script") == 1
    assert " onclick" not in page


def test_a_form_that_is_too_long_is_told_so(desk: Browser, tmp_path: Path) -> None:
    pairs = [*fields(desk), ("note", "x" * 70_000)]
    answer = desk.post(PLACE, pairs)
    assert (answer.status, noted(tmp_path)) == (413, 0)
    assert "more than 64 KB; nothing was noted" in answer.text


def test_what_is_no_form_is_told_so(desk: Browser, tmp_path: Path) -> None:
    kinds = {"content-type": "multipart/form-data; boundary=x", "origin": ORIGIN}
    assert desk.send("POST", PLACE, headers=kinds, body=b"--y\r\nnonsense").status in (400, 403)
    kinds = {"content-type": "application/json", "origin": ORIGIN}
    assert desk.send("POST", PLACE, headers=kinds, body=b'{"grams": 1}').status == 403
    body = urlencode([(f"n{k}", "1") for k in range(2000)]).encode()
    kinds = {"content-type": "application/x-www-form-urlencoded", "origin": ORIGIN}
    assert desk.send("POST", PLACE, headers=kinds, body=body).status in (400, 403)
    assert noted(tmp_path) == 0


def test_a_telephone_writes_at_the_bench_and_nothing_else(desk: Browser, tmp_path: Path) -> None:
    shelf = tmp_path / "shelf.csv"
    shelf.write_text("material,price per kg,stock kg\naqua,0.04,5\n", encoding="utf-8")
    before = shelf.read_text(encoding="utf-8")
    phone = Browser(desk.app, desk.guard).opened(phone=True, formulas=False)
    assert phone.post(PLACE, fields(phone)).status == 303
    assert noted(tmp_path) == 1
    desk.get("/shelf")
    change = next(link for link in desk.at.links if link.startswith("/shelf?"))
    form = desk.get(change).form("/shelf")
    for address in (change, "/shelf", "/begin", "/bring", "/prices", "/trials"):
        page = phone.get(address)
        assert not any(f.method == "post" for f in page.forms), f"{address}: what it may not send is not offered"
        if address != "/trials":  # no brief lies here, so there is nothing to plan
            assert page.text.count("on the machine that the desk runs on") == 1, address
    assert phone.get("/batch/batch-12/weigh").form("/weigh"), "at the bench it asks as before"
    assert "on the machine that the desk runs on" not in phone.at.text
    answer = phone.post("/shelf", [*form.fields, ("price_per_kg", "1")])
    assert answer.status == 403
    assert "nothing else" in answer.text
    assert shelf.read_text(encoding="utf-8") == before
    allowed = Browser(desk.app, desk.guard).opened(phone=True, formulas=True)
    allowed.get(change)
    assert allowed.submit("/shelf", {"price_per_kg": "1"}).status == 200
    assert "priced on" in shelf.read_text(encoding="utf-8")


def test_a_device_is_listed_and_turned_away(desk: Browser) -> None:
    phone = Browser(desk.app, desk.guard).opened(phone=True, formulas=False)
    assert phone.get("/devices").status == 200
    assert not phone.at.forms, "it turns nobody away itself"
    desk.get("/devices")
    assert desk.at.text.count("since") == 2
    assert not any(cookie in desk.at.html for cookie in phone.cookies.values())
    assert "Turned away" in desk.submit("/devices").text
    assert phone.get("/").status == 403
    assert desk.get("/").status == 200


def test_a_form_from_before_the_desk_was_opened_anew_notes_nothing(desk: Browser, tmp_path: Path) -> None:
    pairs = fields(desk)
    again = desk_of(tmp_path, today=lambda: TODAY)
    answer = again.post(PLACE, pairs)
    assert (answer.status, noted(tmp_path)) == (403, 0)
    assert "load the page anew" in answer.text
