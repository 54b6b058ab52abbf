"""The errors that planning itself can raise; the whole tree is drawn in ``daemon/errors.py``.

Each says what was asked, what was found, what is allowed and what to do.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


class StopwrightError(Exception):
    """Base of every error that Stopwright raises on purpose. ``exit_code`` is what the command ends with."""

    exit_code = 1
    run: int | None = None

    def as_json(self) -> dict[str, Any]:
        """The error as plain data for ``--json``: at least ``error`` (class name) and ``message``.

        ``run`` is there when the error stopped a run.
        """
        told = {"error": type(self).__name__, "message": str(self)}
        return told if self.run is None else told | {"run": self.run}


@dataclass(frozen=True)
class Complaint:
    """One thing wrong in a brief, kit file or plan.

    ``line`` and ``column`` count from 1; 0 means that no place is known.
    """

    file: str
    line: int
    column: int
    field: str
    found: str
    allowed: str
    advice: str = ""

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}:{self.column}" if self.line else self.file
        text = f"{place}: {self.field}: found {self.found}; allowed: {self.allowed}"
        return f"{text}. {self.advice}" if self.advice else text


class BriefError(StopwrightError):
    """A brief (or kit file, or plan file) that cannot be read; carries every complaint at once."""

    exit_code = 2

    def __init__(self, complaints: list[Complaint]):
        self.complaints = list(complaints)
        super().__init__("\n".join(str(complaint) for complaint in self.complaints))

    def as_json(self) -> dict[str, Any]:
        return super().as_json() | {"complaints": [vars(complaint) for complaint in self.complaints]}


class PlanUnreachable(StopwrightError):
    """At least one goal cannot be reached with this kit in this light.

    ``unreachable`` holds ``plans.plan.Unreachable`` items: goal, reasons, remedies.
    """

    exit_code = 3

    def __init__(self, unreachable: list[Any]):
        self.unreachable = list(unreachable)
        lines = []
        for item in self.unreachable:
            lines.append(f"{item.goal}: cannot be reached")
            lines += [f"  because {reason}" for reason in item.reasons]
            lines += [f"  what would help: {remedy}" for remedy in item.remedies]
        super().__init__("\n".join(lines))

    def as_json(self) -> dict[str, Any]:
        return super().as_json() | {"unreachable": [item.model_dump(mode="json") for item in self.unreachable]}
