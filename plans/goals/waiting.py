"""When the light will let a goal be reached, at the brief's place: later on its day, or the day after."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import NamedTuple

from plans.brief import Goal
from plans.goals.situation import Situation
from plans.light import day
from plans.light_page import range_words, window_words
from plans.light_windows import Range, Window, reach


def waits(situation: Situation, goal: Goal, ranges: Sequence[Range], amount: str) -> str | None:
    """The times of day at which the light is expected in one of the ranges of EV100, with what is uncertain of it.

    Only what is still to come: where nothing is expected later on the brief's day, the day after is looked at.
    None without a place and a date, or where no light would do. ``amount``: the least change of light that does it.
    """
    place, when, scene = situation.place, situation.when, situation.scene
    if place is None or when is None or not ranges:
        return None
    today, tomorrow = (_reached(situation, goal, ranges, when, more) for more in (0, 1))
    best = next((one for one in (today, tomorrow) if one and one.expected), None)
    best = best or next((one for one in (today, tomorrow) if one and one.possible), None)
    wanted = range_words(ranges)
    if best is None:
        return (
            f"come back for {amount} light than now ({wanted} will do) on another day or at another place: neither on "
            f"{when.date().isoformat()} from {when:%H:%M} on nor on the next day is such light forecast here"
        )
    times = f"possible {best.possible}, though not expected"
    if best.expected:
        times = f"expected {best.expected}, possible {best.possible}"
    now = "By the forecast it is so now, unlike in the brief: go by the meter. " if best.now else ""
    of = "level ground" if scene.facing_deg is None else "upright subjects"
    return (
        f"wait for {amount} light than now ({wanted} will do): {best.on} here {times}. {now}That is a forecast for "
        f"{of}; upright subjects, level ground and sky differ, so meter before you count on it. Waiting breaks the "
        "common light of a pair: shoot all frames of the group then"
    )


class _Hours(NamedTuple):
    """What is still to come of one day's windows, in words; empty for none."""

    on: str
    expected: str
    possible: str
    now: bool  # whether the forecast has such light at the brief's own time


def _reached(situation: Situation, goal: Goal, ranges: Sequence[Range], when: datetime, more: int) -> _Hours | None:
    """The windows of the brief's day, or of one ``more`` days later; None for a day that is not forecast."""
    assert situation.place is not None
    scene = situation.scene
    try:
        light = day(situation.place, when.date() + timedelta(days=more), scene.light.sky, scene.facing_deg)
    except (ValueError, OverflowError):  # beyond the years that the sun is told for
        return None
    found = reach(light, goal.goal, ranges)
    on = f"on {light.date.isoformat()}{', the next day,' * more}"
    expected, possible = (_to_come(windows, when) for windows in (found.expected, found.possible))
    return _Hours(
        on,
        window_words(expected, light) if expected else "",
        window_words(possible, light) if possible else "",
        bool(expected) and expected[0][0] <= when,
    )


def _to_come(windows: Sequence[Window], when: datetime) -> tuple[Window, ...]:
    """What is left of windows from a time on."""
    return tuple((max(start, when), end) for start, end in windows if end > when)
