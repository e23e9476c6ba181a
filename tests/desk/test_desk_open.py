"""`tenside open`: the server itself, its port, its shortcut, an empty folder. Folders and names are made up."""

from __future__ import annotations

import asyncio
import http.client
import os
import re
import shlex
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from email.message import Message
from pathlib import Path
from urllib.parse import parse_qs

import pytest

from optimizer.answers.starter import NAMES
from optimizer.bench.batch import read_batch
from optimizer.desk import watch
from optimizer.desk.folder import Folder
from optimizer.desk.phone import qr_lines
from optimizer.desk.serve import listen
from optimizer.desk.shortcut import lay_shortcut, shortcut_text
from optimizer.errors import DataError
from tests.support.chromium import served
from tests.support.command import Run
from tests.support.desk import Browser, desk_of
from tests.support.harbour import batch_file


@contextmanager
def opened(folder: Path, *options: str) -> Iterator[tuple[str, int]]:
    """Open the desk in a process of its own, and yield its address with the key, and its process."""
    command = [sys.executable, "-m", "optimizer", "open", str(folder), "--no-browser", *options]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True) as process:
        assert process.stdout is not None
        try:
            found = None
            while found is None:
                line = process.stdout.readline()
                assert line, "it ended without an address"
                found = re.search(r"http://127\.0\.0\.1:\d+/open\?key=\S+", line)
            yield found[0], process.pid
        finally:
            process.send_signal(signal.SIGINT)
            process.wait(20)


def asked(address: str, cookie: str = "") -> tuple[int, Message, str]:
    """Return status, headers and page."""
    host, _, path = address.removeprefix("http://").partition("/")
    with closing(http.client.HTTPConnection(host, timeout=20)) as connection:
        connection.request("GET", f"/{path}", headers={"cookie": cookie} if cookie else {})
        answer = connection.getresponse()
        return answer.status, answer.headers, answer.read().decode()


def test_two_desks_of_one_folder_keep_what_either_notes(tmp_path: Path) -> None:
    path = batch_file(tmp_path, "12", bottles=None)
    with served(tmp_path) as one, served(tmp_path) as other:  # the second takes another port by itself
        assert one.address != other.address
        first, second = (Browser(desk.app, desk.guard, origin=desk.address).opened() for desk in (one, other))
        for desk in (first, second):
            desk.get("/batch/batch-12/weigh")
        assert first.submit("/weigh", {"grams": "400", "lot": "A"}).status == 200
        told = watch.told(Folder(tmp_path), *asked_of(second.at.html))
        assert told.startswith("batch-12.toml was changed elsewhere since this page was made.")
        asked_back = second.submit("/weigh", {"grams": "390", "lot": "B"})
        assert (asked_back.status, "are noted already" in asked_back.text) == (422, True)
        assert second.submit("/weigh", {"sure": "yes"}).status == 200
    assert [w.lot for w in read_batch(path).weighed] == ["A", "B"]


def asked_of(page: str) -> tuple[str, str, str]:
    """Return of what file a page is told, and how that was."""
    found = re.search(r'data-watch="/changes\?([^"]+)"', page)
    assert found is not None
    query = parse_qs(found[1].replace("&amp;", "&"))
    return query["kind"][0], query["name"][0], query["was"][0]


def test_a_stream_shows_now_and_then_whether_anybody_still_hears_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(watch, "EVERY_S", 0.0)
    looks = iter([*[""] * (2 * watch.BEAT + 1), "It was changed."])

    async def heard() -> list[str]:
        return [part async for part in watch.stream(lambda: next(looks), lambda: True)]

    assert asyncio.run(heard()) == [":\n\n", ":\n\n", "data: It was changed.\n\n"]


@pytest.mark.thorough
@pytest.mark.skipif(sys.platform == "win32", reason="the signal that Ctrl+C sends is another one there")
def test_the_server_answers_who_has_the_key_on_this_machine_alone(tmp_path: Path) -> None:
    with opened(tmp_path) as (address, _):
        status, headers, _ = asked(address)
        assert (status, headers["location"], headers["server"]) == (303, "/", None)
        cookie = headers["set-cookie"].partition(";")[0]
        start = address.partition("/open")[0]
        status, _, page = asked(f"{start}/", cookie)
        assert (status, asked(address)[0]) == (200, 403)
        assert "This folder is empty" in page
        port = int(start.rpartition(":")[2])
        for other in {a[4][0] for a in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)} - {"127.0.0.1"}:
            with socket.socket() as knock:
                knock.settimeout(2)
                assert other.startswith("127.") or knock.connect_ex((str(other), port)) != 0


