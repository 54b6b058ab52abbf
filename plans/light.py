"""The light of a day at a place: its course, its events, and when it lies in a range.

Times are aware and in the place's zone. A day runs from one local midnight to the next, so it has 23 or 25 hours where
clocks change, and the same sky under another name of its zone is the same day.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import cached_property, lru_cache
from typing import Literal, NamedTuple, Protocol, get_args
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from plans import ephemeris
from plans.ephemeris import Body, Moon
from plans.light_events import Event, all_events, missing
from plans.scene import Sky
from plans.sky import (
    SUNLIT_SKIES,
    Direction,
    direction,
    estimate,
    is_up,
    moon_illuminance_lx,
    reasons,
)

Phase = Literal["day", "civil twilight", "nautical twilight", "astronomical twilight", "night"]
Curve = Literal["ev100", "low", "high"]
FIRST_YEAR, LAST_YEAR = 1970, 2199


class Located(Protocol):
    """A place: degrees north and east, and the name of its time zone."""

    @property
    def latitude(self) -> float: ...
    @property
    def longitude(self) -> float: ...
    @property
    def timezone(self) -> str: ...


@dataclass(frozen=True)
class Forecast:
    """The light at one time. ``low`` and ``high`` bound it while the sky is as said. [stops]

    ``direction`` is None when the sun is down or casts no shadows; ``reasons`` say why it is a range.
    """

    ev100: float
    low: float
    high: float
    sun: Body
    moon: Moon
    direction: Direction | None
    text: str
    reasons: tuple[str, ...]


class Sample(NamedTuple):
    """The light at one time of a day.

    ``shadow_m`` is the shadow of an upright of 1 m on level ground, infinite under a sun on the horizon; None when the
    sun is down or behind clouds. [m] ``direction`` as in `Forecast`. ``moonlight_lx`` is the moon's on level ground
    under a clear sky. [lx]
    """

    when: datetime
    ev100: float
    low: float
    high: float
    phase: Phase
    sun: Body
    shadow_m: float | None
    direction: Direction | None
    moon: Moon
    moonlight_lx: float


@dataclass(frozen=True)
class Day:
    """The light from local midnight to local midnight, in even steps, both ends included.

    ``notes`` say in sentences what does not happen: no sunset, no full night, no moonrise, a change of clocks.
    """

    latitude: float
    longitude: float
    timezone: str
    date: date
    sky: Sky | None
    facing_deg: float | None
    samples: tuple[Sample, ...]
    events: tuple[Event, ...]
    notes: tuple[str, ...]

    @property
    def start(self) -> datetime:
        return self.samples[0].when

    @property
    def end(self) -> datetime:
        return self.samples[-1].when

    def seconds(self, when: datetime) -> float:
        """Time since the day's start. [s]"""
        return elapsed_s(self.start, when)

    def at(self, seconds: float) -> datetime:
        """The local time so long after the day's start. [s]"""
        return later(self.start, seconds)

    def nearest(self, when: datetime) -> Sample:
        """The sample nearest to a time."""
        times, seconds = self.times_s, self.seconds(when)
        return self.samples[int(np.abs(times - seconds).argmin())]

    @cached_property
    def times_s(self) -> NDArray[np.float64]:
        """Times of the samples since the day's start. [s]"""
        return np.array([self.seconds(sample.when) for sample in self.samples])

    @cached_property
    def curves(self) -> dict[Curve, NDArray[np.float64]]:
        """The samples' light as expected, and the ends of its range. [stops]"""
        return {name: np.array([getattr(sample, name) for sample in self.samples]) for name in get_args(Curve)}


def forecast(place: Located, when: datetime, sky: Sky | None = "clear", facing_deg: float | None = None) -> Forecast:
    """The light at a place and time.

    Parameters
    ----------
    place
        Where.
    when
        An aware time, from 1970 to 2199.
    sky
        As it will be; None: not known (estimate for a clear sky, range down to heavy overcast).
    facing_deg
        Whither the camera looks, from north by east. None: the estimate is for level ground. [degrees]

    Raises
    ------
    ValueError
        If the time is not aware or the place is not on the earth.
    """
    sun = ephemeris.sun(place.latitude, place.longitude, when)
    moon = ephemeris.moon(place.latitude, place.longitude, when)
    ev100, low, high = estimate(sun, moon, sky, facing_deg)
    whence = _direction(sun, sky, facing_deg)
    subject = "level ground" if facing_deg is None else "upright subjects"
    height = f"{abs(sun.altitude_deg):.0f}\N{DEGREE SIGN} {'up' if is_up(sun) else 'down'}"
    text = f"EV {ev100:.1f} for {subject}, {low:.1f} to {high:.1f}; {sky_words(sky)}, sun {height}"
    if whence:
        text += f", {whence.name}"
    return Forecast(ev100, low, high, sun, moon, whence, text, reasons(sun, sky, facing_deg))


