"""What `make` prints: its own words, and what pip says only when it fails; the demo itself is in `test_readme.py`."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
VENV = """#!/bin/sh
# Stands for Python: makes a folder that looks like an environment, whose pip talks a lot.
if [ "$1" = -m ] && [ "$2" = venv ]; then
  mkdir -p "$3/bin"
  printf '#!/bin/sh\\necho WARNING: talk; echo more talk >&2; exit {code}\\n' > "$3/bin/python"
  chmod +x "$3/bin/python"
fi
"""


def made(folder: Path, code: int) -> subprocess.CompletedProcess[str]:
    """Set up an environment by `make`, pip ending with a code."""
    for name in ("Makefile", "pyproject.toml"):
        shutil.copy(ROOT / name, folder)
    (folder / ".ci").mkdir()
    shutil.copy(ROOT / ".ci" / "constraints.txt", folder / ".ci")
    python = folder / "python"
    python.write_text(VENV.format(code=code), encoding="utf-8")
    python.chmod(0o755)
    command = ["make", f"PYTHON={python}", ".venv/.ready"]
    # As a user's make, not as one within the make that runs the tests.
    alone = {name: value for name, value in os.environ.items() if name not in ("MAKEFLAGS", "MAKELEVEL", "MFLAGS")}
    return subprocess.run(command, cwd=folder, env=alone, capture_output=True, text=True, check=False)


@pytest.mark.skipif(shutil.which("make") is None, reason="there is no make")
def test_setting_up_prints_its_own_words_only(tmp_path: Path) -> None:
    run = made(tmp_path, 0)
    assert (run.returncode, run.stderr) == (0, "")
    assert run.stdout == "Setting up .venv, once; this takes a minute or two.\n"
    assert "talk" in (tmp_path / ".venv" / "setup.log").read_text(encoding="utf-8")


@pytest.mark.skipif(shutil.which("make") is None, reason="there is no make")
def test_what_pip_says_is_shown_when_it_fails(tmp_path: Path) -> None:
    run = made(tmp_path, 1)
    assert run.returncode
    assert "WARNING: talk\nmore talk\n" in run.stderr
    assert not (tmp_path / ".venv" / ".ready").exists()


@pytest.mark.thorough
def test_a_folder_that_the_demo_did_not_make_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "note.txt").write_text("mine", encoding="utf-8")
    command = [sys.executable, str(ROOT / ".ci" / "demo.py"), str(tmp_path)]
    run = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, encoding="utf-8", check=False)
    assert run.returncode == 1
    assert "left alone" in run.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["note.txt"]


def test_hooks_before_a_commit_run_what_make_check_runs() -> None:
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    block = re.search(r"^check: .*\n((?:\t.*\n)+)", makefile, re.MULTILINE)
    assert block
    hooks = (ROOT / ".pre-commit-config.yaml").read_text(encoding="utf-8")
    entries = re.findall(r"^ +entry: (.+)$", hooks, re.MULTILINE)
    assert entries == [line.strip().replace("$(BIN)", ".venv/bin") for line in block[1].splitlines()]


def test_the_workflow_runs_windows_by_the_lines_of_the_readme() -> None:
    workflow = (ROOT / ".github" / "workflows" / "tests.yml").read_text(encoding="utf-8")
    lines = re.findall(r"^(?:py -m|\.venv\\Scripts).*$", (ROOT / "README.md").read_text(encoding="utf-8"), re.MULTILINE)
    assert len(lines) == 3
    assert [line for line in lines if f"- run: {line}\n" not in workflow] == []
    assert "python -m pytest" in workflow
    for system in ("ubuntu", "macos", "windows"):
        assert f"{system}-latest" in workflow


def test_the_workflow_is_yaml_and_makes_only_what_the_makefile_has() -> None:
    yaml = pytest.importorskip("yaml")
    jobs = yaml.safe_load((ROOT / ".github" / "workflows" / "tests.yml").read_text(encoding="utf-8"))["jobs"]
    assert set(jobs) == {"make", "windows"}
    steps = [step["run"].split() for job in jobs.values() for step in job["steps"] if "run" in step]
    asked = {words[1] for words in steps if words[0] == "make"}
    targets = re.findall(r"^([a-z-]+):", (ROOT / "Makefile").read_text(encoding="utf-8"), re.MULTILINE)
    assert {"demo", "check", "test", "test-more"} <= asked <= set(targets)
    assert {words[0] for words in steps} <= {
        "make",
        "py",
        *(rf".venv\Scripts\{n}" for n in ("pip", "python", "tenside")),
    }


def test_the_developers_are_told_that_the_workflow_was_never_run() -> None:
    told = " ".join((ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").split())
    assert "`.github/workflows/tests.yml` is meant for Linux, macOS and Windows" in told
    assert "It has never been run" in told
