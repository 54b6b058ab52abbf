"""Freeze: something that moves, shown sharp."""

from __future__ import annotations

import math

from plans import motion
from plans.brief import Freeze
from plans.goals import words
from plans.goals.brightness import time_reason
from plans.goals.situation import Situation
from plans.plan import Predicted, Settings
from plans.solver import Demand


def name(goal: Freeze) -> str:
    """The goal in two words."""
    return f"freeze {goal.subject}"


def longest_s(situation: Situation, goal: Freeze) -> float:
    """Longest time in which the subject smears at most by the circle of confusion. [s]"""
    subject = situation.subject(goal.subject)
    m = situation.magnification(subject.distance_m)
    return motion.time_for_smear_s(m, subject.speed_m_s, situation.coc_mm)


def demands(situation: Situation, goal: Freeze) -> list[Demand]:
    """Focus on the subject; times short enough."""
    subject = situation.subject(goal.subject)
    if not situation.can_focus(subject.distance_m):
        return []
    times = situation.between("time", 0, longest_s(situation, goal))
    return [situation.demand(situation.focus_on(goal.subject), times=times)] if times.any() else []


def criteria(situation: Situation, goal: Freeze) -> tuple[str, ...]:
    """What the frame is held to."""
    coc = words.millimetres(situation.coc_mm)
    return (f"{goal.subject} smears at most {coc} on the sensor, the circle of confusion (common practice, no source)",)


def caption(situation: Situation, goal: Freeze, settings: Settings, seen: Predicted) -> str:
    """One sentence for a student."""
    if not seen.smear_mm.get(goal.subject):
        return f"{words.shot(settings)}: {words.the(goal.subject)} does not move, so any exposure time shows it still."
    smear = words.millimetres(seen.smear_mm[goal.subject])
    return (
        f"{words.shot(settings)}: {words.the(goal.subject)} moves {smear} on the sensor while the shutter is open, "
        f"less than the {words.millimetres(situation.coc_mm)} that still looks like a point, so it stands still in the "
        "picture."
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
        return [
            f"freezing {goal.subject} wants {words.seconds(most)} or shorter, because at {subject.speed_m_s:g} m/s and "
            f"{words.metres(subject.distance_m)} it smears {words.millimetres(situation.coc_mm)} in that time; the "
            f"shortest time on the scale is {words.mark(shortest)}, {over} too long"
        ]
    wish = f"freezing {goal.subject} wants {words.mark(situation.marks('time', found[0].times)[-1])} or shorter"
    return [time_reason(situation, found[0], wish, usual="dark")]
