"""What a run tells while it goes, and what clients ask of it: the same for console, page and record."""

from __future__ import annotations

import queue
import uuid
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field
from typing import Any, Literal

Kind = Literal[
    "run-started", "step-started", "frame-kept", "frame-recovered", "attempt-failed", "step-skipped", "hands-done",
    "light-metered", "retargeted", "camera-lost", "camera-back", "unasked-frame", "paused", "run-done", "note",
    "command", "command-refused", "question", "answered", "reminder", "waiting", "going-on", "frame-retaken",
    "frame-improvised", "lapse-started", "lapse-waiting", "lapse-frame", "lapse-gap", "lapse-light", "lapse-done",
    "preview", "verdict", "shutter-held",
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
    """Something a client asks of a run. The same ``id`` sent twice acts once, also when the run was resumed between.

    ``verb``: one of `daemon.states.VERBS`; any other is refused when it is heard. ``data`` by verb: ``step`` (an id)
    for skip, retake and improvise; ``change`` (``f/4``, ``1/60 s``, ``ISO 400``) for improvise; ``question`` and
    ``answer`` for answer; ``seconds`` for interval; ``darker``, ``begins`` and ``over`` [stops, EV, stops] for look.
    """

    id: str
    verb: str
    data: Mapping[str, Any] = field(default_factory=dict)

    @classmethod
    def new(cls, verb: str, **data: Any) -> Command:
        """A command with an id that no other has."""
        return cls(uuid.uuid4().hex, verb, data)


@dataclass(frozen=True)
class Sent:
    """A command with where the run was when it was sent; ``question``: the id of what was open then."""

    command: Command
    state: str
    question: str | None


class CommandQueue:
    """Commands to a run, in order, each id once. Safe between threads and from a signal handler."""

    def __init__(self) -> None:
        self._queue: queue.SimpleQueue[Sent] = queue.SimpleQueue()
        self._seen: set[str] = set()
        self._where: Callable[[], tuple[str, str | None]] = lambda: ("idle", None)
        self._urgent: Callable[[Sent], None] = lambda sent: None

    def attach(self, where: Callable[[], tuple[str, str | None]], urgent: Callable[[Sent], None]) -> None:
        """Have commands noted with where the run is (state, open question) and shown to ``urgent`` as they are sent.

        Both are called by whoever sends, maybe a signal handler: they must not wait for anything.
        """
        self._where, self._urgent = where, urgent

    def send(self, command: Command) -> None:
        """Ask something of the run."""
        sent = Sent(command, *self._where())
        self._queue.put(sent)
        self._urgent(sent)

    def take(self, timeout_s: float = 0.0) -> Sent | None:
        """The next command that was not seen before, waited for at most so long; None when there is none. [s]"""
        while True:
            try:
                sent = self._queue.get(timeout=timeout_s) if timeout_s > 0 else self._queue.get_nowait()
            except queue.Empty:
                return None
            if sent.command.id not in self._seen:
                self._seen.add(sent.command.id)
                return sent

    def is_seen(self, command_id: str) -> bool:
        """Whether a command of that id was taken already."""
        return command_id in self._seen
