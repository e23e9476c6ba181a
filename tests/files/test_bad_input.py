"""Files and command lines that cannot be used: every whole text, its exit code, and that nothing is left behind.

`{folder}` stands for the folder of the case. Each case runs twice, plain and with --json.
"""

from __future__ import annotations

import json
import sys
import zipfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from optimizer import cli
from optimizer.errors import DataError
from tests.support.hostile import ask
from tests.support.own_library import surfactant_entry, water_entry

MADE_UP = '["own", "common practice"]'
OWN = "\n".join(
    (
        """\
[sources]
own = "Made up for this test."

[caution]
dust = "Do not breathe the dust."

[rank_order.declared]
rates = "mildness"
order = "Declared."
map = "Declared."
source = "own"
confidence = "common practice"
""",
        water_entry(MADE_UP),
        surfactant_entry(
            "plain-anionic",
            "Plain anionic",
            "anionic",
            "Anionic",
            [28, 30, 32],
            'charge = "anionic", family = "made-up"',
            MADE_UP,
            'ratings.mildness = { low = 30, typical = 40, high = 50, basis = "declared" }\n',
        ),
        surfactant_entry(
            "plain-betaine", "Plain betaine", "cosurfactant", "Betaine", [29, 30, 31], 'charge = "amphoteric"', MADE_UP
        ),
    )
)

BRIEF = """\
name = "Small wash"
only_own_library = true
library = ["own.toml"]
shelf = "shelf.csv"

[[rule]]
id = "active"
kind = "active"
at_least = 6
"""

SHELF = """\
material,price per kg,currency
plain-anionic,2,EUR
plain-betaine,3,EUR
"""

BLEND = ("blend", "{folder}/brief.toml")
CHECK = ("library", "check", "--library", "{folder}/own.toml")
Content = str | bytes | Callable[[Path], None] | None


@dataclass(frozen=True)
class Case:
    """What is changed in a small folder that blends, and the problems that are told."""

    problems: tuple[str, ...]
    brief: Content = BRIEF
    own: Content = OWN
    shelf: Content = SHELF
    files: Mapping[str, Content] = field(default_factory=dict)
    args: tuple[str, ...] = BLEND

    @property
    def text(self) -> str:
        """The whole text on stderr."""
        count = len(self.problems)
        head = "tenside: this cannot be used as it is:" if count == 1 else f"tenside: {count} things stand in the way:"
        return "\n".join([head, *(f"  {p}" for p in self.problems)]) + "\n"


def put(path: Path, content: Content) -> None:
    """Write a file from text or bytes, or let a function make it."""
    if callable(content):
        content(path)
    elif isinstance(content, bytes):
        path.write_bytes(content)
    elif content is not None:
        path.write_text(content, encoding="utf-8")


def make_folder(path: Path) -> None:
    path.mkdir()


