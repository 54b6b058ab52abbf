"""Whether a plan holds together and follows from what it was made from.

A plan is data that follows from its inputs: the brief, the light, the rig's state and the scales in it. So the
complete check of a plan is to make it again from them and compare. Looks come before it that can say more plainly what
is wrong, and that make compiling safe: at its numbers, at how its parts name each other, at its scales and rig.

Runs in the logbook are not held to this: a newer build must be able to go on with what an older one began.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from itertools import islice
from typing import Any

from pydantic import BaseModel

from plans.errors import BriefError, Complaint
from plans.plan import Focus, Inputs, MarkValue, Plan, nine_digits
from plans.stops import KINDS, Kind, label_value, light_of
from plans.yaml_tree import Path, describe, field_words, shorten

AGAIN = "The file was edited or is no plan: compile the brief again"
ANOTHER = (
    "This plan no longer follows from its inputs: it was edited, or made by another build of stopwright. Compile the "
    "brief again"
)
MOST_COMPLAINTS = 100
MOST_MARKS = 200  # on a scale, as in a brief
MOST_ON_LENS = 10  # filters
_FARTHEST = 1e30  # any number; limits of sharpness near the hyperfocal distance are the largest there are
# Tighter where the compiler reckons with it; lowest and highest value, both included.
_BOUNDS: dict[str, tuple[float, float]] = {
    "exact": (1e-9, 1e9),
    "stops": (0.0, 100.0),
    "distance_m": (1e-3, 1e10),
    "focal_length_mm": (0.1, 1e5),
    "ev100": (-100.0, 100.0),
    "low": (-100.0, 100.0),
    "high": (-100.0, 100.0),
}
_OFF_LABEL = 0.51  # stops; farthest that an exact value may lie from its label: half of the coarsest step
# Numbers are written with nine digits, what they were rounded from is gone, and another machine may round otherwise.
# Exact values keep to their digits; what is reckoned from the light, in stops, may lie as far off as the light's last.
_RELATIVE, _ABSOLUTE = 1e-7, 1e-6

Fault = tuple[Path, str, str]  # where, what was found, what is allowed


def check_plan(plan: Plan, name: str) -> None:
    """Refuse a plan that does not hold together or does not follow from its inputs.

    Parameters
    ----------
    plan
        A plan of the right shape.
    name
        The file's name, for complaints.

    Raises
    ------
    BriefError
        With everything that the first of the looks finds wrong, or with the first difference from the plan that the
        inputs give.
    """
    for look in (_numbers(plan), _ties(plan), _inputs(plan.inputs)):
        faults = list(islice(look, MOST_COMPLAINTS))
        if faults:
            raise BriefError([complaint(name, fault) for fault in faults])
    given, made = plan.model_dump(mode="json"), _made_again(plan, name).model_dump(mode="json")
    keys = sorted(given.keys() | made.keys(), key=lambda key: key != "steps")  # told by what it does, where possible
    for key in keys:
        fault = _difference(given.get(key), made.get(key), (key,))
        if fault is not None:
            path, found, allowed = fault
            by_inputs = (path, found + _in_step(plan, path), f"{allowed}, by its inputs")
            raise BriefError([complaint(name, by_inputs, ANOTHER)])


def complaint(name: str, fault: Fault, advice: str = AGAIN) -> Complaint:
    """A fault of the plan file ``name`` as a complaint."""
    path, found, allowed = fault
    return Complaint(name, 0, 0, field_words(path), found, allowed, advice)


def shown(value: Any) -> str:
    """A value of a plan in words, short; characters that nobody sees, such as a space without width, by number."""
    words = shorten(repr(value), 30) if isinstance(value, bool | int | float) else describe(value)
    return "".join(letter if letter.isprintable() else f"<U+{ord(letter):04X}>" for letter in words)


# -- numbers -----------------------------------------------------------------------------------------------------------


def _numbers(value: Any, path: Path = (), field: str = "") -> Iterator[Fault]:
    """Numbers out of bounds; ``field`` is the model's field that they belong to."""
    if isinstance(value, BaseModel):
        for name, below in value:
            yield from _numbers(below, (*path, name), name)
    elif isinstance(value, dict):
        for key, below in value.items():
            yield from _numbers(below, (*path, key), field)
    elif isinstance(value, list | tuple):
        for index, below in enumerate(value):
            yield from _numbers(below, (*path, index), field)
    elif isinstance(value, int | float):
        low, high = _BOUNDS.get(field, (-_FARTHEST, _FARTHEST))
        if not low <= value <= high:
            words = f"a number from {low:g} to {high:g}" if field in _BOUNDS else f"a number of at most {high:g}"
            yield path, shown(value), words


# -- parts that name each other ----------------------------------------------------------------------------------------


def _ties(plan: Plan) -> Iterator[Fault]:
    for words, ids in (("steps", [step.id for step in plan.steps]), ("groups", [note.id for note in plan.groups])):
        often = Counter(ids)
        for index, one in enumerate(ids):
            if often[one] > 1:
                yield (words, index, "id"), shown(one), f"an id that only one of the {words} has"
    group_of = {step.id: group for step in plan.steps if (group := getattr(step, "group", None)) is not None}
    members = {note.id: frozenset(note.steps) for note in plan.groups}
    for index, step in enumerate(plan.steps):
        group, reference = group_of.get(step.id), getattr(step, "reference", None)
        if group is not None and step.id not in members.get(group, ()):
            yield ("steps", index, "group"), shown(group), f"a group that lists step {shorten(step.id)}"
        if reference is not None and group_of.get(reference) != group:
            yield ("steps", index, "reference"), shown(reference), "the id of a step of the same group"
    for index, note in enumerate(plan.groups):
        for place, one in enumerate(note.steps):
            if group_of.get(one) != note.id:
                yield ("groups", index, "steps", place), shown(one), f"the id of a step of group {shorten(note.id)}"


