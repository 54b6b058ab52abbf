"""The operator behind the service: a question stands open until a client answers it, or the run is stopped."""

from __future__ import annotations

import threading
import uuid
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

from daemon import clock
from daemon.errors import RunPaused, UsageError
from daemon.tables import utc_text

if TYPE_CHECKING:
    from daemon.operator import Answer
    from plans.plan import OperatorStep

Question = dict[str, Any]
"""``id``, ``kind`` (hands, choice, caution), ``text``, ``why``, ``choices``, ``step``, ``since``."""


class PageOperator:
    """Answers come from other threads with `answer`. ``told``: called when a question opens or closes."""

    name = "page"

    def __init__(self, told: Callable[[], None]):
        self._told = told
        self._lock = threading.Condition()
        self._open: Question | None = None
        self._answer: str | None = None
        self._stopped = False

    @property
    def open_question(self) -> Question | None:
        """The question that waits for an answer."""
        return self._open

    def act(self, step: OperatorStep) -> Answer:
        """Ask for hands."""
        return self._ask("hands", step.text, ("done", "skip", "stop"), step.why, step.id)  # type: ignore[return-value]

    def choose(self, question: str, choices: Sequence[str]) -> str:
        """Ask for one of ``choices``."""
        return self._ask("choice", question, tuple(choices))

    def acknowledge(self, caution: str) -> None:
        """Ask that a caution be read."""
        self._ask("caution", caution, ("read",))

    def answer(self, question: str | None, answer: str) -> None:
        """Answer the open question; ``question`` None: whichever is open.

        Raises
        ------
        UsageError
            If none is open, another one is, or the answer is none of its choices.
        """
        with self._lock:
            found = self._open
            if found is None:
                raise UsageError("answer: found no open question. Look at the run's state")
            if question not in (None, found["id"]):
                raise UsageError(f"answer to {question!r}: found another question open: {found['text']}. Answer that")
            if answer not in found["choices"]:
                raise UsageError(f"answer: found {answer!r}; allowed: {', '.join(found['choices'])}. Send one of them")
            self._answer = answer
            self._lock.notify_all()

    def stop(self) -> None:
        """Let whoever waits go: the run is to stop."""
        with self._lock:
            self._stopped = True
            self._lock.notify_all()

    def _ask(self, kind: str, text: str, choices: tuple[str, ...], why: str = "", step: str | None = None) -> str:
        with self._lock:
            self._answer = None
            self._open = {
                "id": uuid.uuid4().hex[:12],
                "kind": kind,
                "text": text,
                "why": why,
                "choices": list(choices),
                "step": step,
                "since": utc_text(clock.utc_now()),
            }
        self._told()
        try:
            with self._lock:
                self._lock.wait_for(lambda: self._answer is not None or self._stopped)
                if self._answer is None:
                    raise RunPaused("Stopped as asked, while hands were waited for. Nothing is lost")
                return self._answer
        finally:
            self._open = None
            self._told()
