"""When runs are due: local times over changes of clocks, and the sun.

Clocks in London: forward on 29 March 2026 at 01:00 UTC, back on 25 October 2026 at 01:00 UTC. Source: Directive
2000/84/EC, the last Sundays of March and October at 01:00 UTC; the UK keeps the same by the Summer Time Order 2002. On
Lord Howe Island the clock moves by half an hour, from 02:00 to 02:30 on 4 October 2026. Source: the time zone database,
file australasia.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from itertools import islice, pairwise
from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd
import pytest
from pvlib import solarposition
from pydantic import ValidationError

from daemon.schedule_rules import RULE, next_time, occurrences
from plans.ephemeris import sun
from plans.sun_times import sun_at

GARDEN = (52.0, 0.0, "Europe/London")


def rule(**words: Any) -> Any:
    return RULE.validate_python(words)


def daily(time: str, timezone: str = "Europe/London") -> Any:
    return rule(kind="daily", time=time, timezone=timezone)


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def times(found: Any, after: str, count: int = 3) -> list[str]:
    return [f"{one:%Y-%m-%d %H:%M}" for one in islice(occurrences(found, utc(after)), count)]


def test_a_daily_time_keeps_to_the_clock_on_the_wall_when_clocks_change() -> None:
    assert times(daily("18:30"), "2026-03-28 00:00") == ["2026-03-28 18:30", "2026-03-29 17:30", "2026-03-30 17:30"]
    assert times(daily("18:30"), "2026-10-24 00:00") == ["2026-10-24 17:30", "2026-10-25 18:30", "2026-10-26 18:30"]


def test_a_time_that_the_night_leaves_out_is_moved_on_and_one_that_comes_twice_is_used_once() -> None:
    # 01:30 does not exist on 29 March: it is 02:30 by the new time, 01:30 UTC.
    assert times(daily("01:30"), "2026-03-28 00:00") == ["2026-03-28 01:30", "2026-03-29 01:30", "2026-03-30 00:30"]
    # 01:30 comes at 00:30 and at 01:30 UTC on 25 October.
    assert times(daily("01:30"), "2026-10-24 00:00") == ["2026-10-24 00:30", "2026-10-25 00:30", "2026-10-26 01:30"]
    assert times(daily("01:30"), "2026-10-25 00:45", 1) == ["2026-10-26 01:30"]
    # Half an hour: 02:15 becomes 02:45 by the new offset of 11 hours.
    assert times(daily("02:15", "Australia/Lord_Howe"), "2026-10-03 12:00", 1) == ["2026-10-03 15:45"]


def test_a_whole_year_of_nights_has_every_daily_run_once() -> None:
    for zone in ("Europe/London", "Australia/Lord_Howe", "Africa/Cairo", "Asia/Kolkata"):
        for time in ("00:00", "00:30", "01:30", "02:15", "23:45"):
            found = list(islice(occurrences(daily(time, zone), utc("2026-01-01 00:00")), 365))
            gaps = {later - earlier for earlier, later in pairwise(found)}
            assert len(found) == 365
            assert timedelta(hours=22, minutes=30) <= min(gaps) <= max(gaps) <= timedelta(hours=25), (zone, time)


def test_weekly_comes_on_its_days_alone() -> None:
    found = rule(kind="weekly", time="10:00", timezone="Europe/London", days=["mon", "thu"])
    assert times(found, "2026-11-25 00:00") == ["2026-11-26 10:00", "2026-11-30 10:00", "2026-12-03 10:00"]


def test_once_comes_once_and_never_before_now() -> None:
    found = rule(kind="once", at="2026-11-25T18:30:00+01:00")
    assert times(found, "2026-11-25 00:00") == ["2026-11-25 17:30"]
    assert next_time(found, utc("2026-11-25 17:30")) is None


@pytest.mark.parametrize("day", [date(2026, 3, 29), date(2026, 6, 21), date(2026, 10, 25), date(2026, 12, 21)])
@pytest.mark.parametrize("place", [(52.0, 0.0, "Europe/London"), (-33.9, 151.2, "Australia/Sydney")])
def test_at_sunrise_and_sunset_the_sun_stands_where_nrel_s_algorithm_has_it_50_minutes_of_arc_down(
    day: date, place: Any
) -> None:
    # Source: Reda and Andreas, NREL/TP-560-34302, as pvlib has it.
    for way, sign in (("rising", 1), ("setting", -1)):
        found = sun_at(*place, day, way)  # type: ignore[arg-type]
        assert found is not None
        assert found.astimezone(ZoneInfo(place[2])).date() == day
        around = pd.DatetimeIndex([found + timedelta(seconds=seconds) for seconds in (-30, 0, 30)])
        before, at, after = solarposition.spa_python(around, *place[:2])["elevation"]
        assert at == pytest.approx(-50 / 60, abs=0.01)
        assert sign * before < sign * at - 0.02 < sign * after - 0.04  # half a minute would be seen


def test_an_altitude_is_passed_when_the_sun_stands_there_on_its_way() -> None:
    for way, sign in (("rising", 1), ("setting", -1)):
        found = sun_at(*GARDEN, date(2026, 10, 20), way, -6.0)  # type: ignore[arg-type]
        assert found is not None
        before, at, after = (sun(*GARDEN[:2], found + timedelta(minutes=m)).altitude_deg for m in (-5, 0, 5))
        assert at == pytest.approx(-6.0, abs=0.002)
        assert sign * before < sign * at < sign * after


def test_by_the_sun_with_an_offset_days_are_in_order_and_none_is_left_out() -> None:
    words = {"kind": "sun", "event": "sunset", "latitude": 52.0, "longitude": 0.0, "timezone": "Europe/London"}
    plain = list(islice(occurrences(rule(**words), utc("2026-03-20 00:00")), 30))
    early = list(islice(occurrences(rule(**words, offset_min=-40), utc("2026-03-20 00:00")), 30))
    assert [a - b for a, b in zip(plain, early, strict=True)] == [timedelta(minutes=40)] * 30
    assert len({one.date() for one in plain}) == 30


def test_a_sun_that_does_not_come_is_waited_for_until_it_does_and_never_for_ever() -> None:
    words = {"kind": "sun", "longitude": 18.96, "latitude": 69.65, "timezone": "Europe/Oslo"}
    # Polar night in Tromsø ends in mid January. From memory: the sun is back about the 15th.
    found = next_time(rule(**words, event="sunrise"), utc("2026-12-01 00:00"))
    assert found is not None
    assert date(2027, 1, 10) < found.date() < date(2027, 1, 20)
    never = rule(**(words | {"latitude": 52.0}), event="rising", altitude_deg=80)
    assert next_time(never, utc("2026-12-01 00:00")) is None


@pytest.mark.parametrize(
    "wrong",
    [
        {"kind": "daily", "time": "24:00", "timezone": "Europe/London"},
        {"kind": "daily", "time": "9:00", "timezone": "Europe/London"},
        {"kind": "daily", "time": "09:00", "timezone": "Europe/Garden"},
        {"kind": "daily", "time": "09:00", "timezone": "../../etc/passwd"},
        {"kind": "weekly", "time": "09:00", "timezone": "Europe/London"},
        {"kind": "once", "at": "2026-11-25T18:30:00"},
        {"kind": "once", "at": "9999-12-31T23:59:59Z"},
        {"kind": "sun", "event": "rising", "latitude": 0, "longitude": 0, "timezone": "UTC"},
        {"kind": "sun", "event": "sunset", "latitude": 91, "longitude": 0, "timezone": "UTC"},
    ],
)
def test_a_rule_that_means_nothing_is_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        RULE.validate_python(wrong)
