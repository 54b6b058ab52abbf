"""Silk: something that moves, drawn out: flowing, silk, or a veil."""

from __future__ import annotations

import math

from plans import foliage
from plans.brief import Silk, SilkGrade
from plans.goals import moving, words
from plans.goals.brightness import time_reason
from plans.goals.situation import Situation
from plans.plan import Predicted, Settings
from plans.solver import Demand

# Shares that the smear has of the frame's height. Common practice, no source: published water pictures are called
# slightly silky from about 1/15 s and silky from about 1/8 s on; see the check in tests/plans/test_motion.py.
GRADES: dict[SilkGrade, tuple[float, float]] = {
    "flowing": (0.10, 0.25),
    "silk": (0.25, 1.0),
    "veil": (2.0, math.inf),
}
FLOOR_S = 0.25  # of silk measured against the frame

_WANTED: dict[SilkGrade, str] = {"flowing": "a flowing {}", "silk": "silk of {}", "veil": "a veil of {}"}
_SHOWN: dict[SilkGrade, str] = {
    "flowing": "and begins to flow",
    "silk": "and is drawn out to silk",
    "veil": "and closes to a veil in which nothing of its path is left",
}


def name(goal: Silk) -> str:
    """The goal in a few words."""
    return f"silk {goal.subject}" + ("" if goal.grade == "silk" else f" ({goal.grade})")


def window(goal: Silk) -> tuple[float, float]:
    """Least and most share of the whole that the smear may have; the most may be infinite. [unitless]"""
    return goal.share or GRADES[goal.grade]


def floor_s(goal: Silk) -> float:
    """The shortest time whatever the smear: 1/4 s for silk by its grade and against the frame, else none. [s]"""
    by_grade = goal.grade == "silk" and goal.share is None and goal.length_m is None
    return FLOOR_S if by_grade else 0.0


def whole_mm(situation: Situation, goal: Silk) -> float:
    """What the smear is measured against: the frame's height, or the image of the visible length. [mm]"""
    if goal.length_m is None:
        return situation.kit.body.sensor.height_mm
    return goal.length_m * 1000 * situation.magnification(situation.subject(goal.subject).distance_m)


def whole_words(goal: Silk) -> str:
    """What the smear is measured against, in words."""
    return "the frame's height" if goal.length_m is None else f"its visible {words.metres(goal.length_m)}"


def range_s(situation: Situation, goal: Silk) -> tuple[float, float]:
    """Shortest and longest time that draw it out as wished; the first above the second when none does. [s]"""
    subject, whole = situation.subject(goal.subject), whole_mm(situation, goal)
    low, high = (
        moving.time_s(situation, subject, subject.distance_m, share * whole) if math.isfinite(share) else math.inf
        for share in window(goal)
    )
    return max(low, floor_s(goal)), high


def demands(situation: Situation, goal: Silk) -> list[Demand]:
    """Focus on the subject; times that smear it far enough, and no farther than wished."""
    subject = situation.subject(goal.subject)
    if not situation.can_focus(subject.distance_m) or not moving.across_m_s(situation, subject):
        return []
    times = situation.between("time", *range_s(situation, goal))
    return [situation.demand(situation.focus_on(goal.subject), times=times)] if times.any() else []


def _source(goal: Silk) -> str:
    return "set in the brief" if goal.share else "common practice, no source"


def criteria(situation: Situation, goal: Silk) -> tuple[str, ...]:
    """What the frame is held to."""
    low, high = window(goal)
    if math.isinf(high):
        share = f"at least {words.percent(low)} of {whole_words(goal)}"
    else:
        share = f"{words.percent(low)} to {words.percent(high)} of {whole_words(goal)}"
    lines = [f"{goal.subject} smears over {share} ({_source(goal)})"]
    if math.isinf(high):
        lines.append(
            f"only the longest time on the scale, {situation.end_words('time')}, and the light end it: once no path is "
            "left to see, a longer time changes nothing more"
        )
    if floor_s(goal):
        lines.append(f"the exposure time is at least {words.seconds(FLOOR_S)} (common practice, no source)")
    return tuple(lines)


def caption(situation: Situation, goal: Silk, settings: Settings, seen: Predicted) -> str:
    """One sentence for a student."""
    smear, name = seen.smear_mm[goal.subject], words.the(goal.subject)
    shown = "and is drawn out" if goal.share else _SHOWN[goal.grade]
    share = smear / whole_mm(situation, goal)
    far = f"{words.millimetres(smear)} on the sensor, {words.percent(share)} of {whole_words(goal)}"
    if share >= 2:
        far = f"{words.figures(share, 2) if share < 100 else round(share)} times {whole_words(goal)}"
    return f"{words.shot(settings)}: while the shutter is open {name} moves {far}, {shown}."


def reasons(situation: Situation, goal: Silk) -> list[str]:
    """Why no settings reach the goal."""
    refused = situation.focus_reason(goal.subject)
    if refused:
        return [refused]
    subject = situation.subject(goal.subject)
    if not subject.speed_m_s and not moving.across_m_s(situation, subject):
        return [f"{goal.subject} has no speed in the brief (0 m/s), and what stands still is not drawn out by any time"]
    if not moving.across_m_s(situation, subject):
        return [
            f"{goal.subject} moves straight towards the camera or away from it, and nothing of that crosses the view"
        ]
    low, high = range_s(situation, goal)
    if math.isinf(low):
        swing = foliage.SWING_M * 1000 * situation.magnification(subject.distance_m)
        most = words.percent(swing / whole_mm(situation, goal))
        least = words.percent(window(goal)[0])
        return [
            f"{goal.subject} only swings to and fro and smears over {most} of {whole_words(goal)} at most, in any "
            f"time; wanted is {least}"
        ]
    moves, wanted = moving.moves(situation, subject), _WANTED[goal.grade].format(goal.subject)
    if low > high:
        return [
            f"{wanted} wants at least {words.seconds(FLOOR_S)}, but {moves} it smears over the whole of "
            f"{whole_words(goal)} in {words.seconds(high)} already"
        ]
    found = demands(situation, goal)
    if not found:
        scale = situation.scale("time")
        times = (
            f"at least {words.seconds(low)}" if math.isinf(high) else f"{words.seconds(low)} to {words.seconds(high)}"
        )
        wish = f"{wanted} wants {times} {moves}"
        if scale.marks[-1].exact < low:
            short = words.stops(math.log2(low / scale.marks[-1].exact))
            return [f"{wish}; the longest time on the scale is {situation.end_words('time')}, {short} too short"]
        if scale.marks[0].exact > high:
            long = words.stops(math.log2(scale.marks[0].exact / high))
            return [f"{wish}; the shortest time on the scale is {situation.start_words('time')}, {long} too long"]
        return [f"{wish}; the scale has no time in that range"]
    wish = f"{wanted} wants at least {words.mark(situation.marks('time', found[0].times)[0])}"
    return [time_reason(situation, found[0], wish, usual="bright")]
