"""Readings of a run's frames: measured in a worker thread while the next frame is exposed, written by the runner.

The decoder releases the interpreter lock, so measuring never delays an exposure. A frame is compared with its group's
reference; what settings alone would give is recorded beside what was measured, and the difference of the two.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from types import TracebackType
from typing import Any

from daemon.errors import StopwrightError
from daemon.feed import Event, Listener
from daemon.frames import picture_of
from daemon.logbook import FrameRow, RunRow
from daemon.pictures.reading import METHOD, FrameMeasure, Reading, compare, measure_frame
from daemon.retarget import settings_light
from daemon.store import Store
from plans.compiler import kit_of
from plans.kit import Kit
from plans.plan import ExposeStep, Plan, Settings

MOST_REFERENCES = 64  # measures that are kept for comparing others with
MOST_DUE = 256  # measures that wait for a reference that is still to be shot


class Reader:
    """Measures frames of one run in the background. Use as a context manager; `finish` writes what is left to write.

    What is measured is let go as soon as its reading is written, but for what others are compared with, so that a run
    of ten thousand frames takes no more memory than one of a thousand. ``plan`` gives the plan in force, where it is at
    hand; None: it is read from the logbook.
    """

    def __init__(self, store: Store, run: RunRow, tell: Listener, plan: Callable[[], Plan] | None = None):
        self._store, self._run, self._tell = store, run, tell
        self._plan = plan or (lambda: store.logbook.plan(run.id))
        self._pool = ThreadPoolExecutor(max_workers=1, thread_name_prefix="reading")
        self._tone: tuple[float, ...] | None = None
        self._ahead: tuple[Path, Future[FrameMeasure]] | None = None
        self._measures: dict[int, Future[FrameMeasure]] = {}
        self._due: list[tuple[FrameRow, ExposeStep]] = []  # begun, their readings not written
        self._references: dict[str, FrameRow] = {}
        self._meter: tuple[FrameRow | None, Settings | None] | None = None
        self._steps: tuple[Plan, dict[str, ExposeStep]] | None = None
        self._kit: tuple[Plan, Kit] | None = None

    def __enter__(self) -> Reader:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._pool.shutdown(wait=True, cancel_futures=True)

    def ahead(self, path: Path) -> None:
        """Start measuring a picture that is durable but not in the record yet; `begin` takes it up."""
        self._ahead = path, self._pool.submit(measure_frame, path)

    def begin(self, frame: FrameRow, path: Path, step: ExposeStep | None = None) -> None:
        """Start measuring a frame; with the ``step`` that it is the picture of, `catch_up` writes its reading."""
        begun, self._ahead = self._ahead, None
        if begun is not None and begun[0] == path:
            self._measures[frame.id] = begun[1]
        else:
            self._measures[frame.id] = self._pool.submit(measure_frame, path)
        if step is not None:
            self._due.append((frame, step))
            if step.reference == step.id:
                self._references[step.id] = frame
        for old in list(self._references)[:-MOST_REFERENCES]:
            self._forget(self._references.pop(old))

    def catch_up(self, plan: Plan) -> None:
        """Write the readings of what is measured by now, and let go what nobody needs any more."""
        meter = self._metering_frame()[0]
        for frame, step in list(self._due):
            reference = self._references.get(step.reference)
            ready = [self._measures.get(other.id) for other in (frame, reference) if other is not None]
            if reference is None or not all(measure is not None and measure.done() for measure in ready):
                continue
            self._due.remove((frame, step))
            self._read(plan, step, frame, reference)
            if frame is not reference and (meter is None or frame.id != meter.id):
                self._forget(frame)
        for frame, step in self._due[:-MOST_DUE]:  # its reference is still to be shot: measured again at the end
            self._due.remove((frame, step))
            self._forget(frame)

    def _forget(self, frame: FrameRow) -> None:
        if frame.id not in {other.id for other, _ in self._due}:
            self._measures.pop(frame.id, None)

    def measure(self, frame: FrameRow) -> FrameMeasure:
        """The measure of a frame, waited for; begun now when it was not (a run that was resumed)."""
        if frame.id not in self._measures:
            self.begin(frame, self._path(frame))
        return self._measures[frame.id].result()

    def level(self, frame: FrameRow, settings: Settings) -> Reading:
        """Read a metering frame, taken at ``settings``, by itself and write the reading down."""
        reading = compare(self.measure(frame), tone=self.tone)
        self._write(frame, reading, None, None, {"settings": settings})
        self._meter = frame, settings
        return reading

    @property
    def tone(self) -> tuple[float, ...]:
        """The body's tone curve as measured; empty where it was not."""
        if self._tone is None:
            self._tone = self._kit_of(self._plan()).corrections.tone
        return self._tone

    def path(self, frame: FrameRow) -> Path:
        """Where a frame's picture lies."""
        return self._path(frame)

    def note_check(self, frame: FrameRow, settings: Settings, plan: Plan, found: dict[str, Any]) -> None:
        """Write down the reading of a check frame against the metering frame, with what else was ``found`` on it."""
        meter, metered_at = self._metering_frame()
        reading = compare(self.measure(frame), self._if_readable(meter), self.tone)
        expected = None if metered_at is None else light_between(metered_at, settings, self._kit_of(plan))
        self._write(frame, reading, meter, expected, {"checked": settings} | found)

    def brightness_off(self, frame: FrameRow, settings: Settings, plan: Plan) -> float | None:
        """How much brighter a check frame is than its settings give, going by the metering frame. [stops]

        Where the two cannot be compared block by block (one is black or white all over) their levels are, which tells
        the least that it is off. None when there is no metering frame that can be read.
        """
        meter, metered_at = self._metering_frame()
        meter_measure = self._if_readable(meter)
        if meter_measure is None or metered_at is None:
            return None
        expected = light_between(metered_at, settings, self._kit_of(plan))
        reading = compare(self.measure(frame), meter_measure, self.tone)
        if reading.against_reference_stops is not None:
            return reading.against_reference_stops - expected
        return reading.level_stops - compare(meter_measure, tone=self.tone).level_stops - expected

    def note_light(self, frame: FrameRow, about: dict[str, Any]) -> None:
        """Write down what a control reading beside a picture told of the light; ``about`` says where it stands."""
        self._write(frame, compare(self.measure(frame), tone=self.tone), None, None, {"light": about})

    def finish(self, plan: Plan) -> None:
        """Read every picture of ``plan`` and beside it that has no reading yet against the reference that stands."""
        self._due.clear()
        frames = kept_frames(self._store, self._run)
        extras = self._store.logbook.extras(self._run.id).values()
        beside = [ExposeStep.model_validate(item.step) for item in extras if item.what == "improvised"]
        read = {
            (row.frame_id, row.reference_frame_id)
            for row in self._store.logbook.readings(self._run.id)
            if row.version == _version()
        }
        for step in (*plan.exposing, *beside):
            frame, reference = frames.get(step.id), frames.get(step.reference)
            if frame is None or (frame.id, reference.id if reference else None) in read:
                continue
            self._read(plan, step, frame, reference)
            if step.id != step.reference:
                self._forget(frame)

    def _read(self, plan: Plan, step: ExposeStep, frame: FrameRow, reference: FrameRow | None) -> None:
        """Compare a measured picture and write its reading; one that cannot be read is told."""
        try:
            measured_frame = self.measure(frame)
        except StopwrightError as error:
            self._tell(Event("note", f"{step.id}: cannot be read: {error}", {"step": step.id}))
            return
        reading = compare(measured_frame, self._if_readable(reference), self.tone)
        meter, metered_at = self._metering_frame()
        meter_measure = self._if_readable(meter)
        from_meter = compare(measured_frame, meter_measure, self.tone) if meter_measure else None
        more = {}
        if from_meter is not None and metered_at is not None:
            expected = light_between(metered_at, step.settings, self._kit_of(plan))
            more["meter"] = _compared(expected, from_meter.against_reference_stops)
        self._write(frame, reading, reference, self._expected_difference(plan, step), more)

    def _kit_of(self, plan: Plan) -> Kit:
        if self._kit is None or self._kit[0] is not plan:
            self._kit = plan, kit_of(plan)
        return self._kit[1]

    def _expected_difference(self, plan: Plan, step: ExposeStep) -> float | None:
        """How much brighter the settings alone make a frame than its reference. [stops]"""
        if self._steps is None or self._steps[0] is not plan:
            self._steps = plan, {other.id: other for other in plan.exposing}
        other = self._steps[1].get(step.reference)
        if other is None:
            return None
        return (step.intended_offset + step.offset) - (other.intended_offset + other.offset)

    def _if_readable(self, frame: FrameRow | None) -> FrameMeasure | None:
        try:
            return self.measure(frame) if frame else None
        except StopwrightError:
            return None  # it is told where it is read itself

    def _metering_frame(self) -> tuple[FrameRow | None, Settings | None]:
        """The last metering frame that was read, and the settings it was taken at."""
        if self._meter is None:
            self._meter = self._find_metering_frame()
        return self._meter

    def _find_metering_frame(self) -> tuple[FrameRow | None, Settings | None]:
        frames = {frame.id: frame for frame in self._store.logbook.frames(self._run.id) if frame.role == "control"}
        for row in reversed(self._store.logbook.readings(self._run.id)):
            if row.frame_id in frames and "settings" in row.data:
                return frames[row.frame_id], Settings.model_validate(row.data["settings"])
        return None, None

    def _write(
        self,
        frame: FrameRow,
        reading: Reading,
        reference: FrameRow | None,
        expected: float | None,
        more: dict[str, Any],
    ) -> None:
        data = {"reading": reading} | _compared(expected, reading.against_reference_stops) | more
        self._store.logbook.add_reading(
            frame.id, str(METHOD["name"]), _version(), data, reference.id if reference else None
        )

    def _path(self, frame: FrameRow) -> Path:
        files = self._store.logbook.files_of(frame.id)
        return self._store.files.path(picture_of(files).path)


