"""Who is signed in, and patience with those who guess: both in the server's memory, gone when it ends."""

from __future__ import annotations

import asyncio
import hmac
import secrets
from collections import OrderedDict
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from hashlib import sha256
from ipaddress import IPv6Address, ip_address
from time import monotonic

from wearlore.web.password import Password, fits

HOURS = 12  # until one has to sign in again
FREE, WAIT, LONGEST = (
    5,
    30.0,
    900.0,
)  # wrong passwords without a wait; seconds of the first wait, doubled up to the last
KEPT = 1000  # sessions, and addresses that guessed

Clock = Callable[[], float]


class Attempts:
    """Wrong passwords by address: after some, each further one doubles how long the address has to wait."""

    def __init__(self, clock: Clock = monotonic) -> None:
        self._clock = clock
        self._failed: OrderedDict[str, tuple[int, float]] = OrderedDict()  # how often, and until when it waits

    def wait(self, address: str) -> float:
        """Seconds until the address may try again; 0 when it may now."""
        _, until = self._failed.get(_network(address), (0, 0.0))
        return max(0.0, until - self._clock())

    def failed(self, address: str) -> None:
        network = _network(address)
        often = self._failed.pop(network, (0, 0.0))[0] + 1
        pause = min(WAIT * 2 ** (often - FREE), LONGEST) if often >= FREE else 0.0
        self._failed[network] = often, self._clock() + pause
        while len(self._failed) > KEPT:
            self._failed.popitem(last=False)

    def succeeded(self, address: str) -> None:
        self._failed.pop(_network(address), None)


class Sessions:
    """Sessions of one folder's password: by a random token, until they are ended, 12 hours old, or it is changed."""

    def __init__(self, password: Password, clock: Clock = monotonic) -> None:
        self.password = password
        self.attempts = Attempts(clock)
        self._clock = clock
        self._begun: OrderedDict[str, tuple[float, str]] = OrderedDict()  # until when, and under which password
        self._secret = secrets.token_bytes(32)
        self._fitting: tuple[bytes, str] | None = (
            None  # a password given with each request: not hashed slowly each time
        )
        self._slow = ThreadPoolExecutor(1, "password")
        self._turn = asyncio.Lock()

    def good(self, token: str) -> bool:
        """Whether the session of this token goes on."""
        until, under = self._begun.get(_mark(token), (0.0, ""))
        return until > self._clock() and under == self.password.hashed()

    def end(self, token: str) -> None:
        self._begun.pop(_mark(token), None)

    async def begin(self, word: str, address: str) -> str | None:
        """The token of a new session; None when this is not the password, or too many were wrong before."""
        if not await self.right(word, address):
            return None
        token = secrets.token_urlsafe(32)
        self._begun[_mark(token)] = self._clock() + HOURS * 3600, self.password.hashed() or ""
        while len(self._begun) > KEPT:
            self._begun.popitem(last=False)
        return token

    async def right(self, word: str, address: str) -> bool:
        """Whether this is the password, and the address does not have to wait. One is looked at after another."""
        marked = hmac.digest(self._secret, word.encode(), "sha256")
        async with self._turn:
            hashed = self.password.hashed()
            if hashed is None or self.attempts.wait(address):
                return False
            if self._fitting and self._fitting[1] == hashed and hmac.compare_digest(self._fitting[0], marked):
                return True
            if not await asyncio.get_running_loop().run_in_executor(self._slow, fits, word, hashed):
                self.attempts.failed(address)
                return False
            self.attempts.succeeded(address)
            self._fitting = marked, hashed
            return True


def _mark(token: str) -> str:
    """By which a token is looked up, so that the time a look-up takes tells nothing of the tokens there are."""
    return sha256(token.encode()).hexdigest()


def _network(address: str) -> str:
    """What counts as one address: of IPv6 the network, in which a machine takes as many as it likes."""
    try:
        found = ip_address(address.partition("%")[0])
    except ValueError:
        return address
    return str(found.exploded[:19]) if isinstance(found, IPv6Address) and not found.ipv4_mapped else str(found)
