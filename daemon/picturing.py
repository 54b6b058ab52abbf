"""One picture: tried until it is kept, given up, or the run stops."""

from __future__ import annotations

from functools import partial

from daemon import clock
from daemon.context import RunContext, may_pass
from daemon.errors import BindingRefused, CameraError
from daemon.feed import Kind
from daemon.frames import picture_of
from daemon.light_watch import LightWatch
from daemon.logbook import FrameRow, StepRow
from daemon.readings import Reader
from plans.plan import ExposeStep

ATTEMPTS = 3  # tries at one step before it is given up


class Picturing:
    """Takes the pictures of a run; those of groups whose light is watched count when the watch says so."""

    def __init__(self, context: RunContext, reader: Reader, light: LightWatch):
        self._context, self._reader, self._light = context, reader, light

    def do(self, row: StepRow, step: ExposeStep) -> FrameRow | None:
        """Take a picture and give its step the outcome; the frame, or None when it was taken up or given up.

        Raises
        ------
        RunPaused
            If a client stops the run while the camera is lost.
        CameraError
            If the camera fails for good.
        """
        context = self._context
        left, total = context.pictures_left(row.revision), len(context.plan(row.revision).exposing)
        extra = context.logbook.extra(row.id) if context.is_extra(row) else None
        done, left_s = total - len(left), sum(left.values())
        left.pop(step.id, None)
        facts = {"step": step.id, "goal": step.goal, "total": total}
        if extra is not None:
            facts |= {"extra": extra.what, "of_step": extra.of_step}
        settings = step.settings.model_dump()
        context.tell("step-started", step.caption, **facts, done=done, exposure_left_s=left_s, settings=settings)
        watched = extra is None and self._light.watches(row, step)
        then = None
        if extra is None and not left:
            context.later(context.camera.get_spare)
            if not watched and context.after(row) is None:
                then = context.wind_up
        number = 0
        while number < ATTEMPTS:
            number += 1
            try:
                if watched and not self._light.before(row, step):
                    return None
                began = clock.monotonic()
                taker = context.taker()
                told = watched and self._light.looks_after(step)
                following = None if told else context.following(row, step.group if watched else None)
                taken = taker.take(row, step, step.settings, following, then)
            except CameraError as error:
                if extra is not None and isinstance(error, BindingRefused):
                    context.skip(row, str(error))
                    return None
                if not may_pass(error):
                    raise
                context.wait_for_camera(error)
                if context.logbook.step(row.id).outcome is not None:
                    return None
                if number == ATTEMPTS:
                    raise
                continue
            context.tell_held(step.id, taken)
            whole = not taken.fault
            frame = taker.keep(taken, step, whole=whole and not watched, why=taken.fault)
            files = [str(taker.path(file)) for file in taken.files]
            if whole:
                path = taker.path(picture_of(taken.files))
                if told:
                    self._reader.begin(frame, path, step)
                else:  # measuring takes the processor, which the next frame's way to the shutter needs now
                    context.later(partial(self._reader.begin, frame, path, step))
                if watched and not self._light.after(row, step, frame):
                    number -= 1  # the light's doing: the watch bounds how often
                    continue
                took_s = clock.monotonic() - began
                facts |= {"frame": frame.id, "files": files, "verified": taken.verified, "settings": settings}
                done += extra is None
                context.tell("frame-kept", step.caption, **facts, done=done, took_s=took_s)
                if extra is not None:
                    kind: Kind = "frame-retaken" if extra.what == "retake" else "frame-improvised"
                    text = f"{extra.of_step}: taken again" if extra.what == "retake" else step.caption
                    context.tell(kind, text, step=step.id, of_step=extra.of_step, why=extra.why)
                context.later(partial(self._reader.catch_up, context.plan(row.revision)))
                return frame
            context.tell("attempt-failed", f"{step.id}: {taken.fault}; it is shot again", step=step.id, files=files)
        why = f"given up after {ATTEMPTS} attempts"
        context.logbook.set_outcome(row.id, "abandoned", why)
        context.tell("step-skipped", f"{step.id}: {why}", step=step.id)
        return None
