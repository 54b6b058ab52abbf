"""Marks a whole number of steps apart, for ladders and brackets."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction

from plans.stops import TICKS, Scale, closest_by_light

# On a scale of unknown series the marks lie near full stops, not on them. [stops]
_SLACK_UNKNOWN = 0.125


def slack(scale: Scale) -> float:
    """How far a mark may lie from the position that is meant. [stops]"""
    return _SLACK_UNKNOWN if scale.series == "unknown" else 0.0


def rung_finder(scale: Scale) -> Callable[[int], int | None]:
    """A function that gives the place of the mark at a position in ticks, or None."""
    if scale.series != "unknown":  # whole thirds and halves of a stop: whole ticks
        return {mark.ticks: place for place, mark in enumerate(scale.marks)}.get

    def near(at: int) -> int | None:
        mark = closest_by_light(scale, Fraction(at, TICKS), _SLACK_UNKNOWN)
        return scale.index(mark) if mark else None

    return near
