"""What goes along with a product, through the door: its label, its cost, advice for the bench."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from optimizer.answers.answer import Answer
from optimizer.answers.bench import alarms_now, still_to_come
from optimizer.answers.subject import Subject
from optimizer.bench.amount import Amount, option
from optimizer.bench.made import last_ph, made_formula, went_in
from optimizer.brief.defaults import BenchDefaults, bench_defaults
from optimizer.data.formula import Formula
from optimizer.data.planned import WATER, price_of
from optimizer.errors import UsageError
from optimizer.immutable import immutable, replace
from optimizer.rules.row import Setting

if TYPE_CHECKING:
    from optimizer.bench.costing import Costing
    from optimizer.bench.costs import Costs
    from optimizer.bench.size import Size
    from optimizer.labelling.label import Label
    from optimizer.report.advice import Advised


def label_for(found: Subject, *, bottle: str = "", density: float | None = None) -> Label:
    """Return the label of a subject: of a batch that was begun as made, of everything else as planned.

    Args:
        found: The subject.
        bottle: Content on the label, such as 250 (ml) or '500 g'; else the batch file's or that of `bench.toml`.
        density: Measured density [g/ml].

    Raises:
        UsageError: If a density is stated without a volume.
    """
    from optimizer.labelling.content import content_of, read_content
    from optimizer.labelling.label import label_of

    batch, bench = found.batch, bench_defaults(found.scenario)
    if batch is None and not bottle and bench.bottle_ml:
        bottle = f"{bench.bottle_ml:g}"
        density = bench.density_g_per_ml if density is None else density
    content = read_content(bottle, density) if bottle else None
    if density is not None and not bottle and not (batch and batch.bottle_ml):
        raise UsageError("--density turns the volume of a bottle into mass: state --bottle too.")
    if content is None and batch and batch.bottle_ml:
        content = content_of(batch.bottle_ml, "ml", density or batch.density_g_per_ml)
    elif bottle and batch and density is None:
        content = read_content(bottle, batch.density_g_per_ml)
    made = made_formula(batch, found.brief.library.by_id) if batch and batch.begun else None
    ph = last_ph(batch) if batch and made else None
    setting = found.setting if ph is None else Setting(ph, ph, ph)
    label = label_of(
        found.brief, found.formula, name=found.name, batch=batch, made=made, content=content, setting=setting
    )
    return replace(label, cautions=(*still_to_come(found), *label.cautions))


def cost_for(
    found: Subject,
    *,
    called: str = "",
    size: str = "",
    bottles: int = 0,
    bottle: str = "",
    density: float | None = None,
    loss: float | None = None,
    costs: str = "",
    plan: int = 0,
    margin: float | None = None,
    markup: float | None = None,
) -> Costing:
    """Return what a batch of a subject costs; a batch whose finished mass is noted is costed as it was made.

    Args:
        found: The subject.
        called: What to name as the source of the costs if no costs file is.
        size: What is made: '5 kg', '3 L', '20 bottles'; of a finished batch: another size of what it became.
        bottles: Bottles that must come out, instead of a size; of a finished batch: those that did.
        bottle: Content of a bottle in ml, or such as '250 g'.
        density: Measured density [g/ml].
        loss: Part that does not reach the bottles [%].
        costs: Costs file, or the name of a shipped one; else the batch file's own table, or that of `bench.toml`.
        plan: Batches to buy packs for.
        margin: Margin [% of the price without VAT].
        markup: Mark-up [% of the cost].
    """
    from optimizer.bench.costing import cost_of_batch

    bench = bench_defaults(found.scenario)
    costs, taken = _costs_named(found, costs, bench)
    asked = SizeAsked(size, bottles, bottle, density, loss)
    if found.batch is None:
        asked, more = asked.with_defaults(bench)
        taken += more
    known = _costs_of(found, costs, margin, markup)
    formula, finished, told = _as_made(found, asked)
    made, assumed = _size_of(found, known, asked, finished)
    brief = found.brief
    costing = cost_of_batch(
        formula,
        made,
        name=found.name,
        currency=brief.scenario.currency,
        costs=known,
        costs_file=costs or called,
        shelf=brief.shelf,
        water_price=price_of(brief.pool, WATER),
        batches=plan,
        notes=(*found.notes, *told, *assumed, *(f"{said}." for said in bench.told(*taken))),
    )
    return replace(costing, alarms=(*still_to_come(found), *alarms_now(found)))


@immutable
class SizeAsked:
    """How much of a product is costed, as it is stated; nothing if nothing is."""

    size: str = ""
    bottles: int = 0
    bottle: str = ""
    density: float | None = None
    loss: float | None = None

    def with_defaults(self, bench: BenchDefaults) -> tuple[SizeAsked, list[str]]:
        """Return the size with what the bench's defaults say where nothing else is stated, and which of them count."""
        size, bottle, taken = self.size, self.bottle, []
        if not size and not self.bottles:
            size, taken = bench.size, ["size"]
        if not bottle and bench.bottle_ml and (self.density is not None or bench.density_g_per_ml is not None):
            bottle, taken = f"{bench.bottle_ml:g}", [*taken, "bottle_ml"]
        taken += [n for n, v in (("density_g_per_ml", self.density), ("loss_percent", self.loss)) if v is None]
        density = bench.density_g_per_ml if self.density is None else self.density
        loss = bench.loss_percent if self.loss is None else self.loss
        return SizeAsked(size, self.bottles, bottle, density, loss), taken


