"""Every command that the README and docs/commands.md show runs, in order, in one folder."""

import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from optimizer.data.library import chosen_library
from tests.make_commands_page import PAGE, page
from tests.support.hostile import ask

ROOT = Path(__file__).resolve().parents[2]
SHOWN = [(ROOT / name).read_text(encoding="utf-8") for name in ("README.md", "docs/commands.md")]
BLOCKS = [block for text in SHOWN for block in re.findall(r"```console\n(.*?)```", text, re.DOTALL)]
COMMANDS = list(dict.fromkeys(line for block in BLOCKS for line in block.splitlines() if line.startswith("tenside ")))

FILES = dict(re.findall(r", `([\w.-]+)`:\n\n```\w+\n(.*?)```", SHOWN[1], re.DOTALL))
"""The files that the examples read, as the page of commands shows them."""


@pytest.fixture
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("readme")
    for name, text in FILES.items():
        (made / name).write_text(text, encoding="utf-8")
    return made


def test_the_page_of_commands_is_what_the_program_says() -> None:
    assert page() == PAGE.read_text(encoding="utf-8"), "run python tests/make_commands_page.py"


def test_the_help_names_no_class() -> None:
    """A class renamed by its word once renamed the word in what a maker reads as well."""
    assert not re.findall(r"\b[A-Z][a-z]+[A-Z][a-z]\w*", SHOWN[1])


def test_readme_is_short_and_its_links_lead_somewhere() -> None:
    assert len(SHOWN[0].splitlines()) <= 150
    for text, folder in zip(SHOWN, (ROOT, ROOT / "docs"), strict=True):
        for target in re.findall(r"\]\(([^)#]+)\)", text):
            assert target.startswith("https://") or (folder / target).exists(), target


def test_readme_shows_commands() -> None:
    assert len(COMMANDS) >= 20
    assert BLOCKS[0].split("\n")[:2] == ["make demo", "make test"]


LONG = ('tenside frontier hand-wash --against "minimise free-monomer"',)
"""Takes as long as all others; nothing after it builds on it."""


def expected(command: str) -> tuple[int, ...]:
    """Return the codes a command may end with: a formula that is there may break its brief, all else is solved."""
    return (0, 4) if "my-formula.csv" in command else (0,)


OF_IDS = ("library", "import", "explain", "rules", "schema", "start", "records show", "records export")
"""What tells ids on purpose: what is typed, what files hold, what they are filled in with."""
IDS = frozenset(m.id for m in chosen_library().materials if "-" in m.id)


def ids_in(command: str, told: str) -> list[str]:
    """Return the ids that stand where a maker reads names; what is typed and keys such as 'missing.ID' keep theirs."""
    if "--json" in command or "--export" in command or any(command.startswith(f"tenside {of}") for of in OF_IDS):
        return []
    told = re.sub(r"\n +", " ", told)  # a command may go on in the next line
    prose = re.sub(r"'tenside [^']*'|\btenside [a-z].*|--\S+ \S+|\S+=\S+|\b[a-z_]+\.[a-z][\w.-]*", "", told)
    return sorted(IDS & set(re.findall(r"(?<![\w-])[a-z0-9]+(?:-[a-z0-9]+)+(?![\w-])", prose)))


@pytest.mark.thorough
def test_commands_run_in_order(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(folder)
    assert set(LONG) < set(COMMANDS)
    for command in COMMANDS:
        if command not in LONG:
            answer = ask(*shlex.split(command)[1:], seconds=120)
            assert answer.code in expected(command), f"{command}\n{answer}"
            assert answer.out.strip()
            assert not ids_in(command, answer.out), command


@pytest.mark.slow
def test_commands_run_in_order_each_in_a_process_of_its_own(folder: Path) -> None:
    env = {**os.environ, "PATH": f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"}
    for command in COMMANDS:
        done = subprocess.run(shlex.split(command), cwd=folder, env=env, capture_output=True, text=True, check=False)
        assert done.returncode in expected(command), f"{command}\n{done.stdout}\n{done.stderr}"
        assert done.stdout.strip()


def test_make_targets_exist() -> None:
    targets = re.findall(r"^([a-z-]+):", (ROOT / "Makefile").read_text(encoding="utf-8"), re.MULTILINE)
    texts = "".join([*SHOWN, (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")])
    named = set(re.findall(r"`make ([a-z-]+)`", texts)) | {"demo", "test"}
    assert named <= set(targets)


@pytest.mark.thorough
def test_make_demo_goes_from_the_brief_to_the_bottles(tmp_path: Path) -> None:
    ready = tmp_path / "ready"
    ready.touch()
    demo = tmp_path / "demo"
    told = (f"BIN={Path(sys.executable).parent}", f"READY={ready}", f"DEMO={demo}")
    demo.mkdir()
    for name in (".made-by-make-demo", "batch.toml", "records.db"):  # as an earlier run left them
        (demo / name).write_text("earlier", encoding="utf-8")
    done = subprocess.run(["make", "--silent", "demo", *told], cwd=ROOT, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, ""), done.stdout + done.stderr
    for part in (
        "Harbour hand wash\nSolved",
        "These 3 clash",
        "Weigh sheet: Harbour hand wash, batch HW-012",
        "Stop: inside the target.",
        "The target is reached",
        "Harbour hand wash, as made",
        "basis  as made, with everything that was added",
        "EUR per bottle",
        "17 tests laid.",
        f"To read and print, in {demo}/",
    ):
        assert part in done.stdout
    assert done.stdout.splitlines()[-1] == f"tenside open {demo}"
    for file in ("hand-wash.html", "weigh-sheet.pdf", "weigh-sheet.xlsx", "card.png", "assessor.xlsx", "records.db"):
        assert (demo / file).stat().st_size > 1000
