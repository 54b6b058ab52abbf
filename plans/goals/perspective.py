"""Perspective: one subject equally large at several focal lengths, the tripod moved for each.

A thin lens images a subject at the magnification m from s = f (1 + 1/m); the size of what stands behind goes with the
ratio of the two distances, since the tripod moves and the things stay.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from plans import optics
from plans.brief import Held, Perspective
from plans.goals import words
from plans.goals.brightness import miss_reason
from plans.goals.situation import Situation
from plans.kit import Zoom
from plans.plan import Focus, Predicted, Settings
from plans.solver import Choice, Demand, Mask, allowed

HOLD: tuple[Held, ...] = ("aperture", "time", "iso", "filters")
WIDENING = True
_ROOM_M = 0.05  # between the camera and anything before it; common practice, no source [m]
_HAIR = 1 + 1e-9


def name(goal: Perspective) -> str:
    """The goal in a few words."""
    return f"perspective of {goal.subject} at {words.listed(_mm(f) for f in goal.focal_lengths_mm)}"


def _mm(focal_mm: float) -> str:
    return f"{words.figures(focal_mm)} mm"


def reach_mm(situation: Situation) -> tuple[float, float]:
    """Shortest and longest focal length of the lens. [mm]"""
    zoom = situation.kit.lens.zoom
    return (zoom.shortest_mm, zoom.longest_mm) if zoom else (situation.focal_mm, situation.focal_mm)


def beyond_mm(situation: Situation, goal: Perspective) -> list[float]:
    """The focal lengths that the lens does not have. [mm]"""
    short, long = reach_mm(situation)
    return [f for f in goal.focal_lengths_mm if not short <= f * _HAIR or not f <= long * _HAIR]


def distance_m(situation: Situation, goal: Perspective, focal_mm: float) -> float:
    """Where the camera stands for one focal length, from the subject. [m]

    The magnification is that of the brief: the lens's focal length there, and the subject's distance.
    """
    if focal_mm == situation.focal_mm:
        return situation.subject(goal.subject).distance_m
    m = situation.magnification(situation.subject(goal.subject).distance_m)
    return focal_mm * (1 + 1 / m) / 1000


def shift_m(situation: Situation, goal: Perspective, focal_mm: float) -> float:
    """How far the tripod goes back for one focal length; negative is nearer. [m]"""
    return distance_m(situation, goal, focal_mm) - situation.subject(goal.subject).distance_m


def seen_from(situation: Situation, goal: Perspective, focal_mm: float) -> Situation:
    """The situation at one focal length, with the tripod where it then stands."""
    return situation.with_focal_length(focal_mm).stepped_back(shift_m(situation, goal, focal_mm))


def _blocked(situation: Situation, goal: Perspective, focal_mm: float) -> str | None:
    """Why the camera cannot stand there, or None."""
    distance, lens = distance_m(situation, goal, focal_mm), situation.kit.lens
    at = f"at {_mm(focal_mm)} the camera would stand {words.metres(distance)} from {words.the(goal.subject)}"
    if distance * _HAIR < lens.nearest_focus_m:
        return f"{at}; this lens focuses no nearer than {words.metres(lens.nearest_focus_m)}"
    shift = shift_m(situation, goal, focal_mm)
    for subject in situation.scene.subjects.values():
        if subject.nearest_m + shift < max(_ROOM_M, focal_mm / 1000 * _HAIR):
            gone = words.metres(abs(shift))
            return f"{at}, {gone} nearer than now, where {words.the(subject.name)} is in its way"
    return None


def apertures(situation: Situation, goal: Perspective) -> Mask:
    """The apertures that the lens has at every one of the focal lengths."""
    zoom, marks = situation.kit.lens.zoom, situation.scale("aperture").marks
    fits = np.ones(len(marks), dtype=bool)
    for focal in goal.focal_lengths_mm if zoom else ():
        there = zoom.aperture_at(focal).marks if zoom else ()
        if not there:
            return np.zeros(len(marks), dtype=bool)
        low, high = there[0].exact, there[-1].exact
        fits &= np.array([low <= mark.exact * _HAIR and mark.exact <= high * _HAIR for mark in marks], dtype=bool)
    return fits


def stages(situation: Situation, goal: Perspective) -> Iterator[list[list[Demand]]]:
    """One frame a focal length, in the order of the brief."""
    mask = apertures(situation, goal)
    if beyond_mm(situation, goal) or not mask.any() or not situation.can_focus(_now_m(situation, goal)):
        return
    if any(_blocked(situation, goal, focal) for focal in goal.focal_lengths_mm):
        return
    # The magnification, and with it the light lost to it, is the same in all of them; held times suit all of them.
    one = situation.demand(situation.focus_on(goal.subject), apertures=mask)
    times, frames = one.times, []
    for focal in goal.focal_lengths_mm if situation.kit.support != "tripod" else ():
        steady = seen_from(situation, goal, focal).scale("time").marks
        times = times & np.array([mark in steady for mark in situation.scale("time").marks], dtype=bool)
    for focal in goal.focal_lengths_mm:
        focus = Focus(subject=goal.subject, distance_m=distance_m(situation, goal, focal))
        frames.append([one._replace(focus=focus, focal_mm=focal, times=times)])
    yield frames


def _now_m(situation: Situation, goal: Perspective) -> float:
    return situation.subject(goal.subject).distance_m


def criteria(situation: Situation, goal: Perspective, part: int) -> tuple[str, ...]:
    """What the frames are held to."""
    m = situation.magnification(_now_m(situation, goal))
    places = [f"{words.metres(distance_m(situation, goal, f))} at {_mm(f)}" for f in goal.focal_lengths_mm]
    return (
        f"{goal.subject} is equally large in all frames, at a magnification of {words.figures(m)}: the camera stands "
        f"{words.listed(places)} (thin lens; frame by the subject's size, not by the tape)",
        "aperture, exposure time, ISO and filters stay the same",
    )


def ratio(situation: Situation, goal: Perspective, focal_mm: float, behind_m: float) -> float:
    """Size of a thing now at ``behind_m`` over that of an equal one at the subject, in the picture. [unitless]"""
    s, shift = distance_m(situation, goal, focal_mm), shift_m(situation, goal, focal_mm)
    return optics.image_scale(focal_mm, s, behind_m + shift) / optics.magnification(focal_mm, s)


def caption(situation: Situation, goal: Perspective, choice: Choice, settings: Settings, seen: Predicted) -> str:
    """One sentence for a student."""
    focal = goal.focal_lengths_mm[choice.part]
    s, shift = distance_m(situation, goal, focal), shift_m(situation, goal, focal)
    moved = f", the camera {words.metres(abs(shift))} {'farther back' if shift > 0 else 'nearer'} than in the brief"
    head = f"{_mm(focal)}, {words.shot(settings)}, from {words.metres(s)}{moved if abs(shift) >= 0.0005 else ''}"
    head = f"{head}: {words.the(goal.subject)} is as large as in the others"
    behind = situation.background(situation.subject(goal.subject).farthest_m)
    if behind is None:
        return f"{head}; nothing in the brief stands behind it to compare."
    sizes = words.percent(ratio(situation, goal, focal, behind.distance_m))
    return f"{head}, while a thing of its size beside {words.the(behind.name)} looks {sizes} as large."


def frame_name(goal: Perspective, part: int) -> str:
    """One frame in a few words."""
    return f"perspective of {goal.subject}: {_mm(goal.focal_lengths_mm[part])}"


def leave_out(situation: Situation, goal: Perspective) -> Perspective | None:
    """The same with the focal lengths that can be had; None when that is less than two of them, or all."""
    beyond = beyond_mm(situation, goal)
    kept = tuple(f for f in goal.focal_lengths_mm if f not in beyond and not _blocked(situation, goal, f))
    return goal.model_copy(update={"focal_lengths_mm": kept}) if 2 <= len(kept) < len(goal.focal_lengths_mm) else None


def with_zoom(situation: Situation, goal: Perspective) -> Situation:
    """With a zoom lens for all the focal lengths, its apertures as the lens has them now."""
    lens = situation.kit.lens
    ends = (*goal.focal_lengths_mm, situation.focal_mm)
    zoom = Zoom(shortest_mm=min(ends), longest_mm=max(ends), aperture=lens.aperture)
    return replace(situation, kit=situation.kit.model_copy(update={"lens": lens.model_copy(update={"zoom": zoom})}))


def reasons(situation: Situation, goal: Perspective) -> list[str]:
    """Why no settings reach the goal; empty when each frame can be had alone."""
    refused = situation.focus_reason(goal.subject)
    if refused:
        return [refused]
    short, long = reach_mm(situation)
    beyond = beyond_mm(situation, goal)
    if beyond:
        has = f"goes from {_mm(short)} to {_mm(long)}" if long > short else f"is fixed at {_mm(short)}"
        return [
            f"{words.listed(_mm(f) for f in beyond)} {'is' if len(beyond) == 1 else 'are'} asked for; this lens {has}"
        ]
    blocked = [why for f in goal.focal_lengths_mm if (why := _blocked(situation, goal, f))]
    if blocked:
        return blocked
    mask = apertures(situation, goal)
    if not mask.any():
        return ["no aperture of the scale is there at every one of the focal lengths"]
    frames = next(stages(situation, goal))
    return [] if _fits(situation, frames) else [miss_reason(situation, frames[0][0].loss, {"aperture": mask})]


def _fits(situation: Situation, frames: list[list[Demand]]) -> bool:
    demand = frames[0][0]
    return bool(allowed(situation.ground, demand, situation.ground.survivors(demand.loss)).any())
