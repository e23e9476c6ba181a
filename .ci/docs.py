"""Write the reference for programs from the docstrings: python .ci/docs.py FOLDER. A warning is a failure."""

from __future__ import annotations

import sys
import warnings
from pathlib import Path

import pdoc
import pdoc.render

HOUSE = Path(__file__).resolve().parent.parent / "optimizer"


def main(folder: Path) -> None:
    """Write one page per module that programs may use; the command line has its own help."""
    warnings.simplefilter("error")
    # pdoc looks up the fields that a class has from its base in the wrong module; mypy looks in the right one.
    warnings.filterwarnings("ignore", r"Error parsing type annotation .*\.__init__\.")
    rooms = [f"optimizer.{p.parent.name}" for p in sorted(HOUSE.glob("*/__init__.py")) if p.parent.name != "cli"]
    pdoc.render.configure(docformat="google", search=False, show_source=False)
    pdoc.pdoc("optimizer", *rooms, output_directory=folder)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
