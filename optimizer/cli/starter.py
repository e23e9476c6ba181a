"""A first working folder: everything commented, and solvable as it lies."""

from __future__ import annotations

from pathlib import Path

from optimizer.errors import DataError, Problem
from optimizer.files import found_at, write_atomic

SHELF = """\
material,supplier,pack kg,pack price,currency,stock kg,lot,lot active %
sodium-laureth-sulfate-2eo-28,example supplier,5,14.00,EUR,5,,
cocamidopropyl-betaine,example supplier,5,18.00,EUR,5,,29.6
decyl-glucoside,example supplier,5,26.00,EUR,5,,
coco-glucoside,example supplier,5,25.00,EUR,5,,
sodium-cocoyl-glutamate,example supplier,5,38.00,EUR,5,,
glycerin,example supplier,5,14.00,EUR,5,,
phenoxyethanol-ethylhexylglycerin,example supplier,1,18.00,EUR,1,,
tetrasodium-glutamate-diacetate,example supplier,1,9.00,EUR,1,,
parfum,example supplier,0.5,32.00,EUR,0.5,,
polysorbate-20,example supplier,1,9.00,EUR,1,,
citric-acid,example supplier,1,6.00,EUR,1,,
my-betaine,example supplier,5,16.00,EUR,5,,
aqua,de-ionised,100,4.00,EUR,,,
"""

MATERIALS = """\
# Your own raw materials, and figures of shipped ones that your supplier states differently.
# See what a shipped material looks like:  tenside library show cocamidopropyl-betaine
# Check this file:                         tenside library check --with materials.toml

[sources]
my-sheet = "supplier sheet, name withheld, received 2026"

# --- A material of your own -------------------------------------------------------------------
[[material]]
id = "my-betaine"                    # lowercase words joined by hyphens; the shelf names it
name = "Betaine from my own supplier"
function = "surfactant"              # surfactant, humectant, preservative, thickener, perfume ...
phase = "cosurfactant"               # order of addition
# What is in it, % of the material: low, typical, high; one substance may be the "balance".
substances = [
  { inci = "Cocamidopropyl Betaine", share = [29, 30, 31], surfactant = true, charge = "amphoteric" },
  { inci = "Sodium Chloride", role = "salt", share = [4, 5, 6] },
  { inci = "Aqua", role = "water", share = "balance" },
]
ph_stable = [4.5, 8.0]               # pH of the finished product in which it is stable
look = "clear"                       # clear, hazy, pearly or opaque
free_from = ["sulfate", "ethoxylate"]  # only what the supplier declares
cautions = ["concentrate"]
# Ratings 0 to 100 are for planning; say which rank order they lean on.
ratings.mildness = { low = 50, typical = 60, high = 70, basis = "patch-5-percent", by_analogy = true }
# Who says so: a key of [sources] and published, supplier-typical, common practice or from memory.
backing = { default = ["my-sheet", "supplier-typical"] }

# --- Single figures of a shipped material -----------------------------------------------------
# Your perfume's allergen sheet, % of the perfume (low, typical, high); 'tenside label' adds them up.
# [override.parfum]
# allergens = { "Limonene" = [1.8, 2.0, 2.2], "Linalool" = [0.9, 1.0, 1.1] }
# backing = { allergens = ["my-sheet", "supplier-typical"] }
#
# The name of the table is the id; 'active' is the active matter as supplied (low, typical, high).
# [override.decyl-glucoside]
# active = [51, 53, 55]
# backing = { active = ["my-sheet", "supplier-typical"] }
"""

