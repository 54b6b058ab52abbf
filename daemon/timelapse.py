"""A time-lapse: frames by the clock, one after the other, whatever happens to light, camera, link or power.

Frame k is due at the start + k times the interval, on the monotonic clock, and its shutter is asked for then. All else
is done between the ticks: settings are read back and the intent is committed before the tick, pictures are brought home
after it, and they are measured in a worker.

What gives way when time is short
    The camera is one handle: while a picture is brought home nothing can be triggered. So a picture is brought home
    only when that is expected to end before the next tick is prepared; else it stays on the card until there is time,
    the newest first, since the controller wants news. When nothing came home for `UNREAD_MOST` frames one is brought
    home all the same, and the next frame pays for it.
What is late, what is missed
    A frame that cannot be asked for at its tick is taken late, up to a quarter of the interval, or missed. So two
    frames are never less than three quarters of an interval apart, and nothing is caught up in a burst.
"""

from __future__ import annotations

import math
import os
from contextlib import suppress
from dataclasses import asdict, replace
from datetime import datetime, timedelta
from typing import Any

from daemon import schedule_clock
from daemon.context import LOST
from daemon.errors import BindingRefused, CameraError, StopwrightError
from daemon.lapse_changes import replayed
from daemon.lapse_home import LapseHome
from daemon.lapse_start import find_light, lead_s, settings_of
from daemon.lapse_state import LATE_SHARE, LEAD_S, Away
from daemon.operator import LOOK_EVERY_S
from plans.goals.timelapse import controller_of, part_of
from plans.lapse_changes import changed, with_gap
from plans.light_control import Decision, State
from plans.plan import mark_value
from plans.tone import Tone

ON_TIME_S = 0.02  # a shutter asked for this long after its tick is on time [s]
SOON_S = 1.0  # from the command to the first frame, where the plan names no start [s]
NOTHING_RAN, PAUSED = "nothing ran between", "the run was paused"  # why frames were missed until the run went on
AWAKE_S = 20.0  # cameras switch themselves off after half a minute or more; common practice, no source [s]
_TURNED_S = 0.01  # how often a clock that tests turn is looked at [s]


class _TooLateError(Exception):
    """The tick went by while its frame was prepared."""


