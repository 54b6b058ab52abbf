"""A question to the operator, as data that a page can show, while a run waits for whoever answers first.

The run asks through `Asked`, whoever the operator is. An operator that waits lets the run look about meanwhile by its
``poll``; so an answer, or a stop, that comes by the command queue ends the waiting at once.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any, Literal, TypeVar

from daemon import clock
from daemon.errors import RunPaused, UsageError
from daemon.operator import LOOK_EVERY_S, Answer, Operator
from daemon.tables import utc_text
from plans.plan import OperatorStep

if TYPE_CHECKING:
    from daemon.context import RunContext

QuestionKind = Literal["hands", "choice", "caution", "cue"]
DONE, SKIP, STOP, READ = "done", "skip", "stop", "read"
_Text = TypeVar("_Text", bound=str)


@dataclass(frozen=True)
class Question:
    """What is asked. ``choices`` are the answers allowed; ``step`` is the step it belongs to, if any."""

    kind: QuestionKind
    text: str
    why: str
    choices: tuple[str, ...]
    step: str | None
    since: datetime
    id: str

    def as_json(self) -> dict[str, Any]:
        """The question as plain data."""
        return asdict(self) | {"choices": list(self.choices), "since": utc_text(self.since)}


def new_question(
    kind: QuestionKind, text: str, choices: Sequence[str], why: str = "", step: str | None = None
) -> Question:
    """A question that is open from now on, with an id that no other has: an answer to it can be no other's."""
    return Question(kind, text, why, tuple(choices), step, clock.utc_now(), uuid.uuid4().hex[:12])


class Answered(Exception):
    """The open question was answered otherwise than by the operator who was asked."""

    def __init__(self, answer: str, by: str):
        self.answer, self.by = answer, by
        super().__init__(answer)


class Asked:
    """The operator as a run asks it: the question stands open as data while it is waited for.

    ``name`` is whoever gave the last answer.

    Raises
    ------
    RunPaused
        From every question, when hands are waited for no longer, or a client stops the run.
    """

    def __init__(self, context: RunContext, operator: Operator):
        self._context, self._operator = context, operator
        self.name = operator.name

    def act(self, step: OperatorStep) -> Answer:
        """Do what the step says; the answer."""
        question = new_question("hands", step.text, (DONE, SKIP, STOP), step.why, step.id)
        return self._ask(question, lambda: self._operator.act(step))  # type: ignore[return-value]

    def choose(self, question: str, choices: Sequence[str]) -> str:
        """One of ``choices``."""
        return self._ask(new_question("choice", question, choices), lambda: self._operator.choose(question, choices))

    def acknowledge(self, caution: str) -> None:
        """Wait until somebody took note of a caution."""

        def read() -> str:
            self._operator.acknowledge(caution)
            return READ

        self._ask(new_question("caution", caution, (READ,)), read)

    def _ask(self, question: Question, ask: Callable[[], str]) -> str:
        context, operator = self._context, self._operator
        patience = _Patience(context, question)
        with context.machine.during("asking"), context.open_question(question):
            if hasattr(operator, "poll"):
                operator.poll = patience.look
            try:
                answer, self.name = ask(), operator.name
            except Answered as given:
                answer, self.name = given.answer, given.by
            finally:
                if hasattr(operator, "poll"):
                    operator.poll = None
        context.tell("answered", answer, question=question.id, by=self.name)
        return answer


class _Patience:
    """Looks about while a question is open: at commands, at the clock for reminders and for the end of patience."""

    def __init__(self, context: RunContext, question: Question):
        self._context, self._question = context, question
        self._began = self._reminded = clock.monotonic()

    def look(self, timeout_s: float = 0.0) -> None:
        """Hear commands, waiting for one at most so long; remind; give up. [s]

        Raises
        ------
        Answered
            If a command answers, or the step is skipped because nobody did.
        RunPaused
            If a command stops the run, or nobody answers and the run is to pause then.
        """
        context, manners, now = self._context, self._context.manners, clock.monotonic()
        context.control.hear(timeout_s)
        waited = now - self._began
        if manners.hands_timeout_s is not None and waited >= manners.hands_timeout_s:
            if manners.hands_late == "skip" and SKIP in self._question.choices:
                context.tell("note", f"Nobody answered for {waited:.0f} s; what needs it is skipped")
                raise Answered(SKIP, "nobody")
            raise RunPaused(f"{self._question.text}\nNobody answered for {waited:.0f} s. Nothing is lost")
        if now - self._reminded >= manners.remind_s:
            self._reminded = now
            text = f"Still waiting after {waited:.0f} s: {self._question.text}"
            context.tell("reminder", text, question=self._question.id, waited_s=round(waited, 1))


class QueueOperator:
    """An operator who is reached by the command queue alone: a page, another program.

    Every question waits for the command ``answer``, and so on as `_Patience` looks for it.
    """

    def __init__(self, name: str = "page"):
        self.name = name
        self.poll: Callable[[float], None] | None = None

    def act(self, step: OperatorStep) -> Answer:
        """Wait for the answer to what the step says."""
        self._wait()
        return "stop"

    def choose(self, question: str, choices: Sequence[str]) -> str:
        """Wait for the choice."""
        self._wait()
        return choices[0]

    def acknowledge(self, caution: str) -> None:
        """Wait until somebody took note."""
        self._wait()

    def _wait(self) -> None:
        if self.poll is None:
            raise UsageError("a question for the command queue: asked outside a run, where no queue is heard")
        while True:  # ends by the exception that an answer is
            self.poll(LOOK_EVERY_S)