BRIEF = """\
# A first brief. Change a figure, then:  tenside blend first-brief.toml
# Every kind of rule and its fields:     tenside rules
# Doses are % w/w as supplied unless a rule says "as active".
name = "My first wash"
product = "body wash"
use = "rinse-off"                      # or "leave-on"
market = "EU"                          # whose legal ceilings apply; check the text in force
currency = "EUR"
shelf = "shelf.csv"                    # what you have and what it costs
library = ["materials.toml"]           # your own materials, beside this file
# batch_kg = 5                         # with a batch size, the stock on the shelf becomes a limit

[pool]                                 # which materials may be used
functions = ["surfactant", "humectant", "chelator", "preservative", "perfume", "solubiliser"]
# free_from = ["sulfate"]              # only materials declared free from these
# without = ["sodium-laureth-sulfate-2eo-28"]

[ph]                                   # the product's pH; the tool picks a target that suits every material
low = 5.0
high = 6.5
tolerance = 0.2

[held_back]                            # kept free for what is added to effect at the bench
percent = 3.0
acids = ["citric-acid"]

[fixed]                                # doses that are not up for discussion
phenoxyethanol-ethylhexylglycerin = 0.9
tetrasodium-glutamate-diacetate = 0.15

[objective]
minimise = "cost"                      # or: maximise = "mildness"
then = ["maximise mildness"]           # ties are broken in this order

[[rule]]
kind = "active"                        # total surfactant active matter, %
at_least = 11
at_most = 13

[[rule]]
kind = "rating"                        # planning rating, mean over the active matter
rating = "mildness"
at_least = 60

[[rule]]
id = "anionic"
kind = "share"
of = { charges = ["anionic"], called = "anionic" }
at_least = 15
at_most = 50

[[rule]]
id = "amphoteric"
kind = "share"
of = { charges = ["amphoteric"], called = "amphoteric" }
at_least = 20

[[rule]]
id = "humectant"
kind = "dose"
of = { functions = ["humectant"], called = "humectants" }
at_least = 2
at_most = 4

[[rule]]
id = "perfume"
kind = "dose"
of = ["parfum"]
exactly = 0.3

[[rule]]
kind = "solubiliser"                   # grams per gram of perfume
at_least = 3
"""


COSTS = """\
# What a product costs besides its materials. Change the figures, then:
#   tenside cost first-brief.toml --bottles 20 --bottle 250 --density 1.02 --costs costs.toml
# Every key:  tenside schema costs
# Amounts are with or without the tax on purchases, as your own books do; only do not mix the two.
currency = "EUR"
loss_percent = 3               # part of the batch that does not reach the bottles: weigh your own

[[packaging]]                  # what every bottle needs; add as many as there are
what = "bottle with cap"
price = 0.60                   # of one piece
pieces_per_bottle = 1

[[packaging]]
what = "label"
price = 0.12

# [[packaging]]
# what = "carton of twelve"
# price = 1.20
# pieces_per_bottle = 0.0833
# bottle_ml = 250              # only for bottles of this content

[labour]                       # of one batch, whatever its size
hours_per_batch = 2
price_per_hour = 20.0

[[freight]]                    # say what it covers: either kg of material ...
what = "parcel from the example supplier"
amount = 12.0
covers_kg = 20
# materials = ["decyl-glucoside"]  # only these bear it; all but tap water if it is left out

# [[freight]]                  # ... or everything that is made (the batches of --plan share it)
# what = "delivery of bottles"
# amount = 15.0
# per_order = true

[overhead]
per_batch = 5.0                # energy, rent, tests, insurance

[sale]                         # one of these three
margin_percent = 50            # part of the price without VAT: price = cost / (1 - margin)
# markup_percent = 100         # on the cost: price = cost x (1 + mark-up)
# price = 7.50                 # with VAT, per bottle; margin and mark-up are what comes out
vat_percent = 0                # ask what applies where you sell
"""


def lay(folder: Path) -> list[Path]:
    """Write the files of a first working folder.

    Raises:
        DataError: If one of them exists already; then nothing is written.
    """
    texts = {"shelf.csv": SHELF, "materials.toml": MATERIALS, "first-brief.toml": BRIEF, "costs.toml": COSTS}
    files = {folder / name: text for name, text in texts.items()}
    taken = [p for p in files if found_at(p)]
    if taken:
        step = "Choose another folder."
        raise DataError(Problem(str(p), "", "the file exists and would be lost.", step) for p in taken)
    for path, text in files.items():
        write_atomic(path, text)
    return list(files)
