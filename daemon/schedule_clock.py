"""The schedule clock: what waits for light, for an interval or for the end of an exposure goes by it.

It is the real clock unless ``STOPWRIGHT_CLOCK`` names a file; then it runs ahead of the real one by the seconds in that
file, in every process that was started with the variable. Tests turn it forward, and hours of waiting are over at once,
in the daemon, in its camera process and in the simulated camera alike. Deadlines by which a hung process is killed are
real and stay with `daemon.clock`.
"""

from __future__ import annotations

import mmap
import os
import struct
import threading
from datetime import datetime, timedelta
from functools import lru_cache
from pathlib import Path

from daemon import clock

VARIABLE = "STOPWRIGHT_CLOCK"
_SLICE_S = 0.005  # how soon a sleeper notices that the clock was turned [s]
_SHAPE = struct.Struct("<d")


@lru_cache(maxsize=4)
def _shared(path: str) -> mmap.mmap:
    with open(path, "r+b") as file:
        return mmap.mmap(file.fileno(), _SHAPE.size)


def make(path: Path) -> dict[str, str]:
    """Make the file of a clock that can be turned; the variables to start processes with.

    Raises
    ------
    FileExistsError
        If there is something at ``path``.
    """
    with open(path, "xb") as file:
        file.write(_SHAPE.pack(0.0))
    return {VARIABLE: str(path)}


def turn(path: Path, seconds: float) -> None:
    """Turn a clock forward; ValueError for less than nothing, since intervals never run backwards. [s]"""
    if not seconds >= 0:
        raise ValueError(f"the schedule clock: asked to turn by {seconds} s; allowed: 0 or more")
    shared = _shared(str(path))
    (ahead,) = _SHAPE.unpack_from(shared)
    _SHAPE.pack_into(shared, 0, ahead + seconds)


def ahead() -> float:
    """How far this process's schedule clock is ahead of the real one. [s]"""
    path = os.environ.get(VARIABLE)
    if not path:
        return 0.0
    (seconds,) = _SHAPE.unpack_from(_shared(path))
    return float(seconds)


def utc_now() -> datetime:
    """The present by the schedule clock, aware, in UTC."""
    return clock.utc_now() + timedelta(seconds=ahead())


def monotonic() -> float:
    """Seconds on the schedule clock; they never go back. [s]"""
    return clock.monotonic() + ahead()


def sleep(seconds: float) -> None:
    """Wait by the schedule clock; nothing below zero. [s]"""
    wait(threading.Event(), seconds)


def wait(event: threading.Event, seconds: float) -> bool:
    """Wait until ``event`` is set or the time is over by the schedule clock; True when it was set. [s]"""
    if not os.environ.get(VARIABLE):
        return event.wait(max(0.0, seconds))
    until = monotonic() + seconds
    while (left := until - monotonic()) > 0:
        if event.wait(min(left, _SLICE_S)):
            return True
    return event.is_set()
