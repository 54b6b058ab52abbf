"""Before a time-lapse's first frame: find the light, and the contrast of the camera's tone curve from a bracket."""

from __future__ import annotations

from dataclasses import dataclass

from daemon.context import RunContext
from daemon.control_frames import control_frame
from daemon.errors import RunPaused
from daemon.logbook import FrameRow, StepRow
from daemon.metering import SATURATED, Search
from daemon.readings import Reader
from plans.goals.timelapse import controller_of
from plans.plan import ControlStep, Rung, Settings, TimelapseStep
from plans.tone import Tone, code_of, fit_tone

MOST_FRAMES = 10  # to find the light with; from a guess that is 20 stops off it takes 7
EACH_S = 2.0  # what one of these frames takes beyond its exposure; an assumption [s]


@dataclass(frozen=True)
class Start:
    """What was found. ``level``: the light [EV100]. ``note``: why no tone was fitted; empty when one was."""

    level: float
    tone: Tone
    note: str = ""


def settings_of(step: TimelapseStep, rung: Rung) -> Settings:
    """The time-lapse's settings at one rung."""
    return step.settings.model_copy(update={"time": rung.time, "iso": rung.iso})


def lead_s(step: TimelapseStep) -> float:
    """How long before the start all this is begun. [s]"""
    expected = step.settings.time.exact
    return 20.0 + (len(step.bracket) + 4) * (expected + EACH_S)


def find_light(context: RunContext, row: StepRow, step: TimelapseStep, reader: Reader, left_s: float | None) -> Start:
    """Take frames until one can be believed, then the bracket.

    Parameters
    ----------
    left_s
        Time until the first frame; None: it waits. A bracket that takes longer is left out. [s]

    Raises
    ------
    RunPaused
        If the light cannot be found.
    CameraError
        If the camera fails for good.
    """
    controller = controller_of(step)
    rungs = step.parts[0].rungs
    expected = step.light[0].ev100 if step.light else context.plan(row.revision).inputs.light.ev100
    index = controller.nearest(controller.look.light(expected))
    search, level = Search(), None
    for _ in range(MOST_FRAMES):
        level = _level(context, row, step, rungs[index], reader)
        if level is None:
            break
        move = search.next_move(rungs[index].light, level, level >= SATURATED)
        further = index if move is None else controller.nearest(rungs[index].light + move)
        if further == index:
            break
        index = further
    if level is None:
        raise RunPaused(
            f"{step.id}: the light could not be read before the time-lapse. Look at the camera's screen: is it in "
            "manual mode, and the cap off? Nothing is lost"
        )
    base = rungs[index].light
    if reader.tone:
        return Start(level - base, Tone())
    chosen = [controller.nearest(base + offset) for offset in step.bracket]
    takes_s = sum(rungs[n].time.exact + EACH_S for n in chosen)
    if left_s is not None and takes_s > left_s:
        return Start(level - base, Tone(), f"there is no time for a bracket of {takes_s:.0f} s before the start")
    found = [(n, _level(context, row, step, rungs[n], reader)) for n in chosen]
    told = [(rungs[n].light - base, seen) for n, seen in found if seen is not None]
    if told:
        level = told[-1][1] if told[-1][0] == 0 else level
    try:
        tone = fit_tone([offset for offset, _ in told], [code_of(seen) for _, seen in told])
    except ValueError as error:
        return Start(level - base, Tone(), str(error))
    return Start(tone.stops(level) - base, tone)


def _level(context: RunContext, row: StepRow, step: TimelapseStep, rung: Rung, reader: Reader) -> float | None:
    settings = settings_of(step, rung)
    control = ControlStep(
        id=row.step_id, purpose="meter", settings=settings, predicted_ev100=0.0, text="The light before a time-lapse."
    )

    def read(frame: FrameRow) -> float:
        return reader.level(frame, settings).level_stops

    return control_frame(context, row, control, settings, read, "the light before a time-lapse")