class Timelapse(LapseHome):
    """Runs one time-lapse of a run and gives its step the outcome."""

    def do(self) -> None:
        """Run it, or go on with it, to its end.

        Raises
        ------
        RunPaused
            If a client stops the run.
        CameraError
            If the camera stays away beyond the end, or is another one.
        """
        context = self._context
        scale = context.with_camera(context.taker).scales.get("time")
        self._times = tuple(mark_value(mark) for mark in scale.marks) if scale else ()
        try:
            frame = self._recall()
            if frame is None:
                frame = 0
                self._begin()
            context.lapse, self._coming = self, frame
            while self._coming < self.step.frames:
                self._coming = self._next(self._coming)
            self._bring_rest()
            self._note_readings(wait=True)
        finally:
            context.lapse = None
            self._readings.close()
        self._end()

    def _begin(self) -> None:
        """Wait for the start, find the light, and note both."""
        context, step = self._context, self.step
        start = None if step.start is None else datetime.fromisoformat(step.start)
        context.tell("step-started", step.caption, step=step.id, goal=step.goal)
        if start is not None:
            self._set_start(start)
            if self._now() < -lead_s(step):
                context.tell("note", f"{step.id}: the first frame is due at {start:%H:%M:%S} UTC", step=step.id)
            self._wait(-lead_s(step), 0)
        left_s = None if start is None else -self._now()
        try:
            found = find_light(context, self._row, step, self._reader, left_s)
        except LOST as error:
            if start is None:
                raise
            self._seek(error)
            found = find_light(context, self._row, step, self._reader, -self._now())
        if start is None:
            start = schedule_clock.utc_now() + timedelta(seconds=SOON_S)
            self._set_start(start)
        self._readings.tone = found.tone
        self._state = self._controller.start(found.level)
        self._held = "the time-lapse was begun too late"
        text = f"The light is EV {found.level:.1f}; {step.frames} frames, every {step.parts[0].interval_s:g} s at first"
        if found.note:
            context.tell("note", f"{step.id}: the tone curve is taken as sRGB: {found.note}", step=step.id)
        data = {"start": start.isoformat(), "slope": found.tone.slope, "level": found.level, "frames": step.frames}
        context.tell("lapse-started", text, step=step.id, **data)

    def _recall(self) -> int | None:
        """The next frame of a time-lapse that is in the logbook already; None: it never began."""
        context, step = self._context, self.step
        events = [one for one in self._logbook.events(context.run.id) if one.kind == "lapse-started"]
        begun = next((one.data for one in reversed(events) if one.data.get("step") == step.id), None)
        if begun is None:
            return None
        self._set_start(datetime.fromisoformat(begun["start"]))
        self._readings.tone = Tone(float(begun["slope"]))
        self.step = changed(step, replayed(self._logbook.commands(context.run.id), step.id), self._times)
        rows = self._logbook.lapse_frames(self._row.id)
        frame = rows[-1].frame + 1 if rows else 0
        last = next((row for row in reversed(rows) if row.state is not None), None)
        self._controller = controller_of(self.step, part_of(self.step, frame))
        if last is None or last.state is None:
            self._state = self._controller.start(float(begun["level"]))
        else:
            light = (last.thought or {}).get("light", self._controller.rungs[0])
            self._state = replace(State.from_json(last.state), index=self._controller.nearest(float(light)))
        attempts = {one.id: one for one in self._logbook.attempts(context.run.id)}
        for row in self._logbook.lapse_put_off(context.run.id):
            if row.step_row == self._row.id:
                self._put_away(attempts[row.attempt_id or 0], row.frame, row.due_s, row.settings, row.card)
        self._read_unread("nothing ran, and no picture of it was found")
        self._check, self._held, self._back_s = self._last, NOTHING_RAN, self._now()
        context.tell("note", f"{step.id} goes on with frame {frame + 1} of {self.step.frames}", step=step.id)
        return frame

    def _end(self) -> None:
        rows = self._logbook.lapse_frames(self._row.id)
        home = {one.attempt_id for one in self._logbook.frames(self._context.run.id)}
        taken = [row for row in rows if row.attempt_id in home and row.attempt_id is not None]
        late = [row for row in taken if row.why]
        text = f"{len(taken)} of {self.step.frames} frames, {len(late)} late, {len(rows) - len(taken)} missed"
        if self._readings.unread:
            text += f"; {self._readings.unread} were not measured"
        self._logbook.set_outcome(self._row.id, "kept" if taken else "abandoned", text)
        data = {"taken": len(taken), "late": len(late), "missed": len(rows) - len(taken), "frames": self.step.frames}
        self._context.tell("lapse-done", f"{self.step.goal}: {text}", step=self.step.id, **data)

    def _hear(self, seconds: float) -> None:
        """Hear what clients ask, for at most so long by the schedule clock. [s]"""
        turned = bool(os.environ.get(schedule_clock.VARIABLE))
        self._context.control.hear(max(0.0, min(seconds, _TURNED_S if turned else LOOK_EVERY_S)))

    def _wait(self, until_s: float, frame: int) -> None:
        """Until a time after the start, bringing pictures home meanwhile and hearing clients. [s]"""
        told = False
        while True:
            self._note_readings()
            self._context.control.hear()
            if self._context.control.pausing:
                self._wait_in_pause()
            left = until_s - self._now()
            if left <= 0:
                return
            if self._away and self._takes(self._away[-1].files) < left:
                self._bring_newest()
                continue
            if left > AWAKE_S and self._now() - self._asked_s > AWAKE_S:
                self._keep_awake()
                continue
            if not told and not self._readings.waiting:  # all is at home and measured: nothing left but to wait
                told = True
                due_s = self._due(frame)
                data = {"frame": frame, "due_s": due_s, "in_s": due_s - self._now(), "wait_s": left}
                self._context.tell("lapse-waiting", f"The next frame in {data['in_s']:.0f} s", **data)
            self._hear(left)

    def _keep_awake(self) -> None:
        """Ask the camera something, so that it does not switch itself off before the next frame."""
        self._asked_s = self._now()
        try:
            self._context.camera.state()
        except CameraError as error:
            if isinstance(error, LOST):
                self._seek(error)

    def _wait_in_pause(self) -> None:
        context = self._context
        self._logbook.run_state(context.run.id, "paused")
        context.tell("waiting", "Paused as asked; frames that are due meanwhile are missed", run=context.run.id)
        with context.machine.during("paused"):
            while context.control.pausing:
                context.control.hear(LOOK_EVERY_S)
        self._held, self._check, self._back_s = PAUSED, self._last, self._now()
        self._logbook.run_state(context.run.id, "running")
        context.tell("going-on", "Going on", run=context.run.id)

    def _next(self, frame: int) -> int:
        """Take a frame, or miss it and maybe those after it; the number of the next one."""
        self._wait(self._due(frame) - self._lead_of(frame), frame)
        if self._held in (NOTHING_RAN, PAUSED) and self._due(frame) - self._lead_of(frame) > self._back_s:
            self._held = ""  # there was time for this one: if it is late all the same, that has another reason
        if (past := self._past(frame)) > frame:
            self._miss(frame, past, self._held or "the frame before took too long")
            return past
        self._take_ladder(frame)
        try:
            exposed = self._expose(frame)
        except _TooLateError as late:
            self._tell_gap(frame, frame + 1, str(late))
            return frame + 1
        except CameraError as error:
            return self._after_trouble(frame, error)
        self._held = ""
        try:
            self._home(frame, exposed)
        except CameraError as error:
            if isinstance(error, BindingRefused):
                raise
            self._seek(error)
        self._keep_clear(frame, exposed)
        return frame + 1

    def _decide(self, frame: int) -> Decision:
        """The settings for a frame, from all that was read since the frame before."""
        assert self._state is not None
        due, decision = self._due(frame), None
        fresh, self._fresh = self._fresh, []
        for seen in fresh:
            reading = seen.for_controller(self._controller, self._readings.tone)
            if reading is not None:
                self._state, decision = self._controller.step(self._state, reading, due)
                self._tell_turns(frame, decision)
        if decision is None:
            self._state, decision = self._controller.step(self._state, None, due)
        self._decision = decision
        return decision

    def _tell_turns(self, frame: int, decision: Decision) -> None:
        """Tell what begins: fog, an end of the ladder, light that jumped."""
        told = {
            "dark": (decision.limit == "dark", "It is darker than the longest time and highest ISO reach"),
            "bright": (decision.limit == "bright", "It is brighter than the shortest time and lowest ISO reach"),
            "fog": (
                decision.fogging,
                "Detail is being lost, and falling light does not explain it: is the lens fogged?",
            ),
            "jump": (decision.jumped, f"The light has changed for good: EV {decision.level:.1f} now"),
        }
        for what, (is_so, text) in told.items():
            if is_so and what not in self._told:
                self._context.tell("lapse-light", text, step=self.step.id, frame=frame, what=what)
            (self._told.add if is_so else self._told.discard)(what)

    def _expose(self, frame: int) -> tuple[Away, float]:
        """Set, intend, wait for the tick, trigger; the frame as it lies on the card, and what it took in all. [s]"""
        context, due = self._context, self._due(frame)
        begun = self._now()
        decision = self._decide(frame)
        rung = self.step.parts[part_of(self.step, frame)].rungs[decision.index]
        settings, exposure_s = settings_of(self.step, rung), rung.time.exact
        taker = context.taker()
        with context.machine.during("exposing"):
            context.camera.apply({str(name): label for name, label in taker.binding.labels(settings).items()})
            thought = asdict(decision) | {"light": rung.light}
            state = self._state.as_json() if self._state else None
            attempt = self._logbook.begin_lapse_frame(
                self._row.id, frame, due, self._start, decision.index, settings, exposure_s, state, thought
            )
            ready = self._now()
            schedule_clock.sleep(due - ready)
            asked = self._now()
            if asked - due > LATE_SHARE * self._interval(frame):
                why = self._held or _why_late(due, begun, ready)
                self._logbook.lapse_let_go(attempt.id, why)
                raise _TooLateError(why)
            files = context.camera.expose(exposure_s)
            done = self._asked_s = self._now()
        self._lead = max(LEAD_S, 0.7 * self._lead, 1.5 * (ready - begun))
        late_s, latency_s = asked - due, done - asked - exposure_s
        why = "" if late_s <= ON_TIME_S else self._held or _why_late(due, begun, ready)
        self._since_news += 1
        put_off = not self._fits(frame, files)
        self._logbook.lapse_exposed(attempt.id, late_s, latency_s, files, why, put_off)
        away = Away(attempt, (frame, asked, rung.light), settings, tuple(files))
        if put_off:
            self._away.append(away)
        told: dict[str, Any] = {
            "step": self.step.id, "frame": frame, "frames": self.step.frames, "late_s": late_s, "latency_s": latency_s,
            "settings": settings.model_dump(mode="json"), "thought": thought, "why": why, "at_home": not put_off,
            "interval_s": self._interval(frame),
        }  # fmt: skip
        context.tell("lapse-frame", f"Frame {frame + 1} of {self.step.frames}", **told)
        return away, done - begun

    def _after_trouble(self, frame: int, error: CameraError) -> int:
        """The camera would not, or is away: find out what became of the frame, and go on with the next that is due."""
        if isinstance(error, BindingRefused):
            raise error
        why = str(error).partition("\n")[0]
        begun = bool(self._logbook.open_attempts(self._context.run.id))
        if begun or isinstance(error, LOST):
            self._seek(error)
        if not begun:
            self._held = self._held if isinstance(error, LOST) else why
            if isinstance(error, LOST) and self._past(frame) == frame:
                return frame  # there is still time for it
            self._miss(frame, max(frame + 1, self._past(frame)), self._held)
            return max(frame + 1, self._past(frame))
        if any(one.attempt_id is not None and one.frame == frame for one in self._taken_home()):
            return frame + 1
        self._tell_gap(frame, frame + 1, why)
        return frame + 1

    def _keep_clear(self, frame: int, exposed: tuple[Away, float]) -> None:
        """Shorten the longest times when camera and link need more between two frames than was thought."""
        away, took_s = exposed
        exposure_s, interval = away.settings.time.exact, self._interval(frame)
        is_tight = took_s > interval and exposure_s > 0.5 * interval
        self._tight = self._tight + 1 if is_tight else 0
        if self._tight < 2 or frame + 1 >= self.step.frames:
            return
        gap_s = math.ceil(11 * (took_s - exposure_s)) / 10
        with suppress(StopwrightError):
            before = self._controller.rungs
            self._coming = frame + 1
            self._go_on_with(with_gap(self.step, frame + 1, gap_s))
            if self._controller.rungs != before:
                longest = max(rung.time.exact for rung in self.step.parts[-1].rungs)
                text = (
                    f"The camera needs {gap_s:.1f} s between frames; from now on no time is longer than {longest:.3g} s"
                )
                self._context.tell("note", text, step=self.step.id, frame=frame)
        self._tight = 0


def _why_late(due: float, begun: float, ready: float) -> str:
    """Why a frame that was prepared in time, or should have been, was asked for late. [s]"""
    if ready > due:
        return f"its settings and its intent took {ready - begun:.2f} s"
    return "this computer was busy with something else at the tick"
