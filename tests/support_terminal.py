"""The command on a real terminal: a pseudo-terminal with a keyboard, a screen, and Ctrl-C."""

from __future__ import annotations

import fcntl
import os
import select
import struct
import subprocess
import termios
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path

from support_run import COMMAND, environment

from daemon import clock


class Terminal:
    """A command whose three streams are one terminal. ``screen``: all that it has shown so far."""

    def __init__(self, words: tuple[str, ...], home: Path, columns: int, more: Mapping[str, str]):
        self.keyboard, slave = os.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
        self.process = subprocess.Popen(
            [*COMMAND, *words],
            env=environment(home) | {"TERM": "dumb"} | more,
            cwd=home,
            stdin=slave,
            stdout=slave,
            stderr=slave,
            start_new_session=True,
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),
        )
        os.close(slave)
        self.screen = ""

    def type(self, text: str) -> None:
        """Press these keys."""
        os.write(self.keyboard, text.encode())

    def watch(self, seconds: float, until: str | None = None) -> str:
        """Look at the screen for so long, or until a text stands there; what was new. [s]"""
        end, before = clock.monotonic() + seconds, len(self.screen)
        while (left := end - clock.monotonic()) > 0 and (until is None or until not in self.screen[before:]):
            if not select.select([self.keyboard], [], [], left)[0]:
                break
            try:
                part = os.read(self.keyboard, 4096)
            except OSError:  # the command has ended
                break
            self.screen += part.decode(errors="replace").replace("\r\n", "\n")
        return self.screen[before:]

    def expect(self, text: str, seconds: float = 25) -> str:
        """Wait until a text is shown anew. [s]"""
        new = self.watch(seconds, until=text)
        assert text in new, self.screen
        return new

    def end(self, seconds: float = 25) -> int:
        """Watch the command to its end; its exit code. [s]"""
        self.watch(seconds)
        return self.process.wait(5)

    def hang_up(self) -> None:
        """Close the window."""
        with suppress(OSError):
            os.close(self.keyboard)


@contextmanager
def terminal(*words: str, home: Path, columns: int = 80, more: Mapping[str, str] | None = None) -> Iterator[Terminal]:
    """``stopwright`` with ``words`` on a terminal so wide, with more variables; it is ended at the end. [columns]"""
    shown = Terminal(words, home, columns, more or {})
    try:
        yield shown
    finally:
        if shown.process.poll() is None:
            shown.process.kill()
        shown.process.wait()
        shown.hang_up()
