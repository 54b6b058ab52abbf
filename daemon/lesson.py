"""From a run to its lesson: what the pictures of a run are for a class, and where every part of the pack goes."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from daemon.errors import UsageError
from daemon.pictures.stopbar import stop_bar_segments
from daemon.pictures.teaching.flow import PaperName
from daemon.pictures.teaching.pack import PARTS, open_pack
from daemon.pictures.teaching.parts import Material, Progress, make_parts
from daemon.pictures.teaching.shapes import Lesson, LessonFrame, LessonGroup, class_order, told_apart_by
from daemon.pictures.typeface import Cleaner
from daemon.report import FrameReport, RunReport, signed
from plans.compiler import kit_of, plan_scales
from plans.plan import ExposeStep

PACK = "lesson"  # the pack's folder in a run's folder


@dataclass(frozen=True)
class Made:
    """A lesson pack: where it lies, what was made now, and which pictures it had to do without."""

    run: int
    place: Path
    parts: tuple[str, ...]
    files: tuple[str, ...]
    frames: int
    missing: tuple[int, ...]

    def as_json(self) -> dict[str, Any]:
        """The pack as plain data."""
        return vars(self) | {"place": str(self.place)}


def make_lesson(
    found: RunReport,
    out: Path | None = None,
    only: Collection[str] = (),
    students: Sequence[tuple[str, str]] = (),
    verdicts: Mapping[str, str] | None = None,
    paper: PaperName = "A4",
    progress: Progress = lambda _: None,
) -> Made:
    """Make the lesson pack of a run.

    Parameters
    ----------
    found
        The run.
    out
        A folder, or a name that ends in .zip; None: ``lesson/`` in the run's folder.
    only
        Names of `PARTS`; empty: all of them, student cards where there are ``students``.
    students
        Name and text of each student's kit file.
    verdicts
        What was judged of the pictures, by id of their step; None: nothing.

    Raises
    ------
    UsageError
        If a part is none, a kit file is none, or something else lies at ``out``.
    StoreError
        If the pack cannot be written.
    """
    parts = tuple(only) or tuple(part for part in PARTS if part != "students" or students)
    if unknown := [part for part in parts if part not in PARTS]:
        raise UsageError(f"--only: found {unknown[0]!r}; allowed: {', '.join(PARTS)}")
    if "students" in parts and not students:
        raise UsageError("--only students: found no kit file; name one a student with --student FILE")
    if not found.frames:
        raise UsageError(f"run {found.run.id}: found no pictures for a class in its plan; a lesson needs one at least")
    from daemon.pictures.teaching.students import cautions_of, translated

    lesson = lesson_of(found, verdicts)
    kit = kit_of(found.plan)
    clean = Cleaner()
    material = Material(
        scales=plan_scales(found.plan),
        camera=clean(kit.body.name),
        cautions=tuple(clean(text) for text in cautions_of(found.plan)),
        students=tuple(translated(found.plan, clean(name), text) for name, text in students),
        paper=paper,
    )
    place = (found.folder / PACK if out is None else out).absolute()
    with open_pack(place, found.run.id) as pack:
        make_parts(pack, lesson, material, parts, progress)
        made = tuple(entry.path for entry in pack.entries)
        pack.finish(lesson, found.run.id)
    missing = tuple(frame.number for frame in lesson.frames if frame.source is None or not frame.source.is_file())
    return Made(found.run.id, place, parts, made, len(lesson.frames), missing)


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
                    facts=_facts(reports[step.id]),
                )
            )
        title = clean(" · ".join(titles))
        told = told_apart_by(members)
        groups.append(LessonGroup(title[:1].upper() + title[1:], told, tuple(frames), faults=faults))
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


def _facts(report: FrameReport) -> dict[str, object]:
    return dict((report.frame.exif or {}) if report.frame else {})
