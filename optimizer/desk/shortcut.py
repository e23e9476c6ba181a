"""A file that opens the desk by a double click, as each system knows it."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from optimizer.files import write_atomic

NAMES = {"win32": "Open the desk.bat", "darwin": "Open the desk.command"}
OTHERWISE = "open-the-desk.desktop"


def lay_shortcut(folder: Path, system: str = sys.platform, python: str = sys.executable) -> Path:
    """Write a file into a folder that opens the folder's desk, and return where it lies.

    Raises:
        DataError: If it is there already or cannot be written.
    """
    path = folder / NAMES.get(system, OTHERWISE)
    write_atomic(path, shortcut_text(folder, system, python))
    if system != "win32":
        os.chmod(path, 0o755)
    return path


def shortcut_text(folder: Path, system: str, python: str) -> str:
    """Return what stands in the file; paths with blanks, quotes and signs of the system's own are kept as they are."""
    if system == "win32":
        safe = [str(p).replace("%", "%%") for p in (python, folder)]
        return f'@echo off\r\nchcp 65001 >nul\r\n"{safe[0]}" -m optimizer open "{safe[1]}"\r\npause\r\n'
    if system == "darwin":
        return f"#!/bin/sh\nexec {_in_shell(python)} -m optimizer open {_in_shell(str(folder))}\n"
    command = " ".join(_in_entry(word) for word in (python, "-m", "optimizer", "open", str(folder)))
    return (
        "[Desktop Entry]\nType=Application\nName=Open the desk\n"
        f"Comment=The desk of tenside\nExec={command}\nTerminal=true\n"
    )


def _in_shell(word: str) -> str:
    return "'" + word.replace("'", "'\\''") + "'"


def _in_entry(word: str) -> str:
    """Return a word of a command as the Desktop Entry Specification 1.5 wants it quoted; a % is written twice."""
    plain = word.replace("\\", "\\\\\\\\").replace("%", "%%")
    for sign in ('"', "`", "$"):
        plain = plain.replace(sign, f"\\\\{sign}")
    return f'"{plain}"'