def sky_words(sky: Sky | None) -> str:
    """The sky in a sentence: ``clear sky``, ``sky not known``."""
    if sky is None:
        return "sky not known"
    return sky if sky == "overcast" else f"{sky} sky"


def day(place: Located, on: date, sky: Sky | None = "clear", facing_deg: float | None = None, step_min: int = 5) -> Day:
    """The light of a local day; parameters as for `forecast`. The last days asked for are remembered.

    Raises
    ------
    ValueError
        If the year is not from 1970 to 2199, the step not from 1 to 60 minutes, the place not on the earth, or the
        date was left out there (a place that changed sides of the date line).
    """
    return _day(place.latitude, place.longitude, place.timezone, on, sky, facing_deg, step_min)


@lru_cache(maxsize=32)
def _day(
    latitude: float,
    longitude: float,
    timezone: str,
    on: date,
    sky: Sky | None,
    facing_deg: float | None,
    step_min: int,
) -> Day:
    course = _course(latitude, longitude, timezone, on, step_min)
    samples = tuple(_sample(when, sun, moon, sky, facing_deg) for when, sun, moon in course.points)
    return Day(latitude, longitude, timezone, on, sky, facing_deg, samples, course.events, course.notes)


class _Course(NamedTuple):
    """What of a day does not hang on sky and facing."""

    points: tuple[tuple[datetime, Body, Moon], ...]
    events: tuple[Event, ...]
    notes: tuple[str, ...]


@lru_cache(maxsize=32)
def _course(latitude: float, longitude: float, timezone: str, on: date, step_min: int) -> _Course:
    if not FIRST_YEAR <= on.year <= LAST_YEAR:
        raise ValueError(f"the sky is known here from {FIRST_YEAR} to {LAST_YEAR}, found {on.isoformat()}")
    if not 1 <= step_min <= 60:
        raise ValueError(f"a step is 1 to 60 minutes, found {step_min!r}")
    start, end = local_midnight(on, timezone), local_midnight(on + timedelta(days=1), timezone)
    length = elapsed_s(start, end)
    if length <= 0:
        raise ValueError(f"there was no {on.isoformat()} in {timezone}: the place changed sides of the date line")
    track = ephemeris.track(latitude, longitude, start.astimezone(UTC), end.astimezone(UTC))
    times = [60.0 * step_min * n for n in range(math.ceil(length / (60 * step_min)))] + [length]
    suns, moons = track.suns(times), track.moons(times)
    points = tuple(zip((later(start, t) for t in times), suns, moons, strict=True))
    events = all_events(track, times, suns, moons, lambda seconds: later(start, seconds))
    notes = missing(events, suns, moons)
    if length != 86400:
        notes = (f"clocks change on this day: it has {length / 3600:g} hours", *notes)
    return _Course(points, events, notes)


def local_midnight(on: date, timezone: str) -> datetime:
    """The first moment of a date in a zone; where clocks skip midnight, the moment of the change."""
    zone = ZoneInfo(timezone)
    return datetime(on.year, on.month, on.day, tzinfo=zone).astimezone(UTC).astimezone(zone)


def elapsed_s(start: datetime, when: datetime) -> float:
    """Time that really passes between two aware times; their plain difference is one of clock faces. [s]"""
    return (when.astimezone(UTC) - start.astimezone(UTC)) / timedelta(seconds=1)


def later(start: datetime, seconds: float) -> datetime:
    """The time so long after another, in the same zone. [s]"""
    return (start.astimezone(UTC) + timedelta(seconds=seconds)).astimezone(start.tzinfo)


def _direction(sun: Body, sky: Sky | None, facing_deg: float | None) -> Direction | None:
    if facing_deg is None or not is_up(sun) or sky not in (None, *SUNLIT_SKIES):
        return None
    return direction(sun, facing_deg)


def _sample(when: datetime, sun: Body, moon: Moon, sky: Sky | None, facing_deg: float | None) -> Sample:
    return Sample(
        when,
        *estimate(sun, moon, sky, facing_deg),
        phase(sun.altitude_deg),
        sun,
        shadow_m(sun.altitude_deg) if sky in (None, *SUNLIT_SKIES) else None,
        _direction(sun, sky, facing_deg),
        moon,
        moon_illuminance_lx(moon[0], moon[2], moon[3]),
    )


def phase(sun_altitude_deg: float) -> Phase:
    """Day, a twilight or night, by the sun's geometric altitude. [degrees]"""
    if sun_altitude_deg > ephemeris.SUNRISE_DEG:
        return "day"
    if sun_altitude_deg > -6:
        return "civil twilight"
    if sun_altitude_deg > -12:
        return "nautical twilight"
    return "astronomical twilight" if sun_altitude_deg > -18 else "night"


def shadow_m(sun_altitude_deg: float, height_m: float = 1.0) -> float | None:
    """Length of an upright's shadow on level ground; None when the sun is down. [m]"""
    if sun_altitude_deg <= ephemeris.SUNRISE_DEG:
        return None
    return height_m / math.tan(math.radians(sun_altitude_deg)) if sun_altitude_deg > 0 else math.inf
