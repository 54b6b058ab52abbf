"""The operator: whoever answers when hands are needed.

An operator is asked, one thing at a time, to do an `OperatorStep`, to choose among answers, or to take note of a
caution. The console operator is here; the simulated one is shipped with the simulated hardware and found through the
packaging entry point ``stopwright.operators``.
"""

from __future__ import annotations

import io
import os
import select
import termios
import textwrap
from collections.abc import Callable, Collection, Sequence
from contextlib import suppress
from importlib.metadata import entry_points
from typing import Literal, Protocol, TextIO

from daemon.errors import RunPaused, UsageError
from daemon.streams import columns, is_terminal
from plans.plan import OperatorStep

Answer = Literal["done", "skip", "stop"]
LOOK_EVERY_S = 0.2  # how often an operator that waits looks at what else goes on [s]
_CUES = {"": ("cue", ""), "k": ("skip", ""), "s": ("stop", ""), "r": ("retake", "")}


class Operator(Protocol):
    """Answers for the hands. ``name`` is written into the record beside what they did."""

    name: str

    def act(self, step: OperatorStep) -> Answer:
        """Do what the step says; ``done``, ``skip`` (leave out what depends on it) or ``stop`` (pause the run)."""
        ...

    def choose(self, question: str, choices: Sequence[str]) -> str:
        """One of ``choices`` in answer to ``question``."""
        ...

    def acknowledge(self, caution: str) -> None:
        """Take note of a caution, at the step where it matters."""
        ...


class ConsoleOperator:
    """Asks on the terminal: one line, one key, Enter.

    What was typed before a question stood there is no answer to it, and is dropped. While it waits it calls ``poll``,
    if it is given one, so that a run can look at its commands and its clock; what that raises ends the waiting.

    Raises
    ------
    RunPaused
        From every question, when the console is closed.
    """

    name = "console"

    def __init__(self, source: TextIO, sink: TextIO):
        self._source, self._sink = source, sink
        self.poll: Callable[[float], None] | None = None

    def act(self, step: OperatorStep) -> Answer:
        self._say("")
        self._wrapped(f"YOUR HANDS: {step.text}")
        self._wrapped(f"why: {step.why}")
        answers: dict[str, Answer] = {"": "done", "d": "done", "k": "skip", "s": "stop"}
        return answers[self._read("  Enter when done, k to skip what needs it, s to stop here: ", answers)]

    def choose(self, question: str, choices: Sequence[str]) -> str:
        self._say("")
        for line in question.splitlines():
            self._wrapped(line)
        for number, choice in enumerate(choices, 1):
            self._say(f"    {number}  {choice}")
        keys = [str(number) for number in range(1, len(choices) + 1)]
        return choices[int(self._read("  number, then Enter: ", keys)) - 1]

    def acknowledge(self, caution: str) -> None:
        self._say("")
        self._wrapped(f"CAUTION: {caution}")
        self._read("  Enter when read: ", [""])

    def cue(self, what: str) -> tuple[str, str]:
        """Wait for the word to take the next picture: a verb of `daemon.states`, and to what a picture is to change.

        Enter takes it; k leaves it out; r takes the last one again; a mark (f/4, 1/60 s, ISO 400) improvises.
        """
        self._say("")
        self._wrapped(f"NEXT: {what}")
        word = self._read("  Enter takes it, k skips it, r retakes, f/4 or such improvises, s stops: ")
        return _CUES.get(word.lower(), ("improvise", word))

    def _wrapped(self, text: str) -> None:
        width = columns(self._sink)
        self._say(textwrap.fill(text, width, initial_indent="  ", subsequent_indent="    ", break_on_hyphens=False))

    def _say(self, text: str) -> None:
        print(text, file=self._sink, flush=True)

    def _read(self, prompt: str, allowed: Collection[str] | None = None) -> str:
        """What was typed, one of ``allowed``; None: anything."""
        while True:
            _forget_typing(self._source)
            print(prompt, end="", file=self._sink, flush=True)
            line = self._line()
            if not line:
                self._say("")
                raise RunPaused("The console was closed while hands were needed. Nothing is lost")
            word = line.strip()
            if allowed is None or word.lower() in allowed:
                return word if allowed is None else word.lower()
            self._say(f"  {word!r} is none of the answers")

    def _line(self) -> str:
        """The next line; empty when there will be none.

        Read past the reader's memory of more, so that what is waiting can be seen before it is read.
        """
        try:
            number = self._source.fileno()
        except (io.UnsupportedOperation, AttributeError):
            return self._source.readline()
        at_once = 4096 if is_terminal(self._source) else 1  # a terminal gives one line at a time
        read = b""
        with suppress(OSError):  # the terminal is gone
            while not read.endswith(b"\n"):
                if self.poll is not None and not select.select([number], [], [], LOOK_EVERY_S)[0]:
                    self._look()
                    continue
                if not (part := os.read(number, at_once)):
                    break
                read += part
        return read.decode(self._source.encoding or "utf-8", errors="replace")

    def _look(self) -> None:
        """Look at what else goes on; an answer from elsewhere leaves the prompt, so that the next line is its own."""
        assert self.poll is not None
        try:
            self.poll(0.0)
        except BaseException:
            self._say("")
            raise


def _forget_typing(source: TextIO) -> None:
    """Drop what was typed already: Enter pressed while a frame was exposed is no filter put on."""
    if is_terminal(source):
        with suppress(termios.error):
            termios.tcflush(source.fileno(), termios.TCIFLUSH)


def named_operator(name: str, camera_port: str | None) -> Operator:
    """The operator that a user names: ``simulated`` or ``simulated:HOST:PORT`` (the hands of a simulated camera).

    Without an address the hands are looked for one port above the camera's own.

    Raises
    ------
    UsageError
        If no operator of that name is installed; the text lists those that are.
    """
    kind, _, address = name.partition(":")
    found = {entry.name: entry for entry in entry_points(group="stopwright.operators")}
    if kind not in found:
        known = ", ".join(["console", *sorted(found)])
        raise UsageError(f"--operator: found {name!r}; allowed: {known}")
    operator: Operator = found[kind].load()(address or None, camera_port)
    return operator
