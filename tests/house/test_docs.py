"""The reference for programs is built from the docstrings without a warning."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.thorough
def test_the_reference_is_built_without_a_warning(tmp_path: Path) -> None:
    command = [sys.executable, str(ROOT / ".ci" / "docs.py"), str(tmp_path)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=ROOT)
    assert (done.returncode, done.stderr) == (0, "")
    questions = (tmp_path / "optimizer" / "answers" / "questions.html").read_text(encoding="utf-8")
    assert "Find the best percentages that keep every rule" in questions
    assert (tmp_path / "optimizer" / "solve" / "rounding.html").exists()
    assert "build/" in (ROOT / ".gitignore").read_text(encoding="utf-8").split()
