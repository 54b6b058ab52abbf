"""A plan in plain words: each step, what it changes and holds and why, what that does to the picture, in numbers.

The reader is a student: each word of the trade is told where it first stands (`plans.glossary`).
"""

from __future__ import annotations

from collections.abc import Sequence

from plans.bag import Bag, bag_list
from plans.brief import Brief
from plans.cautions import NIGHT, NIGHT_EV, is_wet
from plans.errors import BriefError
from plans.explain_kit import KitNotes, head_lines
from plans.explain_light import filter_words, parts, together
from plans.explain_picture import picture_lines
from plans.glossary import Glossary
from plans.goals import words
from plans.goals.timelapse import darkest_ev
from plans.plan import ControlStep, ExposeStep, GroupNote, OperatorStep, Plan, Settings, TimelapseStep
from plans.rehearsal import summary, wrapped
from plans.step_words import group_name, step_name, step_number

_WHY_HELD = {
    "aperture": "so that sharp depth and background stay as they are",
    "time": "so that what moves is drawn equally long",
    "iso": "so that noise stays as it is",
    "focus": "so that the same things are sharp and equally large",
    "filters": "so that colours and reflections stay as they are",
}
# By how a goal's name begins.
_WHAT_FOR = {
    "compare": "pictures to lay side by side: what differs between them is what the changed settings do",
    "ladder": "one setting goes up rung by rung and another gives back the light: only what they do is seen",
    "noise": "ISO goes up rung by rung while less and less light falls on the sensor: only noise is seen to grow",
    "bracket": "the same picture darker and brighter on purpose: what a wrong exposure looks like",
    "focus bracket": "the focus goes back step by step, so that the sharp parts can be put together afterwards",
    "faults": "one right picture and mistakes made on purpose, each by a known amount",
    "perspective": "the subject equally large from several places: only its surroundings change",
    "polariser": "the same picture with reflections at their strongest and at their weakest",
}


def brief_of(plan: Plan) -> Brief | None:
    """The brief that a plan carries; None when what it carries cannot be read."""
    from plans.compiler import plan_scales  # late: the YAML and unit libraries come with it
    from plans.reading import brief_from_tree

    try:
        return brief_from_tree(plan.inputs.brief, camera_scales=plan_scales(plan))
    except BriefError:
        return None


def packed(plan: Plan, brief: Brief) -> Bag:
    """The bag for a plan made from this brief."""
    dark = plan.inputs.light.ev100 < NIGHT_EV or any(NIGHT in step.cautions for step in plan.steps)
    dark = dark or any(darkest_ev(step) < NIGHT_EV for step in plan.steps if isinstance(step, TimelapseStep))
    return bag_list(plan.steps, brief.kit, brief.scene, plan.estimate, wet=is_wet(brief), dark=dark)


def explain(plan: Plan) -> str:
    """The plan as text of at most 80 columns: words, summary, bag, then every step in order; a final newline."""
    brief = brief_of(plan)
    pitch = brief.kit.body.sensor.width_mm / brief.kit.body.sensor.pixels[0] if brief else None
    glossary = Glossary()
    by_id = {step.id: step for step in plan.exposing}
    groups = {group.id: group for group in plan.groups}
    members = {group.id: [by_id[step] for step in group.steps] for group in plan.groups}
    title = wrapped(plan.title)
    head = summary(plan).splitlines()[len(title) :]
    lines = [*title, "", "Words", *glossary.table("\n".join(head)), "", "The plan", *head, ""]
    lines += _bag_lines(plan, brief) if plan.exposing else []
    if brief is not None and (told := head_lines(plan, brief)):
        lines += [line for text in told for line in glossary.lines(text)] + [""]
    group, kit_notes = "", KitNotes(brief) if brief is not None else None
    for step in plan.steps:
        alike = isinstance(step, ExposeStep) and len({member.criteria for member in members[step.group]}) == 1
        if isinstance(step, ExposeStep) and step.group != group:
            group = step.group
            lines += _group_lines(groups[group], step.criteria if alike else (), glossary)
        if isinstance(step, ExposeStep):
            told = kit_notes.lines(step) if kit_notes is not None else []
            lines += _picture(plan, step, by_id[step.reference], groups[group], told, not alike, pitch, glossary)
        else:
            lines += _other(step, glossary)
        for caution in step.cautions:
            lines += glossary.lines(f"CAUTION  {caution}", 4)
        lines.append("")
    return "\n".join(lines).rstrip("\n") + "\n"


def _bag_lines(plan: Plan, brief: Brief | None) -> list[str]:
    if brief is None:
        return [*wrapped("This plan does not hold its brief: the bag list and widths in pixels are left out."), ""]
    bag = packed(plan, brief)
    lines = ["To take along", *(line for item in bag.take for line in wrapped(f"[ ] {item}", 2))]
    if bag.may_stay:
        lines += wrapped(f"may stay at home: {words.listed(bag.may_stay)}", 2)
    return [*lines, ""]


def _settings(names: Sequence[str]) -> str:
    return words.listed(words.KIND_WORDS.get(name, name) for name in names) or "nothing"


def _changed(note: GroupNote) -> str:
    """What a group changes; a polariser that is only turned is no other filter."""
    if note.title.startswith("polariser") and note.changed == ("filters",):
        return "how the polariser is turned"
    return _settings(note.changed)


def _why_held(name: str) -> str:
    return f"{words.KIND_WORDS[name]} {'are' if name == 'filters' else 'is'} held {_WHY_HELD[name]}"


