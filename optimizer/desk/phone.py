"""A telephone beside the balance: let in by a code that it reads from the screen."""

from __future__ import annotations

import io

from optimizer.desk.guard import PHONE_SECONDS, Guard
from optimizer.desk.html import Html

SAFETY = (
    "Your own network carries this unencrypted: whoever is in it and knows how can read along. Use it at home or in "
    "your workshop, never in a public network."
)


def invitation(guard: Guard, outside: str, *, formulas: bool) -> str:
    """Return an address that lets one telephone in, once and for ten minutes."""
    return f"{outside}/open?key={guard.invite(phone=True, formulas=formulas, seconds=PHONE_SECONDS)}"


def qr_lines(text: str, encoding: str) -> str:
    """Return a code to read with a camera, for a terminal that can show half blocks, or for any other."""
    import segno

    told = io.StringIO()
    code = segno.make(text, micro=False)
    try:
        "\u2580\u2584\u2588".encode(encoding)
        code.terminal(told, compact=True)
    except (UnicodeEncodeError, LookupError):
        code.terminal(told)
    return told.getvalue()


def qr_picture(text: str) -> Html:
    """Return a code to read with a camera, for a page: dark on light whatever the page looks like."""
    import segno

    code = segno.make(text, micro=False)
    said = code.svg_inline(scale=5, dark="#000", light="#fff", border=3, svgclass="qr", lineclass=None, omitsize=True)
    return Html(said)
