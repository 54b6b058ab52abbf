"""Ladder: one setting changed rung by rung while another keeps the brightness."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from fractions import Fraction
from typing import NamedTuple

from plans.brief import Ladder
from plans.exposure import magnification_loss
from plans.goals import words
from plans.goals.brightness import light, miss_reason, through
from plans.goals.rungs import rung_finder, slack
from plans.goals.situation import Situation
from plans.plan import Predicted, Settings
from plans.series import Rail, Run, solve_series
from plans.solver import Choice, State, ticks
from plans.stops import KINDS, TICKS, Kind, Mark, Scale, exact_value

_OUTWARD: dict[Kind, tuple[str, str]] = {
    "aperture": ("wider", "narrower"),
    "time": ("shorter", "longer"),
    "iso": ("lower", "higher"),
}


def name(goal: Ladder) -> str:
    """The goal in a few words."""
    return f"ladder of {words.KIND_WORDS[goal.change]} by {words.stops(goal.by)}, {_balancing(goal)} balancing"


def _balancing(goal: Ladder) -> str:
    first = words.KIND_WORDS[goal.balance]
    return f"{first}, then {words.KIND_WORDS[goal.then]}" if goal.then else first


def _held(goal: Ladder) -> list[Kind]:
    """The settings that neither change nor balance."""
    return [kind for kind in KINDS if kind not in (goal.change, goal.balance, goal.then)]


def _walk(scale: Scale, start: Mark, by: Fraction, up: bool, last: Mark | None) -> tuple[list[int], str | None]:
    """Places from ``start`` by steps of ``by`` to ``last`` or the scale's end; a complaint if a rung has no mark."""
    sign = (-1 if scale.kind == "aperture" else 1) * (1 if up else -1)
    places: list[int] = []
    place_of = rung_finder(scale)
    end = (last or scale.marks[-1 if up else 0]).ticks * sign + ticks(slack(scale))
    for rung in itertools.count():
        at = start.ticks + ticks(rung * sign * by)
        if at * sign > end:
            break
        place = place_of(at)
        if place is None:
            value = words.exact(scale.kind, exact_value(scale.kind, Fraction(at, TICKS)))
            return places, f"the {words.KIND_WORDS[scale.kind]} scale has no mark for the rung at {value}"
        if place not in places:
            places.append(place)
    return places, None


def rails(situation: Situation, goal: Ladder) -> tuple[list[Rail], list[str]]:
    """The series of marks that the goal allows, and complaints that leave none.

    With ``from`` or ``to`` it is one; without, every grid of ``by`` that runs through full-stop marks.
    """
    scale = situation.scale(goal.change)
    complaints, ends = [], []
    for label in (goal.first, goal.last):
        mark = scale.find(label) if label else None
        if label and mark is None:
            shown = f"{words.mark(scale.marks[0])} to {words.mark(scale.marks[-1])}" if scale.marks else "empty"
            limit = " (your limit)" if situation.scales[goal.change].find(label) else ""
            complaints.append(f"{label} is not on the {words.KIND_WORDS[goal.change]} scale, {shown}{limit}")
        ends.append(mark)
    if complaints or not scale.marks:
        return [], complaints or [f"no {words.KIND_WORDS[goal.change]} mark is left within the limits"]
    first, last = ends
    if first is not None or last is not None:
        if first and last and first.exact > last.exact:
            first, last = last, first
        if first:
            places, missing = _walk(scale, first, goal.by, up=True, last=last)
        elif last:
            places, missing = _walk(scale, last, goal.by, up=False, last=None)
        found = [sorted(places)]
        if missing:
            return [], [missing]
    else:
        found = []
        for mark in scale.marks:
            whole = abs(float(mark.light) - round(mark.light)) <= slack(scale)
            if whole and not any(scale.index(mark) in places for places in found):
                below, _ = _walk(scale, mark, goal.by, up=False, last=None)
                above, _ = _walk(scale, mark, goal.by, up=True, last=None)
                found.append(sorted({*below, *above}))
        if not found:
            return [], [f"the {words.KIND_WORDS[goal.change]} scale has no full-stop mark to start from"]
    return [Rail(tuple(places), (Fraction(0),) * len(places)) for places in found], []


