"""The demo: a brief, an impossible one, and one batch from the weigh sheet to the bottles, on invented data.

Every command runs as on the command line, inside this one process, so that nothing is loaded twenty times. Each page
lies in the demo's folder as text, too; a few of its lines are shown. The readings are invented.
"""

import io
import os
import shlex
import shutil
import sys
from contextlib import redirect_stdout
from pathlib import Path

from optimizer import cli
from optimizer.files import shipped

Step = tuple[str, str, tuple[int, int] | None]
MARK = ".made-by-make-demo"
AS_WEIGHED = (
    "aqua=3823.4@tap-1125 glycerin=104.2@TG-88 tetrasodium-glutamate-diacetate=5.2@LW-31 "
    "sodium-laureth-sulfate-2eo-70=342.9@QN-2207 cocamidopropyl-betaine=396.4@QN-2214 coco-glucoside=220.3@LW-140 "
    "polysorbate-20=46.9@QN-2231 parfum=15.6@GL-7 sodium-benzoate=26.1@TG-19 potassium-sorbate=15.5@TG-20"
)
BOTTLES = "--bottles 20 --bottle 250 --density 1.02 --loss 2"
ACID = '--with "citric acid anhydrous" --strength 50'
THICKEN = "thicken batch.toml --material sodium-chloride --temperature 22"
WALK = (
    (
        f"batch hand-wash {BOTTLES} --scale 0.1 --number HW-012 --out batch.toml",
        "batch.txt",
        (1, 7),
    ),
    (
        "weigh batch.toml --html weigh-sheet.html --pdf weigh-sheet.pdf --xlsx weigh-sheet.xlsx",
        "weigh-sheet.txt",
        (1, 14),
    ),
    (f"weighed batch.toml {AS_WEIGHED}", "weighed.txt", None),
    (f"ph batch.toml --of batch --read 9.2 --water 9 {ACID}", "ph-1.txt", (1, 3)),
    ("ph batch.toml --added 10.7 --read 5.6 --water 9", "ph-2.txt", (3, 3)),
    ("ph batch.toml --added 17.2 --read 5.1 --water 9", "ph-3.txt", (3, 22)),
    (f"{THICKEN} --added 0% --viscosity 120 --target 3000", "thickening-1.txt", (1, 14)),
    (f"{THICKEN} --added 0.2% --viscosity 980 --ph 5.1", "thickening-2.txt", None),
    (f"{THICKEN} --added 0.45% --viscosity 3050 --ph 5.1", "thickening-3.txt", (3, 24)),
    ("weighed batch.toml --finish-mass 5190 --water-added 160 --bottles 19", "finished.txt", None),
    ("made batch.toml --master next-master.csv", "made.txt", (1, 30)),
    ("label batch.toml --assessor assessor.xlsx", "label.txt", (1, 14)),
    ("cost batch.toml --costs refill", "cost.txt", (1, 24)),
    ("card batch.toml --pdf card.pdf --png card.png", "card.txt", None),
    ('records master hand-wash --why "first version"', "master.txt", None),
    ("records keep batch.toml", "kept.txt", None),
    ("records tests HW-012", "tests.txt", (1, 16)),
    ("page batch.toml --out hand-wash.html --with frontier,leeway", "page.txt", None),
)
TRIALS = (
    (
        "trials plan gentle-wash --free mildness --factors strength,amphoteric-share,nonionic-share --days 2 "
        "--out trials.toml",
        "trials-plan.txt",
        (1, 21),
    ),
    ("trials sheet trials.toml --pdf trials-sheet.pdf --html trials-sheet.html", "trials-sheet.txt", None),
    ("trials note tried.toml", "trials-read.txt", (1, 24)),
    ("trials fit tried.toml", "trials-fit.txt", (1, 14)),
    ("trials next tried.toml --count 2", "trials-next.txt", (1, 12)),
)
"""Learning from the bench: a plan, and the shop's series with made-up readings of a stated truth."""
"""A command, the text file that keeps what it prints, and the first and last line of it that are shown."""


def run(command: str) -> int:
    """Run a command and return how it ended."""
    sys.argv = ["tenside", *shlex.split(command)]
    try:
        cli.main()
    except SystemExit as ended:
        return int(ended.code or 0)
    return 0


def main(called: str) -> int:
    """Show two briefs, then make the batch's files in a folder."""
    folder = Path(called).resolve()
    if code := run("blend hand-wash"):
        return code
    print("\nThe same shelf, an impossible brief:\n", flush=True)
    if (code := run("blend impossible-wash")) != 4:
        return code or 1
    if (folder / MARK).exists():
        shutil.rmtree(folder)
    if folder.exists():
        sys.exit(f"{folder} was not made by the demo, so it is left alone: make demo DEMO=another-folder")
    folder.mkdir()
    (folder / MARK).touch()
    os.chdir(folder)
    print("\nOne batch of the hand wash, from the weigh sheet to the bottles:", flush=True)
    if code := walk(WALK):
        return code
    print("\nTrials of the gentle wash: which beakers teach most, and what was read of them (made up):", flush=True)
    shutil.copy(shipped("scenarios") / "trials" / "gentle-wash.toml", "tried.toml")
    if code := walk(TRIALS):
        return code
    print(f"\nTo read and print, in {called}/: hand-wash.html (the report), weigh-sheet.pdf, card.pdf, label.txt,")
    print("cost.txt, made.txt, trials-sheet.pdf; the batch is in batch.toml, the records are in records.db.")
    print("\nAs pages in your browser (without the folder of 'tenside' in your path: .venv/bin/tenside):")
    print(f"tenside open {called}")
    return 0


def walk(steps: tuple[Step, ...]) -> int:
    """Run commands one after the other, show some lines of each, and return how the last one ended."""
    for command, name, shown in steps:
        with redirect_stdout(io.StringIO()) as out:
            code = run(command)
        Path(name).write_text(out.getvalue(), encoding="utf-8")
        if code:
            return code
        if shown:
            print(*out.getvalue().splitlines()[shown[0] - 1 : shown[1]], sep="\n", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
