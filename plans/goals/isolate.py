"""Isolate: a subject sharp in its whole depth before a background that is clearly not."""

from __future__ import annotations

import math

from plans import optics
from plans.brief import Isolate, IsolateGrade
from plans.goals import moving, words
from plans.goals.brightness import miss_reason
from plans.goals.situation import Situation
from plans.plan import Predicted, Settings
from plans.solver import Demand

# Shares of the frame's width that a point of the background spreads over at least; common practice, no source.
GRADES: dict[IsolateGrade, float] = {"soft": 0.01, "separated": 0.02, "melted": 0.04}


def name(goal: Isolate) -> str:
    """The goal in a few words."""
    return f"isolate {goal.subject}" + ("" if goal.grade == "soft" else f" ({goal.grade})")


def least_share(goal: Isolate) -> float:
    """Share of the frame's width that a point of the background spreads over at least. [unitless]"""
    return GRADES[goal.grade] if goal.share is None else goal.share


def _background(situation: Situation, goal: Isolate) -> tuple[float, str]:
    behind = situation.background(situation.subject(goal.subject).farthest_m)
    if behind is None:
        return math.inf, "the background at infinity"
    return behind.distance_m, f"{words.the(behind.name)} at {words.metres(behind.distance_m)}"


def window(situation: Situation, goal: Isolate) -> tuple[float, float]:
    """Widest f-number that keeps the depth sharp, narrowest that dissolves the background. [unitless]"""
    subject = situation.subject(goal.subject)
    f, s = situation.focal_mm, subject.distance_m
    wide = optics.aperture_for_span(f, situation.coc_mm, s, subject.nearest_m, subject.farthest_m)
    disc = least_share(goal) * situation.kit.body.sensor.width_mm
    return wide, optics.aperture_for_disc(f, s, _background(situation, goal)[0], disc)


def demands(situation: Situation, goal: Isolate) -> list[Demand]:
    """Focus on the subject; apertures between the two limits."""
    if not situation.can_focus(situation.subject(goal.subject).distance_m):
        return []
    apertures = situation.between("aperture", *window(situation, goal))
    return [situation.demand(situation.focus_on(goal.subject), apertures=apertures)] if apertures.any() else []


def criteria(situation: Situation, goal: Isolate) -> tuple[str, ...]:
    """What the frame is held to."""
    subject = situation.subject(goal.subject)
    depth = f"from {words.metres(subject.nearest_m)} to {words.metres(subject.farthest_m)}"
    where = _background(situation, goal)[1]
    coc = words.millimetres(situation.coc_mm)
    source = "common practice, no source" if goal.share is None else "set in the brief"
    return (
        f"{goal.subject} is sharp {depth}, within a circle of confusion of {coc} (common practice, no source)",
        f"a point of {where} spreads over at least {words.percent(least_share(goal))} of the frame's width ({source})",
    )


def caption(situation: Situation, goal: Isolate, settings: Settings, seen: Predicted) -> str:
    """One sentence for a student."""
    where = _background(situation, goal)[1]
    name, subject = words.the(goal.subject), situation.subject(goal.subject)
    smears = seen.smear_mm.get(goal.subject, 0.0) > situation.coc_mm
    moved = f" (but {moving.smear_words(situation, seen, [subject])})" if smears else ""
    return (
        f"{words.shot(settings)}: {words.sharp(seen.near_m, seen.far_m)}, which holds {name} whole{moved}, while "
        f"every point of {where} spreads to a disc of {words.millimetres(seen.background_disc_mm or 0)}, "
        f"{words.percent(seen.background_disc_share or 0)} of the frame's width."
    )


def reasons(situation: Situation, goal: Isolate) -> list[str]:
    """Why no settings reach the goal."""
    refused = situation.focus_reason(goal.subject)
    if refused:
        return [refused]
    found = demands(situation, goal)
    if found:
        return [miss_reason(situation, found[0].loss, {"aperture": found[0].apertures})]
    wide, narrow = window(situation, goal)
    subject, scale = situation.subject(goal.subject), situation.scale("aperture")
    depth = (
        f"all of {goal.subject}, {words.metres(subject.nearest_m)} to {words.metres(subject.farthest_m)}, is sharp "
        f"within {words.millimetres(situation.coc_mm)} only from f/{words.figures(wide)} on"
    )
    where = _background(situation, goal)[1]
    share = words.percent(least_share(goal))
    disc = f"{where} dissolves ({share} of the frame's width) only up to f/{words.figures(narrow)}"
    if wide > narrow:
        return [f"{depth}, but {disc}"]
    if scale.marks[-1].exact < wide:
        return [f"{depth}; this lens stops down to {words.mark(scale.marks[-1])}"]
    if scale.marks[0].exact > narrow:
        return [f"{disc}; this lens opens to {words.mark(scale.marks[0])}"]
    return [f"{depth} and {disc}; the aperture scale has no mark between the two"]
