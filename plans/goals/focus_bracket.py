"""Focus bracket: pictures at one setting, focused one behind the other, to be merged.

The aperture, unless the brief names it: from f/8 to f/11 (as on full frame, scaled by the sensor) the one nearest to
f/8 that needs at most ten pictures; where none does, the one of them that needs the fewest. Only when the light allows
none of those, any other up to the working limit f/16, the nearest to f/8 first. Common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from plans import optics
from plans.brief import FocusBracket, Held
from plans.exposure import magnification_loss
from plans.goals import moving, sharpness, words
from plans.goals.brightness import miss_reason
from plans.goals.situation import Situation
from plans.group import as_one
from plans.plan import Focus, Predicted, Settings
from plans.solver import Choice, Demand, Mask, allowed
from plans.stops import Mark, light_of

HOLD: tuple[Held, ...] = ("aperture", "time", "iso", "filters")
WIDENING = False
FEW, MOST = 10, 50  # pictures
_WIDE, _NARROW = 8.0, 11.0  # f-numbers on full frame

Series = tuple[Mark, tuple[float, ...]]  # an aperture, and the distances to focus on [m]


def name(goal: FocusBracket) -> str:
    """The goal in a few words."""
    return f"focus bracket from {goal.from_subject} to {goal.to_subject}"


def span_m(situation: Situation, goal: FocusBracket) -> tuple[float, float]:
    """Near and far end of what must be sharp in the merged picture. [m]"""
    return sharpness.span_m(situation, goal.from_subject, goal.to_subject)


def series_m(situation: Situation, goal: FocusBracket, mark: Mark, at_most: int = MOST) -> tuple[float, ...]:
    """The distances to focus on at one aperture; empty when there would be more than ``at_most``. [m]"""
    near, far = span_m(situation, goal)
    return optics.focus_series_m(
        situation.focal_mm, mark.exact, situation.coc_mm, near, far, at_most=at_most, overlap=goal.overlap
    )


def _named(situation: Situation, goal: FocusBracket) -> list[Mark]:
    """The apertures that may be taken: the brief's own, else all within the working limit."""
    scale = situation.scale("aperture")
    if goal.aperture is not None:
        mark = scale.find(goal.aperture)
        return [mark] if mark else []
    return list(situation.marks("aperture", sharpness.within(situation, sharpness.WORKING_LIMIT)))


def candidates(situation: Situation, goal: FocusBracket) -> list[Series]:
    """Apertures with their distances, the most wished first; only such as need two pictures or more."""
    wide, narrow = (light_of("aperture", sharpness.scaled(situation, n)) for n in (_WIDE, _NARROW))
    slack = min(float(situation.scale("aperture").step) / 2, 0.25)

    def rank(series: Series) -> tuple[bool, bool, float, float]:
        light, count = float(series[0].light), len(series[1])
        inside = narrow - slack <= light <= wide + slack
        away = abs(light - wide)
        return not inside, count > FEW, away if count <= FEW else count, away

    found = [(mark, series_m(situation, goal, mark)) for mark in _named(situation, goal)]
    return sorted(((mark, foci) for mark, foci in found if len(foci) > 1), key=rank)


def stages(situation: Situation, goal: FocusBracket) -> Iterator[list[list[Demand]]]:
    """For each aperture that may be taken, what its frames ask for, near to far."""
    for mark, foci in candidates(situation, goal):
        if not situation.can_focus(foci[0]) or _apart(situation, foci) > _allowed_apart(situation):
            continue
        only = _only(situation, mark)
        yield [[situation.demand(Focus(subject=None, distance_m=focus), apertures=only)] for focus in foci]


def _apart(situation: Situation, foci: tuple[float, ...]) -> float:
    """How far first and last picture lie apart at one exposure, by what their magnifications take. [stops]"""
    near, far = (magnification_loss(situation.magnification(s)) for s in (foci[0], foci[-1]))
    return near - far


def _allowed_apart(situation: Situation) -> float:
    return float(situation.limits.spread)


def can_shoot(situation: Situation, mark: Mark, foci: tuple[float, ...]) -> bool:
    """Whether the lens focuses that near, the pictures come out alike, and the light allows first and last of them."""
    if not situation.can_focus(foci[0]) or _apart(situation, foci) > _allowed_apart(situation):
        return False
    only = _only(situation, mark)
    frames = [[situation.demand(Focus(subject=None, distance_m=s), apertures=only)] for s in (foci[0], foci[-1])]
    one = as_one(frames, HOLD)
    assert one is not None  # two frames that differ in the focus alone
    return bool(allowed(situation.ground, one, situation.ground.survivors(one.loss)).any())


