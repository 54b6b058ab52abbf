"""Deep: everything sharp from the near side of one subject to the far side of another."""

from __future__ import annotations

from plans import optics
from plans.brief import Deep
from plans.goals import words
from plans.goals.brightness import miss_reason
from plans.goals.situation import Situation
from plans.plan import Focus, Predicted, Settings
from plans.solver import Demand


def name(goal: Deep) -> str:
    """The goal in a few words."""
    return f"deep from {goal.from_subject} to {goal.to_subject}"


def span_m(situation: Situation, goal: Deep) -> tuple[float, float]:
    """Near and far end of what must be sharp. [m]"""
    ends = [situation.subject(goal.from_subject), situation.subject(goal.to_subject)]
    return min(end.nearest_m for end in ends), max(end.farthest_m for end in ends)


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


def demands(situation: Situation, goal: Deep) -> list[Demand]:
    """Each focus with the apertures that are deep enough there."""
    narrowest = situation.scale("aperture").marks[-1].exact
    found = [
        situation.demand(focus, apertures=situation.between("aperture", wide, narrowest))
        for focus, wide in foci(situation, goal)
    ]
    return [demand for demand in found if demand.apertures.any()]


def criteria(situation: Situation, goal: Deep) -> tuple[str, ...]:
    """What the frame is held to."""
    near, far = span_m(situation, goal)
    coc = words.millimetres(situation.coc_mm)
    return (
        f"sharp from {words.metres(near)} ({goal.from_subject}) to {words.metres(far)} ({goal.to_subject}): out of "
        f"focus by at most {coc}, the circle of confusion (common practice, no source); diffraction is told beside it",
    )


def caption(situation: Situation, goal: Deep, settings: Settings, seen: Predicted) -> str:
    """One sentence for a student."""
    return (
        f"{words.shot(settings)}, focused at {words.metres(settings.focus.distance_m)}: "
        f"{words.sharp(seen.near_m, seen.far_m)}, so {words.the(goal.from_subject)} and {words.the(goal.to_subject)} "
        f"are sharp together; diffraction widens every point to {words.millimetres(seen.airy_mm)}."
    )


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
    if not found:
        focus, wide = min(candidates, key=lambda candidate: candidate[1])
        narrowest = situation.scale("aperture").marks[-1]
        return [
            f"{span} needs f/{words.figures(wide)}, focused at {words.metres(focus.distance_m)}; "
            f"this lens stops down to {words.mark(narrowest)}"
        ]
    return [miss_reason(situation, found[0].loss, {"aperture": found[0].apertures})]
