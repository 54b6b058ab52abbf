"""When the sun stands at an altitude on a day at a place: sunrise, sunset, twilights, or any other.

Altitudes are geometric, of the sun's centre (`plans.ephemeris`). The day is the local one, of 23 to 25 hours where
clocks change. Sunrise and sunset are at 50' below the horizon.
Source: US Naval Observatory, "Rise, Set, and Twilight Definitions".
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

import numpy as np

from plans.ephemeris import SUNRISE_DEG, track

__all__ = ["SUNRISE_DEG", "Way", "sun_at"]

Way = Literal["rising", "setting"]

_SAMPLE_S = 120.0  # a sun that passes an altitude for less than this, far north or south, is missed
_HALVINGS = 14  # of 120 s: to 0.01 s, well below what the air leaves certain


def sun_at(
    latitude: float, longitude: float, timezone: str, on: date, way: Way, altitude_deg: float = SUNRISE_DEG
) -> datetime | None:
    """When the sun goes through an altitude on a local day, for the first time; None when it does not.

    Parameters
    ----------
    latitude, longitude
        North and east positive. [degrees]
    timezone
        Whose day it is, such as Europe/London.
    way
        Whether it rises or sets through it.
    altitude_deg
        Of its centre; left out: that of sunrise and sunset. [degrees]

    Returns
    -------
    datetime
        Aware, in UTC.

    Raises
    ------
    ValueError
        If the place is not on the earth, or the day not between 1970 and 2199.
    """
    if not 1970 <= on.year <= 2199:
        raise ValueError(f"a day from 1970 to 2199 was expected, found {on}")
    if not -_reach(latitude) <= altitude_deg <= _reach(latitude):
        return None
    zone = ZoneInfo(timezone)
    start, end = (
        datetime(day.year, day.month, day.day, tzinfo=zone).astimezone(UTC) for day in (on, on + timedelta(days=1))
    )
    length_s = (end - start).total_seconds()
    course = track(latitude, longitude, start, end)
    times = np.append(np.arange(0.0, length_s, _SAMPLE_S), length_s)
    above = np.array([body.altitude_deg for body in course.suns(times.tolist())]) >= altitude_deg
    turns = np.flatnonzero(above[1:] & ~above[:-1] if way == "rising" else ~above[1:] & above[:-1])
    if not len(turns):
        return None
    low, high = float(times[turns[0]]), float(times[turns[0] + 1])
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        if (course.sun(middle).altitude_deg >= altitude_deg) == (way == "rising"):
            high = middle
        else:
            low = middle
    return start + timedelta(seconds=(low + high) / 2)


def _reach(latitude: float) -> float:
    """The sun never stands higher, nor lower by more. Its declination stays within 23.5 degrees. [degrees]"""
    return 90.0 - max(0.0, abs(latitude) - 23.5)