def is_fixed(goal: Ladder) -> bool:
    """Whether the brief names an end, so that every rung is asked for."""
    return goal.first is not None or goal.last is not None


def solve(situation: Situation, goal: Ladder, start: State, whole: bool) -> Run | None:
    """The longest run of rungs; with ``whole`` only one that leaves none out."""
    subject = situation.subject(goal.focus)
    if not situation.can_focus(subject.distance_m):
        return None
    return solve_series(
        situation.ground,
        rails(situation, goal)[0],
        goal.change,
        goal.balance,
        situation.focus_on(goal.focus),
        magnification_loss(situation.magnification(subject.distance_m)),
        situation.limits.spread,
        start,
        whole,
        then=goal.then,
    )


def find(situation: Situation, goal: Ladder, start: State) -> Run | None:
    """The rungs to shoot; None when the ladder cannot be reached."""
    run = solve(situation, goal, start, whole=is_fixed(goal))
    return run if run and len(run.choices) > 1 else None


def _place(choice: Choice, kind: Kind) -> int:
    return {"aperture": choice.aperture, "time": choice.time, "iso": choice.iso}[kind]


def left_out(situation: Situation, goal: Ladder, run: Run) -> tuple[str, ...]:
    """Rungs of the run's rail that were not taken, and what they would need of the balancing setting.

    Neighbours at one end that fail for one kind of reason are told together, with the numbers of the one next to the
    run; so there are four notes at most.
    """
    places = run.rail.places
    end = run.first + len(run.choices)
    notes: list[str] = []
    for rungs, word in (
        (places[: run.first][::-1], _OUTWARD[goal.change][0]),
        (places[end:], _OUTWARD[goal.change][1]),
    ):
        alike = [
            list(group)
            for _, group in itertools.groupby(rungs, lambda place: _need(situation, goal, run, place).over > 0)
        ]
        for group in alike:
            last = word if group is alike[-1] else words.mark(situation.scale(goal.change).marks[group[-1]])
            notes.append(_note(situation, goal, run, group, last))
    return tuple(notes)


class _Need(NamedTuple):
    """What a rung would need of a balancing setting [stops], how far beyond its scale [stops], with what fixed."""

    kind: Kind
    light: float
    over: float
    fixed: tuple[Mark, ...]


def _need(situation: Situation, goal: Ladder, run: Run, place: int) -> _Need:
    """What a rung would need of the balancing setting, or of the one that takes over where that is at its end."""
    one, ground = run.choices[0], situation.ground
    fixed = [situation.scale(kind).marks[_place(one, kind)] for kind in _held(goal)]
    if goal.then:
        fixed.append(situation.scale(goal.then).marks[_resting(situation, goal, run)])
    base = (
        ground.target(magnification_loss(situation.magnification(one.focus.distance_m)))
        - int(ground.stack_ticks[ground.stacks.index(one.filters)])
    ) / TICKS
    base += light(situation, situation.scale(goal.change).marks[place])

    def of(kind: Kind, fixed: Sequence[Mark]) -> _Need:
        need = -(base + sum(light(situation, mark) for mark in fixed))
        lights = [light(situation, mark) for mark in situation.scale(kind).marks]
        return _Need(kind, need, max(min(lights) - need, need - max(lights)), tuple(fixed))

    first = of(goal.balance, fixed)
    if first.over <= 0 or goal.then is None:
        return first
    marks = sorted(situation.scale(goal.balance).marks, key=lambda mark: light(situation, mark))
    end = marks[0] if first.light < light(situation, marks[0]) else marks[-1]
    return of(goal.then, [*fixed[:-1], end])


def _resting(situation: Situation, goal: Ladder, run: Run) -> int:
    """Where the setting that takes over rests while the first one balances: its place in most of the frames."""
    kind = goal.then or goal.balance
    places = [_place(choice, kind) for choice in run.choices]
    return max(places, key=places.count)


