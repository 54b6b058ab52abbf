"""From a run in the logbook to its comparison sheet."""

from __future__ import annotations

from daemon.pictures.shapes import SheetFiles, SheetFrame, SheetGroup
from daemon.report import FrameReport, RunReport, settings_line
from plans.compiler import kit_of
from plans.plan import ExposeStep, GroupNote

_COMMON = " (common practice, no source)"


def sheet_groups(found: RunReport) -> list[SheetGroup]:
    """What the sheet shows: a group of the plan each, in the plan's order."""
    by_step = {frame.step.id: frame for frame in found.frames}
    sensor = kit_of(found.plan).body.sensor
    groups = []
    for group in found.plan.groups:
        frames = [by_step[step_id] for step_id in group.steps if step_id in by_step]
        groups.append(
            SheetGroup(
                title=group.title,
                held=group.held,
                changed=group.changed,
                spread_stops=group.spread,
                frames=tuple(_frame(frame, sensor.pixels[0]) for frame in frames),
                left_out=group.left_out,
                criteria=_criteria(group, frames),
                notes=(*_light(found, group), *_notes(frames), *_improvised(found, frames)),
                sensor_height_mm=sensor.height_mm,
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
    ev = found.plan.inputs.light.ev100
    light = f"light EV {ev:.1f} at ISO 100, by the brief and not metered"
    if found.metered_ev100 is not None:
        light = f"light metered at EV {found.metered_ev100:.1f}, counted as EV {ev:.1f}"
    subtitle = f"Run {found.run.id}, {day}; {light}. Focus and filters are by operator"
    return make_sheet(sheet_groups(found), found.plan.title, subtitle, found.folder)


def _criteria(group: GroupNote, frames: list[FrameReport]) -> tuple[str, ...]:
    """What the goals ask of their pictures, each once, before what the group asks of its brightness."""
    own = [text.replace(_COMMON, "") for frame in frames for text in frame.step.criteria]
    common = (_COMMON.strip(" ()"),) if any(_COMMON in text for frame in frames for text in frame.step.criteria) else ()
    return (*dict.fromkeys(own), *group.criteria, *common)


def _frame(frame: FrameReport, pixels_wide: int) -> SheetFrame:
    note = {"not as planned": "Exif differs from the plan", "unverified": "settings not in Exif: unverified"}
    return SheetFrame(
        picture=frame.path,
        step=_in_pixels_of(frame, pixels_wide),
        is_reference=frame.step.reference == frame.step.id,
        against_reference_stops=frame.measured_stops,
        exif_note=note.get(frame.checked),
        outcome=frame.outcome,
        why_not_measured=frame.why_not_measured,
        from_meter_stops=frame.meter_residual_stops,
    )


def _in_pixels_of(frame: FrameReport, pixels_wide: int) -> ExposeStep:
    """The step with its pixel figures counted in the picture as stored, which may be smaller than the sensor."""
    width = (frame.frame.exif or {}).get("width") if frame.frame else None
    if not width:
        return frame.step
    predicted = frame.step.predicted
    smear = {name: pixels * width / pixels_wide for name, pixels in predicted.smear_px.items()}
    return frame.step.model_copy(update={"predicted": predicted.model_copy(update={"smear_px": smear})})


def _light(found: RunReport, group: GroupNote) -> tuple[str, ...]:
    """What the light did over a group, and by how much each frame came out brighter or darker for it."""
    told = found.light.get(group.id)
    if told is None:
        return ()
    text = f"Light: {told['text']}"
    corrections = told["account"]["corrections"]
    if told["account"]["shifted"] and corrections:
        numbers = {step: number for number, step in enumerate(group.steps, 1)}
        each = ", ".join(f"No. {numbers[step]} {value:+.2f}" for step, value in corrections.items() if step in numbers)
        text += f". In stops against the first: {each}"
    return (text,)


def _improvised(found: RunReport, frames: list[FrameReport]) -> tuple[str, ...]:
    """The pictures improvised beside a group's: which settings, beside which number, and in which file."""
    numbers = {frame.step.id: number for number, frame in enumerate(frames, 1)}
    notes = []
    for one in found.improvised:
        number = numbers.get(found.beside.get(one.step.id, ""))
        if number is not None and one.path is not None:
            notes.append(f"Improvised beside No. {number}: {settings_line(one.step.settings)} ({one.path.name})")
    return tuple(notes)


def _notes(frames: list[FrameReport]) -> tuple[str, ...]:
    return tuple(f"LOOK AT No. {number}: {frame.doubt}" for number, frame in enumerate(frames, 1) if frame.doubt)
