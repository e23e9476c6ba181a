"""Who may see the desk and who may change something: keys that are good once, devices, forms that count once.

The first page of a device carries a key, which is traded for a cookie and good no more. Each form carries an id of its
own, signed with a secret of its device and for the place it is sent to: no other page can make one, and sent twice it
counts once. Nothing here is written anywhere; when the desk is closed, all of it is forgotten.
"""

from __future__ import annotations

import hmac
import secrets
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field

from optimizer.errors import TensideError

KEY_BYTES = 16
"""Length of a key: 128 bits."""
PHONE_SECONDS = 600.0
"""How long a key for a telephone is good [s]."""
REMEMBERED = 400
"""Forms whose outcome is remembered for each device, the latest."""
BENCH_ALONE = (
    "This device may note what happens at the bench, and change nothing else. Formulas, prices and files are changed "
    "on the machine that the desk runs on, or on a device that was let in with 'It may change formulas and prices, "
    "too' (under Devices there; as a command 'tenside open --phone --formulas')."
)
"""What is said to a device that may not change formulas, and who may."""


@dataclass(frozen=True)
class Outcome:
    """What came of a form.

    Attributes:
        to: Where the browser goes then.
        words: What is said there.
        clears: Which half-typed fields the browser may forget, by what it keeps them as.
    """

    to: str
    words: str = ""
    clears: str = ""


class SentBeforeError(TensideError):
    """A form that was noted once and is sent again with something else in it."""


@dataclass
class Device:
    """A browser that has traded a key for a cookie."""

    name: str
    phone: bool
    formulas: bool
    """Whether it may change formulas, prices and files besides the entries of the bench."""
    since: str
    showing: str = field(default="", repr=False)
    """The address of an invitation that it shows as a code."""
    secret: bytes = field(default_factory=lambda: secrets.token_bytes(32), repr=False)
    outcomes: OrderedDict[str, tuple[object, Outcome | None]] = field(default_factory=OrderedDict, repr=False)
    """What each form held and what came of it."""
    busy: threading.Lock = field(default_factory=threading.Lock, repr=False)

    def form_id(self, place: str) -> str:
        """Return a fresh id for a form that is sent to a place of the desk."""
        one = secrets.token_urlsafe(12)
        return f"{one}.{self._signed(one, place)}"

    def knows(self, form: str, place: str) -> bool:
        """Return whether a form was made here, for this device and for this place."""
        one, _, signed = form.partition(".")
        return bool(one) and hmac.compare_digest(signed.encode(), self._signed(one, place).encode())

    def once(self, form: str, held: object, act: Callable[[], Outcome | None]) -> Outcome | None:
        """Return what comes of a form; sent again, or twice at once, it is what came of it the first time.

        Raises:
            SentBeforeError: If it holds something else than it did then: a page out of the browser's memory.
        """
        with self.busy:
            if form not in self.outcomes:
                self.outcomes[form] = held, act()
                while len(self.outcomes) > REMEMBERED:
                    self.outcomes.popitem(last=False)
            before, outcome = self.outcomes[form]
        if before != held:
            raise SentBeforeError(
                "This form was sent before, with something else in it, and that was noted. What stands in it now is "
                "not: look at what is noted, and send it again to note this, too."
            )
        return outcome

    def said(self, form: str) -> Outcome | None:
        """Return what came of a form, by the part of its id that stands in addresses."""
        return (
            next((o for key, (_, o) in list(self.outcomes.items()) if key.startswith(f"{form}.")), None)
            if form
            else None
        )

    def _signed(self, one: str, place: str) -> str:
        return hmac.new(self.secret, f"{one} {place}".encode(), "sha256").hexdigest()[:32]


@dataclass
class Invitation:
    """A key that was told and not yet used."""

    phone: bool
    formulas: bool
    until: float


class Guard:
    """The keys that were told, the devices that used one."""

    def __init__(self, clock: Callable[[], float] = time.monotonic, today: Callable[[], str] = lambda: "") -> None:
        self._clock, self._today = clock, today
        self._invited: dict[str, Invitation] = {}
        self._devices: dict[str, Device] = {}
        self._lock = threading.Lock()

    def invite(self, *, phone: bool = False, formulas: bool = True, seconds: float = float("inf")) -> str:
        """Return a key that lets one browser in, once.

        Args:
            phone: Whether it is for another device than this machine.
            formulas: Whether the device may change more than the entries of the bench.
            seconds: How long it is good.
        """
        key = secrets.token_urlsafe(KEY_BYTES)
        with self._lock:
            self._invited[key] = Invitation(phone, formulas, self._clock() + seconds)
        return key

    def enter(self, key: str, name: str) -> str | None:
        """Return the cookie for a key, which is good no more; None if it never was or is too old."""
        with self._lock:
            found = next((k for k in self._invited if hmac.compare_digest(k.encode(), key.encode())), None)
            invitation = self._invited.pop(found) if found is not None else None
            if invitation is None or self._clock() > invitation.until:
                return None
            cookie = secrets.token_urlsafe(32)
            self._devices[cookie] = Device(name, invitation.phone, invitation.formulas, self._today())
            return cookie

    def device(self, cookie: str) -> Device | None:
        """Return the device of a cookie, if it is one that was let in and is still welcome."""
        return self._devices.get(cookie)

    def devices(self) -> list[tuple[str, Device]]:
        """Return the devices with the names by which the list of them calls them, which open nothing."""
        with self._lock:
            return [(self._called(cookie), device) for cookie, device in self._devices.items()]

    def turn_away(self, called: str) -> Device | None:
        """Forget a device, by the name that the list calls it; return it, if it was there."""
        with self._lock:
            cookie = next((c for c in self._devices if self._called(c) == called), None)
            return self._devices.pop(cookie) if cookie is not None else None

    @staticmethod
    def _called(cookie: str) -> str:
        return hmac.new(b"listed", cookie.encode(), "sha256").hexdigest()[:16]
