"""A picture as a file to send: SVG drawn as on a page, PNG and PDF by matplotlib, which is an extra."""

from __future__ import annotations

import logging
import re
import warnings
from collections.abc import Callable
from importlib.util import find_spec
from io import BytesIO
from pathlib import Path
from typing import Any

from optimizer.errors import UsageError
from optimizer.files import refuse_existing, write_atomic, write_bytes_atomic
from optimizer.report.document import Sketch
from optimizer.report.formats.escape import escaped, printable
from optimizer.report.formats.pictures import laid

ENDINGS = (".svg", ".png", ".pdf")
SMALL = 13
"""Size of the letters [px]; the drawing counts its heights in it."""
WIDTH, EDGE = 640, 24
"""Width of the drawing and the free edge around it [px]."""
HEAD = 40
"""Height of the heading [px]."""


def refuse_undrawable(path: Path) -> None:
    """Refuse a picture that cannot be written, before anything is computed for it.

    Raises:
        UsageError: If its ending is unknown, or needs matplotlib, which is not installed.
        DataError: If the file exists.
    """
    if path.suffix.lower() not in ENDINGS:
        raise UsageError(f"--picture: '{path.name}' ends neither in .svg nor in .png or .pdf.")
    if not is_svg(path) and find_spec("matplotlib") is None:
        raise UsageError(
            f"--picture: '{path.name}' needs matplotlib, which is not installed: pip install 'tenside[pictures]'. "
            f"Or name it {printable(path.stem)}.svg, which needs nothing more."
        )
    refuse_existing(path)


def is_svg(path: Path) -> bool:
    """Return whether a picture is drawn as on a page."""
    return path.suffix.lower() == ".svg"


def draw(sketch: Sketch, heading: str, path: Path, plot: Callable[[Any], None]) -> None:
    """Write a picture: as SVG a sketch's drawing, else what is plotted on axes of matplotlib.

    Raises:
        DataError: If the file exists.
    """
    if is_svg(path):
        write_svg(sketch, heading, path)
        return
    figure, axes = canvas()
    plot(axes)
    axes.set_title(heading)
    write_plotted(figure, path)


def write_svg(sketch: Sketch, heading: str, path: Path) -> None:
    """Write a sketch's drawing as an SVG file that stands alone: its own letters, light colours, a heading.

    Raises:
        DataError: If the file exists.
    """
    height, drawing = laid(sketch, "p")
    tall = round(HEAD + SMALL * height + 2 * EDGE)
    words = escaped(printable(heading))
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH + 2 * EDGE}" height="{tall}">',
        f"<style>{_style()}</style>",
        '<rect class="paper" width="100%" height="100%"/>',
        f'<g class="picture"><text class="heading" x="{EDGE}" y="{EDGE + SMALL}">{words}</text></g>',
        f'<svg x="{EDGE}" y="{EDGE + HEAD}" width="{WIDTH}" overflow="visible">',
        drawing,
        "</svg>",
        "</svg>",
    ]
    write_atomic(path, "\n".join(lines) + "\n")


def _style() -> str:
    """Return what the page's style says of pictures, with its colours written out for programs that know no names."""
    page = (Path(__file__).parent / "page.css").read_text(encoding="utf-8")
    named = dict(re.findall(r"--(\w+): ([^;]+);", page.partition("}")[0]))
    rules = [line for line in page.splitlines() if line.startswith(".picture")]
    rules.append(f".picture {{ font-size: {SMALL}px; }} .picture .heading {{ font-size: 16px; font-weight: 600; }}")
    rules.append(".paper { fill: var(--paper); }")
    return re.sub(r"var\(--(\w+)\)", lambda found: named[found[1]], "\n".join(rules))


def canvas() -> tuple[Any, Any]:
    """Return an empty figure of matplotlib and its axes."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(8, 5), layout="constrained")
    return figure, figure.subplots()


def write_plotted(figure: Any, path: Path) -> None:
    """Write a figure of matplotlib, without a date, so that the same input gives the same bytes.

    Raises:
        DataError: If the file exists.
    """
    stream = BytesIO()
    kind = path.suffix.lower()[1:]
    metadata = {"CreationDate": None} if kind == "pdf" else {"Software": None}
    logging.getLogger("matplotlib").setLevel(logging.ERROR)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a sign that the font lacks is drawn as a box
        figure.savefig(stream, format=kind, dpi=150, metadata=metadata)
    write_bytes_atomic(path, stream.getvalue())
