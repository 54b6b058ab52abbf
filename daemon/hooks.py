"""The places of a run at which more can be done: checks of the rig, the watch over the light.

Derive from `Hooks` and give it to the runner. Each is called by the runner's own thread with nothing in flight; it may
use the context's camera, operator and logbook, tell events, take frames through ``context.taker()``, ask for a retake
by ``context.again``, and raise `daemon.errors.RunPaused`. What it raises pauses the run, with nothing lost.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.logbook import FrameRow, StepRow
from plans.plan import ExposeStep, OperatorStep

if TYPE_CHECKING:
    from daemon.context import RunContext


class Hooks:
    """Does nothing at any place."""

    def before_steps(self, context: RunContext) -> None:
        """The run has begun or goes on, what was in flight is settled, no step is begun."""

    def after_hands(self, context: RunContext, row: StepRow, step: OperatorStep) -> None:
        """Hands did what a step says."""

    def before_picture(self, context: RunContext, row: StepRow, step: ExposeStep) -> None:
        """A picture is next: its cue is given, its cautions are read, nothing is set yet."""

    def after_picture(self, context: RunContext, row: StepRow, step: ExposeStep, frame: FrameRow) -> None:
        """A picture is kept; it is being measured."""