def _compared(expected: float | None, measured: float | None) -> dict[str, float | None]:
    residual = measured - expected if measured is not None and expected is not None else None
    return {"expected_stops": expected, "measured_stops": measured, "residual_stops": residual}


def light_between(one: Settings, other: Settings, kit: Kit) -> float:
    """How much brighter ``other`` makes a picture than ``one``, in one light. [stops]"""
    return settings_light(other, kit) - settings_light(one, kit)


def _version() -> str:
    return str(METHOD["version"])


def kept_frames(store: Store, run: RunRow) -> dict[str, FrameRow]:
    """The one frame that counts for each exposing step of the plan in force and beside it, by step id.

    For a step that was taken again it is the last retake that was kept.
    """
    logbook = store.logbook
    revisions = logbook.run_plans(run.id)
    newest = revisions[-1].revision if revisions else 0
    stands_for = {row: item.of_step for row, item in logbook.extras(run.id).items() if item.what == "retake"}
    steps = {
        row.id: stands_for.get(row.id, row.step_id) for row in logbook.steps(run.id, newest) if row.outcome == "kept"
    }
    counted = {
        attempt.id: steps[attempt.step_row]
        for attempt in logbook.attempts(run.id)
        if attempt.step_row in steps and attempt.state in ("kept", "recovered")
    }
    return {
        counted[frame.attempt_id]: frame
        for frame in logbook.frames(run.id)
        if frame.role == "picture" and frame.attempt_id is not None and frame.attempt_id in counted
    }
