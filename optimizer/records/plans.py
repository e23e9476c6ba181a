"""The default test calendar: what to read, where, when, and who says so. Every line is the maker's to change."""

from optimizer.immutable import immutable

STABILITY = (
    "4, 20 to 25 and 37 °C for 3 to 6 months, 45 °C for 1 to 3 months: page 'How to stability test a cosmetic "
    "formula' of an education site, name withheld; the days between: common practice, no source"
)
PRACTICE = "common practice, no source"
MONTH = 30


@immutable
class TestPlan:
    """A series of readings.

    Attributes:
        name: Short name, unique within a batch.
        what: What is read.
        place: Condition.
        unit: Unit of the readings; empty if only passed or failed is judged.
        days: Days after day 0.
        basis: Who asks for it.
        note: How it is done.
        ph: Whether the batch's pH window is its limit.
    """

    name: str
    what: str
    place: str
    unit: str
    days: tuple[int, ...]
    basis: str
    note: str = ""
    ph: bool = False


SETTLING = TestPlan(
    "ph-settling", "pH", "room", "pH", (0, 1, 7, 28), PRACTICE,
    "Day 0 is some hours after the last acid or alkali. Same meter, same dilution, same temperature each time.",
    ph=True,
)  # fmt: skip

PLACES = (
    ("4c", "4 °C", (MONTH, 3 * MONTH, 6 * MONTH)),
    ("room", "20 to 25 °C", (MONTH, 3 * MONTH, 6 * MONTH)),
    ("37c", "37 °C", (MONTH, 3 * MONTH, 6 * MONTH)),
    ("45c", "45 °C", (MONTH, 2 * MONTH, 3 * MONTH)),
)


def _at(name: str, place: str, days: tuple[int, ...]) -> tuple[TestPlan, ...]:
    real = "In the real, closed bottle; read it at room temperature."
    look = "Clarity, colour, odour, layers, beside the bottle kept at 4 °C: passed or failed."
    return (
        TestPlan(f"ph-{name}", "pH", place, "pH", days, STABILITY, real, ph=True),
        TestPlan(f"viscosity-{name}", "viscosity", place, "mPa s", days, STABILITY, real + " Set your own limits."),
        TestPlan(f"look-{name}", "look", place, "", days, STABILITY, look),
    )


DEFAULT = (
    SETTLING,
    *(plan for place in PLACES for plan in _at(*place)),
    TestPlan(
        "freeze-thaw", "look", "-10 °C and room, 24 h each, 3 cycles", "", (6,),
        f"{PRACTICE}; every page gives other numbers of cycles",
        "Clarity, layers, viscosity and pH after the last thaw, beside the bottle kept at 4 °C: passed or failed.",
    ),
    TestPlan(
        "light", "look", "daylight", "", (MONTH, 3 * MONTH), PRACTICE,
        "In the real bottle beside a wrapped one: passed or failed.",
    ),
    TestPlan(
        "bottle", "mass lost", "20 to 25 °C", "% of the content", (MONTH, 3 * MONTH), PRACTICE,
        "Weigh the filled bottle; look for leaks, swelling, stress cracks, a clogged pump. Set your own limit.",
    ),
    TestPlan(
        "challenge", "challenge test", "laboratory", "", (28,),
        "ISO 11930, 28 days; criteria as on a testing laboratory's page, name withheld",
        "Criterion A: bacteria 3 log by day 7 and held, Candida albicans 1 log by day 7 and held, Aspergillus "
        "brasiliensis no rise at day 14 and 1 log by day 28. The laboratory judges; order it early.",
    ),
)  # fmt: skip
"""Own choice of readings; the sources are in each line."""
