"""What pages that lay a batch share: how much is made, of which number, where the file lies then."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Protocol

from optimizer.brief.defaults import bench_defaults
from optimizer.desk.asked import Asked
from optimizer.desk.folder import name_of
from optimizer.desk.frame import button, field, fields, form
from optimizer.desk.guard import Outcome
from optimizer.desk.html import Html, path_to
from optimizer.desk.screen import RefusedError
from optimizer.desk.words import in_words
from optimizer.errors import DataError, UsageError
from optimizer.report.made import Laid
from optimizer.units import file_stem, number


class Lay(Protocol):
    """What writes a batch file."""

    def __call__(self, out: Path, **more: Any) -> Laid:
        """Write it; more as `answers.bench.lay_batch` takes it."""


def laid(asked: Asked, brief: Path, lay: Lay) -> Outcome:
    """Lay the batch that a form asks for, beside its brief.

    Raises:
        RefusedError: If it cannot be, with what is wrong beside its field.
    """
    called = asked.text("number")
    if not file_stem(called):
        raise RefusedError({"number": "Give the batch a number, such as 12 or HW-12."})
    size = _size(asked)
    out = brief.with_name(f"batch-{file_stem(called)}.toml")
    try:
        short = lay(out, number=called, on=asked.today, **size).short
    except UsageError as error:
        raise RefusedError({"": in_words(error)}) from None
    except DataError as error:
        taken = any("exists and would be lost" in p.what for p in error.problems)
        if taken:
            raise RefusedError({"number": "There is a batch of this number here. Choose another."}) from None
        raise RefusedError({"": in_words(error)}) from None
    said = " ".join((f"Batch {called} is laid.", *short))
    return asked.done(path_to("batch", name_of(asked.folder.path, out), "weigh"), said)


def _size(asked: Asked) -> dict[str, Any]:
    """Return how much a form asks for."""
    kilos = asked.maybe("kilos", "the mass", least=0.001, most=100_000, unit="kg")
    bottles = asked.maybe("bottles", "the bottles", least=1, most=1_000_000)
    if (kilos is None) == (bottles is None):
        raise RefusedError({"kilos": "Say how much: either kilograms or bottles."})
    if bottles is not None and bottles != int(bottles):
        raise RefusedError({"bottles": "Bottles come whole."})
    more = {
        "bottle_ml": asked.maybe("bottle", "the content of a bottle", least=0.1, most=100_000, unit="ml"),
        "density": asked.maybe("density", "the density", least=0.8, most=1.4),
        "loss": asked.maybe("loss", "the loss", most=90),
        "scale": asked.maybe("scale", "the step of the scale", least=0.001, most=1000, unit="g"),
    }
    if bottles is not None:
        wanted = {
            "bottle_ml": ("bottle", "how much goes into a bottle"),
            "density": ("density", "the measured density"),
        }
        missing = {name: f"Type {what}." for key, (name, what) in wanted.items() if more[key] is None}
        if missing:
            raise RefusedError(missing)
    size = "" if kilos is None else f"{kilos * 1000:.10g} g"
    return {"size": size, "bottles": None if bottles is None else int(bottles), **more}


def ask_size(asked: Asked, to: str, brief: Path) -> Html:
    """Return the form that asks how much is made; what is not typed is as the bench's defaults have it."""
    bench = bench_defaults(brief)

    def told(value: float | None) -> str:
        return "" if value is None else number(value, 6)

    kilos = bench.size.removesuffix("kg").strip() if bench.size.endswith("kg") else ""
    asks = [
        field(asked, "number", "Number of the batch", need=True, hint="As it stands on the bottles, such as 12."),
        field(asked, "kilos", "How much", figure=True, unit="kg", value=kilos),
        field(asked, "bottles", "Or how many bottles", figure=True),
        field(asked, "bottle", "Content of a bottle", figure=True, unit="ml", value=told(bench.bottle_ml)),
        field(
            asked, "density", "Density, measured", figure=True, unit="g/ml", value=told(bench.density_g_per_ml),
            hint="Weigh 100 ml. Needed for bottles; never assumed.",
        ),
        field(asked, "loss", "Stays behind in vessels", figure=True, unit="%", value=told(bench.loss_percent)),
        field(asked, "scale", "Step of your scale", figure=True, unit="g", value=told(bench.scale_g) or "1"),
    ]  # fmt: skip
    return form(asked, to, fields(*asks), button("Lay the batch"), keep="lay")
