"""The tables of the store, step by step as they came to be, and what every column means.

Steps are never changed once released; a new schema is a further step. `docs/records.md` is made from here.
"""

from __future__ import annotations

APPLICATION = 0x54454E53
"""Mark in the file's header by which a store is told from other databases."""

FIRST = (
    """CREATE TABLE master (
        id INTEGER PRIMARY KEY, name TEXT NOT NULL CHECK (name <> ''), version INTEGER NOT NULL CHECK (version > 0),
        on_date TEXT NOT NULL, why TEXT NOT NULL, brief TEXT NOT NULL, currency TEXT NOT NULL,
        cost_per_kg REAL, active_percent REAL, anionic_percent REAL, amphoteric_percent REAL, nonionic_percent REAL,
        cationic_percent REAL, ph_low REAL, ph_target REAL, ph_high REAL, held_back_percent REAL NOT NULL,
        UNIQUE (name, version))""",
    """CREATE TABLE dose (
        master_id INTEGER NOT NULL REFERENCES master (id), material TEXT NOT NULL,
        percent REAL NOT NULL CHECK (percent BETWEEN 0 AND 100), PRIMARY KEY (master_id, material))""",
    "CREATE TABLE batch (id INTEGER PRIMARY KEY, number TEXT NOT NULL UNIQUE CHECK (number <> ''))",
    """CREATE TABLE revision (
        id INTEGER PRIMARY KEY, batch_id INTEGER NOT NULL REFERENCES batch (id),
        revision INTEGER NOT NULL CHECK (revision > 0), on_date TEXT NOT NULL, file TEXT NOT NULL, text TEXT NOT NULL,
        sha256 TEXT NOT NULL, product TEXT NOT NULL, brief TEXT NOT NULL, master TEXT NOT NULL,
        planned_on TEXT NOT NULL, made_on TEXT NOT NULL, size_g REAL NOT NULL, mass_g REAL, bottles INTEGER,
        UNIQUE (batch_id, revision))""",
    """CREATE TABLE lot (
        revision_id INTEGER NOT NULL REFERENCES revision (id), position INTEGER NOT NULL, material TEXT NOT NULL,
        lot TEXT NOT NULL, supplier TEXT NOT NULL, grams REAL NOT NULL CHECK (grams >= 0),
        stage TEXT NOT NULL CHECK (stage IN ('weighed', 'adjustment', 'thickening')), on_date TEXT NOT NULL,
        PRIMARY KEY (revision_id, position))""",
    "CREATE INDEX lot_by_lot ON lot (lot)",
    "CREATE TABLE photo (id INTEGER PRIMARY KEY, sha256 TEXT NOT NULL UNIQUE, bytes BLOB NOT NULL)",
    """CREATE TABLE observation (
        id INTEGER PRIMARY KEY, batch_id INTEGER NOT NULL REFERENCES batch (id),
        revision_id INTEGER REFERENCES revision (id), what TEXT NOT NULL CHECK (what <> ''), value REAL,
        unit TEXT NOT NULL, text TEXT NOT NULL, temperature_c REAL, photo TEXT NOT NULL,
        photo_id INTEGER REFERENCES photo (id), on_date TEXT NOT NULL)""",
    "CREATE INDEX observation_by_batch ON observation (batch_id)",
    """CREATE TABLE sample (
        id INTEGER PRIMARY KEY, batch_id INTEGER NOT NULL REFERENCES batch (id), on_date TEXT NOT NULL,
        place TEXT NOT NULL CHECK (place <> ''), until TEXT NOT NULL, amount_g REAL, note TEXT NOT NULL)""",
    "CREATE INDEX sample_by_batch ON sample (batch_id)",
    """CREATE TABLE test (
        id INTEGER PRIMARY KEY, batch_id INTEGER NOT NULL REFERENCES batch (id), name TEXT NOT NULL CHECK (name <> ''),
        what TEXT NOT NULL, place TEXT NOT NULL, unit TEXT NOT NULL, low REAL, high REAL, from_date TEXT NOT NULL,
        basis TEXT NOT NULL, note TEXT NOT NULL, UNIQUE (batch_id, name))""",
    """CREATE TABLE due (
        test_id INTEGER NOT NULL REFERENCES test (id), on_date TEXT NOT NULL, PRIMARY KEY (test_id, on_date))""",
    """CREATE TABLE result (
        id INTEGER PRIMARY KEY, test_id INTEGER NOT NULL REFERENCES test (id), on_date TEXT NOT NULL, value REAL,
        passed INTEGER CHECK (passed IN (0, 1)), text TEXT NOT NULL)""",
)
SECOND = (
    "ALTER TABLE revision ADD COLUMN made TEXT NOT NULL DEFAULT ''",
    """CREATE TABLE struck (
        result_id INTEGER NOT NULL PRIMARY KEY REFERENCES result (id), on_date TEXT NOT NULL,
        why TEXT NOT NULL CHECK (why <> ''))""",
    "CREATE INDEX result_by_test ON result (test_id)",
    *(
        f"CREATE TRIGGER {table}_{verb.lower()} BEFORE {verb} ON {table} "
        f"BEGIN SELECT RAISE (ABORT, 'rows of {table} are only added'); END"
        for table in ("master", "dose", "revision", "lot", "photo", "observation", "result", "struck")
        for verb in ("UPDATE", "DELETE")
    ),
)
SEALED = (
    "master", "dose", "batch", "revision", "lot", "photo", "observation", "sample", "test", "due", "result", "struck",
)  # fmt: skip
THIRD = tuple(
    f"ALTER TABLE {table} ADD COLUMN seal TEXT NOT NULL DEFAULT '' "
    "CHECK (typeof(seal) = 'text' AND length(seal) IN (0, 64))"
    for table in SEALED
)
TALLY = "tally"
"""Table that says how many rows each other one holds; it is counted anew by an import, so no export has it."""
FOURTH = (
    f"CREATE TABLE {TALLY} (name TEXT NOT NULL PRIMARY KEY, rows INTEGER NOT NULL CHECK (rows >= 0))",
    *(f"INSERT INTO {TALLY} SELECT '{table}', count(*) FROM {table}" for table in SEALED),
)
FIFTH = (
    """CREATE TABLE fact (
        revision_id INTEGER NOT NULL REFERENCES revision (id), material TEXT NOT NULL CHECK (material <> ''),
        digest TEXT NOT NULL, seal TEXT NOT NULL DEFAULT ''
        CHECK (typeof(seal) = 'text' AND length(seal) IN (0, 64)), PRIMARY KEY (revision_id, material))""",
    *(
        f"CREATE TRIGGER fact_{verb.lower()} BEFORE {verb} ON fact "
        "BEGIN SELECT RAISE (ABORT, 'rows of fact are only added'); END"
        for verb in ("UPDATE", "DELETE")
    ),
    f"INSERT INTO {TALLY} VALUES ('fact', 0)",
)
STEPS = (FIRST, SECOND, THIRD, FOURTH, FIFTH)
"""What turns a store of schema k into one of schema k + 1, for k = 0, 1, ..."""

