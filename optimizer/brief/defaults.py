"""What is the same for every batch of a bench, in one small file beside the briefs: `bench.toml`."""

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated

from pydantic import Field, PrivateAttr, ValidationError

from optimizer.data.facts import Frozen
from optimizer.errors import DataError, from_validation
from optimizer.files import is_file, read_toml, shipped

NAME = "bench.toml"
ELSE = {"batch", "name", "variant", "material"}
"""Keys of other files that somebody may have called so."""


class BenchDefaults(Frozen):
    """Defaults of a bench; what the command line, a brief or a batch file says goes before them."""

    scale_g: Annotated[float, Field(gt=0)] | None = None
    """Step of the scale [g]."""
    bottle_ml: Annotated[float, Field(gt=0)] | None = None
    """Nominal content of a bottle [ml]."""
    density_g_per_ml: Annotated[float, Field(ge=0.8, le=1.4)] | None = None
    """Measured density of the products; never assumed."""
    loss_percent: Annotated[float, Field(ge=0, le=90)] | None = None
    """Part of a batch that does not reach the bottles [%]."""
    size: str = ""
    """Usual batch, such as '5 kg'."""
    costs: str = ""
    """Costs file beside this one, or the name of a shipped one."""
    shelf: str = ""
    """Shelf beside this file; also instead of the demo's where a shipped brief is asked for."""
    records: str = ""
    """Records instead of records.db beside the brief: what their batches used since the shelf was counted is taken off
    its stock."""
    _file: str = PrivateAttr("")

    @property
    def where(self) -> str:
        """The file; empty if there is none."""
        return self._file

    def told(self, *fields: str) -> Iterator[str]:
        """Yield a sentence for each of these fields that is stated, for those that were taken from here."""
        for field in fields:
            value = getattr(self, field)
            if value not in (None, ""):
                yield f"{field} = {value if isinstance(value, str) else f'{value:g}'} from {self._file}"


def is_shipped(scenario: Path) -> bool:
    """Return whether a scenario is one of the demo."""
    return scenario.resolve().parent == shipped("scenarios").resolve()


def bench_defaults(scenario: Path) -> BenchDefaults:
    """Return the defaults beside a brief; for a shipped one those of the folder that one works in.

    Raises:
        DataError: With every problem at once.
    """
    path = (Path() if is_shipped(scenario) else scenario.parent) / NAME
    if not is_file(path):
        return BenchDefaults()
    raw = read_toml(path)
    if ELSE & raw.keys():
        return BenchDefaults()
    try:
        found = BenchDefaults.model_validate(raw)
    except ValidationError as error:
        raise DataError(from_validation(error, str(path), BenchDefaults)) from None
    found._file = str(path)
    return found
