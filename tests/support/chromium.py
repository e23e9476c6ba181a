"""A desk that is served, and Chromium that looks at it."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import uvicorn

from optimizer.desk.app import make_desk
from optimizer.desk.guard import Guard
from optimizer.desk.serve import OWN, listen

DRIVER = Path("/usr/bin/chromedriver")
SHELL, WHOLE = Path("/usr/lib/chromium/chromium-headless-shell"), Path("/usr/bin/chromium")
CHROMIUM = SHELL if SHELL.exists() else WHOLE
"""The browser: the one without a window, where it is installed, takes half the processor time for a walk. Its script in
/usr/bin would be ended in its place and leave it running."""
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--hide-scrollbars",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--kiosk",  # its own bar, whose wheel turns while a page comes, is drawn by the processor: a third of its time
    # Whatever is not this machine is blocked: a page that asks for anything else fails.
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
)  # fmt: skip
TODAY = "2026-05-04"

here = pytest.mark.skipif(
    not (CHROMIUM.exists() and DRIVER.exists()), reason="needs Debian's chromium-headless-shell and chromium-driver"
)
marks = [pytest.mark.browser, here]
"""Of the desk's tests; reports that are looked at in Chromium are `thorough` ones."""


@dataclass
class Served:
    """A desk that listens."""

    address: str
    guard: Guard
    app: Any

    def entry(self, **invited: Any) -> str:
        """Return an address that lets one browser in."""
        return f"{self.address}/open?key={self.guard.invite(**invited)}"


@contextmanager
def served(folder: Path, port: int = 0) -> Iterator[Served]:
    """Serve the desk of a folder in a thread of its own."""
    guard = Guard()
    app = make_desk(folder, guard=guard, today=lambda: TODAY)
    listener = listen(OWN, port)
    config = uvicorn.Config(
        app, log_level="warning", lifespan="off", ws="none", http="h11", loop="asyncio", timeout_graceful_shutdown=1
    )
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener.socket]})
    thread.start()
    try:
        yield Served(f"http://{OWN}:{listener.port}", guard, app)
    finally:
        server.should_exit = True
        thread.join(20)
        listener.socket.close()


@contextmanager
def chromium(width: int = 1200, height: int = 900) -> Iterator[Any]:
    """Start a browser with a window of a size."""
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = str(CHROMIUM)
    for flag in (*FLAGS, f"--window-size={max(width, 500)},{height}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(str(DRIVER)))
    try:
        with window(driver, width, height):
            yield driver
    finally:
        driver.quit()


@contextmanager
def window(
    driver: Any, width: int = 1200, height: int = 900, *, script: bool = True, touch: bool = False, dark: bool = False
) -> Iterator[Any]:
    """Make a running browser one of a size, with or without scripts; with touch it is a telephone's."""
    size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600}
    scheme = [{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}]
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    driver.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": touch})
    driver.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": not script})
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "", "features": scheme})
    for kind in ("browser", "performance"):
        driver.get_log(kind)
    try:
        yield driver
    finally:
        driver.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})
        driver.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": False})
        driver.get("about:blank")  # nothing of it goes on


def wait(what: Any, seconds: float = 60.0) -> Any:
    """Return what a function returns once that is true.

    Raises:
        AssertionError: If it never is.
    """
    from selenium.common.exceptions import JavascriptException, NoSuchElementException, StaleElementReferenceException

    coming = JavascriptException, NoSuchElementException, StaleElementReferenceException
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        try:
            found = what()
        except coming:  # the page is just coming
            found = None
        if found:
            return found
        time.sleep(0.02)
    raise AssertionError("it never came")
