"""One camera process as a thing: its pipes, its last words, its end."""

from __future__ import annotations

import json
import os
import select
import signal
import subprocess
import sys
import weakref
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import Any

from daemon import clock

_LOG_ROOM = 1 << 20  # a longer log is begun anew [bytes]

# The kernel kills the child when the *thread* that started it ends, so it is started by one that ends with the process.
_starter = ThreadPoolExecutor(max_workers=1, thread_name_prefix="camera-starter")


class Child:
    """A running camera process. Not shared between threads.

    Parameters
    ----------
    work
        Folder of its log.
    environment
        All the variables that it sees.

    Attributes
    ----------
    owed
        An answer that nobody waited for: its request's number and its deadline.
    """

    def __init__(self, work: Path, environment: Mapping[str, str]):
        work.mkdir(parents=True, exist_ok=True)
        self._log = work / "camera-process.log"
        with suppress(OSError):
            if self._log.stat().st_size > _LOG_ROOM:
                self._log.unlink()
        with open(self._log, "ab") as log:
            self._log_from = log.tell()
            command = [sys.executable, "-P", "-m", "daemon.camera.host", str(os.getpid())]
            self._process: subprocess.Popen[bytes] = _starter.submit(
                subprocess.Popen,
                command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=log,
                env=dict(environment),
                start_new_session=True,  # a Ctrl-C on the terminal is not for it
                bufsize=0,
            ).result()
        self._buffer = b""
        self.owed: tuple[int, float] | None = None
        self._end = weakref.finalize(self, _end, self._process)

    @property
    def pid(self) -> int:
        """Its process number."""
        return self._process.pid

    @property
    def is_there(self) -> bool:
        """Whether it has not ended."""
        return self._process.poll() is None

    def say(self, request: dict[str, Any]) -> None:
        """Send one request; OSError when it is gone."""
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps(request).encode() + b"\n")

    def hear(self, deadline: float) -> dict[str, Any] | None:
        """The next line; None when the deadline passes first. EOFError when it is gone or talks nonsense. [s]"""
        assert self._process.stdout is not None
        poll = select.poll()
        poll.register(self._process.stdout, select.POLLIN)
        while b"\n" not in self._buffer:
            if not poll.poll(max(0.0, deadline - clock.monotonic()) * 1000):
                return None
            part = os.read(self._process.stdout.fileno(), 1 << 16)
            if not part:
                raise EOFError
            self._buffer += part
        line, _, self._buffer = self._buffer.partition(b"\n")
        try:
            found = json.loads(line)
        except ValueError:
            raise EOFError from None
        if not isinstance(found, dict):
            raise EOFError
        return found

    def end(self, grace_s: float = 0.0) -> None:
        """Let it end by itself within ``grace_s``, else kill it; take its remains away. Idempotent. [s]"""
        if grace_s > 0:
            if self._process.stdin is not None:
                with suppress(OSError):
                    self._process.stdin.close()
            with suppress(subprocess.TimeoutExpired):
                self._process.wait(grace_s)
        self._end()

    def epitaph(self) -> str:
        """How it ended, in words."""
        with suppress(subprocess.TimeoutExpired):
            self._process.wait(1.0)
        code = self._process.returncode
        if code is None:
            return "its pipe broke"
        if code < 0:
            return f"it was ended by signal {-code} ({signal.Signals(-code).name})"
        return f"it ended with code {code}"

    def last_words(self) -> str:
        """The end of what it and its libraries printed."""
        with suppress(OSError), open(self._log, "rb") as log:
            log.seek(self._log_from)
            return log.read()[-1000:].decode(errors="replace").strip()
        return ""


def _end(process: subprocess.Popen[bytes]) -> None:
    if process.poll() is None:
        process.kill()
    process.wait()
    for stream in (process.stdin, process.stdout):
        if stream is not None:
            with suppress(OSError):
                stream.close()
