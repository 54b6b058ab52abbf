"""Stars that trail while the shutter is open, and the share of an interval for which it is open."""

from __future__ import annotations

import math

SIDEREAL_RAD_S = 7.2921e-5  # turn of the sky, 15.041 seconds of arc a second. [rad/s]
RULE = 500.0  # [mm s]


def trail_mm(focal_mm: float, time_s: float, declination_deg: float = 0.0) -> float:
    """Trail of a star on the sensor: f w t cos(declination). [mm]

    Parameters
    ----------
    focal_mm, time_s
        Focal length and exact exposure time. [mm], [s]
    declination_deg
        Of the star; at the celestial equator, 0, stars move fastest. [degrees]

    References
    ----------
    The sky turns once in a sidereal day, 86164.1 s; small angles near the optical axis.
    """
    return focal_mm * SIDEREAL_RAD_S * time_s * math.cos(math.radians(declination_deg))


def time_for_trail_s(focal_mm: float, trail: float, declination_deg: float = 0.0) -> float:
    """Exposure time in which a star trails by ``trail`` [mm] on the sensor; infinite at a pole. [s]"""
    each = trail_mm(focal_mm, 1.0, declination_deg)
    return trail / each if each > 1e-15 else math.inf


def rule_of_500_s(focal_mm: float, crop: float = 1.0) -> float:
    """The time that is commonly thought to keep stars points: 500 / (focal length as on full frame). [s]

    References
    ----------
    Common practice, no source. It lets stars trail by 0.036 mm on full frame, six pixels of today's cameras.
    """
    return RULE / (focal_mm * crop)


def shutter_angle_deg(time_s: float, interval_s: float) -> float:
    """The share of an interval for which the shutter is open, as an angle: 360 t / interval. [degrees]

    References
    ----------
    Turning shutters of film cameras, in which half a turn (180 degrees) is common practice.
    """
    return 360 * time_s / interval_s


def time_for_angle_s(angle_deg: float, interval_s: float) -> float:
    """Exposure time that opens the shutter for such an angle of an interval. [s]"""
    return angle_deg / 360 * interval_s
