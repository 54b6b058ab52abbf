"""When the light will let a goal be reached, at the brief's place and on its day."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from plans.brief import Goal
from plans.goals.situation import Situation
from plans.light import day
from plans.light_page import range_words, window_words
from plans.light_windows import Range, reach


def waits(situation: Situation, goal: Goal, ranges: Sequence[Range]) -> Iterator[str]:
    """The times of day at which the light is expected in one of the ranges of EV100, with what is uncertain of it.

    Nothing without a place and a date, or where no light would do.
    """
    place, when, scene = situation.place, situation.when, situation.scene
    if place is None or when is None or not ranges:
        return
    light = day(place, when.date(), scene.light.sky, scene.facing_deg)
    found = reach(light, goal.goal, ranges)
    wanted = range_words(found.ranges)
    if not found.possible:
        yield f"another day or place: on {light.date.isoformat()} the light is never forecast at {wanted} here"
        return
    of = "level ground" if scene.facing_deg is None else "upright subjects"
    expected = window_words(found.expected, light)
    times = f"expected {expected}, possible {window_words(found.possible, light)}"
    if expected == "never":
        times = f"possible {window_words(found.possible, light)}, though not expected"
    yield (
        f"wait for light of {wanted}: on {light.date.isoformat()} here {times}. That is a forecast for {of}; upright "
        "subjects, level ground and sky differ, so meter before you count on it. Waiting breaks the common light of a "
        "pair: shoot all frames of the group then"
    )