def test_an_answer_is_sent_at_once(tmp_path: Path) -> None:
    """Nagle's algorithm holds a body back until the head is confirmed, which a kernel does after 40 ms (RFC 1122)."""
    took = []
    with served(tmp_path) as desk:
        line = http.client.HTTPConnection(desk.address.removeprefix("http://"), timeout=20)
        line.request("GET", desk.entry().removeprefix(desk.address))
        entered = line.getresponse()
        entered.read()
        told = {"Cookie": str(entered.headers["set-cookie"]).partition(";")[0]}
        for _ in range(40):  # a fresh connection confirms at once, an older one waits
            begin = time.perf_counter()
            line.request("GET", "/devices", headers=told)
            assert line.getresponse().read()
            took.append(time.perf_counter() - begin)
        line.close()
    assert min(took[20:]) < 0.035


def test_a_port_in_use_is_told(tmp_path: Path, run: Run) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        ran = run("open", tmp_path, "--no-browser", "--port", str(port))
    assert ran.code == 3
    assert f"port {port} is in use" in ran.err


def test_a_free_port_is_found_where_nobody_asked_for_one() -> None:
    first = listen("127.0.0.1", None)
    second = listen("127.0.0.1", None)
    assert first.port != second.port
    first.socket.close()
    second.socket.close()


@pytest.mark.parametrize(("name", "said"), [("no-such-folder", "Name a folder"), ("demo", "make demo")])
def test_a_folder_that_is_not_there_is_told(
    tmp_path: Path, run: Run, monkeypatch: pytest.MonkeyPatch, name: str, said: str
) -> None:
    monkeypatch.chdir(tmp_path)
    ran = run("open", name, "--no-browser")
    assert ran.code == 3
    assert said in ran.err


def test_an_empty_folder_offers_the_first_files(tmp_path: Path) -> None:
    desk = desk_of(tmp_path)
    assert "This folder is empty." in desk.at.text
    assert desk.submit("/").status == 200
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(NAMES)
    assert "My first wash" in desk.get("/").text


def test_a_shortcut_opens_the_folder_it_lies_in(tmp_path: Path, run: Run) -> None:
    ran = run("open", tmp_path, "--shortcut")
    assert ran.code == 0
    files = list(tmp_path.iterdir())
    assert len(files) == 1
    assert str(tmp_path) in files[0].read_text(encoding="utf-8").replace("\\\\", "\\")
    assert run("open", tmp_path, "--shortcut").code == 3, "what is there is not overwritten"


@pytest.mark.skipif(sys.platform == "win32", reason="needs a POSIX shell")
def test_odd_names_reach_the_command_as_they_are(tmp_path: Path) -> None:
    odd = tmp_path / 'it\'s $(echo a) "b" % c'
    odd.mkdir()
    path = lay_shortcut(odd, system="darwin", python="/bin/echo")
    assert os.access(path, os.X_OK)
    said = subprocess.run(["/bin/sh", str(path)], capture_output=True, text=True, check=True).stdout
    assert said.strip() == f"-m optimizer open {odd}"
    text = shortcut_text(odd, "win32", r"C:\Program Files\python.exe")
    assert f'"{odd}"'.replace("%", "%%") in text
    entry = shortcut_text(Path("/a b"), "linux", "/usr/bin/python")
    line = next(line for line in entry.splitlines() if line.startswith("Exec="))
    assert shlex.split(line.removeprefix("Exec=")) == ["/usr/bin/python", "-m", "optimizer", "open", "/a b"]


def in_batch(line: str) -> list[str]:
    """Return the words that a line of a batch file is: quotes keep blanks and &|<>^()!, and %% is one %.

    As Microsoft's reference of cmd has it ("Using batch parameters", `cmd /?`): inside double quotes only % is special.
    """
    words = re.findall(r'"([^"]*)"|(\S+)', line)
    assert line.count('"') % 2 == 0
    assert not re.search(r"(?<!%)%(?!%)", line.replace("%%", "")), "a single % would be a variable"
    return [(quoted or plain).replace("%%", "%") for quoted, plain in words]


