"""The only place in the simulated hardware where clocks are read and waits are made."""

from __future__ import annotations

import threading
import time
from datetime import UTC, datetime


def utc_now() -> datetime:
    """The present, aware, in UTC."""
    return datetime.now(UTC)


def monotonic() -> float:
    """Seconds on a clock that never goes back. [s]"""
    return time.monotonic()


def sleep(seconds: float) -> None:
    """Wait; nothing below zero. [s]"""
    time.sleep(max(0.0, seconds))


def wait(event: threading.Event, seconds: float) -> bool:
    """Wait until ``event`` is set or the time is over; True when it was set. [s]"""
    return event.wait(max(0.0, seconds))
