"""Bracket: frames around the right brightness, made by changing one setting only."""

from __future__ import annotations

from fractions import Fraction

import numpy as np

from plans.brief import Bracket
from plans.exposure import magnification_loss
from plans.goals import words
from plans.goals.brightness import meant, miss_reason
from plans.goals.rungs import rung_finder
from plans.goals.situation import Situation
from plans.plan import Predicted, Settings
from plans.series import Rail, Run, solve_series
from plans.solver import State, ticks


def name(goal: Bracket) -> str:
    """The goal in a few words."""
    return f"bracket of {goal.count} by {words.stops(goal.by)} of {words.KIND_WORDS[goal.change]}"


def middle(goal: Bracket) -> int:
    """Which frame is meant to be right, counted from the darkest."""
    return goal.count // 2


def rails(situation: Situation, goal: Bracket) -> list[Rail]:
    """For each mark that can stand in the middle, the marks of all frames, from under to over."""
    scale = situation.scale(goal.change)
    place_of = rung_finder(scale)
    intended = tuple((n - middle(goal)) * goal.by for n in range(goal.count))
    steps = [ticks(offset) for offset in intended]
    found = []
    for base in scale.marks:
        places = [place for step in steps if (place := place_of(base.ticks + step)) is not None]
        if len(set(places)) == goal.count:
            found.append(Rail(tuple(places), intended))
    return found


def find(situation: Situation, goal: Bracket, start: State) -> Run | None:
    """The frames to shoot, from under to over; None when the bracket cannot be reached."""
    subject = situation.subject(goal.focus)
    if not situation.can_focus(subject.distance_m):
        return None
    return solve_series(
        situation.ground,
        rails(situation, goal),
        goal.change,
        None,
        situation.focus_on(goal.focus),
        magnification_loss(situation.magnification(subject.distance_m)),
        situation.limits.spread,
        start,
        whole=True,
    )


def criteria(situation: Situation, goal: Bracket) -> tuple[str, ...]:
    """What the frames are held to."""
    return (
        f"{words.KIND_WORDS[goal.change]} alone changes, by {words.stops(goal.by)} from frame to frame; "
        "everything else stays the same",
    )


def caption(situation: Situation, goal: Bracket, settings: Settings, seen: Predicted, intended: Fraction) -> str:
    """One sentence for a student."""
    if intended == 0:
        which = meant(situation) if situation.lift else "the exposure as metered"
        return f"{words.shot(settings)}: {which}, in the middle of the series."
    where = "over" if intended > 0 else "under"
    return (
        f"{words.shot(settings)}: {words.mixed(intended)} {where} {meant(situation)}, {words.light_factor(intended)}."
    )


def reasons(situation: Situation, goal: Bracket) -> list[str]:
    """Why the bracket cannot be reached."""
    refused = situation.focus_reason(goal.focus)
    if refused:
        return [refused]
    scale, found = situation.scale(goal.change), rails(situation, goal)
    kind = words.KIND_WORDS[goal.change]
    if not scale.marks:
        return [f"no {kind} mark is left within the limits"]
    if not found:
        wide = abs(scale.marks[-1].light - scale.marks[0].light)
        return [
            f"{goal.count} frames {words.stops(goal.by)} apart span {words.stops(goal.by * (goal.count - 1))} of "
            f"{kind}; the scale from {words.mark(scale.marks[0])} to {words.mark(scale.marks[-1])} spans "
            f"{words.stops(wide if wide.denominator < 10 else float(wide))}"
        ]
    bases = {rail.places[middle(goal)] for rail in found}
    mask = np.array([n in bases for n in range(len(scale.marks))], dtype=bool)
    loss = magnification_loss(situation.magnification(situation.subject(goal.focus).distance_m))
    ends = words.listed((words.mark(situation.marks(goal.change, mask)[n]) for n in (0, -1)), "to")
    reason = miss_reason(situation, loss, {goal.change: mask})
    return [f"the middle frame must lie within {ends}, so that {goal.count} frames find their marks; {reason}"]