def _note(situation: Situation, goal: Ladder, run: Run, group: list[int], last: str) -> str:
    """One line for neighbouring rungs, from the run outwards; ``last``: the outermost, or a word for all beyond."""
    need = _need(situation, goal, run, group[0])
    other, over = situation.scale(need.kind), need.over
    wants = words.exact(need.kind, exact_value(need.kind, need.light))
    ends = f"{words.mark(other.marks[0])} to {words.mark(other.marks[-1])}"
    held = [words.mark(mark) for mark in need.fixed]
    kind = words.KIND_WORDS[need.kind]
    why = (
        f"{words.stops(over)} beyond the {kind} scale"
        if over > 0
        else f"which no mark of the {kind} scale meets closely enough"
    )
    first = words.mark(situation.scale(goal.change).marks[group[0]])
    what, it = f"{first} is", "it"
    if len(group) > 1:
        join = "and" if last in _OUTWARD[goal.change] else "to"
        what, it = f"{first} {join} {last} are", f"the first, {first},"
    return f"{what} left out: with {words.listed(held)} held {it} would need {wants}, {why} ({ends})"


def criteria(situation: Situation, goal: Ladder) -> tuple[str, ...]:
    """What the frames are held to."""
    held = [words.KIND_WORDS[kind] for kind in (*_held(goal), "focus", "filters")]
    keeps = f"{words.KIND_WORDS[goal.balance]} keeps the brightness"
    if goal.then:
        keeps += f", and {words.KIND_WORDS[goal.then]} takes over where it comes to its end"
    return (
        f"{words.KIND_WORDS[goal.change]} changes by {words.stops(goal.by)} from rung to rung, {keeps}; "
        f"{words.listed(held)} stay the same",
    )


def caption(situation: Situation, goal: Ladder, settings: Settings, seen: Predicted) -> str:
    """One sentence for a student, about what the changed setting does."""
    head = words.shot(settings)
    if goal.change == "aperture":
        depth = "everything from there on" if seen.far_m is None else f"{words.metres(seen.far_m - seen.near_m)} deep"
        disc = (
            f"; a point of the farthest background spreads to {words.millimetres(seen.background_disc_mm)}"
            if seen.background_disc_mm is not None
            else ""
        )
        return f"{head}: {words.sharp(seen.near_m, seen.far_m)}, {depth}{disc}."
    if goal.change == "time":
        moves = [f"{name} smears {words.millimetres(smear)} on the sensor" for name, smear in seen.smear_mm.items()]
        return f"{head}: the shutter is open for {words.seconds(settings.time.exact)}" + (
            f"; {words.listed(moves)}." if moves else ", and nothing in the scene moves."
        )
    above = seen.iso_above_base or 0.0
    if above > 0:
        share = f"1/{words.figures(2**above, 3)}"
        return f"{head}: {words.stops(above)} above the lowest native ISO, from {share} of the light, with more noise."
    if above < 0:
        return f"{head}: {words.stops(-above)} below the lowest native ISO, on the extended range."
    return f"{head}: the lowest native ISO, with the least noise of the series."


def reasons(situation: Situation, goal: Ladder) -> list[str]:
    """Why the ladder cannot be reached."""
    refused = situation.focus_reason(goal.focus)
    if refused:
        return [refused]
    found, complaints = rails(situation, goal)
    if complaints:
        return complaints
    run = solve(situation, goal, State(None, 0), whole=False)
    if run is None:
        loss = magnification_loss(situation.magnification(situation.subject(goal.focus).distance_m))
        return [miss_reason(situation, loss, {})]
    if max(len(rail.places) for rail in found) < 2:
        only = situation.scale(goal.change).marks[found[0].places[0]]
        return [
            f"a step of {words.stops(goal.by)} leaves {words.mark(only)} alone on the scale; a ladder wants two rungs"
        ]
    taken = [situation.scale(goal.change).marks[_place(choice, goal.change)] for choice in run.choices]
    reach = f"{words.mark(taken[0])} to {words.mark(taken[-1])}" if len(taken) > 1 else f"{words.mark(taken[0])} alone"
    count = f"of {len(run.rail.places)} rungs {len(taken)} can be had together"
    return [f"{count}, {reach} {through(situation, run.choices[0].filters)}", *left_out(situation, goal, run)]
