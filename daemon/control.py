"""What clients ask of a run, judged by the table of states and carried out, each command once.

Commands are heard by the runner's own thread where nothing is in flight. Each is judged twice: by the state in which it
was sent, so that a cue that was given too early takes no picture later, and by the state in which it is heard. What a
command adds to the record or takes from it is one transaction with the command itself.
"""

from __future__ import annotations

import os
import queue
import signal
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from daemon.errors import RunPaused, StopwrightError, UsageError
from daemon.extras import NewExtra
from daemon.feed import CommandQueue, Event, Listener, Sent
from daemon.logbook import StepRow
from daemon.looking import look_through
from daemon.questions import SKIP, Answered
from daemon.states import VERBS, Machine, refusal
from plans.improvise import improvised
from plans.plan import ExposeStep

if TYPE_CHECKING:
    from daemon.context import RunContext

BY = "command"  # who answered, where the command does not say


class StoppedNow(RunPaused):
    """Stopped without waiting for the frame in flight."""


class Cued(Exception):
    """The waiting for a cue is over: ``go``, ``skip``, or ``look`` when something else is to be done first."""

    def __init__(self, what: Literal["go", "skip", "look"]):
        self.what = what
        super().__init__(what)


def _nothing() -> None:
    """What most commands do once they are in the record."""


@dataclass(frozen=True)
class _Deed:
    """What a command does: to the record, in one transaction with the command, and ``then`` to the run."""

    then: Callable[[], None] = _nothing
    skips: tuple[int, str] | None = None
    extra: NewExtra | None = None
    data: Mapping[str, Any] | None = None  # what is noted with the command, where that is more than it said


