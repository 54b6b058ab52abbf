"""The families of goals and what a module of each offers.

Goals of one picture (`SINGLES`, which ``compare`` ties), goals of several that change one setting step by step
(`SERIES`), and goals of several that are no series (`SETS`).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Protocol

from plans.brief import Held
from plans.goals import (
    bracket,
    deep,
    faults,
    focus_bracket,
    freeze,
    isolate,
    ladder,
    noise,
    perspective,
    polariser,
    silk,
)
from plans.goals.situation import Situation
from plans.plan import Predicted, Settings
from plans.series import Run
from plans.solver import Choice, Demand, State

Frames = list[list[Demand]]


class Single(Protocol):
    """What a module of a goal of one picture offers."""

    def name(self, goal: Any) -> str:
        """The goal in a few words."""
        ...

    def demands(self, situation: Situation, goal: Any) -> list[Demand]:
        """What its frame asks for, one demand a focus; empty when nothing on the scales can do."""
        ...

    def criteria(self, situation: Situation, goal: Any) -> tuple[str, ...]:
        """What its frame is held to, in words."""
        ...

    def caption(self, situation: Situation, goal: Any, settings: Settings, seen: Predicted) -> str:
        """One sentence for a student."""
        ...

    def reasons(self, situation: Situation, goal: Any) -> list[str]:
        """Why it cannot be reached alone, in numbers."""
        ...


class Several(Protocol):
    """What a module of a goal of several pictures offers that is no series."""

    HOLD: tuple[Held, ...]
    WIDENING: bool  # whether the last stage holds all that any before it allows

    def name(self, goal: Any) -> str:
        """The goal in a few words."""
        ...

    def frame_name(self, goal: Any, part: int) -> str:
        """One of its frames in a few words."""
        ...

    def stages(self, situation: Situation, goal: Any) -> Iterator[Frames]:
        """What its frames ask for, the most wished first, in any light; nothing when nothing on the scales can do."""
        ...

    def criteria(self, situation: Situation, goal: Any, part: int) -> tuple[str, ...]:
        """What one frame is held to, in words."""
        ...

    def caption(self, situation: Situation, goal: Any, choice: Choice, settings: Settings, seen: Predicted) -> str:
        """One sentence for a student."""
        ...

    def reasons(self, situation: Situation, goal: Any) -> list[str]:
        """Why it cannot be reached, in numbers; empty when each frame can be had alone."""
        ...


class Series(Protocol):
    """What a module of a series offers."""

    def name(self, goal: Any) -> str:
        """The goal in a few words."""
        ...

    def find(self, situation: Situation, goal: Any, start: State) -> Run | None:
        """Its frames; None when it cannot be reached."""
        ...

    def criteria(self, situation: Situation, goal: Any) -> tuple[str, ...]:
        """What its frames are held to, in words."""
        ...

    def reasons(self, situation: Situation, goal: Any) -> list[str]:
        """Why it cannot be reached, in numbers."""
        ...


SINGLES: dict[str, Single] = {"freeze": freeze, "silk": silk, "isolate": isolate, "deep": deep}
SETS: dict[str, Several] = {
    "focus-bracket": focus_bracket,
    "faults": faults,
    "perspective": perspective,
    "polariser": polariser,
}
SERIES: dict[str, Series] = {"ladder": ladder, "noise": noise, "bracket": bracket}
