"""What happens in the sky on a day: rising, setting, twilights, noon, found on the day's track.

Nothing is searched where nothing happens: crossings are looked for between samples, and beside the highest and lowest
points among them, so that a sun which only peeps over the horizon is not missed.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from typing import Literal, NamedTuple

from plans.ephemeris import SUNRISE_DEG, Body, Moon, Track

Kind = Literal[
    "astronomical twilight begins",
    "nautical twilight begins",
    "civil twilight begins",
    "sunrise",
    "solar noon",
    "sunset",
    "civil twilight ends",
    "nautical twilight ends",
    "astronomical twilight ends",
    "moonrise",
    "moonset",
]

# Geometric altitudes of the sun's centre. [degrees] Sunrise and sunset as almanacs define them.
_SUN_LEVELS: tuple[tuple[float, Kind, Kind], ...] = (
    (SUNRISE_DEG, "sunrise", "sunset"),
    (-6.0, "civil twilight begins", "civil twilight ends"),
    (-12.0, "nautical twilight begins", "nautical twilight ends"),
    (-18.0, "astronomical twilight begins", "astronomical twilight ends"),
)
_HALVINGS = 16


class Event(NamedTuple):
    """Something at one time; ``azimuth_deg`` and ``altitude_deg`` are of the body it is about. [degrees]"""

    kind: Kind
    when: datetime
    altitude_deg: float
    azimuth_deg: float


def all_events(
    track: Track,
    times: Sequence[float],
    suns: Sequence[Body],
    moons: Sequence[Moon],
    local: Callable[[float], datetime],
) -> tuple[Event, ...]:
    """The events between the first and the last time, in order.

    Parameters
    ----------
    track
        Sun and moon over the day.
    times, suns, moons
        Samples of it, ascending. [s after the track's start]
    local
        Makes a local time of seconds.
    """

    def sun_height(seconds: float) -> float:
        return track.sun(seconds).altitude_deg

    def moon_edge(seconds: float) -> float:
        return track.moon(seconds).upper_edge_deg

    found: list[tuple[float, Kind, Body | Moon]] = []
    sun_points = _with_turns(sun_height, times, [sun.altitude_deg for sun in suns])
    for level, rising, setting in _SUN_LEVELS:
        for seconds, up in _crossings(sun_height, sun_points, level):
            found.append((seconds, rising if up else setting, track.sun(seconds)))
    for seconds, up in _crossings(track.sun_east, [(t, track.sun_east(t)) for t in times], 0.0):
        if not up:
            found.append((seconds, "solar noon", track.sun(seconds)))
    moon_points = _with_turns(moon_edge, times, [moon.upper_edge_deg for moon in moons])
    for seconds, up in _crossings(moon_edge, moon_points, 0.0):
        found.append((seconds, "moonrise" if up else "moonset", track.moon(seconds)))
    return tuple(Event(kind, local(seconds), body[0], body[1]) for seconds, kind, body in sorted(found))


def missing(events: Sequence[Event], suns: Sequence[Body], moons: Sequence[Moon]) -> tuple[str, ...]:
    """What does not happen on a day, in words."""
    kinds = {event.kind for event in events}
    heights = [sun.altitude_deg for sun in suns]
    notes = []
    if not kinds & {"sunrise", "sunset"}:
        notes.append("the sun does not set" if max(heights) > SUNRISE_DEG else "the sun does not rise")
    else:
        notes += [f"no {kind} on this day" for kind in ("sunrise", "sunset") if kind not in kinds]
    lowest = min(heights)
    if -18 < lowest <= SUNRISE_DEG:
        darkest = "civil" if lowest > -6 else "nautical" if lowest > -12 else "astronomical"
        notes.append(f"no full night: it gets no darker than {darkest} twilight")
    if not kinds & {"moonrise", "moonset"}:
        notes.append("the moon does not set" if moons[0].upper_edge_deg > 0 else "the moon does not rise")
    else:
        notes += [f"no {kind} on this day" for kind in ("moonrise", "moonset") if kind not in kinds]
    return tuple(notes)


def _with_turns(
    height: Callable[[float], float], times: Sequence[float], values: Sequence[float]
) -> list[tuple[float, float]]:
    """The samples and, by the parabola through three, the highest and lowest points between them."""
    points = list(zip(times, values, strict=True))
    turns = []
    for n in range(1, len(points) - 1):
        (t0, a), (t1, b), (t2, c) = points[n - 1 : n + 2]
        if (b - a) * (c - b) < 0:
            slope, next_slope = (b - a) / (t1 - t0), (c - b) / (t2 - t1)
            bend = (next_slope - slope) / (t2 - t0)
            turn = (t0 + t1) / 2 - slope / (2 * bend)
            if turn != t1:
                turns.append((turn, height(turn)))
    return sorted(points + turns)


def _crossings(
    value: Callable[[float], float], points: Sequence[tuple[float, float]], level: float
) -> Iterator[tuple[float, bool]]:
    """When a curve goes through a level, and whether upwards."""
    for (start, before), (end, after) in itertools.pairwise(points):
        up = before < level <= after
        if not up and not after < level <= before:
            continue
        low, high = start, end
        for _ in range(_HALVINGS):
            middle = (low + high) / 2
            if (value(middle) >= level) == up:
                high = middle
            else:
                low = middle
        yield (low + high) / 2, up
