"""What a running time-lapse knows: its plan as changed, its clock, its controller, and what clients may ask of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from daemon import schedule_clock
from daemon.camera.verbs import CardFile
from daemon.context import RunContext
from daemon.errors import UsageError
from daemon.lapse_changes import asked_change
from daemon.lapse_reading import LapseReader, Seen
from daemon.logbook import Attempt, StepRow
from daemon.readings import Reader
from daemon.rig.touch import Good
from plans.goals.timelapse import controller_of, due_s, part_of
from plans.lapse_changes import Change, changed
from plans.light_control import Decision, State
from plans.plan import MarkValue, Settings, TimelapseStep
from plans.tone import Tone

LATE_SHARE = 0.25  # of the interval: later than that a frame is missed
FIRST_RATE = 4e6  # of the link, until it was measured [bytes/s]
LEAD_S, LEAD_SHARE = 0.4, 0.4  # settings and intent are begun so long before a tick, at most that share of the interval


@dataclass(frozen=True)
class Away:
    """A frame that is on the card and not yet at home."""

    attempt: Attempt
    shown: tuple[int, float, float]
    settings: Settings
    files: tuple[CardFile, ...]


class LapseState:
    """One time-lapse of a run. Times are seconds after its start."""

    def __init__(self, context: RunContext, reader: Reader, row: StepRow, step: TimelapseStep):
        self._context, self._reader, self._row, self._logbook = context, reader, row, context.logbook
        self.step = step
        self._plan = context.plan(row.revision)
        self._times: tuple[MarkValue, ...] = ()
        self._coming = 0  # the frame that is prepared
        self._zero = 0.0  # the start on the monotonic clock [s]
        self._start = schedule_clock.utc_now()
        self._controller = controller_of(step)
        self._state: State | None = None
        self._decision: Decision | None = None
        self._fresh: list[Seen] = []
        self._away: list[Away] = []
        self._since_news = 0
        self._rate, self._lead = FIRST_RATE, LEAD_S
        self._asked_s = -1e9  # when the camera was last asked something
        self._held = ""  # what kept the next frame from its tick
        self._back_s = 0.0  # when the run went on after a pause, or after nothing had run [s]
        self._tight = 0
        self._check: Good | None = None
        self._last: Good | None = None
        self._told: set[str] = set()
        self._readings = LapseReader(context.store, reader.tone, Tone())

    def asked(self, verb: str, data: Mapping[str, Any]) -> tuple[Change, dict[str, Any]]:
        """The change that a command asks for, and what is noted with it.

        Raises
        ------
        UsageError
            If it is none that can be had.
        """
        change, noted = asked_change(verb, data, self.step, self._coming)
        try:
            changed(self.step, [change], self._times)
        except ValueError as error:
            raise UsageError(f"{verb}: {error}") from None
        return change, noted | {"step": self.step.id}

    def adopt(self, change: Change) -> None:
        """Go on with a change, from the frame that is prepared on."""
        self._go_on_with(changed(self.step, [change], self._times))
        part = self.step.parts[part_of(self.step, self._coming)]
        text = (
            f"From frame {self._coming + 1} on: every {part.interval_s:g} s, {self.step.frames} frames in all; nights "
            f"{self.step.look.depth:g} stops darker"
        )
        self._context.tell("note", text, step=self.step.id, frame=self._coming, frames=self.step.frames)

    def _go_on_with(self, step: TimelapseStep) -> None:
        self.step = step
        self._take_ladder(self._coming)

    def _take_ladder(self, frame: int) -> None:
        before, self._controller = self._controller, controller_of(self.step, part_of(self.step, frame))
        if self._state is not None and before.rungs != self._controller.rungs:
            self._state = self._controller.onto(self._state, before)

    def _set_start(self, start: datetime) -> None:
        self._start = start
        self._zero = schedule_clock.monotonic() - (schedule_clock.utc_now() - start).total_seconds()

    def _now(self) -> float:
        """Time since the start. [s]"""
        return schedule_clock.monotonic() - self._zero

    def _due(self, frame: int) -> float:
        return due_s(self.step, frame)

    def _interval(self, frame: int) -> float:
        return self.step.parts[part_of(self.step, frame)].interval_s

    def _lead_of(self, frame: int) -> float:
        return min(max(self._lead, LEAD_S), LEAD_SHARE * self._interval(frame))

    def _past(self, frame: int) -> int:
        """The first frame from ``frame`` on that is not too late to be taken."""
        now = self._now()
        while frame < self.step.frames and now > self._due(frame) + LATE_SHARE * self._interval(frame):
            frame += 1
        return frame

    def _miss(self, first: int, end: int, why: str) -> None:
        due = [(frame, self._due(frame)) for frame in range(first, end)]
        self._logbook.lapse_missed(self._row.id, due, self._start, why)
        self._tell_gap(first, end, why)

    def _tell_gap(self, first: int, end: int, why: str) -> None:
        which = f"Frame {first + 1} was" if end - first == 1 else f"Frames {first + 1} to {end} were"
        text = f"{which} missed: {why}"
        self._context.tell("lapse-gap", text, step=self.step.id, first=first, missed=end - first, why=why)

    def _light_of(self, frame: int, settings: Settings) -> float:
        rungs = [rung for part in self.step.parts for rung in part.rungs]
        return next((r.light for r in rungs if (r.time, r.iso) == (settings.time, settings.iso)), rungs[0].light)
