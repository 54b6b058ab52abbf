"""Control readings around the frames of a group: what the light does while they are shot, and waiting for clouds.

The decisions are `plans.drift.Watch`'s; here frames are taken and told to it. Readings are taken at settings that stay
the same as long as filters and focus do. They belong to the step of the picture that they stand beside.
"""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from daemon import clock
from daemon.context import RunContext
from daemon.control_frames import control_frame
from daemon.logbook import FrameRow, StepRow
from daemon.pictures.reading import FrameMeasure, compare
from daemon.readings import Reader, light_between
from daemon.retarget import moved
from plans.compiler import kit_of
from plans.drift import PAUSE_S, Grade, Kept, Watch
from plans.kit import Kit
from plans.plan import ControlStep, ExposeStep, GroupNote, Plan, Settings, mark_value
from plans.stops import Kind, Scale

LONGEST_S = 0.25  # of a control reading; longer ones would smooth the light that they are to tell [s]
FILTER_SLACK = 1 / 3  # filters are sold to about so much; common practice, no source [stops]
_LOOK_S = 0.5  # between two looks whether a client wants to stop

_Key = tuple[tuple[str, ...], float]


def reading_settings(step: ExposeStep, reference: ExposeStep, scales: dict[Kind, Scale]) -> Settings:
    """Settings of the control readings beside a picture: right in brightness, short, with the rig as it stands."""
    rig = {"filters": step.settings.filters, "focus": step.settings.focus}
    rig["focal_length_mm"] = step.settings.focal_length_mm
    taken = sum(item.stops for item in step.settings.filters) - sum(item.stops for item in reference.settings.filters)
    found = reference.settings.model_copy(update=rig)
    found = moved(found, taken, scales) if taken else found
    short = [mark for mark in scales["time"].marks if mark.exact <= LONGEST_S]
    now = scales["time"].nearest(found.time.exact)
    if now is None or found.time.exact <= LONGEST_S or not short:
        return found
    longest = short[-1]
    quick = found.model_copy(update={"time": mark_value(longest)})
    without_time = {**scales, "time": Scale("time", (longest,), scales["time"].series)}
    return moved(quick, float(now.light - longest.light), without_time)