class Control:
    """Hears the commands to one runner. ``pausing``: a pause was asked for and not yet ended."""

    def __init__(self, machine: Machine, commands: CommandQueue, listener: Listener):
        self.machine, self.pausing = machine, False
        self.at_hand: int | None = None  # the row of the step that is being worked on
        self._commands, self._listener = commands, listener
        self._context: RunContext | None = None
        self._urgent: queue.SimpleQueue[Sent | None] = queue.SimpleQueue()
        commands.attach(self._where, self._sent)

    def attach(self, context: RunContext | None) -> None:
        """From now on commands are for this run; None: for none."""
        self._context, self.pausing, self.at_hand = context, False, None

    @contextmanager
    def working_on(self, row: StepRow) -> Iterator[None]:
        """A step is being worked on, so that no command can end it."""
        self.at_hand = row.id
        try:
            yield
        finally:
            self.at_hand = None

    def _where(self) -> tuple[str, str | None]:
        question = self._context.question if self._context else None
        return self.machine.state, question.id if question else None

    # -- hearing --------------------------------------------------------------------------------------------------

    def hear(self, timeout_s: float = 0.0) -> None:
        """Carry out every command that has come, waiting for the first at most so long. [s]

        Raises
        ------
        RunPaused
            If one stops the run; `StoppedNow` if at once.
        Answered, Cued
            If one ends what is waited for now.
        StoreError
            If the record refuses.
        """
        while (sent := self._commands.take(timeout_s)) is not None:
            timeout_s = 0.0
            self._carry_out(sent)

    def answer_late(self) -> bool:
        """Answer what was sent to a run that has ended; whether one asks to stop, which ends what is still waited for.

        Raises
        ------
        StoreError
            If the record refuses.
        """
        hurried = False
        while (sent := self._commands.take()) is not None:
            stops = sent.command.verb in ("stop", "stop-now")
            hurried = hurried or stops
            refused = None if stops else refusal(sent.command.verb, self.machine.state)
            if self._is_new(sent, refused, _Deed()):
                self._answer_to(sent, refused, "the run is done already; its last verdicts are no longer waited for")
        return hurried

    def _carry_out(self, sent: Sent) -> None:
        command, refused, deed = sent.command, refusal(sent.command.verb, sent.state), _Deed()
        refused = refused or refusal(command.verb, self.machine.state)
        if refused is None:
            try:
                deed = self._deed(sent)
            except UsageError as error:
                refused = str(error)
        if not self._is_new(sent, refused, deed):
            return
        self._answer_to(sent, refused, VERBS.get(command.verb, ""))  # type: ignore[call-overload]
        if refused is None:
            deed.then()

    def _is_new(self, sent: Sent, refused: str | None, deed: _Deed) -> bool:
        """Note a command with what it does to the record; False when one of its id is there already."""
        command, context = sent.command, self._context
        if context is None:
            return True
        return context.logbook.accept(
            context.run.id,
            command.id,
            command.verb,
            command.data if deed.data is None else deed.data,
            refused=refused,
            skips=deed.skips,
            extra=deed.extra,
        )

    def _answer_to(self, sent: Sent, refused: str | None, does: str) -> None:
        """Tell what a command does, or why it does nothing."""
        command = sent.command
        data = {"command": command.id, "verb": command.verb[:40], "state": self.machine.state}
        if refused is not None:
            self._tell(Event("command-refused", refused, data))
        else:
            self._tell(Event("command", f"{command.verb}: {does}", data))

    def _tell(self, event: Event) -> None:
        if self._context is not None:
            self._context.tell_event(event)
        else:
            with suppress(Exception):
                self._listener(event)

    # -- the verbs: each says what it does, or refuses with a UsageError -------------------------------------------

    def _deed(self, sent: Sent) -> _Deed:
        verb, data = sent.command.verb, sent.command.data
        if verb in ("stop", "stop-now"):
            kind = RunPaused if verb == "stop" else StoppedNow
            text = "Stopped as asked" if verb == "stop" else "Stopped at once, as asked"
            end = "Nothing is lost" if self._context else "Nothing was begun: the camera was still waited for"
            return _Deed(lambda: _raise(kind(f"{text}. {end}")))
        if verb in ("pause", "go-on"):
            return _Deed(lambda: self._set_pausing(verb == "pause"))
        if verb == "answer":
            return self._answer(data)
        if verb == "cue":
            self._demand_same_question(sent)
            return _Deed(lambda: _raise(Cued("go")))
        if verb == "skip":
            return self._skip(sent)
        if verb == "preview":
            return _Deed(lambda: look_through(self._running()))
        if verb in ("interval", "look"):
            lapse = self._running().lapse
            if lapse is None:
                raise UsageError(f"{verb}: no time-lapse is running")
            change, noted = lapse.asked(verb, data)
            return _Deed(lambda: lapse.adopt(change), data=noted)
        return self._one_more(verb, data)

    def _set_pausing(self, pausing: bool) -> None:
        self.pausing = pausing

    def _look_again(self) -> None:
        """Something is to be done before what is waited for."""
        if self.machine.state == "cueing":
            raise Cued("look")

    def _demand_same_question(self, sent: Sent) -> None:
        """Refuse what was meant for something that was open before; pressing twice is no word for the next one."""
        if sent.question != self._where()[1]:
            raise UsageError(f"{sent.command.verb}: sent for something that was settled meanwhile. Look, and ask again")

    def _answer(self, data: Mapping[str, Any]) -> _Deed:
        question = self._context.question if self._context else None
        assert question is not None  # the table has answers only where a question is open
        if data.get("question") != question.id:
            raise UsageError(
                f"answer: found question {str(data.get('question'))[:40]!r}; open is {question.id!r}: "
                f"{question.text.splitlines()[0]}"
            )
        if data.get("answer") not in question.choices:
            raise UsageError(f"answer: found {str(data.get('answer'))[:80]!r}; allowed: {', '.join(question.choices)}")
        return _Deed(lambda: _raise(Answered(data["answer"], str(data.get("by", BY))[:80])))

    def _skip(self, sent: Sent) -> _Deed:
        context, step_id = self._running(), sent.command.data.get("step")
        question = context.question
        if question is not None and step_id in (None, question.step):
            self._demand_same_question(sent)
            if self.machine.state == "cueing":
                return _Deed(lambda: _raise(Cued("skip")))
            if SKIP not in question.choices:
                raise UsageError(f"skip: this question cannot be skipped; allowed: {', '.join(question.choices)}")
            return _Deed(lambda: _raise(Answered(SKIP, BY)))
        row = context.open_row(step_id)
        if row is None:
            what = "no step is left to do" if step_id is None else f"{str(step_id)[:40]!r} is no step still to do"
            raise UsageError(f"skip: {what}")
        if row.id == self.at_hand:
            raise UsageError(f"skip: {row.step_id} is being worked on. Pause, or stop, and skip it then")
        return _Deed(self._look_again, skips=(row.id, "skipped as asked"))

    def _one_more(self, verb: str, data: Mapping[str, Any]) -> _Deed:
        """Another picture beside one that is kept: a retake of it, or one with a setting changed."""
        context, step_id = self._running(), data.get("step")
        row = context.standing(step_id)
        if row is None:
            found = "none is kept yet" if step_id is None else f"{str(step_id)[:40]!r} is no picture that is kept"
            raise UsageError(f"{verb}: asked for one more beside a picture; {found}")
        step = context.step(row)
        assert isinstance(step, ExposeStep)
        if verb == "improvise":
            try:
                step = improvised(context.plan(row.revision), step, str(data.get("change", "")))
            except ValueError as error:
                raise UsageError(f"improvise: {error}") from None
        if lack := context.hands().lacks(step):
            raise UsageError(f"{verb} {row.step_id}: the rig does not stand as it did then: {lack}")
        what: Literal["improvised", "retake"] = "improvised" if verb == "improvise" else "retake"
        why = f"asked for {data['change']}" if verb == "improvise" else str(data.get("why", "as asked"))[:200]
        return _Deed(self._look_again, extra=NewExtra(what, row, step, why))

    def _running(self) -> RunContext:
        assert self._context is not None  # the table has these verbs only in states of a run
        return self._context

    # -- stopping in the midst of a frame -------------------------------------------------------------------------

    def _sent(self, sent: Sent) -> None:
        """Called by whoever sends, maybe a signal handler: puts it where the watcher finds it, and no more."""
        if sent.command.verb == "stop-now":
            self._urgent.put(sent)

    @contextmanager
    def watching(self) -> Iterator[None]:
        """Have a thread that ends an exposure when a client asks to stop now."""
        thread = threading.Thread(target=self._watch, name="stop-now", daemon=True)
        thread.start()
        try:
            yield
        finally:
            self._urgent.put(None)
            thread.join()

    def _watch(self) -> None:
        while (sent := self._urgent.get()) is not None:
            context = self._context
            if context is None or sent.state != "exposing" or self.machine.state != "exposing" or context.in_bulb:
                continue  # it is heard soon; a shutter that the computer holds open is closed first
            with suppress(StopwrightError, OSError):
                pid = getattr(context.camera, "pid", None)
                known = self._commands.is_seen(sent.command.id) or context.logbook.command(sent.command.id)
                if pid is not None and not known:
                    os.kill(pid, signal.SIGKILL)  # the exposure itself goes on in the camera; its picture is taken up


def _raise(error: Exception) -> None:
    raise error
