"""Numbers, and the one table of tolerances that every room shares.

A tolerance without a thing that it is relative to is wrong for somebody's figures, so each says what that is.

| name | what it decides | relative to |
|---|---|---|
| `KEPT` | a formula keeps a limit | the limit, and what 1 % of dose brings to the measure; a lone pH or dose: nothing |
| `AS_TYPED` | two figures as typed are equal, or one lies in a typed window | nothing: their own unit |
| `WHOLE` | a count of steps is whole | one step |
| `USED` | a dose counts as used | nothing: % w/w |
| `BETTER` | a choice of yes and no betters a trade-off | 1 + the value |
| `CURVES_MEET` | two curves of a trade-off have one value | 1 + the value |
| `CURVE_STEP` | a step past a break of a trade-off | its length |
| `AHEAD` | a group of choices is solved past the limit at which it is open | how far the limit is followed |
| `NARROWEST` | a part of a trade-off is looked at no closer | the width of the whole |
| `DOSE_TOLD` | a trade-off tells a dose | nothing: % w/w |
| `SAME_WORTH` | two objectives are equal | the terms that they sum |
| `POINT_MET` | an answer's point keeps a row | the row's end and the terms that it sums there |
| `LEAST_TERM` | a column counts in a row's terms as no less than this | nothing: the column's unit |
| `ROW_MET` | a value is at a row's end | the row's end and its largest coefficient |
| `AT_END` | a value at the answer stands at its end, so that it can move one way only | 1 + the value |
| `NO_COEFFICIENT` | a coefficient counts as none | the largest beside it; a rate at a basis: nothing |
| `DUST` | a column's value or rate is what rounding leaves of 0 | nothing: the column's unit |
| `BOUND_MET` | a point reaches a bound and is best | the terms that the objective sums |
| `BOUND_REACHED` | an answer's point reaches its own bound | the terms that the objective sums |
| `ZERO_PRICE` | a reduced cost or a row's price is 0 | the terms that it was summed of |
| `SLIP` | a known basis fits another scenario | 1 + the end or the price, rows and costs being scaled |
| `HAIR` | a dose that the best formula does without may cost less, and it stays the best | costs, being scaled |
| `PROOF_REUSED` | a known proof of impossibility holds for another scenario | 1 + its largest term |
| `PROOF_MARGIN` | a proof of impossibility is one | its largest term |
| `CHOICES_MET` | an integer search has closed its gap | the objective |
| `CLEARLY_WORSE` | an objective is beyond what an integer program may miss its rows by | the terms that it sums |
| `NOT_FOR_NOTHING` | what is left over of a plan is weighed at so much less than its whole price | that price |
| `CLEARLY_OTHER` | other choices are worse by a bound that was computed here | the terms that the objective sums |
| `AGREED` | another solver's objective is the one at its own choices | the objective |
| `DESCENT_MET` | a descent's last program gives what its end is worth | 1 + the objective |
| `RANK` | readings tell a direction apart from the others | the best told direction; a reading's own weight: one |
| `SETTLED` | readings that are no numbers have been followed long enough | the scatter of a reading |
| `LEAST` | a chance, a spread or a sum of squares is no less, so that it has a logarithm | nothing |
| `OUTSIDE` | a formula lies outside what trials cover | the spread of the trials |
| `ROUND_OFF` | what is left of a sum that is 0 | the terms of the sum |
| `LAST_DIGIT` | what rounding a factor to a double leaves of a product | the product |
| `CHANGE_SHOWN` | a report shows a change of a dose, a measure or a price of its own | nothing: its unit |
| `PRICE_SHOWN` | a report shows the price of a limit, or that two differ | nothing: the price's unit |
| `ON_SIDE` | a corner of the region of trials lies on a side of it | nothing: coordinates of width 1 |
| `SAME_CORNER` | two corners are one, or one lies at no end | nothing: coordinates of width 1 |
| `NO_GAIN` | an exchange of a trial helps no more | the worth of the choice |
| `ON_DIGIT` | a limit is what its shown digits say, and needs no rounding outward | one of the last digit |
| `TRIED` | a limit that is found by trying is told in steps of this | nothing: its unit |
| `SMALL` | a limit is shown in two digits, where four decimals would hide what it says | nothing: its unit |
"""

from __future__ import annotations

import re
from math import ceil, floor, inf, log10
from unicodedata import normalize

