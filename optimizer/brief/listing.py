"""Which briefs there are: a maker's own in a folder, and the shipped ones."""

from collections.abc import Iterable
from pathlib import Path

from optimizer.brief.scenario import read_scenario
from optimizer.errors import DataError, fault
from optimizer.files import is_folder, read_toml, shipped
from optimizer.immutable import immutable, result

OTHERS = {"batch", "variant", "material", "substance", "packaging", "labour", "sale", "ceiling", "scale"}
"""Keys of files that are no briefs."""


@immutable
class BriefLine:
    """One brief."""

    call: str
    """What to write on the command line."""
    name: str
    product: str
    use: str
    market: str
    aim: str
    """What it looks for, such as 'minimise cost'."""
    notes: str
    trouble: str
    """Why it cannot be used; empty if it can."""


@result
class Briefs:
    """The briefs of a folder and the shipped ones: the output of `tenside list --json`."""

    FORMAT = 1
    folder: str
    own: tuple[BriefLine, ...]
    shipped: tuple[BriefLine, ...]


def briefs_of(folder: Path) -> Briefs:
    """Return the briefs that lie in a folder or right below it, and those that are shipped.

    Raises:
        DataError: If there is no such folder.
    """
    if not is_folder(folder):
        raise fault(str(folder), "", "there is no such folder.", "Name the folder that your briefs lie in.")
    own = sorted([*folder.glob("*.toml"), *folder.glob("*/*.toml")])
    theirs = sorted(shipped("scenarios").glob("*.toml"))
    return Briefs(
        folder=str(folder), own=tuple(_lines(own, own_files=True)), shipped=tuple(_lines(theirs, own_files=False))
    )


def _lines(paths: list[Path], *, own_files: bool) -> Iterable[BriefLine]:
    """Yield a line per brief; what others extend and nothing else is none by itself."""
    raw = {}
    for path in paths:
        try:
            raw[path] = read_toml(path)
        except DataError:
            continue
    bases = {(path.parent / str(r["extends"])).resolve() for path, r in raw.items() if "extends" in r}
    for path, found in raw.items():
        brief = "name" in found and not OTHERS & found.keys()
        if brief and (path.resolve() not in bases or found.get("product")):
            yield _line(path, str(path) if own_files else path.stem)


def _line(path: Path, call: str) -> BriefLine:
    try:
        scenario, _ = read_scenario(path)
    except DataError as error:
        return BriefLine(call, "", "", "", "", "", "", error.problems[0].what)
    sense, measure = scenario.objective.goals[0]
    aim = f"{'minimise' if sense > 0 else 'maximise'} {measure}"
    return BriefLine(call, scenario.name, scenario.product, scenario.use, scenario.market, aim, scenario.notes, "")
