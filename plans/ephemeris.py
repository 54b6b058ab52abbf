"""Where the sun and the moon stand, seen from a place.

All altitudes are geometric: air bends the light of a low sun by half a degree, and this is left out, because the curves
of illuminance (`plans.sky`) and the definitions of sunrise and twilight are written for altitudes without it. They are
topocentric: seen from the ground, not from the earth's centre, which lowers a rising moon by a degree.

The places come from the ephem library; tests/plans/test_sun.py holds them against the reference algorithm of NREL.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple

import ephem  # type: ignore[import-untyped]
import numpy as np

# Heights of the centre at which the upper edge stands on a level horizon: 34' of refraction and the half disc.
SUNRISE_DEG = -(34 + 16) / 60
REFRACTION_DEG = 34 / 60
EARTH_KM, ASTRONOMICAL_UNIT_KM = 6378.137, 149597870.7
MOON_OVER_EARTH = 0.2725  # radius of the moon over the earth's equatorial one

_EPHEM_EPOCH = datetime(1899, 12, 31, 12, tzinfo=UTC)
_KNOT_S = 1800.0
_AHEAD = 2  # knots before the first second and after the last

_Vector = tuple[float, float, float]  # east, north, up


class Body(NamedTuple):
    """Where the sun stands: geometric altitude above a level horizon, azimuth from north by east. [degrees]"""

    altitude_deg: float
    azimuth_deg: float


class Moon(NamedTuple):
    """Where the moon stands and how it is lit. [degrees]

    ``elongation_deg`` is its angle from the sun (180 is full), ``parallax_deg`` the earth's radius seen from it.
    """

    altitude_deg: float
    azimuth_deg: float
    elongation_deg: float
    parallax_deg: float

    @property
    def lit_share(self) -> float:
        """The lit part of the disc, 0 to 1, for a sun that is far away. [unitless]"""
        return (1 - math.cos(math.radians(self.elongation_deg))) / 2

    @property
    def upper_edge_deg(self) -> float:
        """Altitude of the upper edge as seen through the air at the horizon; nought at moonrise and moonset."""
        return self.altitude_deg + MOON_OVER_EARTH * self.parallax_deg + REFRACTION_DEG


def sun(latitude: float, longitude: float, when: datetime) -> Body:
    """Where the sun stands.

    Parameters
    ----------
    latitude, longitude
        North and east positive. [degrees]
    when
        An aware time, from 1970 to 2199.

    Raises
    ------
    ValueError
        If the place is not on the earth or the time is not aware.
    """
    observer = _observer(latitude, longitude)
    observer.date = _ephem_date(when)
    body = ephem.Sun()
    body.compute(observer)
    return Body(math.degrees(body.alt), math.degrees(body.az))


def moon(latitude: float, longitude: float, when: datetime) -> Moon:
    """Where the moon stands and how it is lit; parameters and errors as for `sun`."""
    observer = _observer(latitude, longitude)
    observer.date = _ephem_date(when)
    body = ephem.Moon()
    body.compute(observer)
    return Moon(math.degrees(body.alt), math.degrees(body.az), *_moon_facts(body))


@dataclass(frozen=True)
class Track:
    """Sun and moon over some hours at one place, cheap to ask at any second after ``start``.

    Held are directions every half hour; between them runs a cubic through the four nearest, which is right to
    0.001 degree (the fourth power of 7.5 degrees of turn, times 3/128).
    """

    start: datetime
    _sun: tuple[_Vector, ...]
    _moon: tuple[_Vector, ...]
    _facts: tuple[tuple[float, float], ...]

    def sun(self, seconds: float) -> Body:
        """Where the sun stands so long after the start. [s]"""
        return Body(*_angles(_between(self._sun, seconds)))

    def moon(self, seconds: float) -> Moon:
        """Where the moon stands so long after the start, and how it is lit. [s]"""
        knot, part = _knot(seconds)
        before, after = self._facts[knot], self._facts[knot + 1]
        elongation, parallax = (a + (b - a) * part for a, b in zip(before, after, strict=True))
        return Moon(*_angles(_between(self._moon, seconds)), elongation, parallax)

    def suns(self, seconds: Sequence[float]) -> list[Body]:
        """Where the sun stands at several times at once. [s]"""
        return [Body(*angles) for angles in zip(*_all_angles(self._sun, seconds), strict=True)]

    def moons(self, seconds: Sequence[float]) -> list[Moon]:
        """Where the moon stands at several times at once, and how it is lit. [s]"""
        places = np.arange(len(self._facts))
        columns = np.array(self._facts).T
        facts = (np.interp(np.asarray(seconds) / _KNOT_S + _AHEAD, places, column).tolist() for column in columns)
        return [Moon(*parts) for parts in zip(*_all_angles(self._moon, seconds), *facts, strict=True)]

    def sun_east(self, seconds: float) -> float:
        """How far the sun is east of the meridian, -1 to 1; it falls through nought at solar noon."""
        return _between(self._sun, seconds)[0]


def track(latitude: float, longitude: float, start: datetime, end: datetime) -> Track:
    """Sun and moon from ``start`` to ``end``, both aware; errors as for `sun`."""
    observer = _observer(latitude, longitude)
    knots = math.ceil((end - start) / timedelta(seconds=_KNOT_S)) + 2 * _AHEAD
    first = _ephem_date(start)
    the_sun, the_moon = ephem.Sun(), ephem.Moon()
    suns, moons, facts = [], [], []
    for knot in range(-_AHEAD, knots - _AHEAD + 1):
        observer.date = first + knot * _KNOT_S / 86400
        the_sun.compute(observer)
        the_moon.compute(observer)
        suns.append(_direction(the_sun))
        moons.append(_direction(the_moon))
        facts.append(_moon_facts(the_moon))
    return Track(start, tuple(suns), tuple(moons), tuple(facts))


def _observer(latitude: float, longitude: float) -> Any:
    if not (-90 <= latitude <= 90 and -180 <= longitude <= 180):
        raise ValueError(
            f"a place has a latitude from -90 to 90 and a longitude from -180 to 180 degrees, "
            f"found {latitude!r}, {longitude!r}"
        )
    observer = ephem.Observer()
    observer.lat, observer.lon = math.radians(latitude), math.radians(longitude)
    observer.elevation, observer.pressure = 0.0, 0.0  # without air there is no refraction
    return observer


def _ephem_date(when: datetime) -> float:
    if when.tzinfo is None:
        raise ValueError(f"a time for the sky must be aware, found {when!r}")
    return (when - _EPHEM_EPOCH) / timedelta(days=1)


def _moon_facts(body: Any) -> tuple[float, float]:
    """Elongation and horizontal parallax; ephem's distance is from the observer, not the centre. [degrees]"""
    near = body.earth_distance * ASTRONOMICAL_UNIT_KM
    distance = math.sqrt(near**2 + EARTH_KM**2 + 2 * near * EARTH_KM * math.sin(body.alt))
    return abs(math.degrees(body.elong)), math.degrees(math.asin(EARTH_KM / distance))


