"""Deep: everything sharp from the near side of one subject to the far side of another.

Apertures up to the working limit are looked at first, and narrower ones only when no focus does with those. As a lesson
in diffraction it is the other way about: the narrowest aperture first, and none within the limit.
"""

from __future__ import annotations

import numpy as np

from plans import optics
from plans.brief import Deep, FocusBracket
from plans.goals import focus_bracket, moving, sharpness, words
from plans.goals.brightness import miss_reason
from plans.goals.situation import Situation
from plans.plan import Focus, Predicted, Settings
from plans.solver import Demand, Mask, allowed


def name(goal: Deep) -> str:
    """The goal in a few words."""
    lesson = ", a lesson in diffraction" if goal.lesson else ""
    return f"deep from {goal.from_subject} to {goal.to_subject}{lesson}"


def span_m(situation: Situation, goal: Deep) -> tuple[float, float]:
    """Near and far end of what must be sharp. [m]"""
    return sharpness.span_m(situation, goal.from_subject, goal.to_subject)


def foci(situation: Situation, goal: Deep) -> list[tuple[Focus, float]]:
    """Every focus worth a look, with the widest f-number that is deep enough there.

    The subjects within the span come first, a named thing being easier to focus on; the two-point distance last.
    """
    near, far = span_m(situation, goal)
    named = [Focus(subject=s.name, distance_m=s.distance_m) for s in situation.scene.subjects.values()]
    between = Focus(subject=None, distance_m=optics.two_point_focus_m(near, far))
    found: dict[float, tuple[Focus, float]] = {}
    for focus in [*named, between]:
        s = focus.distance_m
        if near <= s <= far and situation.can_focus(s) and s not in found:
            found[s] = focus, optics.aperture_for_span(situation.focal_mm, situation.coc_mm, s, near, far)
    return list(found.values())


def stages(situation: Situation, goal: Deep) -> list[list[Demand]]:
    """Each focus with the apertures that are deep enough there, from the most wished apertures to all that may be."""
    within = sharpness.within(situation, sharpness.WORKING_LIMIT)
    if goal.lesson:
        narrowest = np.arange(within.size) == within.size - 1
        return [_demands(situation, goal, narrowest & ~within), _demands(situation, goal, ~within)]
    return [_demands(situation, goal, within), _demands(situation, goal, np.ones_like(within))]


def demands(situation: Situation, goal: Deep) -> list[Demand]:
    """The widest stage."""
    return stages(situation, goal)[-1]


def _demands(situation: Situation, goal: Deep, apertures: Mask) -> list[Demand]:
    scale = situation.scale("aperture")
    if not scale.marks:
        return []
    deep_enough = [
        (focus, situation.between("aperture", wide, scale.marks[-1].exact) & apertures)
        for focus, wide in foci(situation, goal)
    ]
    return [situation.demand(focus, apertures=mask) for focus, mask in deep_enough if mask.any()]


def _beyond(situation: Situation, settings: Settings) -> bool:
    """Whether settings lie beyond the working limit."""
    limit = sharpness.limit_mark(situation)
    return limit is None or settings.aperture.exact > limit.exact * 1.0001


def _alternative(situation: Situation, goal: Deep) -> str:
    """The focus bracket that would do without a narrow aperture, or nothing."""
    for mark, foci_m in situation.in_any_light(_brackets, goal):
        if focus_bracket.can_shoot(situation, mark, foci_m):
            return f"; a focus bracket of {len(foci_m)} pictures at {words.mark(mark)}, merged, would do without"
    return ""


def _brackets(situation: Situation, goal: Deep) -> list[focus_bracket.Series]:
    bracket = FocusBracket(from_subject=goal.from_subject, to_subject=goal.to_subject)
    return focus_bracket.candidates(situation, bracket)


def criteria(situation: Situation, goal: Deep) -> tuple[str, ...]:
    """What the frame is held to."""
    near, far = span_m(situation, goal)
    coc, limit = words.millimetres(situation.coc_mm), sharpness.limit_words(situation)
    sharp = (
        f"sharp from {words.metres(near)} ({goal.from_subject}) to {words.metres(far)} ({goal.to_subject}): out of "
        f"focus by at most {coc}, the circle of confusion (common practice, no source); diffraction is told beside it"
    )
    if goal.lesson:
        return (sharp, f"beyond {limit}, where diffraction begins to show (common practice, no source), as a lesson")
    if any(_any_fits(situation, demand) for demand in situation.in_any_light(stages, goal)[0]):
        return (
            sharp,
            f"within {limit} if it can be had, since diffraction begins to show beyond (common practice, no source)",
        )
    return (
        sharp,
        f"not to be had within {limit}, the working limit beyond which diffraction begins to show (common practice, no "
        f"source){_alternative(situation, goal)}",
    )


def _any_fits(situation: Situation, demand: Demand) -> bool:
    found = situation.ground.survivors(demand.loss, demand.intended)
    return bool(allowed(situation.ground, demand, found).any())


def caption(situation: Situation, goal: Deep, settings: Settings, seen: Predicted) -> str:
    """One sentence for a student."""
    told = f"diffraction widens every point to {words.millimetres(seen.airy_mm)}"
    if _beyond(situation, settings):
        limit = sharpness.limit_words(situation)
        times = words.figures(settings.aperture.exact / sharpness.scaled(situation, 8.0), 2)
        told += (
            f", {times} times as wide as at f/{sharpness.scaled(situation, 8.0):.2g}: that is the lesson"
            if goal.lesson
            else f", beyond the working limit of {limit}"
        )
    return (
        f"{words.shot(settings)}, focused at {words.metres(settings.focus.distance_m)}: "
        f"{words.sharp(seen.near_m, seen.far_m)}, so {_together(situation, goal, seen)}; {told}."
    )


def _together(situation: Situation, goal: Deep, seen: Predicted) -> str:
    """What is sharp: both ends, or only what stands still of them, and what smears between."""
    first, last = words.the(goal.from_subject), words.the(goal.to_subject)
    smeared = moving.smeared(situation, seen, *span_m(situation, goal))
    how = moving.smear_words(situation, seen, smeared)
    if {goal.from_subject, goal.to_subject} & {one.name for one in smeared}:
        return f"what stands still is sharp from {first} to {last}, while {how}"
    both = f"{first} and {last} are sharp together"
    return f"{both}, while {how}" if smeared else both


def reasons(situation: Situation, goal: Deep) -> list[str]:
    """Why no settings reach the goal."""
    near, far = span_m(situation, goal)
    span = f"from {words.metres(near)} to {words.metres(far)} within {words.millimetres(situation.coc_mm)}"
    candidates = foci(situation, goal)
    if not candidates:
        return [
            f"sharpness {span} wants the focus at {words.metres(optics.two_point_focus_m(near, far))}; this lens "
            f"focuses no nearer than {words.metres(situation.kit.lens.nearest_focus_m)}"
        ]
    found = demands(situation, goal)
    if found:
        return [miss_reason(situation, found[0].loss, {"aperture": found[0].apertures})]
    focus, wide = min(candidates, key=lambda candidate: candidate[1])
    narrowest = situation.scale("aperture").marks[-1]
    if narrowest.exact < wide:
        return [
            f"{span} needs f/{words.figures(wide)}, focused at {words.metres(focus.distance_m)}; "
            f"this lens stops down to {words.mark(narrowest)}"
        ]
    return [
        f"a lesson in diffraction wants an aperture beyond {sharpness.limit_words(situation)}; this lens stops down to "
        f"{words.mark(narrowest)}"
    ]