VERSION = len(STEPS)

SEAL_MEANING = "SHA-256 of the row's other columns, by which the check finds changed figures; empty before schema 3"

MEANINGS: dict[str, tuple[str, dict[str, str]]] = {
    "master": (
        "A version of a master formula. Versions are never changed; a change is a new version.",
        {
            "id": "number of the row",
            "name": "name of the master formula",
            "version": "1, 2, 3 ... within the name",
            "on_date": "when it was kept (ISO 8601)",
            "why": "what changed and why, in the maker's words",
            "brief": "scenario it was held against",
            "currency": "currency of the cost",
            "cost_per_kg": "materials of one kg of product; empty if a price is missing",
            "active_percent": "surfactant active matter [% of the product]",
            "anionic_percent": "share of the active matter [%]",
            "amphoteric_percent": "share of the active matter [%]",
            "nonionic_percent": "share of the active matter [%]",
            "cationic_percent": "share of the active matter [%]",
            "ph_low": "lower end of the pH window that its materials and the brief share",
            "ph_target": "target pH",
            "ph_high": "upper end of that window",
            "held_back_percent": "part kept free for acid and thickener [%]",
        },
    ),
    "dose": (
        "The doses of a version; with the part held back they sum to 100.",
        {"master_id": "the version", "material": "library id", "percent": "as supplied [% w/w]"},
    ),
    "batch": ("A batch number.", {"id": "number of the row", "number": "as it stands on the bottles"}),
    "revision": (
        "A batch file as it was when it was kept. The highest revision holds; older ones stay.",
        {
            "id": "number of the row",
            "batch_id": "the batch",
            "revision": "1, 2, 3 ... within the batch",
            "on_date": "when it was kept (ISO 8601)",
            "file": "name of the file",
            "text": "the whole file, character by character",
            "sha256": "of that text as UTF-8",
            "product": "as in the file",
            "brief": "as in the file",
            "master": "as in the file",
            "planned_on": "as in the file",
            "made_on": "when it was finished, else last weighed; empty if nobody noted it",
            "size_g": "planned mass [g]",
            "mass_g": "mass before filling [g]",
            "bottles": "bottles filled",
            "made": "the formula as made, JSON; empty if it was not worked out",
        },
    ),
    "lot": (
        "What went into a batch, and of which lot, as its revision says.",
        {
            "revision_id": "the revision",
            "position": "0, 1, 2 ... in the order of the file",
            "material": "library id, or the chemical's name if the file has no id",
            "lot": "lot as written; empty if nobody noted it",
            "supplier": "from the line of the shelf that holds this lot; empty if none does",
            "grams": "as supplied [g]; of an acid or alkali the pure chemical in its stated form",
            "stage": "weighed, adjustment (pH) or thickening",
            "on_date": "when",
        },
    ),
    "fact": (
        "What the library said of a material when a revision was kept, as a digest.",
        {
            "revision_id": "the revision",
            "material": "library id",
            "digest": "first 16 hex digits of the SHA-256 of its facts; a later report tells what differs by then",
        },
    ),
    "photo": (
        "Photos. The bytes lie in the store, so that a record and its photo are kept together or not at all, one "
        "file is the whole backup, and no tidied folder can lose one; the same photo is kept once.",
        {"id": "number of the row", "sha256": "of the bytes", "bytes": "the file, at most 10 MB"},
    ),
    "observation": (
        "Readings of the product: foam, feel, clarity, viscosity, odour, colour, pH ...",
        {
            "id": "number of the row",
            "batch_id": "the batch",
            "revision_id": "the revision whose file holds it; empty for a note made straight into the store",
            "what": "what was read",
            "value": "the figure",
            "unit": "its unit; 'judged' for a rating by eye, hand or nose",
            "text": "in words",
            "temperature_c": "of the product [°C]",
            "photo": "name of the photo's file",
            "photo_id": "the photo",
            "on_date": "when (ISO 8601, perhaps with the time)",
        },
    ),
    "sample": (
        "Retained samples.",
        {
            "id": "number of the row",
            "batch_id": "the batch",
            "on_date": "when it was put away",
            "place": "where",
            "until": "kept until",
            "amount_g": "how much [g]",
            "note": "a remark",
        },
    ),
    "test": (
        "A series of readings that a batch is to have under one condition.",
        {
            "id": "number of the row",
            "batch_id": "the batch",
            "name": "short name, such as ph-45c",
            "what": "what is read",
            "place": "condition",
            "unit": "unit of the readings",
            "low": "lower limit, in that unit",
            "high": "upper limit",
            "from_date": "day 0",
            "basis": "who asks for it: a source, or common practice",
            "note": "how it is done; every later change of a limit with its date and reason",
        },
    ),
    "due": ("Days on which a test is to be read.", {"test_id": "the test", "on_date": "the day (ISO 8601)"}),
    "result": (
        "Readings of tests. They are added, never changed.",
        {
            "id": "number of the row",
            "test_id": "the test",
            "on_date": "when (ISO 8601, perhaps with the time)",
            "value": "the figure, in the test's unit",
            "passed": "1 passed, 0 failed, as judged by whoever read it; empty if nobody judged",
            "text": "in words",
        },
    ),
    "struck": (
        "Readings that do not count, such as a slip of the pen; the reading stays.",
        {"result_id": "the reading", "on_date": "when it was struck out", "why": "why"},
    ),
}
"""What a table holds, and what its columns mean, in the order in which rows can be put back."""

for _, _columns in MEANINGS.values():
    _columns["seal"] = SEAL_MEANING
