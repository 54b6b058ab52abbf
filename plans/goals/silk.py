"""Silk: something that moves, drawn out until it flows."""

from __future__ import annotations

import math

from plans import motion
from plans.brief import Silk
from plans.goals import words
from plans.goals.brightness import time_reason
from plans.goals.situation import Situation
from plans.plan import Predicted, Settings
from plans.solver import Demand

# Common practice, no source: published water pictures are called silky from about 1/8 s on; see the check in
# tests/plans/test_motion.py.
SMEAR_FROM, SMEAR_TO = 0.25, 1.0
FLOOR_S = 0.25


def name(goal: Silk) -> str:
    """The goal in two words."""
    return f"silk {goal.subject}"


def whole_mm(situation: Situation, goal: Silk) -> float:
    """What the smear is measured against: the frame's height, or the image of the visible length. [mm]"""
    if goal.length_m is None:
        return situation.kit.body.sensor.height_mm
    return goal.length_m * 1000 * situation.magnification(situation.subject(goal.subject).distance_m)


def whole_words(goal: Silk) -> str:
    """What the smear is measured against, in words."""
    return "the frame's height" if goal.length_m is None else f"its visible {words.metres(goal.length_m)}"


def range_s(situation: Situation, goal: Silk) -> tuple[float, float]:
    """Shortest and longest time that show silk; the first above the second when none does. [s]"""
    subject = situation.subject(goal.subject)
    m, whole = situation.magnification(subject.distance_m), whole_mm(situation, goal)
    low = motion.time_for_smear_s(m, subject.speed_m_s, SMEAR_FROM * whole)
    high = motion.time_for_smear_s(m, subject.speed_m_s, SMEAR_TO * whole)
    return (low if goal.length_m is not None else max(low, FLOOR_S)), high


def demands(situation: Situation, goal: Silk) -> list[Demand]:
    """Focus on the subject; times that smear it far enough, and not until nothing is left of it."""
    subject = situation.subject(goal.subject)
    if not situation.can_focus(subject.distance_m) or not subject.speed_m_s:
        return []
    times = situation.between("time", *range_s(situation, goal))
    return [situation.demand(situation.focus_on(goal.subject), times=times)] if times.any() else []


def criteria(situation: Situation, goal: Silk) -> tuple[str, ...]:
    """What the frame is held to."""
    share = f"{words.percent(SMEAR_FROM)} to {words.percent(SMEAR_TO)} of {whole_words(goal)}"
    first = f"{goal.subject} smears over {share} (common practice, no source)"
    if goal.length_m is not None:
        return (first,)
    return (first, f"the exposure time is at least {words.seconds(FLOOR_S)} (common practice, no source)")


def caption(situation: Situation, goal: Silk, settings: Settings, seen: Predicted) -> str:
    """One sentence for a student."""
    smear, name = seen.smear_mm[goal.subject], words.the(goal.subject)
    return (
        f"{words.shot(settings)}: while the shutter is open {name} moves {words.millimetres(smear)} on the sensor, "
        f"{words.percent(smear / whole_mm(situation, goal))} of {whole_words(goal)}, and is drawn out to silk."
    )


def reasons(situation: Situation, goal: Silk) -> list[str]:
    """Why no settings reach the goal."""
    refused = situation.focus_reason(goal.subject)
    if refused:
        return [refused]
    subject = situation.subject(goal.subject)
    if not subject.speed_m_s:
        return [f"{goal.subject} has no speed in the brief (0 m/s), and what stands still is not drawn out by any time"]
    low, high = range_s(situation, goal)
    moves = f"at {subject.speed_m_s:g} m/s and {words.metres(subject.distance_m)}"
    if low > high:
        return [
            f"silk of {goal.subject} wants at least {words.seconds(FLOOR_S)}, but {moves} it smears over the whole of "
            f"{whole_words(goal)} in {words.seconds(high)} already"
        ]
    found = demands(situation, goal)
    if not found:
        scale = situation.scale("time")
        wish = f"silk of {goal.subject} wants {words.seconds(low)} to {words.seconds(high)} {moves}"
        if scale.marks[-1].exact < low:
            short = words.stops(math.log2(low / scale.marks[-1].exact))
            return [f"{wish}; the longest time on the scale is {words.mark(scale.marks[-1])}, {short} too short"]
        if scale.marks[0].exact > high:
            long = words.stops(math.log2(scale.marks[0].exact / high))
            return [f"{wish}; the shortest time on the scale is {words.mark(scale.marks[0])}, {long} too long"]
        return [f"{wish}; the scale has no time in that range"]
    wish = f"silk of {goal.subject} wants at least {words.mark(situation.marks('time', found[0].times)[0])}"
    return [time_reason(situation, found[0], wish, usual="bright")]