@pytest.mark.parametrize("name", ["plain", "Müller & Söhne", "50 % off", "a ^ b", "(neu) äöü ß", "wow!", "日本"])
def test_a_batch_file_names_program_and_folder_as_they_are(tmp_path: Path, name: str) -> None:
    python = rf"C:\Programme\{name}\python.exe"
    folder = tmp_path / name
    folder.mkdir()
    path = lay_shortcut(folder, system="win32", python=python)
    raw = path.read_bytes()
    assert path.suffix == ".bat"
    assert raw.startswith(b"@echo off\r\n"), "no mark before the first command, and lines end as cmd wants them"
    assert raw.count(b"\r\n") == raw.count(b"\n")
    lines = raw.decode("utf-8").split("\r\n")
    assert lines[1] == "chcp 65001 >nul", "the rest is read as UTF-8"
    assert all(ord(sign) < 128 for line in lines[:2] for sign in line)
    assert in_batch(lines[2]) == [python, "-m", "optimizer", "open", str(folder)]
    assert lines[3:] == ["pause", ""], "the window stays until what it says is read"


@pytest.mark.skipif(sys.platform == "win32", reason="needs a POSIX shell")
@pytest.mark.parametrize("name", ["plain", "Müller & Söhne", "it's $HOME `id`", 'a "b" \\ c', "日本"])
def test_a_command_file_runs_as_a_shell_reads_it(tmp_path: Path, name: str) -> None:
    folder = tmp_path / name
    folder.mkdir()
    path = lay_shortcut(folder, system="darwin", python="/bin/echo")
    assert path.suffix == ".command"
    assert path.read_bytes().startswith(b"#!/bin/sh\n")
    assert os.access(path, os.X_OK)
    said = subprocess.run([str(path)], capture_output=True, text=True, check=True, cwd="/").stdout
    assert said.rstrip("\n") == f"-m optimizer open {folder}"


def in_entry(line: str) -> list[str]:
    """Return the words of an Exec line, as the Desktop Entry Specification 1.5 says ("The Exec key").

    The escapes of a string are undone first, then those of a quoted argument, and %% is one %.
    """
    text = re.sub(r"\\(.)", lambda m: {"s": " ", "n": "\n", "t": "\t", "r": "\r"}.get(m[1], m[1]), line)
    words = re.findall(r'"((?:[^"\\]|\\.)*)"', text)
    assert re.sub(r'"((?:[^"\\]|\\.)*)"', "", text).strip() == "", "every word is quoted"
    assert not re.search(r"(?<!%)%(?!%)", text.replace("%%", "")), "a single % would be a field code"
    return [re.sub(r'\\(["`$\\])', r"\1", word).replace("%%", "%") for word in words]


@pytest.mark.parametrize("name", ["plain", "Müller & Söhne", "50 % $HOME `id`", 'a "b" \\ c', "日本"])
def test_a_desktop_entry_says_program_and_folder_as_they_are(tmp_path: Path, name: str) -> None:
    folder = tmp_path / name
    folder.mkdir()
    path = lay_shortcut(folder, system="linux", python=f"/opt/{name}/python")
    lines = path.read_text(encoding="utf-8").splitlines()
    assert path.suffix == ".desktop"
    assert lines[0] == "[Desktop Entry]"
    keys = dict(line.split("=", 1) for line in lines[1:])
    assert (keys["Type"], keys["Terminal"]) == ("Application", "true")
    assert in_entry(keys["Exec"]) == [f"/opt/{name}/python", "-m", "optimizer", "open", str(folder)]


@pytest.mark.parametrize("encoding", ["utf-8", "ascii", "no-such-encoding"])
def test_the_code_for_a_telephone_can_be_shown_by_any_terminal(encoding: str) -> None:
    lines = qr_lines("http://192.0.2.2:8365/open?key=x", encoding)
    assert len(lines.splitlines()) > 10
    if encoding != "utf-8":
        lines.encode("ascii")


def test_a_machine_in_no_network_has_no_telephone(monkeypatch: pytest.MonkeyPatch) -> None:
    from optimizer.desk import serve

    def nowhere(*_: object) -> None:
        raise OSError(101, "Network is unreachable")

    monkeypatch.setattr(serve.socket.socket, "connect", nowhere)
    with pytest.raises(DataError, match="in no network"):
        serve.network_address()
