"""The check frame, after hands touched the rig: are brightness, framing and focus as they should be?

Brightness is held against the metering frame: a filter that was forgotten, or fitted twice, shows here, before the
pictures. Framing and focus are held against the last good frame: a kick and a slipped focus show.
"""

from __future__ import annotations

from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from daemon.context import RunContext
from daemon.control_frames import control_frame
from daemon.errors import CameraError, RunPaused
from daemon.logbook import FrameRow, StepRow
from daemon.pictures.likeness import Known, grey_of, known
from daemon.readings import Reader
from daemon.rig.touch import Good, Touched, before_touch, check_settings, judge, last_good
from plans.plan import ControlStep, Settings

LOOKS = 4  # before nothing is left but to go on or to stop
LOOK_AGAIN, GO_ON, STOP = "it is mended: check again", "go on as it is", "stop here"


class Checker:
    """Does the check steps of a run."""

    def __init__(self, context: RunContext, reader: Reader):
        self._context, self._reader = context, reader
        self._ready: dict[str, tuple[Good | None, Settings]] = {}  # by step, found out ahead

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
        why = ""
        for looks in range(1, LOOKS + 1):
            seen = self._look(row, step)
            if seen is None:
                why = "the check frame could not be read"
                context.tell("note", f"{step.id}: {why}")
                break
            why = str(seen)
            if seen.off is None:
                context.tell("note", f"{step.id}: the check frame's brightness could not be compared")
            if not seen.asks or context.operator is None:
                if seen.notes:
                    context.tell("note", f"{step.id}: {'; '.join(seen.notes)}", hands=True, check=seen.as_json())
                break
            if self._ask(step, seen, again=looks < LOOKS) == GO_ON:
                break
        context.logbook.set_outcome(row.id, "kept", why)

    def set_ahead(self, step: ControlStep) -> None:
        """Begin to set the camera for the check frame, while hands are at work."""
        with suppress(CameraError):  # the check frame itself will find out
            found = self._ready[step.id] = self._against(step)
            self._context.taker().set_ahead(found[1])

    def _against(self, step: ControlStep) -> tuple[Good | None, Settings]:
        """The frame to hold a check frame against, and what to take that one at."""
        if step.id in self._ready:
            return self._ready.pop(step.id)
        good = last_good(self._context, self._reader, step.settings)
        return good, check_settings(step.settings, good, self._context.taker().scales)

    def _look(self, row: StepRow, step: ControlStep) -> Touched | None:
        """What the frame says; None when none could be read."""
        plan = self._context.plan(row.revision)
        kit = self._context.kit(row.revision)
        good, settings = self._against(step)

        ready: list[Known | None] = []
        mine: list[Future[Known]] = []
        if good is not None:
            self._context.later(lambda: ready.append(before_touch(settings, good, self._reader, kit)))

        def ahead(path: Path) -> None:
            self._reader.ahead(path)
            if good is not None:
                mine.append(pool.submit(lambda: known(grey_of(path))))

        def read(frame: FrameRow) -> Touched:
            self._reader.begin(frame, self._reader.path(frame))
            before, itself = ready[0] if ready else None, mine[-1].result() if mine else None
            seen = judge(frame, settings, good, self._reader, kit, before, itself)
            off = self._reader.brightness_off(frame, settings, plan)
            seen = replace(seen, off=off)
            found = {"check": seen.as_json(), "good": not seen.asks, "held_against": good.frame.id if good else None}
            self._reader.note_check(frame, settings, plan, found)
            return seen

        following = self._context.following_control(row)
        with ThreadPoolExecutor(1, thread_name_prefix="checking") as pool:
            return control_frame(self._context, row, step, settings, read, "check frame", following, ahead)

    def _ask(self, step: ControlStep, seen: Touched, again: bool) -> str:
        worn = " and ".join(item.name for item in step.settings.filters) or "no filter"
        causes = []
        if any("stop brighter" in said or "stop darker" in said for said in seen.asks):
            causes.append("A filter forgotten, one left on, something before the lens, or has the light changed?")
        if any("moved" in said for said in seen.asks):
            causes.append("Was the tripod touched?")
        if any("sharpness" in said for said in seen.asks):
            causes.append("Did the focus ring turn?")
        said = "; ".join(seen.asks)
        question = f"{said[0].upper()}{said[1:]} (with {worn} on the lens). {' '.join(causes)} What now?"
        with self._context.asking(question) as operator:
            answer = operator.choose(question, [LOOK_AGAIN, GO_ON, STOP] if again else [GO_ON, STOP])
        if answer == STOP:
            raise RunPaused("Stopped at a check frame. Nothing is lost")
        return answer
