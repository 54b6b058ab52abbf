"""Motion: how far a moving thing smears on the sensor while the shutter is open.

Speeds are in metres a second, lengths on the sensor in millimetres. Falling and spraying water slows in air and
scatters, so a smear from its first speed is an upper bound.
"""

from __future__ import annotations

import math


def smear_mm(magnification: float, speed_m_s: float, time_s: float, angle_deg: float = 90.0) -> float:
    """Smear on the sensor: m v t sin(angle). [mm]

    Parameters
    ----------
    magnification
        Image size over size of the thing. [unitless]
    speed_m_s, time_s
        Speed of the thing and exact exposure time. [m/s], [s]
    angle_deg
        Between its path and the view; 90 is straight across. [degrees]

    References
    ----------
    US Navy NAVEDTRA 14209: the time to stop motion follows speed, focal length and 1/distance in proportion.
    """
    return magnification * speed_m_s * 1000 * time_s * math.sin(math.radians(angle_deg))


def time_for_smear_s(magnification: float, speed_m_s: float, smear: float) -> float:
    """Exposure time in which something moving across smears by ``smear`` [mm]; infinite when it stands. [s]"""
    return smear / (magnification * speed_m_s * 1000) if speed_m_s > 0 else math.inf


MONOPOD_GAIN = 2  # [stops] commonly held longer on a monopod; common practice, no source


def longest_hand_held_s(focal_mm: float, crop: float = 1.0, cautious: bool = False) -> float:
    """Longest time that is commonly held by hand: 1 / (focal length as on full frame). [s]

    Parameters
    ----------
    focal_mm
        Focal length. [mm]
    crop
        Diagonal of the full frame over this sensor's. [unitless]
    cautious
        The stricter rule, half of that time.

    References
    ----------
    Common practice, no source; maker's manuals round to the next faster time (Minolta X-700 manual, p. 44).
    """
    return 1 / (focal_mm * crop * (2 if cautious else 1))
