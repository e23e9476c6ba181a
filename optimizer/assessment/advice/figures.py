"""Advice on figures: supplier ranges, missing windows, one preservative from two materials."""

from optimizer.assessment.advice.base import COMMON, Found, Pieces, Situation, ids, names
from optimizer.units import listed, number

PIECES = Pieces("figures")

WIDE = 0.4
"""Spread of the active matter, from one material, that is worth a word [points]; an editable default, no source."""
NO_WINDOW_NEEDED = frozenset({"ph adjuster", "solvent"})


@PIECES.piece("wide-ranges", COMMON)
def wide_ranges(s: Situation) -> Found | None:
    """Supplier ranges that move the active matter."""
    found = []
    for line in s.used:
        parts = [p for p in line.item.material.substances if p.surfactant]
        low, high = (line.percent * sum(getattr(p, end) for p in parts) / 100 for end in ("low", "high"))
        if high - low >= WIDE:
            found.append((line, low, high))
    if not found:
        return None
    text = "Write the lot's active matter into the shelf (lot active) and blend again before you weigh."
    said = listed([f"{x.item.material.name} {number(low, 2)} to {number(high, 2)} %" for x, low, high in found])
    return Found(text, f"Active matter it brings by its printed range: {said}.", ids(x for x, _, _ in found))


@PIECES.piece("no-ph-window", COMMON)
def no_window(s: Situation) -> Found | None:
    """Materials of which no pH window is known."""
    lines = s.where(lambda m: m.ph_stable is None and not m.functions & NO_WINDOW_NEEDED)
    if not lines:
        return None
    text = "Ask the supplier for its pH window, and keep a sample at the target pH for a month."
    return Found(text, f"{listed(names(lines))}: nothing says at which pH it lasts, so any is allowed.", ids(lines))


@PIECES.piece("same-preservative-twice", COMMON)
def twice(s: Situation) -> Found | None:
    """One preserving substance from several materials."""
    found: dict[str, dict[str, float]] = {}
    for line in s.used:
        for part in line.item.material.substances:
            if part.role == "preservative" or line.item.material.function == "preservative":
                if part.role not in ("active", "preservative"):
                    continue
                key = part.acid.name if part.acid else part.inci
                sums = found.setdefault(key, {})
                sums[line.item.id] = sums.get(line.item.id, 0.0) + line.percent * part.typical / 100
    double = {k: v for k, v in found.items() if len(v) > 1}
    if not double:
        return None
    said = " ".join(
        f"{key}: {listed([f'{number(percent, 3)} % from {name}' for name, percent in sorted(v.items())])}."
        for key, v in sorted(double.items())
    )
    own = {m.id for x in s.used if "preservative" in (m := x.item.material).functions}
    text = "Add them up against the legal ceiling; 'tenside check' does so."
    if any(len(own.intersection(v)) > 1 for v in double.values()):
        text += " Ask whether both are needed."
    else:
        text += " Part of it comes along in another material."
    return Found(
        text, f"{said} Counted as the salt or acid that is dosed.", tuple(n for v in double.values() for n in v)
    )
