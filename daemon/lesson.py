"""From a run to its lesson: what the pictures of a run are for a class, and where every part of the pack goes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from daemon.pictures.stopbar import stop_bar_segments
from daemon.pictures.teaching.shapes import Lesson, LessonFrame, LessonGroup, class_order, told_apart_by
from daemon.pictures.typeface import Cleaner
from daemon.report import FrameReport, RunReport, signed
from plans.plan import ExposeStep


def lesson_of(found: RunReport, verdicts: Mapping[str, str] | None = None) -> Lesson:
    """The pictures of a run as a class should see them: group by group, wide to narrow and fast to slow.

    Two goals of one picture each are shown as a pair. ``verdicts``: by id of a step, what was
    judged of its picture, in a few words for the caption; None: nothing was judged.
    """
    clean = Cleaner()
    reports = {frame.step.id: frame for frame in found.frames}
    steps = {step.id: step for step in found.plan.exposing}
    faulty = _fault_goals(found)
    gathered: list[tuple[list[str], list[ExposeStep], bool]] = []
    lone: int | None = None  # place of a goal of one picture that waits for another
    for group in found.plan.groups:
        members = [steps[name] for name in group.steps if name in steps]
        if lone is not None and len(members) == 1:
            gathered[lone][0].append(group.title)
            gathered[lone][1].extend(members)
            lone = None
        elif members:
            gathered.append(([group.title], list(members), group.id in faulty))
            lone = len(gathered) - 1 if len(members) == 1 else lone
    every = [step for _, members, _ in gathered for step in members]
    groups, number = [], 0
    for titles, members, faults in gathered:
        ordered = list(members) if faults else class_order(members)
        bars = dict(zip((step.id for step in members), stop_bar_segments(members, every), strict=True))
        frames = []
        for step in ordered:
            number += 1
            frames.append(
                LessonFrame(
                    number=number,
                    step=step,
                    source=reports[step.id].path,
                    caption=clean(step.caption),
                    bar=bars[step.id],
                    verdict=clean(verdicts[step.id]) if verdicts and step.id in verdicts else None,
                    figures=_figures(reports[step.id]),
                )
            )
        title = clean(" · ".join(titles))
        groups.append(
            LessonGroup(title[:1].upper() + title[1:], told_apart_by(members), tuple(frames), faults=faults)
        )
    day = found.run.created.astimezone().strftime("%d %B %Y")
    light = f"light EV {found.plan.inputs.light.ev100:.1f} at ISO 100"
    light += ", as metered" if found.metered_ev100 is not None else ", by the brief"
    return Lesson(clean(found.plan.title) or "Lesson", day, light, tuple(groups))


def _fault_goals(found: RunReport) -> set[str]:
    """Groups whose pictures show mistakes on purpose."""
    goals = found.plan.inputs.brief.get("goals", [])
    numbers = [n for n, goal in enumerate(goals, 1) if isinstance(goal, dict) and "faults" in goal]
    return {f"g{number}" for number in numbers}


def _figures(report: FrameReport) -> tuple[tuple[str, str], ...]:
    """What only the teacher needs to know of a picture."""
    told = [
        ("step", report.step.id),
        ("file", report.path.name if report.path else "none"),
        ("outcome", report.outcome),
        ("Exif", report.checked),
        ("set", signed(report.expected_stops)),
        ("seen", signed(report.measured_stops)),
        ("residual", signed(report.residual_stops)),
        ("against metering", signed(report.meter_residual_stops)),
        ("look at", report.doubt or "–"),
    ]
    return tuple(told)


def sources(lesson: Lesson) -> Sequence[Path]:
    """The files of pictures that a lesson shows."""
    return [frame.source for frame in lesson.frames if frame.source is not None]
