"""Draws six screens of the desk at two widths from the demo's data, for docs/desk.md and the README.

python docs/make_pictures.py          needs Debian's chromium-headless-shell and chromium-driver

Weights and readings are invented.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
PICTURES = ROOT / "docs" / "pictures"
SCREENS = (
    ("bench", "/"),
    ("formula", "/formula/hand-wash"),
    ("impossible", "/formula/impossible-wash/impossible"),
    ("weigh", "/batch/HW-012/weigh"),
    ("ph", "/batch/HW-014/ph"),
    ("trials", "/trials/gentle-wash/tells"),
)
"""What is drawn, and where it stands."""
WIDTHS = (390, 1200)
TALL = {390: 1100, 1200: 1000}
"""Pictures end there [px]."""
FOLLOWS = "[data-follow]:not([data-number])"
"""A part of a page that is still to come: a proof, what a step costs, where nothing fits any more."""


def lay(folder: Path) -> None:
    """Lay the demo's briefs, a batch that is being weighed, one whose pH is being set, and a series of trials."""
    from optimizer.answers.bench import lay_batch
    from optimizer.answers.subject import subject_of
    from tests.support.hostile import ask

    for file in (ROOT / "scenarios").glob("*.*"):
        if file.stem in ("common", "hand-wash", "body-wash", "gentle-wash", "impossible-wash", "shelf"):
            shutil.copy(file, folder)
    shutil.copy(ROOT / "scenarios" / "trials" / "gentle-wash.toml", folder / "trials-gentle-wash.toml")
    found = subject_of(str(folder / "hand-wash.toml"))
    size = {"bottles": 20, "bottle_ml": 250.0, "density": 1.02, "loss": 2.0, "scale": 0.1, "on": "2026-05-04"}
    for number in ("HW-012", "HW-014"):
        lay_batch(found, folder / f"{number}.toml", number=number, **size)
    early = "aqua=3823.4@tap-1125 glycerin=104.1@TG-88 tetrasodium-glutamate-diacetate=5.2@LW-31"
    acid = ("--with", "citric acid anhydrous", "--strength", "50")
    for asked in (
        ("weighed", folder / "HW-012.toml", *early.split()),
        ("ph", folder / "HW-014.toml", "--of", "batch", "--read", "9.2", "--water", "9", *acid),
        ("ph", folder / "HW-014.toml", "--added", "10.7", "--read", "5.6", "--water", "9"),
    ):
        told = ask(*map(str, asked), seconds=120)
        if told.code:
            sys.exit(told.err)


def main() -> None:
    """Draw every screen."""
    from tests.support.chromium import chromium, served, wait

    PICTURES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        lay(folder)
        with served(folder) as desk:
            for width in WIDTHS:
                with chromium(width, TALL[width]) as driver:
                    driver.get(desk.entry())
                    for name, where in SCREENS:
                        driver.get(desk.address + where.replace("trials/gentle-wash", "trials/trials-gentle-wash"))
                        wait(lambda: driver.execute_script("return document.readyState") == "complete", 60)
                        wait(lambda: not driver.find_elements("css selector", FOLLOWS), 60)
                        driver.save_screenshot(str(PICTURES / f"{name}-{width}.png"))


if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))
    main()
