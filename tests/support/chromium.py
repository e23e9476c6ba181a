"""The desk in a real browser: a server in a thread of its own, Chromium from the distribution's packages."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import uvicorn

from optimizer.desk.app import make_desk
from optimizer.desk.guard import Guard

CHROMIUM, DRIVER = Path("/usr/bin/chromium"), Path("/usr/bin/chromedriver")
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--hide-scrollbars",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    # Whatever is not this machine is blocked: a page that asks for anything else fails.
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
)  # fmt: skip
PATIENCE = 20.0
"""How long a page may take on a busy machine [s]."""

needed = [
    pytest.mark.browser,
    pytest.mark.skipif(
        not (CHROMIUM.exists() and DRIVER.exists()), reason="needs Debian's chromium and chromium-driver"
    ),
]


@contextmanager
def served(folder: Path, port: int = 0) -> Iterator[tuple[str, Guard]]:
    """Serve the desk of a folder; yields where, and who is let in."""
    guard = Guard()
    listener = socket.socket()
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    listener.bind(("127.0.0.1", port))
    listener.listen()
    config = uvicorn.Config(
        make_desk(folder, guard=guard), log_level="error", access_log=False, lifespan="off", ws="none", http="h11",
        loop="asyncio", timeout_graceful_shutdown=1,
    )  # fmt: skip
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{listener.getsockname()[1]}", guard
    finally:
        server.should_exit = True
        thread.join(10)
        listener.close()


@contextmanager
def chromium(width: int = 1200, height: int = 800, *, touch: bool = False, script: bool = True) -> Iterator[Any]:
    """Open a browser; with touch it is a telephone."""
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    for flag in FLAGS:
        options.add_argument(flag)
    options.binary_location = str(CHROMIUM)
    if not script:
        options.add_experimental_option("prefs", {"profile.managed_default_content_settings.javascript": 2})
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(str(DRIVER)))
    try:
        driver.set_page_load_timeout(60)
        size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": touch}
        driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
        if touch:
            driver.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": True})
        yield driver
    finally:
        driver.quit()


def until(true: Callable[[], Any], what: str) -> Any:
    """Wait until something is so, and return it."""
    end = time.monotonic() + PATIENCE
    while True:
        found = true()
        if found:
            return found
        if time.monotonic() > end:
            raise AssertionError(f"in vain: {what}")
        time.sleep(0.03)
