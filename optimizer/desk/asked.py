"""What a page is asked: by whom, about what, with what typed into a form."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import isfinite
from urllib.parse import urlencode

from optimizer.answers.days import day_of
from optimizer.bench.amount import in_unit
from optimizer.data.sheet import number_of
from optimizer.desk.folder import Folder
from optimizer.desk.guard import Device, Guard, Outcome
from optimizer.desk.screen import RefusedError, Rights
from optimizer.errors import UsageError
from optimizer.units import number


@dataclass(frozen=True)
class Upload:
    """A file that came with a form."""

    name: str
    content: bytes


@dataclass(frozen=True)
class Desk:
    """What all pages share: the folder with the maker's files, and who is let in."""

    folder: Folder
    guard: Guard
    entries: tuple[tuple[str, str], ...]
    today: Callable[[], str]
    address: Callable[[], str]
    """Where other devices reach the desk; empty if they cannot."""
    rights: Callable[[str], Rights]
    """What a form changes that is sent to an address."""


@dataclass
class Asked:
    """One request.

    Attributes:
        desk: What all pages share.
        device: Who asks.
        place: The address without what follows a question mark.
        names: What stands at the variable parts of the address.
        query: What follows the question mark.
        typed: Fields of the form that was sent, each with all its values; the last one counts.
        files: Files of the form.
        problems: What is wrong with the form, by field; '' for all of it.
        readings: How a figure that can be read two ways can be read, by field.
        fragment: The script asked for the body alone, to put it in place.
        watch: Where the page is told that its file was changed.
        told: What was said once on the page and need not be said again.
    """

    desk: Desk
    device: Device
    place: str
    names: Mapping[str, str]
    query: Mapping[str, str]
    typed: Mapping[str, Sequence[str]] = field(default_factory=dict)
    files: Mapping[str, Upload] = field(default_factory=dict)
    problems: dict[str, str] = field(default_factory=dict)
    readings: dict[str, tuple[str, ...]] = field(default_factory=dict)
    fragment: bool = False
    watch: str = ""
    told: set[str] = field(default_factory=set)

    @property
    def folder(self) -> Folder:
        """The maker's files."""
        return self.desk.folder

    @property
    def unasked(self) -> Asked:
        """The request as if nothing had been typed: another form of the page was sent."""
        return replace(self, typed={}, files={}, problems={}, readings={})

    @property
    def here(self) -> str:
        """The address as it was asked for, without what was said on it."""
        query = urlencode({key: value for key, value in self.query.items() if key != "said"})
        return f"{self.place}?{query}" if query else self.place

    @property
    def today(self) -> str:
        """The day, as ISO 8601."""
        return self.desk.today()

    def text(self, name: str, otherwise: str = "") -> str:
        """Return a field of the form as typed, without blanks around it."""
        values = self.typed.get(name) or ()
        return values[-1].strip() if values else otherwise

    def ticked(self, name: str) -> bool:
        """Return whether a box is ticked."""
        return bool(self.text(name))

    def figure(self, name: str, what: str, *, least: float = 0.0, most: float = 1e9, unit: str = "") -> float:
        """Return a figure as people type it: '104,3' is read, '1,234' is asked back, with a unit also '104 g'.

        Raises:
            RefusedError: If it is none, could be two, or lies outside.
        """
        found = self.maybe(name, what, least=least, most=most, unit=unit)
        if found is None:
            raise RefusedError({name: f"Type {what}."})
        return found

    def maybe(self, name: str, what: str, *, least: float = 0.0, most: float = 1e9, unit: str = "") -> float | None:
        """Return a figure, None if the field is empty; see `figure`."""
        text = self.text(name)
        return read_figure(name, text, what, least, most, unit) if text else None

    def whole(self, name: str) -> int:
        """Return a number that the page itself put into the form; -1, which nothing has, if it is none."""
        text = self.text(name)
        return int(text) if text.isascii() and text.isdigit() and len(text) < 10 else -1

    def day(self, name: str, read: Callable[[str], str] = day_of) -> str:
        """Return a date, or what else `read` makes of it such as a time; today if the field is empty.

        Raises:
            RefusedError: If it is none.
        """
        try:
            return read(self.text(name) or self.today)
        except UsageError as error:
            raise RefusedError({name: str(error)}) from None

    def may_send(self, to: str) -> bool:
        """Return whether this device may send a form to an address."""
        return self.device.formulas or self.desk.rights(to.partition("?")[0]) != "formula"

    def done(self, to: str, words: str) -> Outcome:
        """Return what a form that was taken leads to; what it typed may be forgotten."""
        return Outcome(to, words, self.text("keep"))


def read_figure(name: str, text: str, what: str, least: float, most: float, unit: str = "") -> float:
    """Return a figure of a field in its unit of mass or volume, if it has one; see `Asked.figure`."""
    try:
        value = in_unit(text, unit) if unit else number_of(text)
    except ValueError as error:
        two = two_readings(text)
        if two:
            raise RefusedError({name: f"{text} can be read two ways. Which is meant?"}, {name: two}) from None
        raise RefusedError({name: f"{text} {error}: type {what} in digits, such as 104,3 or 104.3."}) from None
    if not (isfinite(value) and least <= value <= most):
        ends = f"from {number(least, 3)} to {number(most, 3)}" if most < 1e9 else f"{number(least, 3)} or more"
        raise RefusedError({name: f"{text} cannot be: {what} is {ends}."})
    return value


def two_readings(text: str) -> tuple[str, ...]:
    """Return how a figure with a comma and three digits can be read: with a decimal point, and without."""
    plain = text.strip()
    try:
        number_of(plain)
    except ValueError as error:
        if "two ways" in str(error):
            return (plain.replace(",", "."), plain.replace(",", ""))
    return ()
