"""Marks a whole number of steps apart, for ladders and brackets."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction

from plans.stops import Scale, closest_by_light

# On a scale of unknown series the marks lie near full stops, not on them. [stops]
_SLACK_UNKNOWN = 0.125


def slack(scale: Scale) -> float:
    """How far a mark may lie from the position that is meant. [stops]"""
    return _SLACK_UNKNOWN if scale.series == "unknown" else 0.0


def rung_finder(scale: Scale) -> Callable[[Fraction], int | None]:
    """A function that gives the place of the mark at a position, or None."""
    if scale.series != "unknown":
        return {mark.light: place for place, mark in enumerate(scale.marks)}.get

    def near(light: Fraction) -> int | None:
        mark = closest_by_light(scale, light, _SLACK_UNKNOWN)
        return scale.index(mark) if mark else None

    return near
