"""Structured logs: readable lines on a terminal, JSON elsewhere, always to standard error."""

from __future__ import annotations

import io
import sys
from typing import Any, TextIO

import structlog

from daemon.streams import is_terminal


def set_up(level: str = "warning", sink: TextIO | None = None) -> None:
    """Send logs of at least ``level`` (debug, info, warning, error) to ``sink``, standard error by default."""
    stream = sink or sys.stderr or io.StringIO()
    render: Any = (
        structlog.dev.ConsoleRenderer(colors=False) if is_terminal(stream) else structlog.processors.JSONRenderer()
    )
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
