"""Writes docs/records.md from the schema of the store; a test tells if the page is stale.

Run it after a change of the schema: python tests/make_records_page.py
"""

from __future__ import annotations

from pathlib import Path

from optimizer.records.schema import APPLICATION, MEANINGS, STEPS, VERSION
from optimizer.records.store import columns_at

PAGE = Path(__file__).resolve().parent.parent / "docs" / "records.md"

HEAD = f"""# The store of records

Made from the code by `python tests/make_records_page.py`; the tests fail if it is stale.

`tenside records` keeps master formulas, batches, lots, readings, photos, retained samples and tests in one SQLite
file, `records.db` beside the batch files unless `--store FILE` says otherwise. Any SQLite program can read it: the
header holds the application id {APPLICATION} and, as `user_version`, the schema, now {VERSION}.

## What is promised

- **What was acknowledged is on the disk.** Each command is one transaction: it is in the store as a whole or not at
  all, whatever kills it. The store uses a rollback journal with `synchronous = EXTRA` (what FULL does, and the folder
  is synced, too). A write-ahead log would be faster with many writers, but spreads a store over three files, of which
  a copy must catch all, and does not work on shared folders. Here a copy of one file, made while no command runs, is
  a backup; if a file `records.db-journal` lies beside it after a crash, leave it there: the next command needs it.
- **Writers take turns.** Each takes the write lock before it reads what it builds on, and waits up to 15 s for others.
- **A full disk** is told; nothing of that command is kept and what was there is unharmed.
- **Nothing is overwritten.** A batch that is kept again becomes a further revision, a changed master formula a further
  version; readings are only added, and a wrong one is struck out with the reason. The database itself refuses to
  change or remove such rows. Changed limits of a test leave the old ones and the reason in its note.
- **What seals and counts notice**: `tenside records check` tells a row whose figures were changed, and a table from
  which rows were removed or into which another program put some, by a fault of the disk or by somebody's hand.
  They do not notice a row that was kept before schema 3 and changed since, rows that were removed before schema 4, as
  many rows put in as were removed if nothing refers to those, a whole older copy put in place of the store, or what was
  taken from an export before it was imported. Seals are plain SHA-256 without a secret: whoever sets out to deceive can
  make new ones, so they are no proof against that. For proof keep dated copies where nobody can change them.
- **Photos lie in the store**, not as paths: see the table `photo`.
- **A store of an older schema** is brought up to date when it is opened, in one transaction; **a newer one** is
  refused.

## Steps of the schema

"""

STEP_NOTES = (
    "the tables below without `revision.made` and `struck`",
    "`revision.made`, `struck`, an index of results, and triggers that refuse to change or remove rows of `master`, "
    "`dose`, `revision`, `lot`, `photo`, `observation`, `result` and `struck`",
    "`seal` in every table: `tenside records check` tells a row whose figures are not those that were kept; rows of an "
    "older schema have none and are only checked as before",
    "`tally`, which says how many rows (`rows`) each table (`name`) holds, so that the check tells one that was "
    "removed or put in by another program; it is no part of an export and counted anew by an import",
    "A table of digests of the facts that a kept batch was made with.",
)

TAIL = """
## Export and import

`records export FOLDER` writes one CSV per table (UTF-8, one line of headings), photos as files named by their SHA-256
under `photos/`, and `records.json` with the schema and the number of rows. `records export NAME.json` writes the same
as one JSON file, photos in base64. `records import` puts either into a new store, row by row the same; it refuses
what was cut short or is unsound. In the CSV a text that begins with `=`, `+`, `-`, `@`, a tab, a return or an
apostrophe has an apostrophe in front, so that no spreadsheet runs it; import takes it off again. Numbers are
empty where there is none. `records export NAME.csv` writes the trace of lots alone and cannot be put back.
"""


def page() -> str:
    """Return the page."""
    assert len(STEP_NOTES) == len(STEPS)
    steps = "".join(f"{number}. {note}\n" for number, note in enumerate(STEP_NOTES, 1))
    tables = []
    for name, columns in columns_at(VERSION).items():
        purpose, meanings = MEANINGS[name]
        rows = "\n".join(f"| {c} | {kind} | {meanings[c]} |" for c, (kind, _) in columns.items())
        tables.append(f"## `{name}`\n\n{purpose}\n\n| column | type | meaning |\n| --- | --- | --- |\n{rows}\n")
    return HEAD + steps + "\n" + "\n".join(tables) + TAIL


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