def zip_bomb(path: Path) -> None:
    """Sixty million zeros, packed into a few kilobytes."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as package:
        package.writestr("xl/worksheets/sheet1.xml", b"0" * 60_000_000)


def in_brief(toml: str) -> str:
    return f"{BRIEF}{toml}"


def rule(toml: str) -> str:
    return f"{BRIEF}\n[[rule]]\n{toml}"


def second(text: str, start: str = "[[material]]") -> str:
    """Return the second table of a kind, with its heading."""
    return start + text.split(start)[2]


WHERE = "{folder}/brief.toml"
LIBRARY = "{folder}/own.toml"
ROWS = "{folder}/shelf.csv"
KINDS = (
    "Known: active, clear, cost, count, dose, excludes, free-monomer, if-used, load, mixed-cmc, natural, needs "
    "and 11 more."
)
ALL = "Known: aqua, plain-anionic, plain-betaine."
MEND = "Correct the value."
CELL = "Correct the value or leave the cell empty."
LEAVES = "leaves the folder of the scenario, which a file that is passed around must not. Move the file beside the"
LEAVES += " scenario, or name it on the command line."
GONE = "there is no such file. Check the name; shipped briefs are found by name alone, such as 'hand-wash'."
LOST_LIBRARY = "there is no file 'none.toml' beside it. Did you mean 'own.toml'?"
LOST_SHELF = "there is no file 'none.csv' beside it. Known: shelf.csv."
FAT = "the file has 10.0 MB, more than the 5 MB that are read. Is it the right file? Otherwise split it."
EMPTY = "the file is empty. Run 'tenside start FOLDER' for commented examples."
FOLDER = "this is a folder, a file was expected. Name a file in it."
TABLES = "rules are written as [[rule]] tables. Write [[rule]] above each."
NOT_A_NUMBER = "cannot be used here: a number is expected. Write digits only, such as 12.5."

FILES = {
    "empty scenario": Case((f"{WHERE}: {EMPTY}",), brief=""),
    "blank scenario": Case((f"{WHERE}: {EMPTY}",), brief="\n \n"),
    "empty library": Case((f"{LIBRARY}: {EMPTY}",), own=""),
    "empty shelf": Case(
        (f"{ROWS}: the table is empty. Give it a line of headings and one line per material.",), shelf=""
    ),
    "only a comment": Case((f"{WHERE}, name: this key is missing. Add it.",), brief="# nothing yet\n"),
    "missing scenario": Case((f"{{folder}}/none.toml: {GONE}",), args=("blend", "{folder}/none.toml")),
    "missing library": Case((f"{WHERE}, library: {LOST_LIBRARY}",), brief=BRIEF.replace("own.toml", "none.toml")),
    "missing shelf": Case((f"{WHERE}, shelf: {LOST_SHELF}",), brief=BRIEF.replace("shelf.csv", "none.csv")),
    "missing base": Case((f"{WHERE}, extends: {LOST_LIBRARY}",), brief=f'extends = "none.toml"\n{BRIEF}'),
    "missing library and shelf": Case(
        (f"{WHERE}, library: {LOST_LIBRARY}", f"{WHERE}, shelf: {LOST_SHELF}"),
        brief=BRIEF.replace("own.toml", "none.toml").replace("shelf.csv", "none.csv"),
    ),
    "missing shelf on the command line": Case(
        (f"{{folder}}/none.csv: {GONE}",), args=(*BLEND, "--shelf", "{folder}/none.csv")
    ),
    "missing library on the command line": Case(
        (f"{{folder}}/none.toml: {GONE}",), args=(*BLEND, "--library", "{folder}/none.toml")
    ),
    "unknown shipped scenario": Case(
        ("hand-wsh: there is no such file and no shipped scenario of that name. Did you mean 'hand-wash'?",),
        args=("blend", "hand-wsh"),
    ),
    "folder as scenario": Case(
        (f"{{folder}}/d.toml: {FOLDER}",), files={"d.toml": make_folder}, args=("blend", "{folder}/d.toml")
    ),
    "folder as shelf": Case(
        (f"{{folder}}/d.csv: {FOLDER}",), files={"d.csv": make_folder}, brief=BRIEF.replace("shelf.csv", "d.csv")
    ),
    "ten megabytes of scenario": Case((f"{WHERE}: {FAT}",), brief="#" * 10_000_000),
    "ten megabytes of library": Case((f"{LIBRARY}: {FAT}",), own="#" * 10_000_000),
    "ten megabytes of shelf": Case((f"{ROWS}: {FAT}",), shelf="#" * 10_000_000),
    "twenty thousand rows and one": Case(
        (f"{ROWS}: more than 20000 rows. Split the file.",),
        shelf="material,price per kg\n" + "plain-anionic,3\n" * 20_001,
    ),
    "scenario in another encoding": Case(
        (f"{WHERE}: byte 11 is not UTF-8 text. Save the file again as UTF-8.",), brief=b'name = "caf\xe9"\n'
    ),
    "library in another encoding": Case(
        (f"{LIBRARY}: byte 5 is not UTF-8 text. Save the file again as UTF-8.",), own=b"# caf\xe9\n"
    ),
    "shelf in another encoding": Case(
        (f"{ROWS}: byte 25 is not UTF-8 text. Save the file again as UTF-8.",),
        shelf=b"material,price per kg\ncaf\xe9,3\n",
    ),
    "no quotes": Case(
        (f"{WHERE}: this is not valid TOML: Invalid value (at line 1, column 8). Correct that line.",),
        brief="name = Small wash\n",
    ),
    "open bracket": Case(
        (
            f"{LIBRARY}: this is not valid TOML: Expected ']]' at the end of an array declaration (at line 1, "
            "column 11). Correct that line.",
        ),
        own='[[material]\nid = "x"\n',
    ),
    "a key twice": Case(
        (f"{WHERE}: this is not valid TOML: Cannot overwrite a value (at line 2, column 20). Correct that line.",),
        brief=f'name = "Other"\n{BRIEF}',
    ),
    "five thousand brackets": Case(
        (f"{WHERE}: the file is nested too deeply. Flatten it.",), brief="a = " + "[" * 5000 + "]" * 5000
    ),
    "extends itself": Case(
        (f"{WHERE}, extends: the files extend one another in a circle (brief.toml -> brief.toml). Break the circle.",),
        brief=f'extends = "brief.toml"\n{BRIEF}',
    ),
    "extends in a circle": Case(
        (
            f"{WHERE}, extends: the files extend one another in a circle (brief.toml -> base.toml -> brief.toml). "
            "Break the circle.",
        ),
        brief=f'extends = "base.toml"\n{BRIEF}',
        files={"base.toml": 'extends = "brief.toml"\n'},
    ),
    "extends too many": Case(
        ("{folder}/c13.toml, extends: more than 12 files extend one another. Merge some.",),
        brief='extends = "c1.toml"\n',
        files={f"c{k}.toml": f'extends = "c{k + 1}.toml"\n' for k in range(1, 15)},
    ),
    "shelf above the folder": Case(
        (f"{WHERE}, shelf: '../../etc/passwd' {LEAVES}",), brief=BRIEF.replace("shelf.csv", "../../etc/passwd")
    ),
    "shelf by its absolute path": Case(
        (f"{WHERE}, shelf: '/etc/passwd' {LEAVES}",), brief=BRIEF.replace("shelf.csv", "/etc/passwd")
    ),
    "shelf through a link": Case(
        (f"{WHERE}, shelf: 'link.csv' {LEAVES}",),
        brief=BRIEF.replace("shelf.csv", "link.csv"),
        files={"link.csv": lambda path: path.symlink_to("/etc/passwd")},
    ),
    "shelf by what-if": Case((f"{WHERE}, shelf: '/etc/passwd' {LEAVES}",), args=(*BLEND, "--set", "shelf=/etc/passwd")),
    "library above the folder": Case(
        (f"{WHERE}, library: '../own.toml' {LEAVES}",), brief=BRIEF.replace("own.toml", "../own.toml")
    ),
    "base above the folder": Case(
        (f"{WHERE}, extends: '../base.toml' {LEAVES}",), brief=f'extends = "../base.toml"\n{BRIEF}'
    ),
}

SCENARIO = {
    "name missing": Case(
        (f"{WHERE}, name: this key is missing. Add it.",), brief=BRIEF.replace('name = "Small wash"', "")
    ),
    "name a number": Case(
        (f"{WHERE}, name: 5 cannot be used here: a text is expected. Write it in quotes.",),
        brief=BRIEF.replace('"Small wash"', "5"),
    ),
    "unknown key": Case(
        (f"{WHERE}, curency: this key is not known. Did you mean 'currency'?",), brief=f'curency = "EUR"\n{BRIEF}'
    ),
    "unknown key of [ph]": Case(
        (f"{WHERE}, ph.tolerence: this key is not known. Did you mean 'tolerance'?",),
        brief=in_brief("[ph]\ntolerence = 0.2\n"),
    ),
    "unknown key of [pool]": Case(
        (f"{WHERE}, pool.function: this key is not known. Did you mean 'functions'?",),
        brief=in_brief('[pool]\nfunction = ["surfactant"]\n'),
    ),
    "unknown use": Case(
        (f"{WHERE}, use: 'rinse' cannot be used here: write 'rinse-off' or 'leave-on'. {MEND}",),
        brief=f'use = "rinse"\n{BRIEF}',
    ),
    "negative batch": Case(
        (f"{WHERE}, batch_kg: -1 cannot be used here: it must be above 0. {MEND}",),
        brief=f"batch_kg = -1\n{BRIEF}",
    ),
    "scale without a step": Case(
        (f"{WHERE}, scale_step: 0 cannot be used here: it must be above 0. {MEND}",),
        brief=f"scale_step = 0\n{BRIEF}",
    ),
    "ph nan": Case(
        (f"{WHERE}, ph.low: nan cannot be used here: a finite number is expected. {MEND}",),
        brief=in_brief("[ph]\nlow = nan\n"),
    ),
    "ph above 14": Case(
        (f"{WHERE}, ph.high: 15 cannot be used here: it must not be above 14. {MEND}",),
        brief=in_brief("[ph]\nhigh = 15\n"),
    ),
    "ph range narrower than its tolerance": Case(
        (f"{WHERE}, ph: the pH range 5 to 5.3 leaves no room for a tolerance of 0.2 on both sides. {MEND}",),
        brief=in_brief("[ph]\nlow = 5\nhigh = 5.3\n"),
    ),
    "negative fixed dose": Case(
        (f"{WHERE}, fixed.plain-anionic: -1 cannot be used here: it must not be below 0. {MEND}",),
        brief=in_brief("[fixed]\nplain-anionic = -1\n"),
    ),
    "fixed dose as text": Case(
        (f"{WHERE}, fixed.plain-anionic: '5 %' {NOT_A_NUMBER}",),
        brief=in_brief('[fixed]\nplain-anionic = "5 %"\n'),
    ),
    "one fixed dose above 100": Case(
        (f"{WHERE}, fixed.plain-anionic: 170 cannot be used here: it must not be above 100. {MEND}",),
        brief=in_brief("[fixed]\nplain-anionic = 170\n"),
    ),
    "fixed doses above 100": Case(
        (f"{WHERE}, fixed: fixed doses and the part held back sum to 110 %, more than 100. Lower one of them.",),
        brief=in_brief("[fixed]\nplain-anionic = 70\nplain-betaine = 40\n"),
    ),
    "fixed dose and held back above 100": Case(
        (f"{WHERE}, fixed: fixed doses and the part held back sum to 102 %, more than 100. Lower one of them.",),
        brief=in_brief("[fixed]\nplain-anionic = 98\n[held_back]\npercent = 4\n"),
    ),
    "fixed dose of nothing known": Case(
        (f"{WHERE}, fixed: there is no 'plain-anionik'. Did you mean 'plain-anionic'?",),
        brief=in_brief("[fixed]\nplain-anionik = 9\n"),
    ),
    "fixed dose without a price": Case(
        (f"{WHERE}, fixed.plain-betaine: the shelf has no price for it. Add it to the shelf.",),
        brief=in_brief("[fixed]\nplain-betaine = 9\n"),
        shelf="material,price per kg\nplain-anionic,2\n",
    ),
    "held back above 100": Case(
        (f"{WHERE}, held_back.percent: 120 cannot be used here: it must not be above 100. {MEND}",),
        brief=in_brief("[held_back]\npercent = 120\n"),
    ),
    "unknown acid": Case(
        (f"{WHERE}, held_back.acids: there is no 'citric'. {ALL}",),
        brief=in_brief('[held_back]\npercent = 2\nacids = ["citric"]\n'),
    ),
    "unknown function of the pool": Case(
        (f"{WHERE}, pool.functions: there is no 'surfactent'. Did you mean 'surfactant'?",),
        brief=in_brief('[pool]\nfunctions = ["surfactent"]\n'),
    ),
    "unknown family of the pool": Case(
        (f"{WHERE}, pool.without_families: there is no 'maid-up'. Did you mean 'made-up'?",),
        brief=in_brief('[pool]\nwithout_families = ["maid-up"]\n'),
    ),
    "unknown material of the pool": Case(
        (f"{WHERE}, pool.without: there is no 'plain-anionik'. Did you mean 'plain-anionic'?",),
        brief=in_brief('[pool]\nwithout = ["plain-anionik"]\n'),
    ),
    "unknown substance of the pool": Case(
        (f"{WHERE}, pool.inci: there is no 'Betain'. Did you mean 'Betaine'?",),
        brief=in_brief('[pool]\ninci = ["Betain"]\n'),
    ),
    "no candidate": Case(
        (
            f"{WHERE}, pool: no candidate is left: nothing priced is in the pool. Widen [pool], or add what it names "
            "to the shelf.",
        ),
        brief=in_brief('[pool]\nmaterials = ["plain-anionic"]\n'),
        own=OWN.replace('id = "aqua"', 'id = "water"'),
        shelf="material,price per kg\nplain-betaine,3\n",
    ),
    "objective both ways": Case(
        (f"{WHERE}, objective: give either 'minimise' or 'maximise'. {MEND}",),
        brief=in_brief('[objective]\nminimise = "cost"\nmaximise = "active"\n'),
    ),
    "unknown objective": Case(
        (f"{WHERE}, objective: there is no 'costs'. Did you mean 'cost'?",),
        brief=in_brief('[objective]\nminimise = "costs"\n'),
    ),
    "unknown tie-break": Case(
        (f"{WHERE}, objective: there is no 'mildnes'. Did you mean 'mildness'?",),
        brief=in_brief('[objective]\nthen = ["maximise mildnes"]\n'),
    ),
    "dropped rule that is not there": Case(
        (f"{WHERE}, without_rules: there is no 'activ'. Did you mean 'active'?",),
        brief='extends = "base.toml"\nwithout_rules = ["activ"]\n',
        files={"base.toml": BRIEF},
    ),
}

RULES = {
    "rule a number": Case((f"{WHERE}, rule: {TABLES}",), brief='name = "x"\nrule = 5\n'),
    "rule a single table": Case((f"{WHERE}, rule: {TABLES}",), brief='name = "x"\n[rule]\nkind = "active"\n'),
    "rules as numbers": Case((f"{WHERE}, rule: {TABLES}",), brief='name = "x"\nrule = [5]\n'),
    "unknown kind": Case(
        (f"{WHERE}, rule.activ.kind: there is no kind of rule 'activ'. Did you mean 'active'?",),
        brief=rule('kind = "activ"\n'),
    ),
    "kind far from any": Case(
        (f"{WHERE}, rule.total.kind: there is no kind of rule 'total'. {KINDS}",), brief=rule('kind = "total"\n')
    ),
    "kind missing": Case(
        (f"{WHERE}, rule 2.kind: this key is missing. {KINDS}",), brief=rule('id = "foam"\nat_least = 5\n')
    ),
    "id twice": Case(
        (f"{WHERE}, rule.active: two rules have this id. Give one of them another id.",),
        brief=rule('id = "active"\nkind = "active"\nat_most = 20\n'),
    ),
    "unknown key": Case(
        (f"{WHERE}, rule.active.at_leest: this key is not known. Did you mean 'at_least'?",),
        brief=in_brief("at_leest = 3\n"),
    ),
    "unknown key of a group": Case(
        (f"{WHERE}, rule.dose-anionic.of.charge: this key is not known. Did you mean 'charges'?",),
        brief=rule('kind = "dose"\nof = { charge = ["anionic"] }\nat_most = 3\n'),
    ),
    "lower limit above the upper": Case(
        (f"{WHERE}, rule.active: at_least 6 is above at_most 5. {MEND}",), brief=in_brief("at_most = 5\n")
    ),
    "exactly and a limit": Case(
        (f"{WHERE}, rule.active: give either 'exactly' or 'at_least' and 'at_most'. {MEND}",),
        brief=in_brief("exactly = 5\n"),
    ),
    "limit nan": Case(
        (f"{WHERE}, rule.active.at_least: nan cannot be used here: a finite number is expected. {MEND}",),
        brief=BRIEF.replace("at_least = 6", "at_least = nan"),
    ),
    "limit infinite": Case(
        (f"{WHERE}, rule.active.at_most: inf cannot be used here: a finite number is expected. {MEND}",),
        brief=BRIEF.replace("at_least = 6", "at_most = inf"),
    ),
    "limit negative": Case(
        (f"{WHERE}, rule.active: the limit -6 % is outside 0 to 100. {MEND}",),
        brief=BRIEF.replace("at_least = 6", "at_least = -6"),
    ),
    "limit above 100": Case(
        (f"{WHERE}, rule.active: the limit 120 % is outside 0 to 100. {MEND}",),
        brief=BRIEF.replace("at_least = 6", "at_least = 120"),
    ),
    "group missing": Case(
        (f"{WHERE}, rule.dose.of: this key is missing. Add it.",), brief=rule('kind = "dose"\nat_least = 5\n')
    ),
    "rating missing": Case(
        (f"{WHERE}, rule.rating.rating: this key is missing. Add it.",), brief=rule('kind = "rating"\nat_least = 5\n')
    ),
    "unknown rating": Case(
        (
            f"{WHERE}, rule.mildnes.rating: 'mildnes' cannot be used here: write 'mildness', 'flash_foam' or "
            f"'foam_density'. {MEND}",
        ),
        brief=rule('kind = "rating"\nrating = "mildnes"\n'),
    ),
    "unknown function": Case(
        (f"{WHERE}, rule.dose-surfactent.of: there is no 'surfactent'. Did you mean 'surfactant'?",),
        brief=rule('kind = "dose"\nof = { functions = ["surfactent"] }\n'),
    ),
    "unknown family": Case(
        (f"{WHERE}, rule.dose-maid-up.of: there is no 'maid-up'. Did you mean 'made-up'?",),
        brief=rule('kind = "dose"\nof = { families = ["maid-up"] }\n'),
    ),
    "unknown substance": Case(
        (f"{WHERE}, rule.dose-betain.of: there is no 'Betain'. Did you mean 'Betaine'?",),
        brief=rule('kind = "dose"\nof = { inci = ["Betain"] }\n'),
    ),
    "unknown charge": Case(
        (
            f"{WHERE}, rule.dose-ionic.of.charges.0: 'ionic' cannot be used here: write 'anionic', "
            f"'amphoteric', 'nonionic' or 'cationic'. {MEND}",
        ),
        brief=rule('kind = "dose"\nof = { charges = ["ionic"] }\n'),
    ),
    "unknown material": Case(
        (f"{WHERE}, rule.dose-plain-anionik.of: there is no 'plain-anionik'. Did you mean 'plain-anionic'?",),
        brief=rule('kind = "dose"\nof = ["plain-anionik"]\n'),
    ),
    "unknown material left out": Case(
        (f"{WHERE}, rule.most.of: there is no 'soap'. {ALL}",),
        brief=rule('id = "most"\nkind = "dose"\nof = { functions = ["surfactant"], but_not = ["soap"] }\n'),
    ),
}

WHAT_IFS = {
    "unknown rule": Case(
        ("--set, activ.at_least: there is no rule or table of that name. Did you mean 'active'?",),
        args=(*BLEND, "--set", "activ.at_least=5"),
    ),
    "unknown key": Case(
        ("--set, active.at_leest: this key is not known. Did you mean 'at_least'?",),
        args=(*BLEND, "--set", "active.at_leest=5"),
    ),
    "a word": Case(
        (f"--set, active.at_least: 'lots' {NOT_A_NUMBER}",),
        args=(*BLEND, "--set", "active.at_least=lots"),
    ),
    "nothing": Case((f"--set, active.at_least: '' {NOT_A_NUMBER}",), args=(*BLEND, "--set", "active.at_least=")),
    "nan": Case(
        (f"--set, active.at_least: nan cannot be used here: a finite number is expected. {MEND}",),
        args=(*BLEND, "--set", "active.at_least=nan"),
    ),
    "unknown measure": Case(
        (f"{WHERE}, objective: there is no 'costs'. Did you mean 'cost'?",),
        args=(*BLEND, "--objective", "minimise costs"),
    ),
}

SHELVES = {
    "currency of another country": Case(
        (f"{ROWS}, currency: the price in row 3 is in USD, the brief is in EUR. Convert them; no rate is assumed.",),
        shelf=SHELF.replace("3,EUR", "3,USD"),
    ),
    "unknown material": Case(
        (f"{ROWS}, row 4, column 'material': 'plain-anionik' is not in the library. Did you mean 'plain-anionic'?",),
        shelf=f"{SHELF}plain-anionik,2,EUR\n",
    ),
    "a name of two materials": Case(
        (f"{ROWS}, row 4, column 'material': 'Twin' could be plain-anionic or plain-betaine. Write the id.",),
        shelf=f"{SHELF}Twin,2,EUR\n",
        own=OWN.replace('"Plain anionic"', '"Twin"').replace('"Plain betaine"', '"Twin"'),
    ),
    "material left empty": Case(
        (f"{ROWS}, row 4, column 'material': the cell is empty. Fill it in or delete the row.",),
        shelf=f"{SHELF},4,EUR\n",
    ),
    "price negative": Case(
        (f"{ROWS}, row 2, column 'price per kg': -2.0 cannot be used here: it must not be below 0. {CELL}",),
        shelf=SHELF.replace(",2,", ",-2,"),
    ),
    "price nan": Case(
        (f"{ROWS}, row 2, column 'price per kg': 'nan' is not a number. Write digits only, such as 12.50.",),
        shelf=SHELF.replace(",2,", ",nan,"),
    ),
    "price infinite": Case(
        (f"{ROWS}, row 2, column 'price per kg': 'inf' is not a number. Write digits only, such as 12.50.",),
        shelf=SHELF.replace(",2,", ",inf,"),
    ),
    "price beyond any number": Case(
        (
            f"{ROWS}, row 2, column 'price per kg': '1e999' is larger than any figure that is read. "
            "Write digits only, such as 12.50.",
        ),
        shelf=SHELF.replace(",2,", ",1e999,"),
    ),
    "price in words": Case(
        (f"{ROWS}, row 2, column 'price per kg': 'two' is not a number. Write digits only, such as 12.50.",),
        shelf=SHELF.replace(",2,", ",two,"),
    ),
    "pack of nothing": Case(
        (
            f"{ROWS}, row 2, column 'pack price': this is the price of a pack of unknown size. Give the pack size in "
            "kg or g, or a price per kg.",
            f"{ROWS}, row 2, column 'Pack (kg)': 0.0 cannot be used here: it must be above 0. {CELL}",
        ),
        shelf="material,Pack (kg),pack price\nplain-anionic,0,5\n",
    ),
    "stock negative": Case(
        (f"{ROWS}, row 2, column 'Stock': -1.0 cannot be used here: it must not be below 0. {CELL}",),
        shelf="material,price per kg,Stock\nplain-anionic,2,-1\n",
    ),
    "active above 100": Case(
        (f"{ROWS}, row 2, column 'ASM': 120.0 cannot be used here: it must not be above 100. {CELL}",),
        shelf="material,price per kg,ASM\nplain-anionic,2,120\n",
    ),
    "two columns for one field": Case(
        (f"{ROWS}, row 1, column 'cost/kg': a second column for price per kg. Keep one of the two.",),
        shelf="material,price per kg,cost/kg\nplain-anionic,3,4\n",
    ),
    "quotes left open": Case(
        (f"{ROWS}: this is not a readable CSV: unexpected end of data. Save the sheet again as CSV (UTF-8).",),
        shelf='material,price per kg\n"plain-anionic,3\n',
    ),
    "quotes in the middle": Case(
        (f"{ROWS}: this is not a readable CSV: ',' expected after '\"'. Save the sheet again as CSV (UTF-8).",),
        shelf='material,price per kg\n"plain"-anionic,3\n',
    ),
    "a number that reads two ways": Case(
        (
            f"{ROWS}, row 2, column 'price per kg': '1,234' can be read two ways, as a thousands separator or a "
            "decimal comma. Write digits only, such as 12.50.",
        ),
        shelf=SHELF.replace(",2,", ',"1,234",'),
    ),
    "pack price without a pack": Case(
        (
            f"{ROWS}, row 2, column 'pack price': this is the price of a pack of unknown size. Give the pack size in "
            "kg or g, or a price per kg.",
        ),
        shelf="material,pack kg,pack price\nplain-anionic,,50\n",
    ),
    "workbook that is text": Case(
        ("{folder}/shelf.xlsx: this is not a readable workbook. Save the sheet again as XLSX or CSV.",),
        brief=BRIEF.replace("shelf.csv", "shelf.xlsx"),
        files={"shelf.xlsx": "material,price per kg\n"},
    ),
    "workbook of nothing": Case(
        ("{folder}/shelf.xlsx: this is not a readable workbook. Save the sheet again as XLSX or CSV.",),
        brief=BRIEF.replace("shelf.csv", "shelf.xlsx"),
        files={"shelf.xlsx": b""},
    ),
    "workbook that unpacks without end": Case(
        ("{folder}/shelf.xlsx: the workbook unpacks to far more than its size. Save the sheet as CSV.",),
        brief=BRIEF.replace("shelf.csv", "shelf.xlsx"),
        files={"shelf.xlsx": zip_bomb},
    ),
}

BACKING = 'backing = { default = ["own", "common practice"] }'
MATERIALS = {
    "id twice": Case(
        (
            f"{LIBRARY}, plain-anionic: this id is already used in {LIBRARY}. Choose another id, or change single "
            "figures under [override.plain-anionic].",
        ),
        own=OWN + second(OWN),
        args=CHECK,
    ),
    "id in two files": Case(
        (
            f"{{folder}}/more.toml, plain-anionic: this id is already used in {LIBRARY}. Choose another id, or change "
            "single figures under [override.plain-anionic].",
        ),
        files={"more.toml": second(OWN)},
        args=(*CHECK, "--library", "{folder}/more.toml"),
    ),
    "id missing": Case(
        (f"{LIBRARY}, material 2.id: this key is missing. Add it.",),
        own=OWN.replace('id = "plain-anionic"\n', ""),
        args=CHECK,
    ),
    "name of a substance missing": Case(
        (f"{LIBRARY}, plain-anionic.substances.0.inci: this key is missing. Add it.",),
        own=OWN.replace('inci = "Anionic", ', ""),
        args=CHECK,
    ),
    "substances missing": Case(
        (f"{LIBRARY}, aqua.substances: this key is missing. Add it.",),
        own=OWN.replace('substances = [{ inci = "Aqua", role = "water", share = [100, 100, 100] }]\n', ""),
        args=CHECK,
    ),
    "unknown key of the file": Case(
        (f"{LIBRARY}, materials: this key is not known. Did you mean 'material'?",),
        own=f"{OWN}[materials]\na = 1\n",
        args=CHECK,
    ),
    "unknown key of a material": Case(
        (f"{LIBRARY}, plain-anionic.vegen: this key is not known. Did you mean 'vegan'?",),
        own=OWN.replace('phase = "anionic"', 'phase = "anionic"\nvegen = true'),
        args=CHECK,
    ),
    "unknown key of a substance": Case(
        (f"{LIBRARY}, plain-anionic.substances.0.charges: this key is not known. Did you mean 'charge'?",),
        own=OWN.replace('charge = "anionic"', 'charges = "anionic"'),
        args=CHECK,
    ),
    "unknown charge": Case(
        (
            f"{LIBRARY}, plain-anionic.substances.0.charge: 'ionic' cannot be used here: write 'anionic', "
            f"'amphoteric', 'nonionic' or 'cationic'. {MEND}",
        ),
        own=OWN.replace('charge = "anionic"', 'charge = "ionic"'),
        args=CHECK,
    ),
    "unknown phase": Case(
        (
            f"{LIBRARY}, plain-anionic.phase: 'first' cannot be used here: write 'water', 'hydration', "
            f"'anionic', 'cosurfactant', 'melt', 'premix', 'preservation', 'ph' or 'thickening'. {MEND}",
        ),
        own=OWN.replace('phase = "anionic"', 'phase = "first"'),
        args=CHECK,
    ),
    "shares out of order": Case(
        (f"{LIBRARY}, plain-anionic: the shares of Anionic are not in the order low, typical, high. {MEND}",),
        own=OWN.replace("[28, 30, 32]", "[32, 30, 28]"),
        args=CHECK,
    ),
    "two balances": Case(
        (f"{LIBRARY}, plain-anionic: only one substance can be the balance. {MEND}",),
        own=OWN.replace("share = [28, 30, 32]", 'share = "balance"'),
        args=CHECK,
    ),
    "rating above 100": Case(
        (f"{LIBRARY}, plain-anionic.ratings.mildness.high: 130 cannot be used here: it must not be above 100. {MEND}",),
        own=OWN.replace("high = 50", "high = 130"),
        args=CHECK,
    ),
    "nobody says so": Case(
        (f"{LIBRARY}, aqua.backing: this key is missing. Add it.",), own=OWN.replace(BACKING, "", 1), args=CHECK
    ),
    "no default source": Case(
        (f"{LIBRARY}, aqua: backing needs an entry 'default' (source key and confidence). {MEND}",),
        own=OWN.replace(BACKING, 'backing = { active = ["own", "common practice"] }', 1),
        args=CHECK,
    ),
    "unknown source": Case(
        (f"{LIBRARY}, aqua.backing.default: there is no source 'owm'. Did you mean 'own'?",),
        own=OWN.replace('default = ["own"', 'default = ["owm"', 1),
        args=CHECK,
    ),
    "unknown caution": Case(
        (f"{LIBRARY}, plain-anionic.cautions: there is no caution 'dast'. Did you mean 'dust'?",),
        own=OWN.replace('phase = "anionic"', 'phase = "anionic"\ncautions = ["dast"]'),
        args=CHECK,
    ),
    "unknown rank order": Case(
        (
            f"{LIBRARY}, plain-anionic.ratings.mildness.basis: there is no rank order 'declard'. Did you mean "
            "'declared'?",
        ),
        own=OWN.replace('basis = "declared"', 'basis = "declard"'),
        args=CHECK,
    ),
    "override of nothing": Case(
        (f"{LIBRARY}, override.plain-anionik: there is no such material. Did you mean 'plain-anionic'?",),
        own=f"{OWN}[override.plain-anionik]\nactive = 30\n",
        args=CHECK,
    ),
    "negative ceiling": Case(
        (f"{LIBRARY}, ceiling.0.percent: -1 cannot be used here: it must not be below 0. {MEND}",),
        own=OWN + '[[ceiling]]\nid = "x"\nsubstances = ["Anionic"]\npercent = -1\nbasis = "as acid"\nkind = "law"\n'
        'source = "own"\nconfidence = "published"\n',
        args=CHECK,
    ),
}

SEVERAL = {
    "in one scenario": Case(
        (
            f"{WHERE}, name: this key is missing. Add it.",
            f"{WHERE}, currency: 5 cannot be used here: a text is expected. Write it in quotes.",
            f"{WHERE}, ph: the pH range 6 to 5 leaves no room for a tolerance of 0.2 on both sides. {MEND}",
            f"{WHERE}, nam: this key is not known. Did you mean 'name'?",
            f"{WHERE}, rule.activ.kind: there is no kind of rule 'activ'. Did you mean 'active'?",
            f"{WHERE}, rule.a: at_least 9 is above at_most 8. {MEND}",
        ),
        brief='nam = "x"\ncurrency = 5\nshelf = "shelf.csv"\n[ph]\nlow = 6\nhigh = 5\n[[rule]]\nkind = "activ"\n'
        '[[rule]]\nid = "a"\nkind = "active"\nat_least = 9\nat_most = 8\n',
    ),
    "names that lead nowhere": Case(
        (
            f"{WHERE}, fixed: there is no 'plain-anionik'. Did you mean 'plain-anionic'?",
            f"{WHERE}, pool.functions: there is no 'surfactent'. Did you mean 'surfactant'?",
            f"{WHERE}, rule.dose-plain-betain.of: there is no 'plain-betain'. Did you mean 'plain-betaine'?",
            f"{WHERE}, rule.dose-humectnt.of: there is no 'humectnt'. Known: solvent, surfactant.",
        ),
        brief=in_brief(
            '[fixed]\nplain-anionik = 3\n[pool]\nfunctions = ["surfactent"]\n[[rule]]\nkind = "dose"\n'
            'of = ["plain-betain"]\n[[rule]]\nkind = "dose"\nof = { functions = ["humectnt"] }\n'
        ),
    ),
    "in library and shelf": Case(
        (
            f"{LIBRARY}, plain-anionic: the shares of Anionic are not in the order low, typical, high. {MEND}",
            f"{LIBRARY}, plain-betaine.phase: this key is missing. Add it.",
            f"{LIBRARY}, plain-betaine.fase: this key is not known. Did you mean 'phase'?",
            f"{ROWS}, row 2, column 'price per kg': 'two' is not a number. Write digits only, such as 12.50.",
            f"{ROWS}, row 3, column 'price per kg': -3.0 cannot be used here: it must not be below 0. {CELL}",
        ),
        own=OWN.replace("[28, 30, 32]", "[32, 30, 28]").replace('phase = "cosurfactant"', 'fase = "cosurfactant"'),
        shelf=SHELF.replace(",2,", ",two,").replace(",3,", ",-3,"),
    ),
}

CASES = {
    f"{table}: {name}": case
    for table, cases in {
        "file": FILES,
        "scenario": SCENARIO,
        "rule": RULES,
        "what-if": WHAT_IFS,
        "shelf": SHELVES,
        "material": MATERIALS,
        "several": SEVERAL,
    }.items()
    for name, case in cases.items()
}


def lay(folder: Path, case: Case) -> None:
    """Write the files of a case."""
    for name, content in {
        "brief.toml": case.brief,
        "own.toml": case.own,
        "shelf.csv": case.shelf,
        **case.files,
    }.items():
        put(folder / name, content)


def listing(folder: Path) -> dict[str, tuple[int, float]]:
    """Return names, sizes and times of change of everything in a folder."""
    return {str(p): (p.lstat().st_size, p.lstat().st_mtime) for p in sorted(folder.rglob("*"))}


def run(monkeypatch: pytest.MonkeyPatch, folder: Path, args: tuple[str, ...]) -> int:
    """Run the command line as a user does and return its exit code."""
    monkeypatch.setattr(sys, "argv", ["tenside", *(a.replace("{folder}", str(folder)) for a in args)])
    with pytest.raises(SystemExit) as ended:
        cli.main()
    return int(ended.value.code or 0)


def test_the_folder_of_the_cases_blends(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    lay(tmp_path, Case(()))
    assert run(monkeypatch, tmp_path, BLEND) == 0
    assert capfd.readouterr().err == ""
    assert run(monkeypatch, tmp_path, CHECK) == 0
    out, err = capfd.readouterr()
    assert (out.splitlines()[2], err) == ("3 materials, 2 with doubtful figures.", "")
    assert out.count("plain-anionic, plain-betaine: a surfactant without") == 2, "neither molar mass nor CAS number"


@pytest.mark.parametrize("case", CASES.values(), ids=list(CASES))
def test_bad_input_is_told_whole(
    case: Case, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    lay(tmp_path, case)
    before = listing(tmp_path)
    assert run(monkeypatch, tmp_path, case.args) == 3
    out, err = capfd.readouterr()
    assert err.replace(str(tmp_path), "{folder}") == case.text
    assert out == ""
    assert run(monkeypatch, tmp_path, (*case.args, "--json")) == 3
    out, err = capfd.readouterr()
    assert err.replace(str(tmp_path), "{folder}") == case.text
    told = json.loads(out)
    assert set(told) == {"format", "ending", "exit_code", "problems"}
    assert (told["ending"], told["exit_code"]) == ("error", 3)
    for problem, text in zip(told["problems"], case.problems, strict=True):
        assert set(problem) == {"where", "key", "what", "step"}
        key = f", {problem['key']}" if problem["key"] else ""
        said = f"{problem['where']}{key}: {problem['what']} {problem['step']}"
        assert said.replace(str(tmp_path), "{folder}") == text
    assert listing(tmp_path) == before


USAGE = {
    "what-if without a value": (
        (*BLEND, "--set", "active.at_least"),
        "--set active.at_least: write KEY=VALUE, such as active.at_least=10.",
    ),
    "what-if without a key": ((*BLEND, "--set", "=5"), "--set =5: write KEY=VALUE, such as active.at_least=10."),
    "objective in other words": (
        (*BLEND, "--objective", "cheapest"),
        "--objective 'cheapest': write 'minimise MEASURE' or 'maximise MEASURE'.",
    ),
    "export of another kind": (
        (*BLEND, "--export", "{folder}/model.txt"),
        "--export: 'model.txt' ends neither in .lp nor in .mps.",
    ),
    "export of a mean": (
        (*BLEND, "--objective", "maximise mildness", "--export", "{folder}/model.lp"),
        "--export: a mean as the objective is not linear; export a brief that minimises cost.",
    ),
    "unknown kind of rule": (("rules", "activ"), "there is no kind of rule 'activ'. Did you mean 'active'?"),
    "unknown material": (
        ("library", "show", "plain-anionik", "--library", "{folder}/own.toml"),
        "there is no material 'plain-anionik'. Did you mean 'plain-anionic'?",
    ),
    "unknown function": (
        ("library", "list", "--function", "soap", "--library", "{folder}/own.toml"),
        "no material has the function 'soap'. Known: solvent, surfactant.",
    ),
}
"""Command lines that ask for something that does not exist, and what is said."""


@pytest.mark.parametrize(("args", "text"), USAGE.values(), ids=list(USAGE))
def test_wrong_use_is_told_whole(
    args: tuple[str, ...],
    text: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    lay(tmp_path, Case(()))
    before = listing(tmp_path)
    assert run(monkeypatch, tmp_path, args) == 2
    assert capfd.readouterr() == ("", f"tenside: {text}\n")
    assert run(monkeypatch, tmp_path, (*args, "--json")) == 2
    out, err = capfd.readouterr()
    assert err == f"tenside: {text}\n"
    assert json.loads(out) == {"format": 1, "ending": "error", "exit_code": 2, "problems": [{"what": text}]}
    assert listing(tmp_path) == before


def test_unknown_schema_is_told_whole(monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> None:
    assert run(monkeypatch, Path(), ("schema", "blnd")) == 2
    assert capfd.readouterr() == ("", "tenside: there is no schema 'blnd'. Did you mean 'blend'?\n")


def test_unknown_solver_names_those_there_are(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    from optimizer.engine import pulp_path

    monkeypatch.setattr(pulp_path, "solvers", lambda: ["HiGHS", "PULP_CBC_CMD"])
    lay(tmp_path, Case(()))
    assert run(monkeypatch, tmp_path, (*BLEND, "--solver", "CBC")) == 2
    said = "--solver: PuLP finds no solver 'CBC' on this machine. Known: HiGHS, PULP_CBC_CMD."
    assert capfd.readouterr() == ("", f"tenside: {said}\n")


@pytest.mark.parametrize("args", [("blnd",), ("blend",), (*BLEND, "--wrong"), (*BLEND, "--time-limit", "0")])
def test_wrong_command_lines_end_with_2(
    args: tuple[str, ...], monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    assert run(monkeypatch, Path("/nowhere"), args) == 2
    out, err = capfd.readouterr()
    assert out == ""
    assert err.startswith("Usage: tenside")


def test_a_replaced_file_keeps_its_permissions_and_its_link(tmp_path: Path) -> None:
    from optimizer.files import write_atomic

    real, link = tmp_path / "real.toml", tmp_path / "link.toml"
    real.write_text("old", encoding="utf-8")
    real.chmod(0o600)
    link.symlink_to(real)
    write_atomic(link, "new", overwrite=True)
    assert link.is_symlink()
    assert real.read_text(encoding="utf-8") == "new"
    assert real.stat().st_mode & 0o777 == 0o600


@pytest.mark.parametrize("name", ["n" * 300 + ".html", "a\0b.html", "dangling.html"])
def test_names_that_no_new_file_can_get_are_refused(tmp_path: Path, name: str) -> None:
    from optimizer.files import refuse_existing, write_atomic

    (tmp_path / "dangling.html").symlink_to(tmp_path / "nowhere")
    with pytest.raises(DataError):
        refuse_existing(tmp_path / name)
    with pytest.raises(DataError):
        write_atomic(tmp_path / name, "x")
    assert [p.name for p in tmp_path.iterdir()] == ["dangling.html"]


def test_control_characters_of_a_file_do_not_reach_the_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    from optimizer.cli import _tell
    from optimizer.errors import fault

    _tell(fault("a\x1b[31m.toml", "k", "x\u202ey", "z"))
    assert not {"\x1b", "\u202e"} & set(capsys.readouterr().err)


def test_tables_hold_no_characters_that_a_workbook_refuses(tmp_path: Path) -> None:
    from optimizer.data.workbook import write_rows
    from optimizer.report.document import Table
    from optimizer.report.formats.workbook import write_workbook

    write_rows(tmp_path / "a.xlsx", [("a\x01b",)])
    write_workbook(tmp_path / "b.xlsx", [Table("s", ("a",), (("\x02=1",),))])


def test_a_refused_import_leaves_no_store(tmp_path: Path) -> None:
    from typer.testing import CliRunner

    from optimizer.cli.every import app

    tables = {"tables": {}}
    from optimizer.records.exchange import MARK
    from optimizer.records.schema import VERSION
    from optimizer.records.store import columns_at

    tables["tables"] = {name: [] for name in columns_at(VERSION)} | {"batch": [{"id": 1}]}
    (tmp_path / "e.json").write_text(json.dumps({MARK: VERSION, **tables}), encoding="utf-8")
    told = CliRunner().invoke(app, ["records", "import", str(tmp_path / "e.json"), "--store", str(tmp_path / "n.db")])
    assert isinstance(told.exception, DataError)
    assert not (tmp_path / "n.db").exists()


def test_an_id_that_is_a_table_is_told(tmp_path: Path) -> None:
    from optimizer.brief.scenario import read_scenario

    path = tmp_path / "b.toml"
    rules = '[[rule]]\nkind = "active"\nid = { a = 1 }\n[[rule]]\nkind = "active"\nat_least = 9\n'
    path.write_text(f'name = "x"\n{rules}', encoding="utf-8")
    with pytest.raises(DataError, match=r"rule\.0\.id: an id is a word"):
        read_scenario(path)


@pytest.mark.parametrize(
    "args",
    [
        ("{}",),
        ("--{}",),
        ("blend", "--{}"),
        ("blend", "hand-wash", "{}"),
        ("range", "hand-wash", "--jobs", "{}"),
        ("records", "{}"),
        ("records", "list", "--{}"),
        ("rules", "{}"),
    ],
    ids=" ".join,
)
def test_a_wrong_command_line_is_not_repeated_at_any_length(args: tuple[str, ...]) -> None:
    answer = ask(*(a.replace("{}", "n" * 5000) for a in args))
    assert answer.code == 2
    assert "nnnn" in answer.err
    assert len(answer.err) < 1000


def test_a_wrong_value_of_an_option_is_told_in_the_words_of_the_house() -> None:
    for args, said in (
        (("--jobs", "x"), "'x' cannot be used here: a whole number is expected."),
        (("--jobs", "0"), "'0' cannot be used here: it must not be below 1."),
        (("--time-limit", "x"), "'x' cannot be used here: a number is expected."),
    ):
        answer = ask("range", "hand-wash", *args)
        assert answer.code == 2
        assert said in " ".join(answer.err.replace("│", " ").split()), answer.err
        assert "Input should" not in answer.err


def test_a_fault_of_a_batch_names_its_file(tmp_path: Path) -> None:
    from tests.support.harbour import batch_file, weighed

    path = batch_file(tmp_path, "B1", weighed("aqua", 800, "W1"), bottles=None)
    sound = path.read_text(encoding="utf-8")
    for more, key in (
        ('[[adjustment]]\nchemical = "Unheard Acid"\n[[adjustment.reading]]\nadded_g = 1\nph = 5\n', "adjustment"),
        ("[finish]\nmass_g = 1.0\n", "finish"),
    ):
        path.write_text(f"{sound}\n{more}", encoding="utf-8")
        answer = ask("made", str(path))
        assert answer.code == 3, answer
        assert str(path) in answer.err, (key, answer.err)
        assert "batch file:" not in answer.err
