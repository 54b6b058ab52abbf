"""One shape for everything that is refused: what was asked, found, allowed, and what to do."""

from __future__ import annotations

import re
from typing import Any

from daemon.errors import (
    BriefError,
    CameraError,
    PlanUnreachable,
    RunPaused,
    StopwrightError,
    StoreError,
    UsageError,
)
from daemon.searches import NotThere
from daemon.service import CameraInUse

_PARTS = re.compile(
    r"(?P<asked>.+?): found (?P<found>.+?)(?:; allowed:? (?P<allowed>.+?))?(?:\. (?P<todo>.+))?", re.DOTALL
)


class Refused(StopwrightError):
    """A request that is refused before anything of it is done; ``status`` is the answer's."""

    def __init__(self, status: int, asked: str, found: str, allowed: str, todo: str, name: str = "Refused"):
        self.status, self.name = status, name
        self.parts = {"asked": asked, "found": found, "allowed": allowed, "todo": todo}
        super().__init__(f"{asked}: found {found}; allowed: {allowed}. {todo}")


def status_of(error: BaseException) -> int:
    """The HTTP status for an error of ours. Only the store's refusals are the server's own fault.

    A camera that says no is a state of things, not a fault of the server: 409.
    """
    if isinstance(error, Refused):
        return error.status
    kinds: tuple[tuple[type[BaseException], int], ...] = (
        (NotThere, 404),
        (CameraInUse, 409),
        (BriefError, 422),
        (PlanUnreachable, 422),
        (UsageError, 400),
        (CameraError, 409),
        (RunPaused, 409),
        (StoreError, 507),
    )
    return next((status for kind, status in kinds if isinstance(error, kind)), 500)


def as_told(error: BaseException, asked: str) -> dict[str, Any]:
    """The body for an error. ``error``, ``message``, ``asked``, ``found``, ``allowed``, ``todo`` are always there."""
    if isinstance(error, Refused):
        return {"error": error.name, "message": str(error)} | error.parts
    if not isinstance(error, StopwrightError):
        return {
            "error": "Fault",
            "message": f"{asked}: a fault of the service's own. What is in the record stays there",
            "asked": asked,
            "found": "a fault of the service's own",
            "allowed": None,
            "todo": "Look at the service's log, and please report it",
        }
    text = str(error)
    parts: dict[str, Any] = {"asked": asked, "found": text, "allowed": None, "todo": None}
    if (match := _PARTS.fullmatch(text)) and "\n" not in text:
        parts = dict(match.groupdict())
    return parts | error.as_json() | {"message": text}
