"""A batch laid from a product: how much, and where it lies then."""

from __future__ import annotations

from optimizer.answers.product import lay
from optimizer.brief.defaults import bench_defaults
from optimizer.desk.asked import Asked
from optimizer.desk.folder import name_of
from optimizer.desk.frame import button, field, fields, form
from optimizer.desk.guard import Outcome
from optimizer.desk.html import markup, tag
from optimizer.desk.screen import Page, RefusedError, Screen
from optimizer.desk.words import in_words
from optimizer.errors import DataError, UsageError
from optimizer.units import file_stem, number

SCREEN = Screen()


def _lay(asked: Asked) -> Outcome:
    path = asked.folder.brief(asked.names["brief"])
    called = asked.text("number")
    if not file_stem(called):
        raise RefusedError({"number": "Give the batch a number, such as 12 or HW-12."})
    kilos = asked.maybe("kilos", "the mass", least=0.001, most=100_000)
    bottles = asked.maybe("bottles", "the bottles", least=1, most=1_000_000)
    if (kilos is None) == (bottles is None):
        raise RefusedError({"kilos": "Say how much: either kilograms or bottles."})
    if bottles is not None and bottles != int(bottles):
        raise RefusedError({"bottles": "Bottles come whole."})
    more = {
        "bottle_ml": asked.maybe("bottle", "the content of a bottle", least=0.1, most=100_000),
        "density": asked.maybe("density", "the density", least=0.8, most=1.4),
        "loss": asked.maybe("loss", "the loss", most=90),
        "scale": asked.maybe("scale", "the step of the scale", least=0.001, most=1000),
    }
    if bottles is not None:
        wanted = {
            "bottle_ml": ("bottle", "how much goes into a bottle"),
            "density": ("density", "the measured density"),
        }
        missing = {name: f"Type {what}." for key, (name, what) in wanted.items() if more[key] is None}
        if missing:
            raise RefusedError(missing)
    out = path.with_name(f"batch-{file_stem(called)}.toml")
    try:
        lay(
            path, out, size="" if kilos is None else f"{kilos * 1000:.10g} g",
            bottles=None if bottles is None else int(bottles), number=called, on=asked.today, **more,
        )  # fmt: skip
    except UsageError as error:
        raise RefusedError({"": in_words(error)}) from None
    except DataError as error:
        taken = any("exists and would be lost" in p.what for p in error.problems)
        if taken:
            raise RefusedError({"number": "There is a batch of this number here. Choose another."}) from None
        raise RefusedError({"": in_words(error)}) from None
    return asked.done(f"/batch/{name_of(asked.folder.path, out)}/weigh", f"Batch {called} is laid.")


@SCREEN.at("/formula/{brief}/batch", act=_lay, rights="formula")
def batch(asked: Asked) -> Page:
    """Ask how much is made."""
    path = asked.folder.brief(asked.names["brief"])
    bench = bench_defaults(path)

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
    place = f"/formula/{asked.names['brief']}/batch"
    said = tag("p", "The formula is solved anew, proven, and rounded to what your scale can weigh.", class_="soft")
    body = markup(said, form(asked, place, fields(*asks), button("Lay the batch"), keep="lay"))
    return Page("Lay a batch", body, back=(f"/formula/{asked.names['brief']}", "To the formula"))
