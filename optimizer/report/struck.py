"""Lines of the bench that were struck, as they are shown beside those that count."""

from __future__ import annotations

from optimizer.bench.strike import Struck
from optimizer.report.document import Listing


def struck_listing(struck: tuple[Struck, ...]) -> Listing:
    """Return the struck lines with their reasons."""
    said = tuple(f"{s.number}: {s.line}; {s.on}{': ' * bool(s.on)}{s.why}" for s in struck)
    return Listing("Struck, counts no more", said)
