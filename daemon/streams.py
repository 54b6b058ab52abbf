"""The three standard streams, fit for use whatever they are: closed, of a narrow encoding, full, or left by the reader.

What cannot be written never ends a run. It is remembered, and the command says so at its end.
"""

from __future__ import annotations

import errno
import io
import os
import re
import select
import sys
from contextlib import suppress
from typing import TextIO

WIDEST, NARROWEST = 80, 40  # columns

_CONTROLS = {code: f"\\u{code:04x}" for code in [*range(32), *range(127, 160)] if chr(code) not in "\n\t"}


class _Sink(io.FileIO):
    """Takes all that it is given. From the first thing that cannot be written on, everything goes nowhere."""

    trouble: OSError | None = None

    def write(self, data: object, /) -> int:
        while self.trouble is None:
            try:
                written = super().write(data)  # type: ignore[arg-type]
                if written is not None:
                    return written
                select.select([], [self], [])  # another program set it not to block, and it is full
            except OSError as error:
                self.trouble = error
        return memoryview(data).nbytes  # type: ignore[arg-type]


class _Output(io.TextIOWrapper):
    """Standard output or standard error: characters that the encoding lacks are replaced, and no writing fails."""

    def __init__(self, number: int, encoding: str, errors: str):
        self.sink = _Sink(number, "w", closefd=False)
        self._terminal = self.sink.isatty()
        super().__init__(io.BufferedWriter(self.sink), encoding, errors, line_buffering=self._terminal)

    def write(self, text: str, /) -> int:
        """Write a text. What a file's name or a brief's title holds must not work the terminal."""
        super().write(text.translate(_CONTROLS) if self._terminal else text)
        return len(text)


def prepare() -> None:
    """Make ``sys.stdin``, ``sys.stdout`` and ``sys.stderr`` fit for use. Call it before any file is opened.

    A closed one becomes the null device: else the next file that is opened, the logbook for example, gets its number,
    and whatever is printed lands in it.
    """
    while (number := os.open(os.devnull, os.O_RDWR)) <= 2:
        os.set_inheritable(number, True)
    os.close(number)
    if sys.stdin is None:
        sys.stdin = open(0, encoding="utf-8", closefd=False)  # noqa: SIM115
    elif isinstance(sys.stdin, io.TextIOWrapper):
        sys.stdin.reconfigure(errors="replace")
    sys.stdout = _Output(1, _encoding(sys.stdout), "replace")
    sys.stderr = _Output(2, _encoding(sys.stderr), "backslashreplace")


def _encoding(stream: TextIO | None) -> str:
    return "utf-8" if stream is None else stream.encoding


def output_trouble() -> str | None:
    """Why standard output could not be written, in words; None when it could, or when its reader just left."""
    trouble = sys.stdout.sink.trouble if isinstance(sys.stdout, _Output) else None
    if trouble is None or trouble.errno == errno.EPIPE:
        return None
    return trouble.strerror or str(trouble)


def is_terminal(stream: TextIO | None) -> bool:
    """Whether somebody sits at a stream."""
    try:
        return stream is not None and stream.isatty()
    except ValueError:  # it was closed
        return False


def columns(stream: TextIO | None) -> int:
    """How wide a line for people may be on a stream: the terminal's width from 40 to 80, elsewhere 80. [columns]"""
    width = 0
    if stream is not None and is_terminal(stream):
        with suppress(OSError, ValueError):
            asked = os.environ.get("COLUMNS", "")
            width = int(asked) if re.fullmatch(r"[0-9]{1,5}", asked) else 0
            width = width or os.get_terminal_size(stream.fileno()).columns
    return max(NARROWEST, min(width or WIDEST, WIDEST))


def encodes_all(stream: TextIO | None) -> bool:
    """Whether every character can be written to a stream as it is."""
    return stream is not None and (stream.encoding or "").lower().replace("-", "").startswith("utf")
