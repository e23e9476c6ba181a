"""The desk inside this process: a browser without a screen that keeps its cookie, follows links and fills forms."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from urllib.parse import quote, unquote, urlencode, urljoin, urlsplit

from starlette.applications import Starlette

from optimizer.desk.app import make_desk
from optimizer.desk.guard import Guard

ORIGIN = "http://127.0.0.1:8365"
TODAY = "2026-05-04"
VOID = {"br", "hr", "img", "input", "link", "meta"}
BOUNDARY = "between-the-fields"


@dataclass
class Form:
    """A form as it stands on a page."""

    action: str
    method: str
    fields: list[tuple[str, str]] = field(default_factory=list)
    buttons: list[tuple[str, str]] = field(default_factory=list)


@dataclass
class Answer:
    """What came back."""

    status: int
    headers: dict[str, str]
    content: bytes
    address: str = ""

    @property
    def html(self) -> str:
        """The page as it came."""
        return self.content.decode("utf-8")

    @property
    def text(self) -> str:
        """The words of the page, without markup and with single blanks."""
        return Words.of(self.html)

    @property
    def forms(self) -> list[Form]:
        """The forms of the page."""
        return Forms.of(self.html)

    @property
    def links(self) -> list[str]:
        """Where its links lead."""
        return re.findall(r'<a [^>]*?href="([^"]+)"', self.html.replace("&amp;", "&"))

    def form(self, action: str) -> Form:
        """Return the first form that is sent to an address."""
        return next(f for f in self.forms if f.action.partition("?")[0].endswith(action))


class Words(HTMLParser):
    """The words of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.parts: list[str] = []

    @classmethod
    def of(cls, html: str) -> str:
        """Return the words of some markup."""
        reader = cls()
        reader.feed(html)
        return " ".join(" ".join(reader.parts).split())

    def handle_data(self, data: str) -> None:
        """Keep a text."""
        self.parts.append(data)


class Forms(HTMLParser):
    """The forms of a page with what stands in their fields."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[Form] = []
        self.select = ""
        self.options: list[tuple[str, bool]] = []
        self.area: list[str] | None = None

    @classmethod
    def of(cls, html: str) -> list[Form]:
        """Return the forms of some markup."""
        reader = cls()
        reader.feed(html)
        return reader.found

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Keep forms and their fields."""
        told = {k: v or "" for k, v in attrs}
        if tag == "form":
            self.found.append(Form(told.get("action", ""), told.get("method", "get")))
        if not self.found:
            return
        form = self.found[-1]
        if tag == "input" and told.get("name"):
            off = told.get("type") in ("checkbox", "radio") and "checked" not in told
            if not off and told.get("type") != "file":
                form.fields.append((told["name"], told.get("value", "on")))
        elif tag == "textarea":
            form.fields.append((told["name"], ""))
            self.area = []
        elif tag == "select":
            self.select, self.options = told.get("name", ""), []
        elif tag == "option" and self.select:
            self.options.append((told.get("value", ""), "selected" in told))
        elif tag == "button" and told.get("name"):
            form.buttons.append((told["name"], told.get("value", "")))

    def handle_data(self, data: str) -> None:
        """Keep what stands in a field for several lines."""
        if self.area is not None:
            self.area.append(data)

    def handle_endtag(self, tag: str) -> None:
        """A list to choose from, or a field for several lines, ends."""
        if tag == "textarea" and self.area is not None:
            name, _ = self.found[-1].fields.pop()
            self.found[-1].fields.append((name, "".join(self.area).removeprefix("\n")))
            self.area = None
        elif tag == "select":
            chosen = [v for v, selected in self.options if selected] or [v for v, _ in self.options[:1]]
            self.found[-1].fields += [(self.select, v) for v in chosen]
            self.select = ""