def _costs_named(found: Subject, costs: str, bench: BenchDefaults) -> tuple[str, list[str]]:
    """Return the costs file, that of the bench's defaults if neither it nor a batch file states costs; and if it is."""
    if costs or not bench.costs or (found.batch and found.batch.costs):
        return costs, []
    return (str(Path(bench.where).parent / bench.costs) if Path(bench.costs).suffix else bench.costs), ["costs"]


def costs_stated(found: Subject) -> str:
    """Return where costs besides materials are stated if no file is named; empty if nowhere."""
    if found.batch and found.batch.costs:
        return "those in the batch file"
    bench = bench_defaults(found.scenario)
    return f"{bench.costs}, as bench.toml says" if bench.costs else ""


def write_costs(path: Path, costing: Costing) -> None:
    """Write the figures of a costing as a workbook.

    Raises:
        DataError: If the file exists or cannot be written.
    """
    from optimizer.report.costing import cost_sheets
    from optimizer.report.formats.workbook import write_workbook

    write_workbook(path, cost_sheets(costing))


def advice_for(found: Subject) -> Answer[Advised]:
    """Return what a bench chemist would say to a subject's formula."""
    from optimizer.assessment.advice import Situation
    from optimizer.report.advice import Advised

    situation = Situation(found.formula, found.setting, found.brief)
    return Answer("advice", Advised(name=found.name, situation=situation, notes=found.notes)).by(
        found.brief.library.called
    )


def _as_made(subject: Subject, asked: SizeAsked) -> tuple[Formula, float | None, tuple[str, ...]]:
    """Return a finished batch as it was made, with its mass [g]; everything else as planned, without one."""
    from optimizer.assessment.planned import as_planned
    from optimizer.bench.reconcile import formula_made

    batch = subject.batch
    if batch is None or batch.finish.mass_g is None:
        formula, assumed = as_planned(subject.brief, subject.formula, subject.setting)
        if batch is not None and batch.begun:
            assumed = ("costed as planned: the finished mass is not noted yet.", *assumed)
        return formula, None, assumed
    went = went_in(batch, subject.brief.library.by_id)
    other = f", for the {asked.size} that were asked instead of the {went.mass_g:g} g that were made" * bool(asked.size)
    notes = [f"costed as made, with the acid, thickener and water that are noted{other}."]
    if asked.loss is not None and (asked.bottles or batch.finish.bottles) and not asked.size:
        notes.append("the bottles that were counted tell what was lost; --loss is not used.")
    notes += [f"{note}." for note in went.notes]
    return formula_made(subject.brief, batch, went.percent), went.mass_g, tuple(notes)


def _costs_of(subject: Subject, name: str, margin: float | None, markup: float | None) -> Costs:
    """Return the costs file, or the batch file's own table, with the price as asked on the command line."""
    from optimizer.bench.costs import Costs, Sale, read_costs

    if margin is not None and markup is not None:
        raise UsageError("--margin is a part of the price, --markup a part of the cost: state one of them.")
    own = subject.batch.costs if subject.batch else None
    costs = read_costs(name, subject.brief.library.by_id) if name else own or Costs()
    if margin is None and markup is None:
        return costs
    sale = Sale(margin_percent=margin, markup_percent=markup, vat_percent=costs.sale.vat_percent)
    return costs.model_copy(update={"sale": sale})


def _size_of(subject: Subject, costs: Costs, asked: SizeAsked, finished: float | None) -> tuple[Size, tuple[str, ...]]:
    """Return the size of the batch: the command line goes before the batch file, which goes before the costs file.

    What was made of a finished batch [g], and how many bottles came of it, stands whatever a bottle holds.
    """
    from optimizer.bench.size import size_made, size_of

    batch = subject.batch
    notes: tuple[str, ...] = ()
    if asked.size and asked.bottles:
        raise UsageError("--size and --bottles: state one of them.")
    density = asked.density if asked.density is not None else batch.density_g_per_ml if batch else None
    content = _content(asked.bottle)
    if content is None and batch and batch.bottle_ml:
        if density is None:
            notes = ("bottles are not counted: the batch file states no density_g_per_ml.",)
        else:
            content = Amount(batch.bottle_ml, "ml", f"{batch.bottle_ml:g} ml")
    loss = asked.loss
    if loss is None:
        loss = batch.loss_percent if batch and "loss_percent" in batch.model_fields_set else costs.loss_percent
    if batch and finished is not None and not asked.size:
        count = asked.bottles or batch.finish.bottles or 0
        return size_made(batch.where, finished, count, content, density, loss), notes
    if asked.size:
        amount = option(asked.size, "--size")
    elif asked.bottles:
        amount = Amount(asked.bottles, "bottles", f"{asked.bottles} bottles")
    elif batch:
        amount = Amount(batch.size_g, "g", f"{batch.size_g:g} g")
    elif costs.by_batch:
        raise UsageError("labour, overhead and freight per order belong to a batch: state --size or --bottles.")
    else:
        kg = subject.brief.scenario.batch_kg or 1.0
        amount = Amount(1000 * kg, "g", f"{kg:g} kg")
        notes = (f"no size was stated; {kg:g} kg are costed.",)
    if amount.unit == "bottles" and content is None:
        raise UsageError("a number of bottles needs the content of one: --bottle 250 --density 1.02.")
    return size_of(amount, content, density, loss), notes


def _content(bottle: str) -> Amount | None:
    """Return the content of a bottle; a bare number is in ml, as bottles are sold."""
    return option(bottle, "--bottle", "ml") if bottle else None
