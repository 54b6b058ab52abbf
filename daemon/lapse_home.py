"""Pictures of a time-lapse brought home, read and held against each other; the camera looked for when it is lost."""

from __future__ import annotations

from typing import Any

from daemon.camera.verbs import CardFile
from daemon.context import ASK_AGAIN_S, LOST
from daemon.errors import BindingRefused, CameraError
from daemon.files import attempt_stem
from daemon.frames import LapseFrame, picture_of
from daemon.lapse_reading import Shown
from daemon.lapse_state import Away, LapseState
from daemon.logbook import Attempt, FrameRow
from daemon.rig.touch import Good, Touched, judge
from plans.compiler import kit_of
from plans.plan import Settings

UNREAD_MOST = 6  # frames without news before one is brought home at the next frame's cost


class LapseHome(LapseState):
    """What is done with the camera between ticks."""

    def _put_away(self, attempt: Attempt, frame: int, at_s: float, settings: Any, card: Any) -> None:
        found = Settings.model_validate(settings)
        files = tuple(CardFile.model_validate(one) for one in card)
        self._away.append(Away(attempt, (frame, at_s, self._light_of(frame, found)), found, files))

    def _read_unread(self, why: str) -> None:
        """Measure what came home while nobody looked; remember the last good frame. ``why``: nothing came of others."""
        run = self._context.run.id
        read = {row.frame_id for row in self._logbook.readings(run)}
        attempts = self._logbook.attempts(run)
        good = {one.id for one in attempts if one.state in ("kept", "recovered")}
        self._logbook.lapse_failed([one.id for one in attempts if one.state == "abandoned"], why)
        home = {one.attempt_id: one for one in self._logbook.frames(run) if one.attempt_id in good}
        for row in self._logbook.lapse_frames(self._row.id):
            frame = home.get(row.attempt_id) if row.attempt_id is not None else None
            if frame is None:
                continue
            settings = Settings.model_validate(row.settings)
            self._last = Good(frame, settings)
            if frame.id not in read:
                shown = Shown(row.frame, row.due_s + (row.late_s or 0.0), self._light_of(row.frame, settings), frame)
                self._readings.begin(shown, self._reader.path(frame))

    def _takes(self, files: tuple[CardFile, ...] | list[CardFile]) -> float:
        """How long bringing files home is expected to take, with a margin. [s]"""
        size = sum(25_000_000 if file.size is None else file.size for file in files)
        return 0.1 + 1.3 * size / self._rate

    def _fits(self, frame: int, files: list[CardFile]) -> bool:
        """Whether a picture can be brought home before the next tick, or has to be."""
        if frame + 1 >= self.step.frames or self._since_news >= UNREAD_MOST:
            return True
        return self._now() + self._takes(files) < self._due(frame + 1) - self._lead_of(frame + 1)

    def _home(self, frame: int, exposed: tuple[Away, float]) -> None:
        away, _ = exposed
        if away not in self._away:
            before = self._now()
            self._bring(away, closed=False)
            if self._since_news == 0 and self._now() > self._due(min(frame + 1, self.step.frames - 1)):
                self._held = f"bringing frame {frame + 1} home took {self._now() - before:.1f} s"

    def _bring(self, away: Away, closed: bool) -> None:
        """Bring a frame home and have it read. ``closed``: its attempt ended when it was put off."""
        context, (number, at_s, light) = self._context, away.shown
        taker, stem = context.taker(), attempt_stem(self._row.step_id, away.attempt.number)
        before = self._now()
        fetched = taker.fetch(stem, away.files)
        spent, size = self._now() - before, sum(file.size for file in fetched)
        self._rate = 2 / (1 / self._rate + max(spent, 1e-3) / max(size, 1))
        taken = taker.complete(away.attempt, stem, "picture", fetched, away.settings)
        if closed:
            frame = self._logbook.store_frame(
                away.attempt.id, context.run.id, "picture", taken.files, exif=taken.facts, checks=taken.checks,
                verified=taken.verified, taken_camera_clock=taken.facts.taken,
            )  # fmt: skip
        else:
            frame = taker.keep(taken, LapseFrame(self.step.id, away.settings), whole=False, why=taken.fault)
        self._since_news = 0
        if taken.fault:
            context.tell("note", f"Frame {number + 1}: {taken.fault}", step=self.step.id, frame=number)
            return
        path = taker.path(picture_of(taken.files))
        self._readings.begin(Shown(number, at_s, light, frame), path, self._touch(frame, away.settings))
        self._last = Good(frame, away.settings)

    def _touch(self, frame: FrameRow, settings: Settings) -> Any:
        """What holds the first frame after a gap against the last one before it; None when there is nothing to do."""
        check, self._check = self._check, None
        if check is None:
            return None
        reader, kit = self._reader, kit_of(self._plan)

        def touch() -> Touched:
            return judge(frame, settings, check, reader, kit)

        return touch

    def _bring_newest(self) -> None:
        away = self._away.pop()
        try:
            self._bring(away, closed=True)
        except LOST as error:
            self._away.append(away)
            self._seek(error)
        except CameraError as error:
            why = str(error).partition("\n")[0]
            self._logbook.lapse_gone(away.attempt.id, why)
            self._context.tell("note", f"Frame {away.shown[0] + 1} cannot be brought home: {why}", step=self.step.id)

    def _bring_rest(self) -> None:
        while self._away:
            self._context.obey()
            self._bring_newest()

    def _note_readings(self, wait: bool = False) -> None:
        for seen in self._readings.ready(wait):
            if seen.reading is not None:
                self._fresh.append(seen)
            else:
                self._context.tell("note", f"Frame {seen.shown.frame + 1} cannot be read: {seen.why}")
            if seen.touched is not None:
                said = "; ".join(seen.touched.notes) or seen.touched.of_rig
                text = f"Frame {seen.shown.frame + 1}, the first after the gap: {said}"
                data = {"check": seen.touched.as_json(), "frame": seen.shown.frame, "step": self.step.id}
                self._context.tell("note", text, hands=bool(seen.touched.notes), **data)

    def _seek(self, error: CameraError) -> None:
        """Wait for the camera for as long as the time-lapse lasts, then settle the frame in flight.

        Raises
        ------
        CameraError
            The latest trouble, when it is still away some time after the end.
        """
        context, since = self._context, self._now()
        context.control.hear()  # a stop may be why the camera went
        context.tell("camera-lost", str(error))
        end = self._due(self.step.frames - 1) + context.manners.patience_s
        with context.machine.during("seeking"):
            while True:
                context.forget_taker()
                try:
                    context.reconciler().settle()
                    break
                except CameraError as trouble:
                    if isinstance(trouble, BindingRefused) or self._now() > end:
                        raise trouble from error
                    context.control.hear(ASK_AGAIN_S)
        away_s = self._now() - since
        context.tell("camera-back", f"The camera is back after {away_s:.0f} s")
        self._held = f"the camera was away for {away_s:.0f} s: {str(error).partition(chr(10))[0]}"
        before = self._last
        self._read_unread(str(error).partition("\n")[0])
        self._check = before

    def _taken_home(self) -> list[Any]:
        home = {one.attempt_id for one in self._logbook.frames(self._context.run.id)}
        return [row for row in self._logbook.lapse_frames(self._row.id) if row.attempt_id in home]
