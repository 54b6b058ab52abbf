"""What a run can be at, what that may turn into, and what can be asked of it then: one table, as data.

The runner moves by it and refuses by it, clients may read it. A run's row in the logbook knows less: it is running,
paused or ended; what stands here is known to the process that walks it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Literal, get_args

State = Literal[
    "idle", "opening", "working", "exposing", "asking", "cueing", "paused", "seeking", "ending", "stopped", "done"
]  # fmt: skip
Verb = Literal[
    "stop", "stop-now", "pause", "go-on", "skip", "retake", "improvise", "cue", "answer", "interval", "look", "preview"
]  # fmt: skip
VERBS: Mapping[Verb, str] = {
    "stop": "end the work after the frame in flight; resume goes on",
    "stop-now": "the same without waiting for the frame in flight",
    "pause": "wait before the next step, with everything at hand",
    "go-on": "end the pause",
    "skip": "leave a step out: the one that is waited at, the next one, or the one named by step",
    "retake": "take the last picture again, or the one named by step",
    "improvise": "one more picture with one setting changed, as change says, beside the last one or that of step",
    "cue": "take the picture that waits for its cue",
    "answer": "answer the question that is open, named by question, with one of its choices",
    "interval": "from the next frame of the time-lapse on, frames every so many seconds",
    "look": "from the next frame of the time-lapse on, a night so many stops darker; begins and over may be given",
    "preview": "one live picture through the camera, while nothing is shot",
}


@dataclass(frozen=True)
class Row:
    """One state: what it means, what it may turn into, which verbs are accepted in it."""

    means: str
    turns_into: frozenset[State]
    verbs: tuple[Verb, ...] = ()


def _row(means: str, turns_into: str, verbs: str = "") -> Row:
    states, words = turns_into.split(), verbs.split()
    if not set(states) <= set(get_args(State)) or not set(words) <= set(get_args(Verb)):
        raise ValueError(f"{means}: a word of the table is none of those known")
    return Row(means, frozenset(states), tuple(words))  # type: ignore[arg-type]


TABLE: Mapping[State, Row] = {
    "idle": _row("no run has begun; a stop is for the one that begins", "opening", "stop stop-now"),
    "opening": _row("the camera is waited for", "working stopped", "stop stop-now"),
    "working": _row(
        "between two steps, or at one that exposes nothing now",
        "exposing asking cueing paused seeking ending stopped",
        "stop stop-now pause skip retake improvise interval look",
    ),
    "exposing": _row(
        "a frame is in flight, from its settings to its files at home",
        "working seeking stopped",
        "stop stop-now pause retake improvise interval look",
    ),
    "asking": _row("a question to the operator is open", "working stopped", "stop stop-now skip answer"),
    "cueing": _row(
        "the next picture waits for the lecturer's cue",
        "working stopped",
        "stop stop-now skip retake improvise cue preview",
    ),
    "paused": _row(
        "waiting because a pause was asked for",
        "working stopped",
        "stop stop-now go-on skip retake improvise interval look preview",
    ),
    "seeking": _row("the camera is lost and looked for", "working ending stopped", "stop stop-now interval look"),
    "ending": _row("all steps are done; the card is looked through and the camera put back", "seeking done stopped"),
    "stopped": _row("the work has ended before the run has; resume goes on", "opening"),
    "done": _row("the run has ended", "opening"),
}


def refusal(verb: str, state: str) -> str | None:
    """Why ``verb`` cannot be done in ``state``: state, asked, allowed; None when it can."""
    if verb not in VERBS:
        return f"asked for {verb[:40]!r}, which is no command; there are: {', '.join(VERBS)}"
    row = TABLE[state]  # type: ignore[index]
    if verb in row.verbs:
        return None
    allowed = ", ".join(row.verbs) or "nothing"
    return f"asked for {verb}; the run is {state} ({row.means}); allowed now: {allowed}"


class Machine:
    """Where a run is. It moves only as `TABLE` allows; a move that it does not is a mistake of the program."""

    def __init__(self) -> None:
        self._state: State = "idle"

    @property
    def state(self) -> State:
        """The state now; may be read from any thread."""
        return self._state

    def enter(self, state: State) -> None:
        """Move to another state; to the present one is no move.

        Raises
        ------
        RuntimeError
            If the table has no such move.
        """
        if state != self._state and state not in TABLE[self._state].turns_into:
            raise RuntimeError(f"a run that is {self._state} cannot become {state}")
        self._state = state

    @contextmanager
    def during(self, state: State) -> Iterator[None]:
        """Be in a state for a while, then in the one before again."""
        before = self._state
        self.enter(state)
        try:
            yield
        finally:
            if self._state == state:
                self._state = before