class Browser:
    """One browser on the desk of a folder."""

    def __init__(self, app: Starlette, guard: Guard, *, origin: str = ORIGIN) -> None:
        self.app, self.guard, self.origin = app, guard, origin
        self.cookies: dict[str, str] = {}
        self.at = Answer(0, {}, b"")

    def opened(self, **invited: Any) -> Browser:
        """Use a fresh key."""
        self.get(f"/open?key={self.guard.invite(**invited)}")
        return self

    def get(self, address: str, **headers: str) -> Answer:
        """Load a page, following where it sends."""
        self.at = self.follow(self.send("GET", address, headers=headers))
        return self.at

    def submit(
        self,
        action: str,
        values: Mapping[str, str] | None = None,
        *,
        files: Iterable[tuple[str, str, bytes]] = (),
        form: Form | None = None,
    ) -> Answer:
        """Fill and send a form of the page that is shown."""
        form = form or self.at.form(action)
        typed = dict(values or {})
        pairs = [(name, typed.pop(name, value)) for name, value in form.fields]
        pairs += list(typed.items())
        self.at = self.follow(self.post(form.action or self.at.address, pairs, files=files))
        return self.at

    def post(
        self,
        address: str,
        pairs: Iterable[tuple[str, str]],
        *,
        files: Iterable[tuple[str, str, bytes]] = (),
        headers: Mapping[str, str] | None = None,
    ) -> Answer:
        """Send fields as a browser does; the answer is not followed."""
        files = list(files)
        body, kind = _parts(pairs, files) if files else (urlencode(list(pairs)).encode(), URLENCODED)
        told = {"origin": self.origin, "content-type": kind, **(headers or {})}
        return self.send("POST", address, headers=told, body=body)

    def follow(self, answer: Answer) -> Answer:
        """Go where an answer sends."""
        for _ in range(5):
            if answer.status != 303:
                return answer
            answer = self.send("GET", answer.headers["location"])
        raise AssertionError("sent on and on")

    def send(self, method: str, address: str, *, headers: Mapping[str, str] | None = None, body: bytes = b"") -> Answer:
        """Send one request into the application."""
        whole = urlsplit(urljoin(self.origin + self.at.address, address))
        told = {"host": urlsplit(self.origin).netloc, "content-length": str(len(body)), **(headers or {})}
        if self.cookies:
            told.setdefault("cookie", "; ".join(f"{k}={v}" for k, v in self.cookies.items()))
        answer = asyncio.run(_called(self.app, method, whole.path, whole.query, told, body))
        answer.address = whole.path + (f"?{whole.query}" if whole.query else "")
        for line in answer.headers.get("set-cookie", "").splitlines():
            name, _, value = line.partition(";")[0].partition("=")
            self.cookies[name] = value
        return answer


URLENCODED = "application/x-www-form-urlencoded"


def _parts(pairs: Iterable[tuple[str, str]], files: Iterable[tuple[str, str, bytes]]) -> tuple[bytes, str]:
    lines = b""
    for name, value in pairs:
        lines += f'--{BOUNDARY}\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{value}\r\n'.encode()
    for name, called, content in files:
        head = f'--{BOUNDARY}\r\nContent-Disposition: form-data; name="{name}"; filename="{called}"\r\n'
        lines += f"{head}Content-Type: application/octet-stream\r\n\r\n".encode() + content + b"\r\n"
    return lines + f"--{BOUNDARY}--\r\n".encode(), f"multipart/form-data; boundary={BOUNDARY}"


async def _called(
    app: Starlette, method: str, path: str, query: str, headers: Mapping[str, str], body: bytes
) -> Answer:
    host, _, port = urlsplit(f"//{headers['host']}").netloc.rpartition(":")
    scope = {
        "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": method, "scheme": "http",
        "path": unquote(path), "raw_path": quote(path, safe="%/~").encode(), "query_string": query.encode(),
        "root_path": "",
        "headers": [(k.replace("_", "-").lower().encode(), v.encode("latin-1")) for k, v in headers.items()],
        "server": (host or "127.0.0.1", int(port) if port.isdigit() else 80), "client": ("127.0.0.1", 50000),
    }  # fmt: skip
    sent: list[dict[str, Any]] = []

    parts = [body]

    async def receive() -> dict[str, Any]:
        if not parts:
            await asyncio.Event().wait()  # a browser that stays says nothing more
        return {"type": "http.request", "body": parts.pop(), "more_body": False}

    async def send(message: Any) -> None:
        sent.append(message)

    await app(scope, receive, send)
    start = next(m for m in sent if m["type"] == "http.response.start")
    told = {k.decode().lower(): v.decode("latin-1") for k, v in start["headers"]}
    return Answer(start["status"], told, b"".join(m.get("body", b"") for m in sent if m["type"] != start["type"]))


def desk_of(folder: Path, **more: Any) -> Browser:
    """Return a browser on the desk of a folder, let in."""
    guard = more.pop("guard", None) or Guard(today=lambda: f"{TODAY} 09:00")
    more.setdefault("today", lambda: TODAY)
    return Browser(make_desk(folder, guard=guard, **more), guard).opened()