def _direction(body: Any) -> _Vector:
    altitude, azimuth = float(body.alt), float(body.az)
    level = math.cos(altitude)
    return level * math.sin(azimuth), level * math.cos(azimuth), math.sin(altitude)


def _angles(direction: _Vector) -> tuple[float, float]:
    """Altitude and azimuth of a direction. [degrees]"""
    east, north, up = direction
    return math.degrees(math.atan2(up, math.hypot(east, north))), math.degrees(math.atan2(east, north)) % 360.0


def _knot(seconds: float) -> tuple[int, float]:
    """The knot before a second, and the part of the way to the next."""
    place = seconds / _KNOT_S + _AHEAD
    knot = math.floor(place)
    return knot, place - knot


def _between(knots: tuple[_Vector, ...], seconds: float) -> _Vector:
    """The cubic of Lagrange through the four knots around a second."""
    knot, s = _knot(seconds)
    a, b, c, d = _weights(s)
    p, q, r, t = knots[knot - 1 : knot + 3]
    return (
        a * p[0] + b * q[0] + c * r[0] + d * t[0],
        a * p[1] + b * q[1] + c * r[1] + d * t[1],
        a * p[2] + b * q[2] + c * r[2] + d * t[2],
    )


def _weights(s: Any) -> Any:
    """What each of the four knots counts, part ``s`` of the way from the second to the third; for one or an array."""
    return (
        -s * (s - 1) * (s - 2) / 6,
        (s + 1) * (s - 1) * (s - 2) / 2,
        -(s + 1) * s * (s - 2) / 2,
        (s + 1) * s * (s - 1) / 6,
    )


def _all_angles(knots: tuple[_Vector, ...], seconds: Sequence[float]) -> tuple[list[float], list[float]]:
    """Altitudes and azimuths at several times. [degrees]"""
    places = np.asarray(seconds) / _KNOT_S + _AHEAD
    before = np.floor(places).astype(int)
    held = np.array(knots)
    parts = (weight[:, None] * held[before + n - 1] for n, weight in enumerate(_weights(places - before)))
    east, north, up = sum(parts, np.zeros((len(places), 3))).T
    altitudes = np.degrees(np.arctan2(up, np.hypot(east, north)))
    return altitudes.tolist(), (np.degrees(np.arctan2(east, north)) % 360.0).tolist()
