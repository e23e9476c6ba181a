"""Repeat the tests on every newer Python that is found, with PuLP 3 and PuLP 4 where they install."""

import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
NEWER = ("3.12", "3.13", "3.14")


def found(version: str) -> str | None:
    """Return an interpreter of a version that answers, or None."""
    candidates = [shutil.which(f"python{version}") or ""]
    candidates += [str(p / "bin" / "python") for p in sorted(Path.home().glob(f".pyenv/versions/{version}.*"))]
    for path in candidates:
        if path and subprocess.run([path, "-c", "pass"], capture_output=True, check=False).returncode == 0:
            return path
    return None


def run(python: str, name: str, pulp: str) -> int:
    """Set up a virtual environment and run the tests in it."""
    folder = ROOT / f".venv-{name}"
    if not folder.exists():
        subprocess.run([python, "-m", "venv", str(folder)], check=True)
    pip = [str(folder / "bin" / "python"), "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
    pins = [line for line in (ROOT / ".ci" / "constraints.txt").read_text().splitlines() if not line.startswith("PuLP")]
    constraints = folder / "constraints.txt"
    constraints.write_text("\n".join(pins) + "\n")
    subprocess.run([*pip, "-c", str(constraints), f"pulp{pulp}", "-e", f"{ROOT}[dev]"], check=True)
    print(f"== Python {name}", flush=True)
    return subprocess.run(
        [str(folder / "bin" / "python"), "-m", "pytest", "-n", "auto", "--dist", "worksteal", "-m", ""],
        cwd=ROOT,
        check=False,
    ).returncode


def main() -> int:
    """Return 0 if every run passed."""
    worst = 0
    for version in NEWER:
        python = found(version)
        if python is None:
            print(f"== Python {version}: not found", flush=True)
            continue
        for label, pulp in (("pulp3", ">=3.3,<4"), ("pulp4", ">=4,<5")):
            worst = max(worst, run(python, f"{version}-{label}", pulp))
    return worst


sys.exit(main())
