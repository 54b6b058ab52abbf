"""The operator: whoever answers when hands are needed.

An operator is asked, one thing at a time, to do an `OperatorStep`, to choose among answers, or to take note of a
caution. The console operator is here; the simulated one is shipped with the simulated hardware and found through the
packaging entry point ``stopwright.operators``.
"""

from __future__ import annotations

import os
import termios
import textwrap
from collections.abc import Sequence
from contextlib import suppress
from importlib.metadata import entry_points
from typing import Literal, Protocol, TextIO

from daemon.errors import RunPaused, UsageError
from daemon.streams import columns, is_terminal
from plans.plan import OperatorStep

Answer = Literal["done", "skip", "stop"]


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

    What was typed before a question stood there is no answer to it, and is dropped.

    Raises
    ------
    RunPaused
        From every question, when the console is closed.
    """

    name = "console"

    def __init__(self, source: TextIO, sink: TextIO):
        self._source, self._sink = source, sink

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

    def _wrapped(self, text: str) -> None:
        width = columns(self._sink)
        self._say(textwrap.fill(text, width, initial_indent="  ", subsequent_indent="    ", break_on_hyphens=False))

    def _say(self, text: str) -> None:
        print(text, file=self._sink, flush=True)

    def _read(self, prompt: str, allowed: Sequence[str] | dict[str, Answer]) -> str:
        while True:
            _forget_typing(self._source)
            print(prompt, end="", file=self._sink, flush=True)
            line = _line(self._source)
            if not line:
                self._say("")
                raise RunPaused("The console was closed while hands were needed. Nothing is lost")
            word = line.strip().lower()
            if word in allowed:
                return word
            self._say(f"  {word!r} is none of the answers")


def _forget_typing(source: TextIO) -> None:
    """Drop what was typed already: Enter pressed while a frame was exposed is no filter put on."""
    if is_terminal(source):
        with suppress(termios.error):
            termios.tcflush(source.fileno(), termios.TCIFLUSH)


def _line(source: TextIO) -> str:
    """The next line; empty when there will be none. From a terminal it is read past the reader's memory of more."""
    if not is_terminal(source):
        return source.readline()
    read = b""
    with suppress(OSError):  # the terminal is gone
        while not read.endswith(b"\n") and (part := os.read(source.fileno(), 4096)):
            read += part
    return read.decode(source.encoding or "utf-8", errors="replace")


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