# -- inputs that can be compiled with ----------------------------------------------------------------------------------


def _inputs(inputs: Inputs) -> Iterator[Fault]:
    for kind in KINDS:
        at: Path = ("inputs", "scales", kind)
        marks = inputs.scales.get(kind, ())
        if not 1 <= len(marks) <= MOST_MARKS:
            yield at, f"{len(marks)} marks", f"1 to {MOST_MARKS} marks"
            continue
        often = Counter(mark.mark for mark in marks)
        for index, mark in enumerate(marks):
            if often[mark.mark] > 1:
                yield (*at, index), shown(mark.mark), "each mark once"
            elif not _is_near(kind, mark):
                found = f"{shown(mark.mark)} with the exact value {shown(mark.exact)}"
                yield (*at, index), found, f"{kind} as a camera shows it, with the exact value behind it"
    on = [item.name for item in inputs.rig.filters]
    if len(on) > MOST_ON_LENS or len(set(on)) < len(on):
        yield ("inputs", "rig", "filters"), shown(on), f"at most {MOST_ON_LENS} filters, each once"


def _is_near(kind: Kind, mark: MarkValue) -> bool:
    try:
        return abs(light_of(kind, label_value(kind, mark.mark)) - light_of(kind, mark.exact)) <= _OFF_LABEL
    except ValueError:
        return False


# -- made again --------------------------------------------------------------------------------------------------------


def _made_again(plan: Plan, name: str) -> Plan:
    from plans.compiler import recompile  # late: it brings the numeric library

    def here(one: Complaint) -> Complaint:
        field = one.field if one.field.startswith("inputs.") else f"inputs.brief, {one.field}"
        return replace(one, file=name, field=field, advice=AGAIN)

    light, rig = plan.inputs.light, plan.inputs.rig
    try:
        made = recompile(plan, light, rig)
        focus = _focus_before_rounding(made, rig.focus)
        return made if focus == rig.focus else recompile(plan, light, rig.model_copy(update={"focus": focus}))
    except BriefError as error:
        raise BriefError([here(one) for one in error.complaints]) from None
    except (ArithmeticError, LookupError, ValueError) as error:
        # They gave a plan once: values that the compiler cannot reckon with are not those it was given.
        found = f"values that cannot be reckoned with ({type(error).__name__})"
        raise BriefError([complaint(name, (("inputs",), found, "what the plan was made from"))]) from None


def _focus_before_rounding(made: Plan, focus: Focus | None) -> Focus | None:
    """The rig's focus with all the digits that a goal gives it: hands are called only where two distances differ."""
    distances = (step.settings.focus.distance_m for step in made.exposing)
    whole = next((one for one in distances if focus and nine_digits(one) == focus.distance_m), None)
    return focus and (focus if whole is None else focus.model_copy(update={"distance_m": whole}))


def _difference(given: Any, made: Any, path: Path) -> Fault | None:
    """The first place where two trees of plain data differ; numbers may by what rounding does."""
    if isinstance(given, dict) and isinstance(made, dict):
        if path[0] == "steps" and len(path) == 2 and given["id"] != made["id"]:
            return path, f"step {shown(given['id'])}", f"step {shown(made['id'])}"
        for key in (*made, *(key for key in given if key not in made)):
            if key not in given or key not in made:
                found, allowed = (shown(tree[key]) if key in tree else "nothing" for tree in (given, made))
                return (*path, key), found, allowed
            if (fault := _difference(given[key], made[key], (*path, key))) is not None:
                return fault
        return None
    if isinstance(given, list) and isinstance(made, list):
        for index, (one, other) in enumerate(zip(given, made, strict=False)):
            if (fault := _difference(one, other, (*path, index))) is not None:
                return fault
        many = f"{len(given)} entries", f"{len(made)}"
        return (path, *many) if len(given) != len(made) else None
    if isinstance(given, str) and isinstance(made, str):
        return None if given == made else (path, *_apart(given, made))
    if isinstance(given, float) and isinstance(made, float):
        same = math.isclose(given, made, rel_tol=_RELATIVE, abs_tol=0.0 if path[-1] == "exact" else _ABSOLUTE)
    else:
        same = type(given) is type(made) and given == made
    return None if same else (path, shown(given), shown(made))


def _apart(given: str, made: str) -> tuple[str, str]:
    """Two texts from shortly before the place where they part."""
    parts = (n for n, (one, other) in enumerate(zip(given, made, strict=False)) if one != other)
    start = max(0, next(parts, min(len(given), len(made))) - 20)
    before = "..." if start else ""
    return shown(before + given[start:]), shown(before + made[start:])


def _in_step(plan: Plan, path: Path) -> str:
    """The step that a path leads into, in words."""
    inside = len(path) > 2 and path[0] == "steps" and isinstance(path[1], int)
    return f" in step {shorten(plan.steps[int(path[1])].id)}" if inside else ""
