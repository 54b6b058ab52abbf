"""When a run is to begin: the rules that a schedule can have, and their next time. Pure; the clock is the caller's.

Local times follow the zone's own rules. One that a change of clocks leaves out is moved on by the change (02:30 becomes
03:30); one that comes twice counts the first time. So every night has the run once.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from datetime import time as Time
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, TypeAdapter, field_validator, model_validator

DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
Day = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
FIRST, LAST = datetime(1970, 1, 3, tzinfo=UTC), datetime(2199, 12, 29, tzinfo=UTC)
_AHEAD_DAYS = 400  # a sun that does not come to an altitude within so long never does


class _Rule(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


def _zone(name: str) -> str:
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        raise ValueError("no time zone of this name; write it as Europe/London") from None
    return name


class Once(_Rule):
    """At one time."""

    kind: Literal["once"]
    at: AwareDatetime

    @field_validator("at")
    @classmethod
    def _sane(cls, value: datetime) -> datetime:
        if not FIRST <= value <= LAST:
            raise ValueError("a time from 1970 to 2199")
        return value.astimezone(UTC)

    def words(self) -> str:
        """The rule for people."""
        return f"once, {self.at:%Y-%m-%d %H:%M} UTC"


class Daily(_Rule):
    """At a local time, on every day or on some of the week."""

    kind: Literal["daily", "weekly"]
    time: Annotated[str, Field(pattern=r"^([01][0-9]|2[0-3]):[0-5][0-9]$")]
    timezone: Annotated[str, Field(max_length=100)]
    days: tuple[Day, ...] = Field((), max_length=7)

    _known_zone = field_validator("timezone")(_zone)

    @model_validator(mode="after")
    def _days_when_weekly(self) -> Daily:
        if (self.kind == "weekly") != bool(self.days):
            raise ValueError("days are for weekly, and weekly needs days, such as mon, thu")
        return self

    def words(self) -> str:
        """The rule for people."""
        return f"{', '.join(self.days) or 'daily'} at {self.time} {self.timezone}"


class Sun(_Rule):
    """When the sun rises, sets, or passes an altitude, and so many minutes later. [degrees], [min]"""

    kind: Literal["sun"]
    event: Literal["sunrise", "sunset", "rising", "setting"]
    altitude_deg: Annotated[float, Field(ge=-90, le=90)] | None = None
    offset_min: Annotated[float, Field(ge=-720, le=720)] = 0.0
    latitude: Annotated[float, Field(ge=-90, le=90)]
    longitude: Annotated[float, Field(ge=-180, le=180)]
    timezone: Annotated[str, Field(max_length=100)]
    days: tuple[Day, ...] = Field((), max_length=7)

    _known_zone = field_validator("timezone")(_zone)

    @model_validator(mode="after")
    def _altitude_when_asked(self) -> Sun:
        if (self.event in ("rising", "setting")) != (self.altitude_deg is not None):
            raise ValueError("altitude_deg is for rising and setting, and these need it")
        return self

    def words(self) -> str:
        """The rule for people."""
        what = self.event if self.altitude_deg is None else f"sun {self.event} through {self.altitude_deg:g}°"
        shift = f" {self.offset_min:+g} min" if self.offset_min else ""
        days = f" on {', '.join(self.days)}" if self.days else ""
        return f"{what}{shift}{days} at {self.latitude:g}, {self.longitude:g} {self.timezone}"


Rule = Annotated[Once | Daily | Sun, Field(discriminator="kind")]
RULE: TypeAdapter[Once | Daily | Sun] = TypeAdapter(Rule)


def occurrences(rule: Once | Daily | Sun, after: datetime) -> Iterator[datetime]:
    """The times of a rule after ``after`` (aware), in order, in UTC; ends when there are none within 400 days."""
    if isinstance(rule, Once):
        if rule.at > after:
            yield rule.at
        return
    last, empty = after.astimezone(UTC), 0
    day = after.astimezone(ZoneInfo(rule.timezone)).date() - timedelta(days=2)
    while empty <= _AHEAD_DAYS and FIRST.date() < day < LAST.date():
        found = None if rule.days and DAYS[day.weekday()] not in rule.days else _on(rule, day)
        if found is not None and found > last:
            last, empty = found, 0
            yield found
        else:
            empty += 1
        day += timedelta(days=1)


def next_time(rule: Once | Daily | Sun, after: datetime) -> datetime | None:
    """The first time of a rule after ``after``; None when there is none within 400 days."""
    return next(occurrences(rule, after), None)


def local_instant(day: date, time: Time, timezone: str) -> datetime:
    """A local time in UTC; one left out by a change of clocks is moved on by it, of two the first is taken."""
    return datetime.combine(day, time, ZoneInfo(timezone)).replace(fold=0).astimezone(UTC)


def _on(rule: Daily | Sun, day: date) -> datetime | None:
    if isinstance(rule, Daily):
        return local_instant(day, Time.fromisoformat(rule.time), rule.timezone)
    from plans.sun_times import SUNRISE_DEG, sun_at

    way: Literal["rising", "setting"] = "rising" if rule.event in ("sunrise", "rising") else "setting"
    altitude = SUNRISE_DEG if rule.altitude_deg is None else rule.altitude_deg
    found = sun_at(rule.latitude, rule.longitude, rule.timezone, day, way, altitude)
    return None if found is None else found + timedelta(minutes=rule.offset_min)
