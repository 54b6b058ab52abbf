"""Leaves in the wind: how far they smear.

Nobody tells a brief how fast a leaf moves, but the wind can be felt. So the tips of leaves are taken to move with a
quarter of the wind, straight across the view, and to swing by at most a tenth of a metre, about a leaf and its stalk;
after that they come back, and a longer exposure smears them no farther. Both numbers are assumptions, no source. They
agree with the Beaufort scale (from memory) in this: at 1.6 to 3.3 m/s leaves rustle, which at a quarter is 0.4 to
0.8 m/s and a swing a few times a second. Gusts move leaves faster, lee stills them: look at a picture.
"""

from __future__ import annotations

import math

TIP_SHARE = 0.25  # of the wind's speed; an assumption, no source [unitless]
SWING_M = 0.1  # from one side to the other; an assumption, no source [m]


def tip_speed_m_s(wind_m_s: float) -> float:
    """Speed of the leaves' tips in a wind. [m/s]"""
    return TIP_SHARE * wind_m_s


def travel_m(wind_m_s: float, time_s: float) -> float:
    """How far a tip moves while the shutter is open, at most its swing. [m]"""
    return min(tip_speed_m_s(wind_m_s) * time_s, SWING_M)


def longest_still_s(scale: float, wind_m_s: float, smear_mm: float) -> float:
    """Longest time in which leaves smear by at most ``smear_mm``; infinite where their whole swing is smaller. [s]

    Parameters
    ----------
    scale
        Image size over size of the thing. [unitless]
    wind_m_s, smear_mm
        Wind, and length on the sensor. [m/s], [mm]
    """
    if wind_m_s <= 0 or scale * SWING_M * 1000 <= smear_mm:
        return math.inf
    return smear_mm / (scale * tip_speed_m_s(wind_m_s) * 1000)
