"""Student cards: the lesson's pictures with the marks of each student's own camera."""

from __future__ import annotations

import copy
import re
from collections.abc import Sequence
from dataclasses import dataclass

import yaml

from daemon.errors import BriefError, UsageError
from daemon.pictures.card_layout import lay_out_card
from daemon.pictures.draw_pdf import draw_pdf
from daemon.pictures.teaching.flow import Cell, Flow, PaperName
from daemon.pictures.teaching.shapes import Lesson, LessonFrame, class_order, told_apart_by, value, whole_line
from daemon.pictures.tones import PLAIN
from daemon.pictures.typeface import Cleaner, text_width
from plans.brief import Brief
from plans.compiler import compile_brief
from plans.plan import ExposeStep, Plan
from plans.pocket_card import card
from plans.reading import read_brief
from plans.stops import light_of

LESSON_FILE = "the lesson's brief"
_NEAR = 0.51  # stops; a picture farther off than this in what tells it apart is none of the lesson's
_GOAL = re.compile(r"goals\[(\d+)\]")


@dataclass(frozen=True)
class StudentPlan:
    """The lesson's plan for one student's kit. ``lost``: what could not be carried over, and why."""

    name: str
    plan: Plan
    brief: Brief
    lost: tuple[str, ...]


def translated(plan: Plan, name: str, kit_text: str) -> StudentPlan:
    """The lesson's goals compiled for another kit, in the same light and scene.

    A goal that names a mark which this camera lacks is left out and told, as are limits that do.

    Raises
    ------
    UsageError
        If the kit file is none, or nothing of the lesson fits it; every complaint is in it.
    """
    tree = copy.deepcopy(plan.inputs.brief)
    tree["kit"] = f"{name}.yaml"
    lost: list[str] = []
    for _ in range(len(tree.get("goals", ())) + 2):
        try:
            brief = read_brief(_text(tree), LESSON_FILE, lambda _: kit_text)
        except BriefError as error:
            if not _without_refused(tree, error, lost):
                raise UsageError(f"--student {name!r}: the lesson cannot be planned for this kit.\n{error}") from None
            continue
        made = compile_brief(brief, plan.inputs.light)
        # A lone list of reasons is what a student needs as much as settings.
        lost += [f"{item.goal}: {_first(item.reasons)}. {_first(item.remedies)}".strip() for item in made.unreachable]
        return StudentPlan(name, made, brief, tuple(lost))
    raise UsageError(f"--student {name!r}: nothing of the lesson can be planned for this kit")


def student_pdf(lesson: Lesson, student: StudentPlan, paper: PaperName) -> bytes:
    """One student's card: beside each picture of the lesson the settings of this camera, and what it cannot show."""
    kit = student.brief.kit
    lens = kit.lens
    zoom = f"{lens.focal_length_mm:g} mm"
    flow = Flow(
        paper,
        f"{student.name}: the lesson with your camera",
        f"{kit.body.name}, {zoom}. {lesson.title}; {lesson.light}",
    )
    flow.text(
        "Set the dial to M and auto ISO off. The light may differ when you shoot: take one picture first, and if it is "
        "a stop too dark, give every picture a stop more by time or ISO.", 9.5, after=3.0,
    )  # fmt: skip
    steps = {step.id: step for step in student.plan.exposing}
    number = 0
    for group in student.plan.groups:
        members = class_order([steps[name] for name in group.steps if name in steps])
        rows = []
        for step in members:
            number += 1
            beside = _of_lesson(lesson, step, members)
            rows.append(
                [
                    Cell(str(number), "bold"),
                    Cell(whole_line(step.settings), "bold"),
                    Cell(value("focus", step.settings).removeprefix("focus ") + _subject(step)),
                    Cell("–" if beside is None else f"No. {beside.number}: {whole_line(beside.step.settings)}"),
                    Cell(""),
                ]
            )
        if rows:
            flow.head(group.title[:1].upper() + group.title[1:], 10.5, 26.0)
            flow.table(
                ("", "your settings", "focus", "in the lesson", "shot"), rows, (0.05, 0.35, 0.16, 0.36, 0.08), 9.0
            )
    if student.lost:
        flow.head("What this kit cannot show here", 10.5)
        for told in student.lost:
            flow.text(f"– {told}", 9.0, indent=2.0)
    for caution in cautions_of(student.plan):
        flow.text(caution, 9.0, "bold")
    return flow.pdf("Marks are those of your camera; equal brightness within the steps of its dials.", "Student card")


def cautions_of(plan: Plan) -> tuple[str, ...]:
    """Every caution of a plan and its steps, each once."""
    return tuple(dict.fromkeys((*plan.cautions, *(text for step in plan.steps for text in step.cautions))))


def pocket_pdf(student: StudentPlan) -> bytes:
    """The same as a pocket card of A6 pages, step by step, with what hands do in between."""
    clean = Cleaner()
    made = card(student.plan, student.brief)
    return draw_pdf(lay_out_card(made, text_width, clean), {}, clean(made.title) or "Card", "Pocket card", PLAIN)


def _text(tree: object) -> str:
    return yaml.safe_dump(tree, allow_unicode=True, sort_keys=False, width=10_000)


def _without_refused(tree: dict[str, object], error: BriefError, lost: list[str]) -> bool:
    """Take out of ``tree`` the goals and limits that were refused; False when the trouble lies elsewhere."""
    goals = tree.get("goals")
    if not isinstance(goals, list):
        return False
    refused: set[int] = set()
    limits = False
    for one in error.complaints:
        found = _GOAL.match(one.field)
        if one.file != LESSON_FILE or not (found or one.field.startswith("limits")):
            return False
        if found:
            refused.add(int(found[1]) - 1)
        else:
            limits = True
        lost.append(f"{_GOAL.sub(lambda m: f'goal {m[1]}', one.field)}: found {one.found}; allowed: {one.allowed}")
    tree["goals"] = [goal for place, goal in enumerate(goals) if place not in refused]
    if limits:
        tree.pop("limits", None)
    return bool(tree["goals"])


def _first(texts: Sequence[str]) -> str:
    text = texts[0].rstrip(".") if texts else ""
    return text[:1].upper() + text[1:]


def _subject(step: ExposeStep) -> str:
    return f", {step.settings.focus.subject}" if step.settings.focus.subject else ""


def _of_lesson(lesson: Lesson, step: ExposeStep, members: Sequence[ExposeStep]) -> LessonFrame | None:
    """The lesson's picture of the same goal that is nearest in what tells the student's pictures apart."""
    told = told_apart_by(members)
    bracketed = len({round(one.intended_offset, 3) for one in members}) > 1
    kind = told if told in ("aperture", "time", "iso") else "aperture"

    def off(frame: LessonFrame) -> float:
        if bracketed:
            return abs(frame.step.intended_offset - step.intended_offset)
        one, other = getattr(frame.step.settings, kind).exact, getattr(step.settings, kind).exact
        return abs(light_of(kind, one) - light_of(kind, other))

    same = [frame for frame in lesson.frames if frame.step.goal == step.goal]
    if len(members) > 1 and len(same) > 1:
        same = [frame for frame in same if off(frame) <= _NEAR]
    return min(same, key=off, default=None)
