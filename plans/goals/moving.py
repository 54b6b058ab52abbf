"""What moves, how fast it crosses the picture, and which times keep it still or smear it."""

from __future__ import annotations

import math

from plans import foliage, optics
from plans.goals import words
from plans.goals.situation import Situation
from plans.plan import Predicted
from plans.scene import Subject

_STILL_M_S = 1e-9  # what rounding leaves of a path straight to the camera


def across_m_s(situation: Situation, subject: Subject) -> float:
    """Speed with which a subject crosses the view, the wind on leaves included; zero straight to the camera. [m/s]"""
    speed = situation.across_m_s(subject)
    return speed if speed > _STILL_M_S else 0.0


def moves(situation: Situation, subject: Subject) -> str:
    """How it moves, for a reason: ``at 3 m/s and 3 m``."""
    across, at = across_m_s(situation, subject), words.metres(subject.distance_m)
    if across == subject.speed_m_s:
        return f"at {subject.speed_m_s:g} m/s and {at}"
    return f"crossing the view at {words.figures(across)} m/s and {at}"


def movers(situation: Situation, near_m: float, far_m: float) -> list[Subject]:
    """What moves across the view, of that which stands between two distances. [m]"""
    several = situation.scene.subjects.values()
    return [s for s in several if s.nearest_m <= far_m and near_m <= s.farthest_m and across_m_s(situation, s)]


def smeared(situation: Situation, seen: Predicted, near_m: float, far_m: float) -> list[Subject]:
    """What smears by more than the circle of confusion, of that which stands between two distances. [m]"""
    several = movers(situation, near_m, far_m)
    return [s for s in several if seen.smear_mm.get(s.name, 0.0) > situation.coc_mm]


def body(subject: Subject) -> str:
    """What of it moves: ``the leaves of the hedge``, ``the spout``."""
    name = words.the(subject.name)
    return f"the leaves of {name}" if subject.foliage and not subject.across_m_s else name


def moved(subject: Subject) -> str:
    """The same with its verb: ``the leaves of the hedge move``, ``the spout moves``."""
    return f"{body(subject)} {'move' if subject.foliage and not subject.across_m_s else 'moves'}"


def smear_words(situation: Situation, seen: Predicted, several: list[Subject]) -> str:
    """How far each of them smears: ``the spout smears 2.02 mm (67 times what still looks like a point)``."""
    told: list[str] = []
    for one in several:
        smear = seen.smear_mm[one.name]
        verb = "smear" if one.foliage and not one.across_m_s else "smears"
        wind = f" in the wind of {situation.scene.wind_m_s:g} m/s" if one.foliage and situation.scene.wind_m_s else ""
        times = words.figures(smear / situation.coc_mm, 2)
        point = f"{times} times" if told else f"{times} times what still looks like a point"
        told.append(f"{body(one)} {verb} {words.millimetres(smear)}{wind} ({point})")
    return words.listed(told)


def time_s(situation: Situation, subject: Subject, focus_m: float, smear_mm: float) -> float:
    """Exposure time in which a subject smears so far on the sensor; infinite when it never does. [m], [mm], [s]

    Leaves smear by no more than their swing and what the subject moves by itself (`plans.foliage`).
    """
    both, own = across_m_s(situation, subject), subject.across_m_s
    if not both:
        return math.inf
    way_m = smear_mm / (optics.image_scale(situation.focal_mm, focus_m, subject.distance_m) * 1000)
    blown = both - own
    if blown <= _STILL_M_S or way_m <= both * foliage.SWING_M / blown:
        return way_m / both
    return (way_m - foliage.SWING_M) / own if own > _STILL_M_S else math.inf
