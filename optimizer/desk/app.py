"""The desk as an application: who is let in, what is looked at before a screen is asked, what goes along with answers.

Every request passes `_Door` first: the name by which the desk was called, the device, and for a change where the form
came from, that it was made here, and how long it is.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterable
from datetime import date
from functools import partial
from http import HTTPStatus
from importlib import import_module
from pathlib import Path
from pkgutil import iter_modules
from typing import TypeVar
from urllib.parse import quote, unquote

from anyio import to_thread
from starlette.applications import Starlette
from starlette.formparsers import MultiPartException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Route, compile_path

from optimizer.desk import screens, watch
from optimizer.desk.asked import Asked, Desk, Upload
from optimizer.desk.folder import Folder, UnknownNameError
from optimizer.desk.frame import framed, static
from optimizer.desk.guard import BENCH_ALONE, Device, Guard
from optimizer.desk.html import Html, markup, tag
from optimizer.desk.screen import LARGE, Download, Page, Place, RefusedError, Rights, Screen
from optimizer.desk.way import way
from optimizer.desk.words import faults, in_words, on_page, sentence
from optimizer.errors import DataError, TensideError, UsageError

LOG = logging.getLogger("tenside.desk")
HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self' data:; "
        "form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
    ),
    # Not 'no-referrer': with it browsers tell no origin of the desk's own forms either.
    "Referrer-Policy": "same-origin",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}
FOREVER = "private, max-age=31536000, immutable"
AT_ONCE = 4
"""Requests that are worked on at the same time."""
DRAINED = 200 * 1024 * 1024
"""A form that is too long is read to its end up to here, so that the browser shows what is said of it [bytes]."""
WEEK = 7 * 24 * 3600


def make_desk(
    folder: Path,
    *,
    guard: Guard | None = None,
    hosts: Iterable[str] = ("127.0.0.1", "localhost"),
    today: Callable[[], str] | None = None,
    address: Callable[[], str] = lambda: "",
) -> Starlette:
    """Return the desk of a folder.

    Args:
        folder: The maker's files.
        guard: Who is let in; one that knows nobody yet, if it is left out.
        hosts: Names by which it may be called, each with or without a port.
        today: What day it is.
        address: Where other devices reach it.
    """
    found = all_screens()
    entries = tuple(s.entry for s in sorted(found, key=lambda s: s.rank) if s.entry)
    desk = Desk(Folder(folder), guard or Guard(), entries, today or _today, address, _rights(found))
    door = _Door(desk, frozenset(hosts))
    routes = [
        Route("/open", door.enter, methods=["GET"]),
        Route("/changes", door.changes, methods=["GET"]),
        *(Route(path, partial(door.static, kind, content)) for path, (kind, content) in static().items()),
        *(
            Route(place.path, partial(door.screen, place), methods=["GET", "POST"] if place.act else ["GET"])
            for screen in found
            for place in screen.places
        ),
        Route("/{rest:path}", door.nothing, methods=["GET", "POST"]),
    ]
    app = Starlette(routes=routes)
    app.state.desk = desk
    return app


def all_screens() -> list[Screen]:
    """Return the screens: one of each file of `desk/screens/`."""
    names = sorted(m.name for m in iter_modules(screens.__path__))
    return [import_module(f"{screens.__name__}.{name}").SCREEN for name in names]


def _rights(found: Iterable[Screen]) -> Callable[[str], Rights]:
    """Return what tells what a form changes that is sent to an address, as a link is written."""
    places = [(compile_path(place.path)[0], place.rights) for screen in found for place in screen.places]
    return lambda to: next((rights for path, rights in places if path.match(unquote(to))), "bench")


class ClosedError(Exception):
    """What is not let through: a status and a sentence."""

    def __init__(self, status: int, words: str) -> None:
        super().__init__(words)
        self.status, self.words = status, words


class _Door:
    """What stands before every screen."""

    def __init__(self, desk: Desk, hosts: frozenset[str]) -> None:
        self.desk, self.hosts = desk, hosts
        self._turns = threading.BoundedSemaphore(AT_ONCE)

    async def enter(self, request: Request) -> Response:
        """Trade a key for a cookie: a key in an address is good once and leaves the address bar this way."""
        try:
            self._called(request)
        except ClosedError as closed:
            return _plain(closed)
        if request.method == "HEAD":  # a preview of a link uses up no key
            return _sent(Response())
        name = _browser(request.headers.get("user-agent", ""))
        cookie = self.desk.guard.enter(request.query_params.get("key", ""), name)
        if cookie is None and self._known(request) is None:
            words = "This address was good once, and is used or too old. Open the desk again for a new one."
            return _plain(ClosedError(HTTPStatus.FORBIDDEN, words))
        answer = _sent(RedirectResponse("/", HTTPStatus.SEE_OTHER))
        answer.headers["Referrer-Policy"] = "no-referrer"
        if cookie is not None:
            answer.set_cookie(_cookie(request), cookie, max_age=WEEK, httponly=True, samesite="strict")
        return answer

    async def changes(self, request: Request) -> Response:
        """Tell a page that is looked at when its file is not any more as it was."""
        try:
            self._device(request)
        except ClosedError as closed:
            return _plain(closed)
        kind, name, was = (request.query_params.get(key, "") for key in ("kind", "name", "was"))
        look = partial(watch.told, self.desk.folder, kind, name, was)
        said = watch.stream(look, lambda: self._known(request) is not None)
        return _sent(StreamingResponse(said, media_type="text/event-stream"))

    async def static(self, kind: str, content: bytes, request: Request) -> Response:
        """Return a file that goes along with pages."""
        try:
            self._device(request)
        except ClosedError as closed:
            return _plain(closed)
        answer = _sent(Response(content, media_type=kind))
        answer.headers["Cache-Control"] = FOREVER
        return answer

    async def nothing(self, request: Request) -> Response:
        """Say that there is no such page."""
        try:
            device = self._device(request)
        except ClosedError as closed:
            return _plain(closed)
        asked = Asked(self.desk, device, _place(request), {}, {})
        body = tag("p", "There is nothing here. ", tag("a", "Go to the bench", href="/"), ".")
        return self._page(asked, Page("No such page", body, status=HTTPStatus.NOT_FOUND))

    async def screen(self, place: Place, request: Request) -> Response:
        """Ask a screen, or send it a form."""
        try:
            asked = await self._asked(place, request)
        except ClosedError as closed:
            return _plain(closed)
        except ClientDisconnect:
            return Response(status_code=HTTPStatus.BAD_REQUEST)
        return await to_thread.run_sync(partial(self._worked, request.method, place, asked))

    def _worked(self, method: str, place: Place, asked: Asked) -> Response:
        with self._turns:
            return self._sent_form(place, asked) if method == "POST" else self._shown(place, asked)

    def _shown(self, place: Place, asked: Asked, status: int = HTTPStatus.OK) -> Response:
        try:
            found = place.show(asked)
        except TensideError as error:
            return self._page(asked, _trouble(asked, error))
        except Exception:
            LOG.exception("a page could not be made")
            return self._page(asked, _defect())
        if isinstance(found, Download):
            return _download(found)
        return self._page(asked, found, status)

    def _sent_form(self, place: Place, asked: Asked) -> Response:
        """Do what a form asks for, once, and send the browser on; refused, show the page again with what was typed."""
        assert place.act is not None
        form, act = asked.text("form"), place.act
        try:
            outcome = asked.device.once(form, asked.typed, lambda: act(asked))
        except RefusedError as refused:
            asked.problems = {name: on_page(said) for name, said in refused.problems.items()}
            asked.readings = refused.readings
        except (DataError, UsageError) as error:
            asked.problems = {"": in_words(error)}
        except TensideError as error:
            asked.problems = {"": on_page(str(error))}
        except Exception:
            LOG.exception("a form could not be taken")
            return self._page(asked, _defect())
        else:
            if outcome is None:
                return self._shown(place, asked)
            sign = "&" if "?" in outcome.to else "?"
            path, _, mark = outcome.to.partition("#")
            to = f"{path}{sign}said={form.partition('.')[0]}{'#' * bool(mark)}{mark}" if outcome.words else outcome.to
            return _sent(RedirectResponse(to, HTTPStatus.SEE_OTHER))
        return self._shown(place, asked, HTTPStatus.UNPROCESSABLE_ENTITY)

    def _page(self, asked: Asked, page: Page, status: int = HTTPStatus.OK) -> Response:
        return _sent(HTMLResponse(framed(asked, page), page.status if page.status != HTTPStatus.OK else status))

    def _called(self, request: Request) -> None:
        """Refuse a desk that was called by a name that is not its own: a page elsewhere may have led here."""
        if _host(request.headers.get("host", "")) not in self.hosts:
            raise ClosedError(HTTPStatus.FORBIDDEN, "The desk is not called so.")

    def _known(self, request: Request) -> Device | None:
        return self.desk.guard.device(request.cookies.get(_cookie(request), ""))

    def _device(self, request: Request) -> Device:
        self._called(request)
        device = self._known(request)
        if device is None:
            words = "This browser is not let in. Use the address that 'tenside open' tells, or open the desk again."
            raise ClosedError(HTTPStatus.FORBIDDEN, words)
        return device

    async def _asked(self, place: Place, request: Request) -> Asked:
        device = self._device(request)
        asked = Asked(self.desk, device, _place(request), request.path_params, dict(request.query_params))
        asked.fragment = request.headers.get("x-fragment") == "1"
        asked.watch = "" if asked.fragment else watch.watched(asked)
        if request.method == "POST":
            self._own(request)
            if place.rights == "formula" and not device.formulas:
                raise ClosedError(HTTPStatus.FORBIDDEN, BENCH_ALONE)
            asked.typed, asked.files = await _form(request, place.longest)
            if not device.knows(asked.text("form"), asked.place):
                words = "This form is from before the desk was opened. Go back, load the page anew and send it again."
                raise ClosedError(HTTPStatus.FORBIDDEN, words)
        return asked

    def _own(self, request: Request) -> None:
        """Refuse a change that another page asks for."""
        own = f"{request.url.scheme}://{request.headers.get('host', '')}"
        site = request.headers.get("sec-fetch-site", "same-origin")
        if request.headers.get("origin") != own or site != "same-origin":
            raise ClosedError(HTTPStatus.FORBIDDEN, "This form was not sent by a page of the desk.")


async def _form(request: Request, longest: int) -> tuple[dict[str, list[str]], dict[str, Upload]]:
    """Return the fields and files of a form.

    Raises:
        ClosedError: If it is longer than it may be, or no form.
    """
    read, body = 0, bytearray()
    async for part in request.stream():
        read += len(part)
        if read <= longest:
            body += part
        elif read > DRAINED:
            break
    if read > longest:
        what = "The photo has" if longest > LARGE else "What was sent has"
        size = (
            f"more than {longest // (1024 * 1024)} MB" if longest > 1024 * 1024 else f"more than {longest // 1024} KB"
        )
        words = f"{what} {size}; nothing was noted. Go back and send a smaller one."
        raise ClosedError(HTTPStatus.REQUEST_ENTITY_TOO_LARGE, words)
    request._body = bytes(body)
    typed: dict[str, list[str]] = {}
    files: dict[str, Upload] = {}
    try:
        async with request.form(max_files=4, max_fields=400, max_part_size=longest) as form:
            for name, value in form.multi_items():
                if isinstance(value, str):
                    typed.setdefault(name, []).append(value)
                elif value.filename:
                    files[name] = Upload(value.filename, await value.read())
    except (MultiPartException, ValueError, TypeError, AssertionError) as error:
        LOG.info("no form: %s", error)
        raise ClosedError(HTTPStatus.BAD_REQUEST, "This is no form.") from None
    return typed, files


def _today() -> str:
    return date.today().isoformat()


def _host(text: str) -> str:
    """Return a host without its port."""
    name, _, port = text.rpartition(":")
    return (name if name and port.isdigit() else text).lower()


def _cookie(request: Request) -> str:
    """Return the name of the cookie: browsers tell the desks of one machine apart by nothing else."""
    return f"desk-{request.url.port or 80}"


def _browser(agent: str) -> str:
    """Return what to call a device in the list, from what its browser says of itself."""
    kinds = ("iPhone", "iPad", "Android", "Windows", "Macintosh", "Linux")
    browsers = (("Firefox", "Firefox"), ("Edg", "Edge"), ("Chrom", "Chromium"), ("Safari", "Safari"))
    kind = next((k for k in kinds if k in agent), "a device")
    browser = next((name for sign, name in browsers if sign in agent), "a browser")
    return f"{browser} on {kind}"


Answer = TypeVar("Answer", bound=Response)


def _sent(answer: Answer) -> Answer:
    for name, value in HEADERS.items():
        answer.headers.setdefault(name, value)
    return answer


def _plain(closed: ClosedError) -> Response:
    """Return a sentence as a page that needs nothing else: who is not let in gets no style either."""
    body = markup(Html("<!DOCTYPE html>"), tag("html", tag("title", "tenside"), tag("p", closed.words), lang="en"))
    return _sent(HTMLResponse(body, closed.status))


def _trouble(asked: Asked, error: TensideError) -> Page:
    if isinstance(error, UnknownNameError):
        words = error.problems[0].what
        body = tag("p", f"{sentence(words)} ", tag("a", "Go to the bench", href="/"), ".")
        return Page("Not in this folder", body, status=HTTPStatus.NOT_FOUND)
    if isinstance(error, DataError):
        items = (tag("li", said) for said in faults(error, asked.folder.path))
        body = markup(tag("p", "Something has to be mended first:"), tag("ul", *items))
        pages = way(asked, "") if "batch" in asked.names else None
        return Page("This cannot be used as it is", body, way=pages, status=HTTPStatus.CONFLICT)
    return Page("This cannot be shown", tag("p", on_page(str(error)), class_="wrong"), status=HTTPStatus.CONFLICT)


def _defect() -> Page:
    words = (
        "This is a defect of the desk, not yours; your files are as they were. The window of 'tenside open' tells more."
    )
    return Page("Something went wrong", tag("p", words, class_="wrong"), status=HTTPStatus.INTERNAL_SERVER_ERROR)


def _download(found: Download) -> Response:
    answer = _sent(Response(found.content, media_type=found.kind))
    if found.name:
        from urllib.parse import quote

        answer.headers["Content-Disposition"] = f"attachment; filename*=UTF-8''{quote(found.name)}"
    return answer


def _place(request: Request) -> str:
    """Return where a request goes, as a link to it is written."""
    return quote(request.scope["path"], safe="/~")