def _group_lines(note: GroupNote, shared: Sequence[str], glossary: Glossary) -> list[str]:
    """A group's head: what it is for, what is held in it and why it must be, what it is held to."""
    lines = glossary.lines(f"== {group_name(note)}")
    if len(note.steps) > 1:
        lines += [
            line
            for begin, text in _WHAT_FOR.items()
            if note.title.startswith(begin)
            for line in glossary.lines(text, 3)
        ]
        lines += glossary.lines(f"held: {_settings(note.held)}; changed: {_changed(note)}", 3)
        for name in note.held:
            if name in _WHY_HELD:
                lines += glossary.lines(_why_held(name), 5)
    for line in (*note.criteria, *shared):
        lines += glossary.lines(f"must hold: {line}", 3)
    return [*lines, ""]


def _other(step: ControlStep | OperatorStep | TimelapseStep, glossary: Glossary) -> list[str]:
    if isinstance(step, TimelapseStep):
        lines = [*wrapped(f"{step.id}  {step.goal}"), *glossary.lines(_line(step.settings), 4)]
        for text in step.expects:
            lines += glossary.lines(f"- {text}", 4)
        for text in step.criteria:
            lines += glossary.lines(f"must hold: {text}", 4)
        return [*lines, *glossary.lines(f"caption: {step.caption}", 4)]
    if isinstance(step, OperatorStep):
        lines = [*wrapped(f"{step_number(step.id)}, YOUR HANDS"), *glossary.lines(step.text, 4)]
        return [*lines, *glossary.lines(f"why: {step.why}", 4)]
    return [*glossary.lines(f"{step_name(step)}: {step.text}"), *glossary.lines(_line(step.settings), 4)]


def _picture(
    plan: Plan,
    step: ExposeStep,
    reference: ExposeStep,
    note: GroupNote,
    kit_notes: Sequence[str],
    criteria: bool,
    pitch_mm: float | None,
    glossary: Glossary,
) -> list[str]:
    """One picture: its settings, what changed against the reference as a sum of stops, what the picture shows."""
    lines = [*glossary.lines(f"{step_name(step)}: {step.goal}"), *glossary.lines(_line(step.settings), 4)]
    for text in kit_notes:
        lines += glossary.lines(text, 4)
    if step is reference:
        if step.held:
            lines += glossary.lines("the others of this group are compared with this one", 4)
    else:
        lines += glossary.lines(f"changed against {step_name(reference)}, counted in stops:", 4)
        changes = parts(plan, step, reference)
        others = [_change(name, reference.settings, step.settings) for name in step.changed if name not in _COUNTED]
        if step.settings.focal_length_mm != reference.settings.focal_length_mm:
            others.append(_change("focal length", reference.settings, step.settings))
        for text in (*others, *(part.text for part in changes)):
            lines += glossary.lines(f"- {text}", 6)
        lines += glossary.lines(f"= {together(step, reference) if changes or others else 'nothing changes'}", 6)
        lines += glossary.lines(f"held: {_settings(step.held)}", 4)
        for name in step.held:
            if name not in note.held and name in _WHY_HELD:
                lines += glossary.lines(_why_held(name), 6)
    if step.shaken:
        lines += glossary.lines("the camera is shaken on purpose while it is taken", 4)
    lines += glossary.lines(_brightness(step), 4)
    for text in picture_lines(step, None if step is reference else reference, pitch_mm):
        lines += glossary.lines(text, 4)
    for text in step.criteria if criteria else ():
        lines += glossary.lines(f"must hold: {text}", 4)
    return [*lines, *glossary.lines(f"caption: {step.caption}", 4)]


_COUNTED = ("aperture", "time", "iso", "filters")


def _filters(settings: Settings) -> str:
    return words.listed(filter_words(item) for item in settings.filters) or "no filter"


def _focus(settings: Settings) -> str:
    where = words.metres(settings.focus.distance_m)
    return f"{words.the(settings.focus.subject)} at {where}" if settings.focus.subject else where


def _line(settings: Settings) -> str:
    marks = f"{settings.aperture.mark}, {settings.time.mark} s, ISO {settings.iso.mark}"
    length = settings.focal_length_mm
    zoomed = "" if length is None else f"focal length {words.figures(length)} mm, "
    return f"{marks}, {_filters(settings)}, {zoomed}focused on {_focus(settings)}"


def _change(name: str, before: Settings, after: Settings) -> str:
    """A change that the sum of light does not count."""
    moved = before.focal_length_mm != after.focal_length_mm
    if name == "focus" and moved and before.focus.subject and before.focus.subject == after.focus.subject:
        near, far = words.metres(before.focus.distance_m), words.metres(after.focus.distance_m)
        return f"distance of {words.the(before.focus.subject)} from {near} to {far}"
    if name == "focus":
        return f"focus from {_focus(before)} to {_focus(after)}"
    old, new = before.focal_length_mm, after.focal_length_mm
    if name == "focal length" and old is not None and new is not None:
        return f"focal length from {words.figures(old)} mm to {words.figures(new)} mm"
    return f"{words.KIND_WORDS.get(name, name)} is another one"


def _brightness(step: ExposeStep) -> str:
    if abs(step.offset) < 0.005:
        off = "exactly as wanted"
    else:
        off = f"{words.stops(abs(step.offset))} {'brighter' if step.offset > 0 else 'darker'} than wanted"
    if step.intended_offset:
        where = "over" if step.intended_offset > 0 else "under"
        return f"brightness: {off}; wanted is {words.stops(abs(step.intended_offset))} {where} the metered one"
    return f"brightness: {off}"
