"""A code by which a class joins: good for many devices during a stated time, and for watching alone.

It lies in memory only and is gone with the service. It is shorter than a code that pairs one device, so that a class
can type it, and neither can be taken for the other: what a student mistypes voids no photographer's code.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
import threading
from collections import deque
from dataclasses import dataclass
from typing import Literal

from daemon import clock

LETTERS = "ABCDEFGHJKMNPQRSTUVWXYZ23456789"  # none that is taken for another
CLASS_LENGTH = 6  # of 31 letters: 29 bits, for two hundred tries
CLASS_MINUTES, MOST_MINUTES = 10.0, 60.0
_WRONG_CODES = 200  # then it ends; in ten minutes one address may try 130 times
_REMEMBERED = 8  # codes that have ended, so that whoever comes late is told so

Answer = Literal["in", "late", "full", "wrong"]


def plain(code: str) -> str:
    """A code as it was made, however it was typed."""
    return code.strip().upper().replace("-", "").replace(" ", "")


def digest(secret: str) -> bytes:
    """What is kept of a secret, or compared with another."""
    return hashlib.sha256(secret.encode("utf-8", "replace")).digest()


@dataclass(frozen=True)
class Open:
    """Joining as it stands: ``left_s`` [s], devices ``joined`` by this code, and ``places`` for how many at most."""

    code: str
    left_s: float
    joined: int
    places: int


class Joining:
    """The class's code of one service, if there is one. Safe between threads. ``places``: for how many devices."""

    def __init__(self, places: int):
        self._places, self._lock = places, threading.Lock()
        self._code: str | None = None
        self._until = 0.0  # on the clock that never goes back [s]
        self._joined = self._wrong = 0
        self._ended: deque[bytes] = deque(maxlen=_REMEMBERED)

    def open(self, minutes: float) -> Open:
        """A new code, good for so long [min]; the one before is void."""
        with self._lock:
            self._close()
            code = self._code = "".join(secrets.choice(LETTERS) for _ in range(CLASS_LENGTH))
            self._until = clock.monotonic() + minutes * 60
            self._joined = self._wrong = 0
            return Open(code, minutes * 60, 0, self._places)

    def now(self) -> Open | None:
        """The code that is good now; None: nobody can join."""
        with self._lock:
            self._look()
            if self._code is None:
                return None
            return Open(self._code, self._until - clock.monotonic(), self._joined, self._places)

    def end(self) -> int:
        """Let nobody join any more; how many have joined by the last code."""
        with self._lock:
            self._close()
            return self._joined

    def take(self, code: str) -> Answer:
        """Whether a device may join by this code; if so, it is counted."""
        given = digest(plain(code))
        with self._lock:
            self._look()
            if self._code is not None and hmac.compare_digest(given, digest(self._code)):
                if self._joined >= self._places:
                    return "full"
                self._joined += 1
                return "in"
            if sum(hmac.compare_digest(given, one) for one in self._ended):
                return "late"
            if self._code is not None:
                self._wrong += 1
                if self._wrong >= _WRONG_CODES:
                    self._close()
            return "wrong"

    def _look(self) -> None:
        if self._code is not None and clock.monotonic() >= self._until:
            self._close()

    def _close(self) -> None:
        if self._code is not None:
            self._ended.append(digest(self._code))
        self._code = None
