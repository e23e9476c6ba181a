"""The desk as a server on the own machine: one listener, one key, nothing written about who asked what."""

from __future__ import annotations

import gc
import os
import socket
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from optimizer.errors import fault

OWN = "127.0.0.1"
"""The address that no other machine reaches."""
PORT = 8365
"""Where the desk listens if nobody says otherwise: the same each time, so that a window that is left open works on."""
OTHERS = 20
"""Further ports that are tried if that one is taken and nobody asked for it."""


@dataclass(frozen=True)
class Listener:
    """A port that is open."""

    socket: socket.socket
    host: str

    @property
    def port(self) -> int:
        """Its number."""
        return int(self.socket.getsockname()[1])


def listen(host: str, port: int | None) -> Listener:
    """Open a port.

    Args:
        host: The address that it listens on.
        port: The port; a free one near the usual one, if it is left out.

    Raises:
        DataError: If it is taken.
    """
    for tried in [port] if port is not None else [*range(PORT, PORT + OTHERS), 0]:
        # Told that it is TCP, asyncio sends at once: else each answer waits 40 ms for the browser to confirm its head.
        opened = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
        if sys.platform != "win32":  # there it would let two desks share a port
            opened.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            opened.bind((host, tried))
            opened.listen(64)
        except (OSError, OverflowError):
            opened.close()
            continue
        return Listener(opened, host)
    what = f"port {port} is in use or may not be used, perhaps by a desk that is open already."
    raise fault("tenside open", "--port", what, "Close that one, name another port, or leave --port out.")


def network_address() -> str:
    """Return the address of this machine in its own network; nothing is sent to find it.

    Raises:
        DataError: If it is in none.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked:
        try:
            asked.connect(("192.0.2.1", 9))  # an address for examples (RFC 5737); a datagram socket sends nothing yet
            found = str(asked.getsockname()[0])
        except OSError:
            found = ""
    if not found or found.startswith("127.") or found == "0.0.0.0":
        raise fault(
            "tenside open", "--phone", "this machine is in no network.", "Join the one that the telephone is in."
        )
    return found


def settle() -> None:
    """Make a process that lives long out of one that was meant to answer once."""
    gc.freeze()
    gc.enable()
    sys.stdout.flush()
    os.dup2(2, 1)  # what solvers print goes where no answer is read, from now on and for all


def run(app: Callable[..., object], listeners: list[Listener]) -> None:
    """Serve until the window is closed or Ctrl+C is pressed."""
    import uvicorn

    config = uvicorn.Config(
        app, log_level="warning", access_log=False, server_header=False, lifespan="off", ws="none", http="h11",
        loop="asyncio", limit_concurrency=64, timeout_keep_alive=30, proxy_headers=False, timeout_graceful_shutdown=2,
    )  # fmt: skip
    uvicorn.Server(config).run(sockets=[one.socket for one in listeners])


def folder_of(name: str) -> Path:
    """Return the folder that is opened.

    Raises:
        DataError: If there is no such folder.
    """
    folder = Path(name or ".")
    if not folder.is_dir():
        step = "'make demo' lays the demo's." if name == "demo" else "Name a folder that is there, or make it first."
        raise fault(name, "", "there is no such folder.", step)
    return folder.resolve()
