"""Freeze: something that moves, shown sharp."""

from __future__ import annotations

import math

from plans.brief import Freeze
from plans.goals import moving, words
from plans.goals.brightness import time_reason
from plans.goals.situation import Situation
from plans.plan import Predicted, Settings
from plans.solver import Demand


def name(goal: Freeze) -> str:
    """The goal in two words."""
    return f"freeze {goal.subject}"


def most_mm(situation: Situation, goal: Freeze) -> float:
    """How far the subject may smear: the circle of confusion, or what the brief says. [mm]"""
    if goal.smear_px is not None:
        sensor = situation.kit.body.sensor
        return goal.smear_px * sensor.width_mm / sensor.pixels[0]
    return situation.coc_mm if goal.smear_mm is None else goal.smear_mm


def longest_s(situation: Situation, goal: Freeze) -> float:
    """Longest time in which the subject smears no farther than it may. [s]"""
    subject = situation.subject(goal.subject)
    return moving.time_s(situation, subject, subject.distance_m, most_mm(situation, goal))


def demands(situation: Situation, goal: Freeze) -> list[Demand]:
    """Focus on the subject; times short enough."""
    if not situation.can_focus(situation.subject(goal.subject).distance_m):
        return []
    times = situation.between("time", 0, longest_s(situation, goal))
    return [situation.demand(situation.focus_on(goal.subject), times=times)] if times.any() else []


def criteria(situation: Situation, goal: Freeze) -> tuple[str, ...]:
    """What the frame is held to."""
    most = words.millimetres(most_mm(situation, goal))
    if goal.smear_px is not None:
        why = f"on the sensor, {words.figures(goal.smear_px)} px (set in the brief)"
    elif goal.smear_mm is not None:
        why = "on the sensor (set in the brief)"
    else:
        why = "on the sensor, the circle of confusion (common practice, no source)"
    return (f"{goal.subject} smears at most {most} {why}",)


def caption(situation: Situation, goal: Freeze, settings: Settings, seen: Predicted) -> str:
    """One sentence for a student."""
    if not seen.smear_mm.get(goal.subject):
        return f"{words.shot(settings)}: {words.the(goal.subject)} does not move, so any exposure time shows it still."
    smear, most = words.millimetres(seen.smear_mm[goal.subject]), words.millimetres(most_mm(situation, goal))
    own = goal.smear_mm is not None or goal.smear_px is not None
    less = f"within the {most} that were asked for" if own else f"less than the {most} that still looks like a point"
    return (
        f"{words.shot(settings)}: {moving.moved(situation.subject(goal.subject))} {smear} on the sensor while the "
        f"shutter is open, {less}, which looks still in the picture."
    )


def reasons(situation: Situation, goal: Freeze) -> list[str]:
    """Why no settings reach the goal."""
    refused = situation.focus_reason(goal.subject)
    if refused:
        return [refused]
    subject, most = situation.subject(goal.subject), longest_s(situation, goal)
    found = demands(situation, goal)
    if not found:
        shortest = situation.scale("time").marks[0]
        over = words.stops(math.log2(shortest.exact / most))
        smear, moves = words.millimetres(most_mm(situation, goal)), moving.moves(situation, subject)
        return [
            f"freezing {goal.subject} wants {words.seconds(most)} or shorter, because {moves} it smears {smear} in "
            f"that time; the shortest time on the scale is {situation.start_words('time')}, {over} too long"
        ]
    wish = f"freezing {goal.subject} wants {words.mark(situation.marks('time', found[0].times)[-1])} or shorter"
    return [time_reason(situation, found[0], wish, usual="dark")]
