"""What a run tells while it goes: small events, the same for console, page and record."""

from __future__ import annotations

import queue
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from typing import Any, Literal

Kind = Literal[
    "run-started", "step-started", "frame-kept", "frame-recovered", "attempt-failed", "step-skipped", "hands-done",
    "light-metered", "retargeted", "camera-lost", "camera-back", "unasked-frame", "paused", "run-done", "note",
]  # fmt: skip


@dataclass(frozen=True)
class Event:
    """One thing that happened. ``text`` is for people, ``data`` for machines."""

    kind: Kind
    text: str
    data: dict[str, Any] = field(default_factory=dict)

    def as_json(self) -> dict[str, Any]:
        """The event as plain data."""
        return asdict(self)


Listener = Callable[[Event], None]


@dataclass(frozen=True)
class Command:
    """Something a client asks of a run. The same ``id`` sent twice acts once."""

    id: str
    verb: Literal["stop"]


class CommandQueue:
    """Commands to a run, in order, each id once. Safe between threads and from a signal handler."""

    def __init__(self) -> None:
        self._queue: queue.SimpleQueue[Command] = queue.SimpleQueue()
        self._seen: set[str] = set()

    def send(self, command: Command) -> None:
        """Ask something of the run."""
        self._queue.put(command)

    def take(self) -> Command | None:
        """The next command that was not seen before, or None."""
        while True:
            try:
                command = self._queue.get_nowait()
            except queue.Empty:
                return None
            if command.id not in self._seen:
                self._seen.add(command.id)
                return command
