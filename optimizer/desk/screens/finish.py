"""The end of a batch: its mass, water put back, bottles; and what it became."""

from __future__ import annotations

from optimizer.answers.bench import after_ph, batch_of, made_of, note_weights
from optimizer.answers.subject import Subject
from optimizer.bench.batch import Batch
from optimizer.bench.refill import Refill
from optimizer.bench.stage import stage_of, unfinished
from optimizer.desk.asked import Asked
from optimizer.desk.frame import button, field, fields, form, hidden, report
from optimizer.desk.guard import Outcome
from optimizer.desk.html import Html, markup, tag
from optimizer.desk.logged import add_now, alarms, sure
from optimizer.desk.screen import Page, RefusedError, Screen
from optimizer.desk.way import first_said, onwards, page_of, place, subject
from optimizer.errors import DataError
from optimizer.report.made import made_document
from optimizer.units import number

SCREEN = Screen()
ALL_OF_IT = "All of it, held-back water and rinses included."
WEIGHED = "Weigh 100 ml of the finished batch; never assumed. Label and cost need it with the content of a bottle."
SAID = {
    "mass_g": "{} g in all", "water_added_g": "{} g of water put back", "lost_g": "{} g lost", "bottles": "{} bottles",
    "bottle_ml": "{} ml in a bottle", "density_g_per_ml": "density {} g/ml",
}  # fmt: skip


def act(asked: Asked) -> Outcome:
    """Note the end of the batch."""
    told = {name: value for name, value in _typed(asked).items() if value is not None}
    # What was not touched is shown as the file has it, should the form come back.
    asked.typed = {k: v for k, v in asked.typed.items() if asked.text(k) != asked.text(f"was-{k}", "-")}
    if not told:
        raise RefusedError({"": "Nothing is filled in that was not there before, so nothing was noted."})
    if "bottles" in told:
        if told["bottles"] != int(told["bottles"]):
            raise RefusedError({"bottles": "Type a whole number of bottles."})
        told["bottles"] = int(told["bottles"])
    sure, seen = asked.ticked("sure"), asked.text("seen")
    note_weights(subject(asked), finish=told, sure=sure, on=asked.today, seen=seen)
    said = [SAID[name].format(number(value, 4)) for name, value in told.items()]
    return asked.done(place(asked, "finish"), f"Noted: {', '.join(said)}.")


def _typed(asked: Asked) -> dict[str, float | None]:
    """Return what was changed; a figure that stands as the page showed it may have been changed elsewhere since."""

    def changed(name: str, what: str, least: float = 0.0, most: float = 1e9, unit: str = "g") -> float | None:
        same = asked.text(name) == asked.text(f"was-{name}")
        return None if same else asked.maybe(name, what, least=least, most=most, unit=unit)

    return {
        "mass_g": changed("mass", "the mass", least=0.001),
        "water_added_g": changed("water", "the water"),
        "lost_g": changed("lost", "what is lost"),
        "bottles": changed("bottles", "the number of bottles", most=1e6, unit=""),
        "bottle_ml": changed("bottle", "the content of a bottle", least=0.1, most=100_000, unit="ml"),
        "density_g_per_ml": changed("density", "the density", least=0.8, most=1.4, unit=""),
    }


@SCREEN.at("/batch/{batch}/finish", act=act)
def finish(asked: Asked) -> Page:
    """Show what is noted of the end, and what is missing."""
    found = subject(asked)
    batch = batch_of(found)
    parts = [first_said(found), _open(found), _put_back(found), _form(asked, batch), onwards(asked, found, "finish")]
    return page_of(asked, batch, "finish", *parts)


def _open(found: Subject) -> Html | None:
    """Return what is to be done before a batch is filled."""
    batch = batch_of(found)
    stage = unfinished(batch, after_ph(found)) if batch.begun else stage_of(batch)
    if stage is None or stage.step == "finish":
        return None
    lead = "Filled before it was finished." if batch.finish.bottles else "Not to be filled yet."
    return alarms([f"{lead} {stage.words}"])


def _put_back(found: Subject) -> Html | None:
    """Return how much water is to be put back, where the batch was weighed and came out short."""
    batch = batch_of(found)
    if batch.finish.mass_g is None:
        planned = f"{batch.scale.told(batch.size_g)} g are planned."
        return markup(tag("p", "Weigh the finished batch", class_="what"), tag("p", planned, class_="of"))
    try:
        refill = made_of(found).put_back
    except DataError:
        return None  # the page of what was made tells why
    if refill is None:
        return tag("p", "No water is missing.", class_="what")
    return _refill(refill)


def _refill(refill: Refill) -> Html:
    if refill.why_not:
        said = f"{refill.scale.told(refill.grams)} g of water are missing. Do not put them back: {refill.why_not}."
        return tag("p", said, class_="what")
    mass, water = refill.scale.told(refill.mass_after_g), number(refill.water_after_g, 2)
    then = f"The batch then weighs {mass} g by sum: note {water} g of water put back, its mass if you weigh it again."
    put_back = add_now(refill.scale.told(refill.grams), "water", "Put back")
    return markup(put_back, tag("p", f"{refill.where_it_is} {then}", class_="of"))


def _form(asked: Asked, batch: Batch) -> Html:
    end = batch.finish
    there = {
        "mass": end.mass_g, "water": end.water_added_g or None, "lost": end.lost_g or None, "bottles": end.bottles,
        "bottle": batch.bottle_ml, "density": batch.density_g_per_ml,
    }  # fmt: skip
    told = {name: "" if value is None else number(value, 4) for name, value in there.items()}
    by_sum = ""
    if end.water_since_g and end.there_g is not None:
        by_sum = f"{told['mass']} g before {number(end.water_since_g, 3)} g of water were put back: "
        by_sum += f"{batch.scale.told(end.there_g)} g by sum. If you weigh it again, type it."
        told["mass"] = ""
    return form(
        asked,
        place(asked, "finish"),
        hidden({f"was-{name}": value for name, value in told.items()} | {"seen": end.figures}),
        fields(
            field(
                asked,
                "mass",
                "Mass of the finished batch",
                figure=True,
                unit="g",
                big=True,
                value=told["mass"],
                hint=by_sum,
            ),
            field(asked, "water", "Water put back", figure=True, unit="g", value=told["water"], hint=ALL_OF_IT),
            field(asked, "lost", "Left in vessels or taken as samples", figure=True, unit="g", value=told["lost"]),
            field(asked, "bottles", "Bottles filled", figure=True, value=told["bottles"]),
            field(asked, "bottle", "Content of a bottle", figure=True, unit="ml", value=told["bottle"]),
            field(asked, "density", "Density, measured", figure=True, unit="g/ml", value=told["density"], hint=WEIGHED),
        ),
        sure(asked, "I have weighed it again"),
        button("Note it"),
        keep="finish",
    )


@SCREEN.at("/batch/{batch}/made")
def made(asked: Asked) -> Page:
    """Show what the batch really became."""
    found = subject(asked)
    batch = batch_of(found)
    if not batch.begun:
        return page_of(asked, batch, "made", tag("p", "Nothing is weighed in yet."), onwards(asked, found, "made"))
    told = made_of(found)
    keep = tag("a", "Keep it as the next master formula", href=place(asked, "master")) if told.master.keeps else None
    body = report(made_document(told), materials=found.brief.library.by_id)
    return page_of(asked, batch, "made", body, tag("p", keep, class_="go"), onwards(asked, found, "made"))
