"""The sun and the frame: how near the sun comes to what the camera sees, and the cautions when it does."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime
from typing import NamedTuple

from plans.ephemeris import Body
from plans.light import Day
from plans.sky import is_up

NEAR_DEG = 30.0  # common practice, no source: from here on stray light and a turned camera matter

_Vector = tuple[float, float, float]


class SunNear(NamedTuple):
    """How far the sun's centre is from the optical axis and from the frame's nearest edge (0 inside). [degrees]"""

    from_axis_deg: float
    from_frame_deg: float


def field_deg(size_mm: float, focal_mm: float) -> float:
    """Angle of view along one side of the sensor, focused far away: 2 atan(d / 2f). [degrees]

    References
    ----------
    Straight rays through the centre of a lens that does not distort.
    """
    return 2 * math.degrees(math.atan2(size_mm / 2, focal_mm))


def sun_in_frame(
    sun: Body, facing_deg: float, horizontal_deg: float, vertical_deg: float, tilt_deg: float = 0.0
) -> SunNear:
    """How near the sun is to the frame.

    Parameters
    ----------
    sun
        Where it stands.
    facing_deg, tilt_deg
        Azimuth of the optical axis, and its height above the level. [degrees]
    horizontal_deg, vertical_deg
        Angles of view, below 180. [degrees]

    Raises
    ------
    ValueError
        If an angle of view is not above 0 and below 180.

    References
    ----------
    Spherical geometry: the frame's sides are great circles.
    """
    if not (0 < horizontal_deg < 180 and 0 < vertical_deg < 180):
        raise ValueError(f"angles of view lie between 0 and 180 degrees, found {horizontal_deg!r}, {vertical_deg!r}")
    turn = math.radians(sun.azimuth_deg - facing_deg)
    height, tilt = math.radians(sun.altitude_deg), math.radians(tilt_deg)
    ahead, up = math.cos(height) * math.cos(turn), math.sin(height)
    # As the camera sees it: to the side, above the axis, along the axis. The frame is the same on both sides.
    x = abs(math.cos(height) * math.sin(turn))
    y = abs(up * math.cos(tilt) - ahead * math.sin(tilt))
    z = ahead * math.cos(tilt) + up * math.sin(tilt)
    axis = math.degrees(math.atan2(math.hypot(x, y), z))
    wide, high = math.tan(math.radians(horizontal_deg / 2)), math.tan(math.radians(vertical_deg / 2))
    if z > 0 and x <= wide * z and y <= high * z:
        return SunNear(axis, 0.0)
    place, corner = (x, y, z), _unit((wide, high, 1.0))
    sides = (_unit((wide, 0.0, 1.0)), _unit((0.0, high, 1.0)))
    return SunNear(axis, min(_from_arc(place, side, corner) for side in sides))


def sun_caution(sun: Body, near: SunNear) -> str | None:
    """What to mind when the sun is in the frame or within 30 degrees of it; None when it is not, or is down."""
    if not is_up(sun) or near.from_frame_deg > NEAR_DEG:
        return None
    if near.from_frame_deg == 0:
        where = "The sun stands in the frame."
    else:
        where = f"The sun stands {near.from_frame_deg:.0f}\N{DEGREE SIGN} outside the frame."
    return f"{where} {CAUTION}"


# Usual cautions of makers' manuals and eye doctors; local rules prevail.
CAUTION = (
    "Never look at it through an optical finder: compose on the screen. A neutral-density filter is no eye "
    "protection; only a solar filter before the lens is. Keep the sun out of the frame where you can, and cap the lens "
    "while the camera waits or is unattended: focused sunlight burns sensors and can start a fire."
)


def times_near(day: Day, horizontal_deg: float, vertical_deg: float) -> tuple[tuple[datetime, datetime], ...]:
    """When on a day the sun is up and within 30 degrees of the frame of a level camera, by the day's samples.

    Empty when the day has no facing. Errors as for `sun_in_frame`.
    """
    facing = day.facing_deg
    if facing is None:
        return ()
    near = [
        is_up(sample.sun) and sun_in_frame(sample.sun, facing, horizontal_deg, vertical_deg).from_frame_deg <= NEAR_DEG
        for sample in day.samples
    ]
    return tuple((day.samples[first].when, day.samples[last].when) for first, last in _runs(near))


def day_caution(day: Day, horizontal_deg: float, vertical_deg: float) -> str | None:
    """When on a day the sun is near the frame of a level camera, and what to mind; None when it never is.

    Parameters and errors as for `times_near`.
    """
    times = times_near(day, horizontal_deg, vertical_deg)
    if not times:
        return None
    spells = ", ".join(f"{start:%H:%M} to {end:%H:%M}" for start, end in times)
    return (
        f"The sun is within {NEAR_DEG:.0f}\N{DEGREE SIGN} of the frame of a level camera ({horizontal_deg:.0f} x "
        f"{vertical_deg:.0f}\N{DEGREE SIGN}) {spells}. {CAUTION}"
    )


def _runs(flags: Sequence[bool]) -> list[tuple[int, int]]:
    """First and last place of each run of what is true."""
    runs: list[tuple[int, int]] = []
    for place, flag in enumerate(flags):
        if flag and place and flags[place - 1]:
            runs[-1] = (runs[-1][0], place)
        elif flag:
            runs.append((place, place))
    return runs


def _unit(vector: _Vector) -> _Vector:
    length = math.hypot(*vector)
    return vector[0] / length, vector[1] / length, vector[2] / length


def _cross(a: _Vector, b: _Vector) -> _Vector:
    return a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]


def _dot(a: _Vector, b: _Vector) -> float:
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


def _between_deg(a: _Vector, b: _Vector) -> float:
    return math.degrees(math.atan2(math.hypot(*_cross(a, b)), _dot(a, b)))


def _from_arc(place: _Vector, start: _Vector, end: _Vector) -> float:
    """Angle from a direction to the nearest point of a great circle's arc. [degrees]"""
    pole = _unit(_cross(start, end))
    lift = _dot(place, pole)
    foot = (place[0] - lift * pole[0], place[1] - lift * pole[1], place[2] - lift * pole[2])
    if _dot(_cross(start, foot), pole) >= 0 and _dot(_cross(foot, end), pole) >= 0:
        return math.degrees(math.asin(min(abs(lift), 1.0)))
    return min(_between_deg(place, start), _between_deg(place, end))
