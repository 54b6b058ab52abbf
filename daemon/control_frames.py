"""Taking a control frame: metering, check, or a reading of the light. It is kept apart from the pictures."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from daemon.context import RunContext, may_pass
from daemon.errors import CameraError
from daemon.frames import picture_of
from daemon.logbook import FrameRow, StepRow
from daemon.pictures.opening import PictureUnreadable
from plans.plan import ControlStep, Settings

TRIES = 3  # at one frame, when the link fails or the picture is spoilt
_Read = TypeVar("_Read")


def control_frame(
    context: RunContext,
    row: StepRow,
    step: ControlStep,
    settings: Settings,
    read: Callable[[FrameRow], _Read],
    what: str,
    following: Settings | None = None,
    ahead: Callable[[Path], object] = lambda path: None,
) -> _Read | None:
    """Take a frame at ``settings`` and read it; None when none of a few could be read.

    Parameters
    ----------
    row
        The step's row; it stays to do.
    read
        What to make of the frame; may raise `PictureUnreadable`, which is a reason to take another.
    what
        What the frame is, for the record.
    following
        What the next frame is likely to be taken at.
    ahead
        Called with the picture as soon as it is durable, before it is in the record: reading it may begin then.

    Raises
    ------
    RunPaused
        If a client asks to stop.
    CameraError
        If the camera fails for good.
    """
    for number in range(1, TRIES + 1):
        context.obey()
        try:
            taken = context.taker().take(row, step, settings, following)
        except CameraError as error:
            if not may_pass(error) or number == TRIES:
                raise
            context.wait_for_camera(error)
            if context.logbook.step(row.id).outcome is not None:
                return None  # the frame in flight passed for the step's own
            continue
        context.tell_held(step.id, taken)
        if not taken.unreadable:
            ahead(context.taker().path(picture_of(taken.files)))
        frame = context.taker().keep(taken, step, whole=False, why=taken.fault or what)
        if taken.unreadable:
            continue
        try:
            return read(frame)
        except PictureUnreadable:
            continue
    return None