def _only(situation: Situation, mark: Mark) -> Mask:
    scale = situation.scale("aperture")
    only: Mask = np.arange(len(scale.marks)) == scale.index(mark)
    return only


def criteria(situation: Situation, goal: FocusBracket, part: int) -> tuple[str, ...]:
    """What the frames are held to."""
    near, far = span_m(situation, goal)
    coc = words.millimetres(situation.coc_mm)
    lap = f", each sharp range overlapping the next by {words.percent(goal.overlap)}" if goal.overlap else ""
    return (
        f"together sharp from {words.metres(near)} ({goal.from_subject}) to {words.metres(far)} ({goal.to_subject}), "
        f"within a circle of confusion of {coc} (common practice, no source){lap}",
        "aperture, exposure time, ISO and filters stay the same; only the focus moves on",
    )


def caption(situation: Situation, goal: FocusBracket, choice: Choice, settings: Settings, seen: Predicted) -> str:
    """One sentence for a student."""
    foci = series_m(situation, goal, situation.scale("aperture").marks[choice.aperture])
    return (
        f"{words.shot(settings)}, picture {choice.part + 1} of {len(foci)}, focused at "
        f"{words.metres(settings.focus.distance_m)}: {words.sharp(seen.near_m, seen.far_m)}; merged, the sharp parts "
        f"of all {len(foci)} make one picture sharp throughout{_restless(situation, goal)}."
    )


def _restless(situation: Situation, goal: FocusBracket) -> str:
    """What lies differently in each picture, or nothing."""
    several = moving.movers(situation, *span_m(situation, goal))
    if not several:
        return ""
    what = words.listed(moving.body(one) for one in several)
    return f" where things stand still; what moves ({what}) lies differently in each and does not merge"


def frame_name(goal: FocusBracket, part: int) -> str:
    """One frame in a few words."""
    return f"{name(goal)}: picture {part + 1}"


def _count(situation: Situation, goal: FocusBracket, mark: Mark) -> int:
    """About how many pictures an aperture needs: the span in 1/distance over the depth of one. [unitless]"""
    near, far = span_m(situation, goal)
    reach = 2 / optics.hyperfocal_m(situation.focal_mm, mark.exact, situation.coc_mm)
    return math.ceil((1 / near - 1 / far) / (reach * (1 - goal.overlap)))


def _darker(situation: Situation, foci: tuple[float, ...]) -> str:
    darker = words.stops(_apart(situation, foci))
    return (
        f"at one exposure the picture focused at {words.metres(foci[0])} comes out {darker} darker than that at "
        f"{words.metres(foci[-1])}, since it is magnified more"
    )


def reasons(situation: Situation, goal: FocusBracket) -> list[str]:
    """Why no settings reach the goal."""
    near, far = span_m(situation, goal)
    span = f"from {words.metres(near)} to {words.metres(far)}"
    marks = _named(situation, goal)
    if not marks:
        return [f"{goal.aperture} is no aperture of this lens" if goal.aperture else "the aperture scale has no mark"]
    if near * 1000 <= situation.focal_mm:
        return [f"{goal.from_subject} begins {words.metres(near)} away, within the lens's focal length"]
    found = candidates(situation, goal)
    if not found:
        narrowest = marks[-1]
        one = series_m(situation, goal, marks[0])
        if one:
            return [f"one picture at {words.mark(marks[0])} is sharp {span} by itself; a focus bracket wants two"]
        return [
            f"{span} needs about {_count(situation, goal, narrowest)} pictures at {words.mark(narrowest)}; a focus "
            f"bracket takes at most {MOST}"
        ]
    near_enough = [(mark, foci) for mark, foci in found if situation.can_focus(foci[0])]
    if not near_enough:
        return [
            f"the first picture at {words.mark(found[0][0])} would be focused at {words.metres(found[0][1][0])}; this "
            f"lens focuses no nearer than {words.metres(situation.kit.lens.nearest_focus_m)}"
        ]
    alike = [(mark, foci) for mark, foci in near_enough if _apart(situation, foci) <= _allowed_apart(situation)]
    if not alike:
        most = words.stops(_allowed_apart(situation))
        return [f"{_darker(situation, near_enough[0][1])}; frames may lie {most} apart"]
    taken = [mark for mark, _ in alike]
    mask = np.array([mark in taken for mark in situation.scale("aperture").marks], dtype=bool)
    foci = alike[0][1]
    ends = [magnification_loss(situation.magnification(s)) for s in (foci[0], foci[-1])]
    loss = sum(ends) / 2
    return [miss_reason(situation, loss, {"aperture": mask})]