KEPT = 1e-6
AS_TYPED = 1e-9
WHOLE = 1e-6
USED = 1e-7
BETTER = 2e-7
CURVES_MEET = 1e-8
CURVE_STEP = 1e-6
AHEAD = 1e-6
NARROWEST = 1e-5
DOSE_TOLD = 1e-5
SAME_WORTH = 1e-9
POINT_MET = 1e-9
LEAST_TERM = 1e-4
ROW_MET = 1e-7
AT_END = 1e-8
NO_COEFFICIENT = 1e-9
DUST = 1e-11
BOUND_MET = 1e-9
BOUND_REACHED = 1e-10
ZERO_PRICE = 1e-10
SLIP = 1e-9
HAIR = 1e-6
PROOF_REUSED = 1e-7
PROOF_MARGIN = 1e-10
CHOICES_MET = 1e-6
CLEARLY_WORSE = 1e-5
NOT_FOR_NOTHING = 1e-5
CLEARLY_OTHER = 1e-8
AGREED = 1e-4
DESCENT_MET = 1e-7
RANK = 1e-9
SETTLED = 1e-6
LEAST = 1e-300
OUTSIDE = 1e-6
ROUND_OFF = 1e-12
LAST_DIGIT = 1e-14
CHANGE_SHOWN = 5e-4
PRICE_SHOWN = 5e-7
ON_SIDE = 1e-8
SAME_CORNER = 1e-7
NO_GAIN = 1e-9
ON_DIGIT = 1e-4
TRIED = 1e-4
SMALL = 1e-3


FIRST_YEAR, LAST_YEAR = 1900, 2999
"""Years of dates that are read; counting days on from one stays within what a calendar can hold."""


LONGEST = 10**15
"""From here on a number is read in powers of ten."""


def number(value: float, digits: int = 4) -> str:
    """Return a number for reading: at most `digits` decimals, no trailing zeros, no minus zero."""
    if LONGEST <= abs(value) < inf:
        return f"{value:g}"
    text = f"{value:.{digits}f}".rstrip("0").rstrip(".") if digits else f"{value:.0f}"
    if text not in ("-0", "0", ""):
        return text
    return f"{value:.1e}" if abs(value) > AS_TYPED and digits >= 4 else "0"


def stated(limit: float) -> str:
    """Return a limit for reading, as `number` does, a small one in two digits; only 0 itself is 0."""
    text = number(limit)
    if limit == 0 or abs(limit) >= SMALL or "e" in text:
        return text
    return f"{limit:.1e}" if text == "0" else f"{limit:.2g}"


def beside(value: float, limit: float, digits: int) -> str:
    """Return a figure for reading beside a limit, in more digits than asked for where those cannot tell the two."""
    if number(limit, digits) != "0" or limit == 0 or abs(value) <= KEPT * abs(limit):
        if abs(value - limit) > KEPT * (1 + abs(limit)):
            digits = next((d for d in range(digits, 7) if number(value, d) != number(limit, d)), digits)
        return number(value, digits)
    return f"{value:.3g}" if abs(value) < 1 else number(value, digits)


def is_whole(count: float) -> bool:
    """Return whether a count of steps is a whole one."""
    return abs(count - round(count)) <= WHOLE


def whole_down(count: float) -> int:
    """Return the most whole steps that a count holds."""
    return floor(count + WHOLE)


def whole_up(count: float) -> int:
    """Return the fewest whole steps that hold a count."""
    return ceil(count - WHOLE)


def outward(value: float, upper: bool) -> float:
    """Return a limit as `stated` shows it, at six digits (a small one: two), so that what is typed can be met.

    Args:
        value: How far the limit must go.
        upper: Whether it is an upper limit, which is rounded up, the easier side; a lower one is rounded down.
    """
    size = floor(log10(abs(value))) if value else 0
    decimals = 1 - size if 0 < abs(value) < SMALL else min(4, 5 - size)
    unit = 10.0**decimals
    near = round(value * unit)
    count = near if abs(value * unit - near) <= ON_DIGIT else ceil(value * unit) if upper else floor(value * unit)
    return round(count / unit, max(decimals, 0))


def slug(text: str) -> str:
    """Return a text as an id: lowercase words joined by hyphens."""
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")


def file_stem(name: str) -> str:
    """Return a name as the stem of a file: like `slug`, letters with marks as those without ('Küste' is 'kuste')."""
    return slug(normalize("NFKD", name.casefold()).encode("ascii", "ignore").decode())


def listed(words: list[str] | tuple[str, ...], last: str = "and") -> str:
    """Return words as a phrase: 'a', 'a and b', 'a, b and c'."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {last} {words[-1]}"
