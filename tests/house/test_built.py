"""The sdist and the wheel as they are built: what they hold, and the wheel alone at work far from the repository."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import sysconfig
import tarfile
import zipfile
from email import message_from_bytes
from pathlib import Path

import pytest

from optimizer import __version__

ROOT = Path(__file__).resolve().parents[2]


def ran(*command: str | Path, folder: Path) -> subprocess.CompletedProcess[str]:
    """Run a command in a folder; nothing of this checkout is on its path."""
    kept = {k: v for k, v in os.environ.items() if not k.startswith(("PYTHON", "TENSIDE"))}
    return subprocess.run(
        list(map(str, command)),
        cwd=folder,
        env=kept,
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with the sdist of this checkout and the wheel that is built from the unpacked sdist."""
    folder = tmp_path_factory.mktemp("built")
    made = ran(sys.executable, "-m", "hatchling", "build", "-t", "sdist", "-d", folder, folder=ROOT)
    assert made.returncode == 0, made.stderr
    with tarfile.open(sdist(folder)) as packed:
        packed.extractall(folder, filter="data")
    source = folder / f"tenside-{__version__}"
    made = ran(sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", folder, folder=source)
    assert made.returncode == 0, made.stderr
    return folder


def sdist(folder: Path) -> Path:
    """Return the sdist in a folder."""
    return folder / f"tenside-{__version__}.tar.gz"


def wheel(folder: Path) -> Path:
    """Return the wheel in a folder."""
    return folder / f"tenside-{__version__}-py3-none-any.whl"


@pytest.fixture(scope="module")
def alone(built: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the interpreter of an environment that holds the wheel and, beside it, what it depends on."""
    folder = tmp_path_factory.mktemp("alone")
    made = ran(sys.executable, "-m", "venv", "--without-pip", folder, folder=folder)
    assert made.returncode == 0, made.stderr
    python = folder / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    asked = ran(python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))", folder=folder)
    site = Path(asked.stdout.strip())
    into = ("--no-deps", "--no-index", "--quiet", "--disable-pip-version-check", "--target", site)
    made = ran(sys.executable, "-m", "pip", "install", *into, wheel(built), folder=folder)
    assert made.returncode == 0, made.stderr
    # Plain paths in a .pth file are added as they are: the editable install that lies there is not followed.
    (site / "dependencies.pth").write_text(sysconfig.get_path("purelib") + "\n", encoding="utf-8")
    return python


def tracked() -> set[str]:
    """Return the files of the repository."""
    listed = ran("git", "ls-files", "-z", folder=ROOT)
    if listed.returncode:
        pytest.skip("this is no git checkout")
    return set(listed.stdout.split("\0")) - {""}


@pytest.mark.thorough
def test_the_sdist_holds_every_file_of_the_repository(built: Path) -> None:
    with tarfile.open(sdist(built)) as packed:
        held = {name.partition("/")[2] for name in packed.getnames()}
    assert sorted(path for path in tracked() - held if (ROOT / path).exists()) == []
    assert {"Makefile", ".ci/constraints.txt", ".ci/test_all.py", "tests/conftest.py"} <= held


@pytest.mark.thorough
def test_the_wheel_holds_library_scenarios_font_and_its_licence(built: Path) -> None:
    with zipfile.ZipFile(wheel(built)) as packed:
        held = set(packed.namelist())
        facts = message_from_bytes(packed.read(f"tenside-{__version__}.dist-info/METADATA"))
    for folder, ending in (("library", "*.*"), ("scenarios", "*.*")):
        there = {f"optimizer/shipped/{p.relative_to(ROOT)}" for p in (ROOT / folder).rglob(ending) if p.is_file()}
        assert there
        assert {name.replace(os.sep, "/") for name in there} <= held
    styles = {"optimizer/report/formats/page.css", "optimizer/report/formats/form.css"}
    assert {"optimizer/py.typed", *styles, "optimizer/report/formats/fonts/DejaVuSans.ttf"} <= held
    assert any(name.endswith("LICENSE_DEJAVU") for name in held)
    measured = "optimizer/shipped/library/measured-blends"
    assert {f"{measured}.csv", f"{measured}.LICENSE"} <= held
    assert any(name.endswith("licenses/library/measured-blends.LICENSE") for name in held)
    assert not [name for name in held if name.startswith("tests")]
    assert facts["Version"] == __version__
    assert "pictures" in facts.get_all("Provides-Extra", [])
    needed = [line for line in facts.get_all("Requires-Dist", []) if "extra ==" not in line]
    assert not [line for line in needed if line.startswith("matplotlib")]


def test_the_version_stands_in_one_place() -> None:
    assert f'"{__version__}"' not in (ROOT / "pyproject.toml").read_text(encoding="utf-8").partition("dependencies")[0]


@pytest.mark.thorough
def test_the_wheel_alone_blends_starts_and_makes_pages(alone: Path, tmp_path: Path) -> None:
    where = ran(alone, "-c", "import optimizer; print(optimizer.__file__)", folder=tmp_path).stdout
    assert str(ROOT) not in where
    assert str(alone.parent.parent) in where
    tenside = (alone, "-c", "from optimizer.cli import main; main()")
    blended = ran(*tenside, "blend", "hand-wash", "--json", folder=tmp_path)
    assert blended.returncode == 0, blended.stderr
    read = [key for key in json.loads(blended.stdout)["provenance"] if key.startswith("sha256 ")]
    assert read
    assert not [path for path in read if str(ROOT) in path]
    assert [path for path in read if str(Path("shipped", "library")) in path]
    paged = ran(*tenside, "page", "hand-wash", "--out", "page.html", folder=tmp_path)
    assert paged.returncode == 0, paged.stderr
    assert "<svg" in (tmp_path / "page.html").read_text(encoding="utf-8")
    assert ran(*tenside, "start", "bench", folder=tmp_path).returncode == 0
    assert ran(*tenside, "blend", "bench/first-brief.toml", folder=tmp_path).returncode == 0
    carded = ran(*tenside, "card", "hand-wash", "--pdf", "card.pdf", folder=tmp_path)
    assert carded.returncode == 0, carded.stderr
