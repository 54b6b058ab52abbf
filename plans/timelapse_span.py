"""When a time-lapse runs: its start and end on the clock and by the sky, its frames, and where its interval changes."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from plans.brief import Moment, Place, Timelapse
from plans.light import day, elapsed_s, later

MOST_FRAMES = 20_000
MOST_S = 48 * 3600.0
_HAIR = 1e-6


class NoSuchTime(ValueError):
    """A time that does not come, or none that can be run by; the message is a reason in words."""


@dataclass(frozen=True)
class Part:
    """Frames of one interval: the first one's number, when it is due after the start, the interval. [s]"""

    first: int
    at_s: float
    interval_s: float


@dataclass(frozen=True)
class Span:
    """A time-lapse on the clock; ``start`` None: on command. ``duration_s``: from the first frame to the last. [s]"""

    start: datetime | None
    frames: int
    duration_s: float
    parts: tuple[Part, ...]

    @property
    def end(self) -> datetime | None:
        """When the last frame is due; None without a start."""
        return None if self.start is None else later(self.start, self.duration_s)


def span(goal: Timelapse, place: Place | None, when: datetime | None) -> Span:
    """The frames of a time-lapse.

    Parameters
    ----------
    goal
        The start is the time named nearest to ``when``; end and changes are the first such times after the start, or
        after each other.
    place, when
        The brief's; None: times by clock and sky cannot be told.

    Raises
    ------
    NoSuchTime
        If an event does not happen there, or the frames are too few or too many.
    """
    start = None
    if goal.start is not None:
        start = moment(goal.start, place, when, nearest=True)
    turns: list[tuple[float, float]] = []
    last = start
    for change in goal.changes:
        if last is None:
            raise NoSuchTime("a change of interval is told by a time, and the start is not")
        last = moment(change.at, place, last)
        turns.append((elapsed_s(start or last, last), change.interval_s))
    lasts: float | None = goal.lasts_s
    count = goal.frames
    if goal.end is not None:
        if start is None:
            raise NoSuchTime("the end is told by a time, and the start is not")
        lasts = elapsed_s(start, moment(goal.end, place, start))
    if goal.film_s is not None:
        count = round(goal.film_s * goal.rate)
    return _laid_out(goal.interval_s, turns, lasts, count, start)


def _laid_out(
    interval: float, turns: list[tuple[float, float]], lasts: float | None, count: int | None, start: datetime | None
) -> Span:
    parts = [Part(0, 0.0, interval)]
    for at, then in turns:
        before = parts[-1]
        frames = max(math.ceil((at - before.at_s) / before.interval_s - _HAIR), 0)
        new = Part(before.first + frames, before.at_s + frames * before.interval_s, then)
        if frames == 0:
            parts.pop()
        parts.append(new)
    if lasts is not None:
        parts = [part for part in parts if part.at_s <= lasts + _HAIR]
        end = parts[-1]
        count = end.first + math.floor((lasts - end.at_s) / end.interval_s + _HAIR) + 1
    assert count is not None
    parts = [part for part in parts if part.first < count]
    if not 2 <= count <= MOST_FRAMES:
        raise NoSuchTime(f"it would have {count} frame{'' if count == 1 else 's'}, and 2 to {MOST_FRAMES} are possible")
    end = parts[-1]
    duration = end.at_s + (count - 1 - end.first) * end.interval_s
    if duration > MOST_S:
        raise NoSuchTime(f"it would run for {duration / 3600:.1f} h, and at most {MOST_S / 3600:g} h are possible")
    return Span(start, count, duration, tuple(parts))


def moment(one: Moment, place: Place | None, around: datetime | None, nearest: bool = False) -> datetime:
    """The local time that a moment means: the first after ``around``, or the nearest to it.

    Raises
    ------
    NoSuchTime
        If it does not happen within two days.
    """
    if place is None or around is None:
        raise NoSuchTime("times by the clock and the sky need the brief's place and when")
    zone = ZoneInfo(place.timezone)
    here = around.astimezone(zone)
    days = [here.date() + timedelta(days=n) for n in (range(-1, 2) if nearest else range(-1, 3))]
    name = _words(one)
    if one.clock is not None:
        dates = days if one.date is None else [date.fromisoformat(one.date)]
        found = [_on_clock(day_, one.clock, zone) for day_ in dates]
    else:
        found = []
        for local in days:
            events = day(place, local).events
            found += [later(event.when, one.offset_s) for event in events if event.kind == one.event]
    if nearest:
        if not found:
            raise NoSuchTime(f"there is no {name} around {here:%Y-%m-%d} at this place")
        return min(found, key=lambda time: abs(elapsed_s(here, time)))
    after = sorted((time for time in found if elapsed_s(here, time) > 0), key=lambda time: time.astimezone(UTC))
    if not after:
        raise NoSuchTime(f"there is no {name} within two days after {here:%Y-%m-%d %H:%M} at this place")
    return after[0]


def _on_clock(local: date, clock: str, zone: ZoneInfo) -> datetime:
    hour, minute = (int(part) for part in clock.split(":"))
    when = datetime(local.year, local.month, local.day, hour, minute, tzinfo=zone)
    return when.astimezone(UTC).astimezone(zone)


def _words(one: Moment) -> str:
    if one.clock is not None:
        return f"{one.date} {one.clock}" if one.date else one.clock
    if not one.offset_s:
        return str(one.event)
    return f"{one.event} {'+' if one.offset_s > 0 else '-'} {abs(one.offset_s) / 60:g} min"
