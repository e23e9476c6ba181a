"""Makes the files that a maker has after a whole walk, from the first folder to a kept batch, with this version.

Run once for each version whose files must stay readable: python tests/make_old_files.py. It never writes over a folder
that is there: what an older version made stays as it was made (see `test_old_files.py`). All figures are made up.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

from optimizer import __version__
from optimizer.sweep.grid import axis, crossed
from optimizer.sweep.run import run_range
from optimizer.sweep.source import sources_of
from tests.support.harbour import PNG
from tests.support.hostile import ask
from tests.support.own_library import surfactant_entry, water_entry

HERE = Path(__file__).resolve().parent
AS_WEIGHED = (
    "aqua=652.4@tap-0302 glycerin=20.9@TG-88 tetrasodium-glutamate-diacetate=1.6@LW-31 "
    "sodium-laureth-sulfate-2eo-28=61.5@QN-2207 coco-glucoside=144.2@LW-140 my-betaine=76.4@QN-2214 "
    "polysorbate-20=9.4@LW-152 parfum=3.1@GL-7 phenoxyethanol-ethylhexylglycerin=9.4@TG-19"
)
PLANNED = "--bottles 4 --bottle 250 --density 1.02 --loss 2 --scale 0.1"
WALK = f"""
start .
blend first-brief.toml
batch first-brief.toml {PLANNED} --number FW-001 --out batch.toml --on 2026-03-02
weighed batch.toml {AS_WEIGHED} --on 2026-03-03
ph batch.toml --of batch --read 8.4 --water 9 --with citric_acid_anhydrous --strength 50 --on 2026-03-03
ph batch.toml --added 2.2 --read 6.4 --water 9 --on 2026-03-03
ph batch.toml --added 3.4 --read 5.7 --water 9 --on 2026-03-03
thicken batch.toml --material sodium-chloride --added 0% --viscosity 150 --target 3000 --temperature 22 --on 2026-03-03
thicken batch.toml --material sodium-chloride --added 0.5% --viscosity 1400 --ph 5.7 --temperature 22 --on 2026-03-03
thicken batch.toml --material sodium-chloride --added 0.8% --viscosity 3100 --ph 5.7 --temperature 22 --on 2026-03-03
weighed batch.toml --finish-mass 1034 --water-added 20 --bottles 4 --on 2026-03-03
made batch.toml --master next.csv
label batch.toml
cost batch.toml --costs costs.toml
records master first-brief.toml --why first_version --on 2026-03-02
records keep batch.toml --shelf shelf.csv --on 2026-03-03
records note FW-001 --what foam --value 4 --unit judged --text dense,_quick --photo foam.png --on 2026-03-03
records sample FW-001 --place box_3 --grams 50 --on 2026-03-03
records tests FW-001 --on 2026-03-03
records result FW-001 ph-room --value 5.7 --on 2026-03-03
records result FW-001 ph-room --value 5.6 --on 2026-03-10
records export kept-records
"""
"""A command a line; '_' stands for a space inside a word."""

SHOP = '["shop", "supplier-typical"]'
OWN = "\n".join(
    (
        """# Everything that the range needs: no figure of the shipped library moves its answers.
[sources]
shop = "made-up figures of an invented refill shop"
""",
        water_entry(SHOP),
        surfactant_entry(
            "shop-betaine",
            "Betaine of the shop",
            "cosurfactant",
            "Cocamidopropyl Betaine",
            [29, 30, 31],
            'charge = "amphoteric"',
            SHOP,
        ),
        surfactant_entry(
            "shop-glucoside",
            "Glucoside of the shop",
            "cosurfactant",
            "Coco-Glucoside",
            [49, 50, 51],
            'charge = "nonionic"',
            SHOP,
        ),
    )
)
RANGE = """name = "Two surfactants of the shop"
product = "hand wash"
currency = "EUR"
shelf = "range-shelf.csv"
library = ["range-library.toml"]
only_own_library = true

[objective]
minimise = "cost"

[[rule]]
kind = "active"
at_least = 9

[[rule]]
id = "amphoteric"
kind = "share"
of = { charges = ["amphoteric"], called = "amphoteric" }
at_least = 20
"""
SHELF = """material,pack kg,pack price,currency
aqua,100,4.00,EUR
shop-betaine,5,18.00,EUR
shop-glucoside,5,25.00,EUR
"""
VARIED = ("active.at_least=8:12:1", "amphoteric.at_least=20:50:10")


def edited(name: str, old: str, new: str) -> None:
    """Change a file as a maker does in an editor."""
    path = Path(name)
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1
    path.write_text(text.replace(old, new), encoding="utf-8")


def main() -> None:
    """Walk from the first folder to a kept batch, then leave a range whose table is not written yet."""
    folder = HERE / f"made_by_{__version__.replace('.', '_')}"
    if folder.exists():
        sys.exit(f"{folder} is there; old files stay as they were made.")
    folder.mkdir()
    os.chdir(folder)
    (folder / "foam.png").write_bytes(PNG + b"invented")
    for line in WALK.strip().splitlines():
        if line.startswith("blend"):
            edited(
                "first-brief.toml",
                'acids = ["citric-acid"]',
                'acids = ["citric-acid"]\nthickeners = ["sodium-chloride"]',
            )
            edited("shelf.csv", "my-betaine,", "sodium-chloride,example supplier,1,1.20,EUR,1,,\nmy-betaine,")
        answer = ask(*(word.replace("_", " ") for word in line.split()))
        if answer.code:
            sys.exit(f"tenside {line}: {answer.code}\n{answer.out}{answer.err}")
    for name, text in (("range-library.toml", OWN), ("range-brief.toml", RANGE), ("range-shelf.csv", SHELF)):
        (folder / name).write_text(text, encoding="utf-8")
    grid = crossed([axis(text) for text in VARIED])
    run_range(sources_of("range-brief.toml"), grid, jobs=2, state=folder / "range.csv.parts")


if __name__ == "__main__":
    main()