class LightWatch:
    """Watches the light in one run. In the grade ``off`` every method does nothing.

    Called by the runner: `before` a picture, `after` it, `looks_after` to plan ahead, `rig_touched` when hands did
    something, `finish` at the end.
    """

    def __init__(self, context: RunContext, reader: Reader, grade: Grade):
        self._context, self._reader, self.grade = context, reader, grade
        self._group: GroupNote | None = None
        self._revision = 0
        self._watch = Watch("off", ())
        self._kit: Kit | None = None
        self._firsts: dict[_Key, tuple[FrameMeasure, Settings, float]] = {}  # of each state of the rig
        self._own: tuple[FrameMeasure, Settings] | None = None
        self._calibrated = False
        self._fresh = True  # nothing was shot yet since the run began or went on

    # -- called by the runner -------------------------------------------------------------------------------------

    def watches(self, row: StepRow, step: ExposeStep) -> bool:
        """Whether the frame's group is watched, so that its outcome waits for `after`."""
        self._enter(row, step)
        return self._watch.grade != "off"

    def looks_after(self, step: ExposeStep) -> bool:
        """Whether the light has to be told after a picture, by a reading or by the picture itself, before the next."""
        return self._calibrated or self._watch.needs_reading(step.id, "after", clock.monotonic())

    def before(self, row: StepRow, step: ExposeStep) -> bool:
        """Read the light before a picture and wait for a cloud to pass. False: the picture is there already.

        That is so when a run died between a picture and the reading after it.

        Raises
        ------
        RunPaused, CameraError
            As `daemon.control_frames.control_frame` does.
        """
        if not self.watches(row, step):
            return True
        fresh, self._fresh = self._fresh, False
        if fresh and (frame := self._waiting_frame(row)) is not None and self.after(row, step, frame):
            return False
        waited, told = self._watch.waited_s, False
        while True:
            level, slack = None, 0.0
            if self._watch.needs_reading(step.id, "before", clock.monotonic()):
                level, slack = self._read(row, step, "before")
                if self._context.logbook.step(row.id).outcome is not None:
                    return False
            if self._watch.before(level, clock.monotonic(), slack) == "shoot":
                break
            if not told:
                told = True
                self._context.tell("note", f"{step.id}: the light has changed: waiting for a cloud to pass")
            self._pause()
        if (spent := self._watch.waited_s - waited) > 0:
            self._context.tell("note", f"{step.id}: {spent:.0f} s were waited for a cloud", waited_s=spent)
        return True

    def after(self, row: StepRow, step: ExposeStep, frame: FrameRow) -> bool:
        """Read the light after a picture; True when it counts, and then its step has its outcome."""
        level = None
        if self._watch.needs_reading(step.id, "after", clock.monotonic()):
            level, _ = self._read(row, step, "after")
        own = self._own_level(step, frame) if self._calibrated else None
        judgement = self._watch.after(step.id, level, clock.monotonic(), own)
        if judgement == "retake":
            text = f"{step.id}: the light changed under this frame; it is taken again"
            self._context.tell("note", text, retaken=frame.id)
            return False
        why = "" if judgement == "keep" else "the light changed under it, and again when it was taken anew"
        kept = self._watch.kept(step.id)
        if kept is not None and self._group is not None:
            data = {"light": {"group": self._group.id, "kept": asdict(kept)}}
            self._context.logbook.add_event("light-read", why or "the light around a frame", self._context.run.id, data)
        if self._context.logbook.step(row.id).outcome is None:
            self._context.logbook.set_outcome(row.id, "kept", why)
        return True

    def rig_touched(self) -> None:
        """Hands did something: the latest reading no longer stands."""
        self._watch.rig_touched()

    def finish(self) -> None:
        """Tell what the light did over the group that was shot last."""
        if self._group is None or self._watch.grade == "off":
            return
        told = self._watch.account()
        if told.corrections or told.moved is not None:
            data = {"light": {"group": self._group.id, "account": asdict(told), "text": str(told)}}
            self._context.tell("note", f"{self._group.title}: {told}", **data)
        self._group = None

    # -- groups ---------------------------------------------------------------------------------------------------

    def _enter(self, row: StepRow, step: ExposeStep) -> None:
        """Begin with a group, or go on with one that an interruption cut."""
        if self._group is not None and self._group.id == step.group and self._revision == row.revision:
            return
        self.finish()
        plan = self._context.plan(row.revision)
        self._group = next(group for group in plan.groups if group.id == step.group)
        self._revision = row.revision
        alone = len(self._group.steps) == 1
        self._watch = Watch("off" if alone else self.grade, self._group.steps)
        self._firsts, self._own = {}, None
        if self._watch.grade == "off":
            return
        self._kit = kit_of(plan)
        self._calibrated = _is_calibrated(plan, self._group, self._kit)
        self._recall()

    def _recall(self) -> None:
        """The readings of this group from before an interruption."""
        logbook, run = self._context.logbook, self._context.run
        assert self._group is not None
        frames = {frame.id: frame for frame in logbook.frames(run.id)}
        for reading in logbook.readings(run.id):
            light = reading.data.get("light") or {}
            if light.get("group") != self._group.id or light.get("revision") != self._revision:
                continue
            key = (tuple(light["filters"]), float(light["focus_m"]))
            settings = Settings.model_validate(light["settings"])
            if light["first"]:
                self._firsts[key] = (self._reader.measure(frames[reading.frame_id]), settings, light["level"])
        for event in logbook.events(run.id):
            light = event.data.get("light") or {} if event.kind == "light-read" else {}
            if light.get("group") == self._group.id and self._firsts:
                age_s = (clock.utc_now() - event.at).total_seconds()
                self._watch.go_on_from(Kept(**light["kept"]), age_s, clock.monotonic())

    # -- readings -------------------------------------------------------------------------------------------------

    def _read(self, row: StepRow, step: ExposeStep, when: str) -> tuple[float | None, float]:
        """The light now against the group's first reading, and how uncertain that is. [stops]"""
        plan, kit = self._context.plan(row.revision), self._kit
        assert kit is not None and self._group is not None
        reference = next((one for one in plan.exposing if one.id == step.reference), step)
        key = (tuple(item.name for item in step.settings.filters), step.settings.focus.distance_m)
        first = self._firsts.get(key)
        if first is not None:
            settings = first[1]
        else:
            settings = reading_settings(step, reference, self._context.taker().scales)
        control = ControlStep(
            id=row.step_id, purpose="check", settings=settings, predicted_ev100=plan.inputs.light.ev100,
            text=f"The light {when} this picture.",
        )  # fmt: skip
        about: dict[str, Any] = {
            "group": self._group.id, "revision": row.revision, "step": step.id, "when": when, "settings": settings,
            "filters": list(key[0]), "focus_m": key[1], "first": first is None,
        }  # fmt: skip

        def read(frame: FrameRow) -> float:
            measure = self._reader.measure(frame)
            level = self._level(measure, settings, first, kit)
            if first is None:
                self._firsts[key] = (measure, settings, level)
            self._reader.note_light(frame, about | {"level": level})
            return level

        level = control_frame(self._context, row, control, settings, read, f"the light {when} a picture")
        if level is None:
            self._context.tell("note", f"{step.id}: the light {when} it could not be read")
        zero = next(iter(self._firsts), key)
        slack = FILTER_SLACK if zero[0] != key[0] else 0.0
        return level, slack

    def _level(
        self, measure: FrameMeasure, settings: Settings, first: tuple[FrameMeasure, Settings, float] | None, kit: Kit
    ) -> float:
        """The light on the scale of the group's first reading. [stops]"""
        if first is None and not self._firsts:
            return 0.0
        before, at, level = first or next(iter(self._firsts.values()))
        found = compare(measure, before, self._reader.tone)
        seen = found.against_reference_stops
        if seen is None:
            seen = found.level_stops - compare(before, tone=self._reader.tone).level_stops
        return level + seen - light_between(at, settings, kit)

    def _own_level(self, step: ExposeStep, frame: FrameRow) -> float | None:
        """The light by the picture itself: its brightness less what its settings give. [stops]"""
        assert self._kit is not None
        measure = self._reader.measure(frame)
        if self._own is None:
            self._own = (measure, step.settings)
            return 0.0
        seen = compare(measure, self._own[0], self._reader.tone).against_reference_stops
        return None if seen is None else seen - light_between(self._own[1], step.settings, self._kit)

    def _waiting_frame(self, row: StepRow) -> FrameRow | None:
        """A picture of this step that was kept while its outcome was not settled; None: there is none."""
        logbook, run = self._context.logbook, self._context.run
        attempts = {one.id for one in logbook.attempts(run.id) if one.step_row == row.id and one.state == "kept"}
        told = [event.data.get("retaken") for event in logbook.events(run.id) if event.kind == "note"]
        frames = [one for one in logbook.frames(run.id) if one.attempt_id in attempts and one.role == "picture"]
        return frames[-1] if frames and frames[-1].id not in told else None

    def _pause(self) -> None:
        end = clock.monotonic() + PAUSE_S
        while (left := end - clock.monotonic()) > 0:
            self._context.obey()
            clock.sleep(min(_LOOK_S, left))


def _is_calibrated(plan: Plan, group: GroupNote, kit: Kit) -> bool:
    """Whether the errors of every aperture and time of a group were measured, so that a frame tells the light."""
    used = [step.settings for step in plan.exposing if step.id in group.steps]
    return all(one.aperture.mark in kit.corrections.aperture and one.time.mark in kit.corrections.time for one in used)
