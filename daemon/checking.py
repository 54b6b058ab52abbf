"""The check frame, after hands touched the rig: is the brightness what settings and filters give?

It is held against the metering frame. A filter that was forgotten, or fitted twice, shows here, before the pictures.
"""

from __future__ import annotations

from daemon.context import RunContext
from daemon.control import control_frame
from daemon.errors import RunPaused
from daemon.logbook import FrameRow, StepRow
from daemon.readings import Reader
from plans.plan import ControlStep

NOTE_ABOVE = 1 / 2  # stops; clouds move by less between two looks at them, on most days
ASK_ABOVE = 1.0  # stops; the weakest filters in common use take one
LOOKS = 4  # before nothing is left but to go on or to stop
LOOK_AGAIN, GO_ON, STOP = "it is mended: check again", "go on as it is", "stop here"


class Checker:
    """Does the check steps of a run."""

    def __init__(self, context: RunContext, reader: Reader):
        self._context, self._reader = context, reader

    def do(self, row: StepRow, step: ControlStep) -> None:
        """Take the frame, compare, ask where it is far off, and give the step its outcome.

        Raises
        ------
        RunPaused
            If the operator stops.
        CameraError
            If the camera fails for good.
        """
        context = self._context
        context.tell("step-started", step.text, step=step.id)
        for looks in range(1, LOOKS + 1):
            off = self._look(row, step)
            if off is None:
                why = "the check frame could not be compared: there is no metering frame that can be read"
                context.tell("note", f"{step.id}: {why}")
                break
            side = "brighter" if off > 0 else "darker"
            why = f"the check frame is {abs(off):.2f} stop {side} than settings and filters give"
            if abs(off) <= ASK_ABOVE or context.operator is None:
                if abs(off) > NOTE_ABOVE:
                    context.tell("note", f"{step.id}: {why}", off=off, hands=True)
                break
            if self._ask(step, abs(off), side, again=looks < LOOKS) == GO_ON:
                break
        context.logbook.set_outcome(row.id, "kept", why)

    def _look(self, row: StepRow, step: ControlStep) -> float | None:
        """How much brighter the frame is than settings and filters give; None when that cannot be told. [stops]"""
        plan = self._context.plan(row.revision)

        def read(frame: FrameRow) -> float | None:
            return self._reader.check(frame, step.settings, plan)

        return control_frame(self._context, row, step, step.settings, read, "check frame")

    def _ask(self, step: ControlStep, stops: float, side: str, again: bool) -> str:
        worn = " and ".join(item.name for item in step.settings.filters) or "no filter"
        question = (
            f"The check frame is {stops:.1f} stops {side} than it should be with {worn} on the lens. "
            "A filter forgotten, one left on, something before the lens, or has the light changed? What now?"
        )
        with self._context.asking(question) as operator:
            answer = operator.choose(question, [LOOK_AGAIN, GO_ON, STOP] if again else [GO_ON, STOP])
        if answer == STOP:
            raise RunPaused("Stopped at a check frame. Nothing is lost")
        return answer
