"""What moves, how fast it crosses the picture, and which times keep it still or smear it."""

from __future__ import annotations

import math

from plans import foliage, optics
from plans.goals import words
from plans.goals.situation import Situation
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
