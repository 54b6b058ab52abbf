"""Structured logs: readable lines on a terminal, JSON elsewhere, always to standard error."""

from __future__ import annotations

import io
import logging
import sys
import threading
from typing import Any, Literal, TextIO

import structlog

from daemon.streams import is_terminal

Form = Literal["auto", "json", "lines"]


def set_up(level: str = "warning", sink: TextIO | None = None, form: Form = "auto") -> None:
    """Send logs of at least ``level`` (debug, info, warning, error) to ``sink``, standard error by default.

    ``form``: ``json`` one object a line, ``lines`` for people, ``auto`` lines on a terminal and JSON elsewhere.
    """
    stream = sink or sys.stderr or io.StringIO()
    by_hand = form == "lines" or (form == "auto" and is_terminal(stream))
    render: Any = structlog.dev.ConsoleRenderer(colors=False) if by_hand else structlog.processors.JSONRenderer()
    structlog.configure(
        processors=[
            structlog.contextvars.merge_contextvars,
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            render,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(level),
        logger_factory=structlog.PrintLoggerFactory(stream),
        cache_logger_on_first_use=False,
    )


def get(**context: Any) -> Any:
    """A logger with ``context`` bound to it."""
    return structlog.get_logger().bind(**context)


class Failures:
    """One line when something fails, none while it goes on failing, one when it is over. Safe between threads."""

    def __init__(self, logger: Any):
        self._log, self._count = logger, dict[str, int]()
        self._lock = threading.Lock()

    def failed(self, what: str, **facts: Any) -> None:
        """``what`` failed, for the first time or again."""
        with self._lock:
            self._count[what] = self._count.get(what, 0) + 1
            first = self._count[what] == 1
        if first:
            self._log.error(f"{what} fails", **facts)

    def works(self, what: str) -> None:
        """``what`` works; says so if it had failed."""
        with self._lock:
            count = self._count.pop(what, 0)
        if count:
            self._log.info(f"{what} works again", failures=count)


class _Handed(logging.Handler):
    """Hands the lines of libraries that use the standard logging over to our log."""

    def emit(self, record: logging.LogRecord) -> None:
        try:
            logger = get(part=record.name)
            told = {"fault": repr(record.exc_info[1])} if record.exc_info and record.exc_info[1] else {}
            logger.log(record.levelno, record.getMessage().splitlines()[0][:500], **told)
        except Exception:
            self.handleError(record)


def take_over(*libraries: str, level: int = logging.WARNING) -> None:
    """Let ``libraries`` write into our log, from ``level`` on, one line each and no traceback."""
    for name in libraries:
        logger = logging.getLogger(name)
        logger.handlers, logger.propagate = [_Handed()], False
        logger.setLevel(level)
