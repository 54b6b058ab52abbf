"""From a run in the logbook to its comparison sheet."""

from __future__ import annotations

from daemon.pictures.shapes import SheetFiles, SheetFrame, SheetGroup
from daemon.report import FrameReport, RunReport
from plans.compiler import kit_of
from plans.plan import GroupNote

WORTH_A_NOTE = 1 / 6  # stops between what a frame's settings give and what was measured
_COMMON = " (common practice, no source)"


def sheet_groups(found: RunReport) -> list[SheetGroup]:
    """What the sheet shows: a group of the plan each, in the plan's order."""
    by_step = {frame.step.id: frame for frame in found.frames}
    height = kit_of(found.plan).body.sensor.height_mm
    groups = []
    for group in found.plan.groups:
        frames = [by_step[step_id] for step_id in group.steps if step_id in by_step]
        groups.append(
            SheetGroup(
                title=group.title,
                held=group.held,
                changed=group.changed,
                spread_stops=group.spread,
                frames=tuple(_frame(frame) for frame in frames),
                left_out=group.left_out,
                criteria=_criteria(group, frames),
                notes=_notes(frames),
                sensor_height_mm=height,
            )
        )
    return groups


def make_run_sheet(found: RunReport) -> SheetFiles:
    """Draw the sheet of a run into the run's folder.

    Raises
    ------
    StoreError
        If it cannot be written.
    """
    from daemon.pictures.sheet import make_sheet

    day = found.run.created.astimezone().strftime("%d %B %Y, %H:%M")
    light = found.plan.inputs.light
    origin = "metered" if light.origin == "metered" else "by the brief"
    subtitle = f"Run {found.run.id}, {day}; light EV {light.ev100:.1f} at ISO 100, {origin}"
    return make_sheet(sheet_groups(found), found.plan.title, subtitle, found.folder)


def _criteria(group: GroupNote, frames: list[FrameReport]) -> tuple[str, ...]:
    """What the goals ask of their pictures, each once, before what the group asks of its brightness."""
    own = [text.replace(_COMMON, "") for frame in frames for text in frame.step.criteria]
    common = (_COMMON.strip(" ()"),) if any(_COMMON in text for frame in frames for text in frame.step.criteria) else ()
    return (*dict.fromkeys(own), *group.criteria, *common)


def _frame(frame: FrameReport) -> SheetFrame:
    note = {"not as planned": "Exif differs from the plan", "unverified": "settings not in Exif: unverified"}
    return SheetFrame(
        picture=frame.path,
        step=frame.step,
        is_reference=frame.step.reference == frame.step.id,
        against_reference_stops=frame.measured_stops,
        exif_note=note.get(frame.checked),
        outcome=frame.outcome,
        why_not_measured=frame.why_not_measured,
    )


def _notes(frames: list[FrameReport]) -> tuple[str, ...]:
    return tuple(
        f"No. {number}: measured {frame.residual_stops:+.2f} stop from what its settings give"
        for number, frame in enumerate(frames, 1)
        if frame.residual_stops is not None and abs(frame.residual_stops) > WORTH_A_NOTE
    )
