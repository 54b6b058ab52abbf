"""When the light of a day lies in a range: as expected, possibly, and surely.

The expected light crosses a goal's limit at one time; its range crosses it earlier or later. So a window is told three
times: as expected, the longest that the range allows, and the part that holds wherever in its range the light is.
Between samples the light runs straight. At steps of 5 minutes that is right to 0.1 stop, or half a minute at sunset;
to half a stop where the moon comes up at night.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from plans.light import Curve, Day

Window = tuple[datetime, datetime]
Range = tuple[float, float]  # EV100, either end may be infinite [stops]
_Span = tuple[float, float]
_BLINK_S = 300.0  # a shorter gap in what is possible is beyond the forecast


def windows(day: Day, ev_low: float, ev_high: float) -> tuple[Window, ...]:
    """When the light as expected lies from ``ev_low`` to ``ev_high``; either may be infinite. [stops]"""
    return _local(day, _spans(day, "ev100", ev_low, "ev100", ev_high))


def possible_windows(day: Day, ev_low: float, ev_high: float) -> tuple[Window, ...]:
    """When the light may lie there: from the earliest to the latest time that its range allows. [stops]"""
    return _local(day, _spans(day, "high", ev_low, "low", ev_high))


def sure_windows(day: Day, ev_low: float, ev_high: float) -> tuple[Window, ...]:
    """When the light lies there wherever in its range it is. [stops]"""
    return _local(day, _spans(day, "low", ev_low, "high", ev_high))


@dataclass(frozen=True)
class Reach:
    """A goal's windows on a day. ``ranges`` are the EV100 ranges in which its settings can be had. [stops]"""

    goal: str
    ranges: tuple[Range, ...]
    expected: tuple[Window, ...]
    possible: tuple[Window, ...]
    sure: tuple[Window, ...]

    def holds(self, when: datetime) -> str:
        """``sure``, ``expected``, ``possible`` or ``no`` at a time, the surest that is true."""
        for word, spans in (("sure", self.sure), ("expected", self.expected), ("possible", self.possible)):
            if any(start <= when <= end for start, end in spans):
                return word
        return "no"


def reach(day: Day, goal: str, ranges: Sequence[Range]) -> Reach:
    """When a goal can be shot on a day, going by its light alone.

    Parameters
    ----------
    day
        The light.
    goal
        Its name, for people.
    ranges
        Ranges of EV100 in which it can be shot, ascending and apart. [stops]
    """

    def over_all(above: Curve, below: Curve, gap_s: float = 0.0) -> tuple[Window, ...]:
        spans = (span for low, high in ranges for span in _spans(day, above, low, below, high))
        return _local(day, merged(spans, gap_s))

    return Reach(
        goal, tuple(ranges), over_all("ev100", "ev100"), over_all("high", "low", _BLINK_S), over_all("low", "high")
    )


def merged(spans: Iterable[_Span], gap_s: float = 0.0) -> list[_Span]:
    """Spans in order, those made one that touch or are no farther apart than ``gap_s``. [s]"""
    found: list[_Span] = []
    for start, end in sorted(spans):
        if found and start <= found[-1][1] + gap_s:
            found[-1] = (found[-1][0], max(end, found[-1][1]))
        else:
            found.append((start, end))
    return found


def _local(day: Day, spans: Sequence[_Span]) -> tuple[Window, ...]:
    return tuple((day.at(start), day.at(end)) for start, end in spans)


def _spans(day: Day, above: Curve, ev_low: float, below: Curve, ev_high: float) -> list[_Span]:
    """When one curve is at ``ev_low`` or above and another at ``ev_high`` or below; single moments are left out. [s]"""
    times, curves = day.times_s, day.curves
    found = []
    for a, b in _reaching(times, curves[above], ev_low):
        for c, d in _reaching(times, -curves[below], -ev_high):
            low, high = max(a, c), min(b, d)
            if low < high:
                found.append((low, high))
    return found


def _reaching(times: NDArray[np.float64], values: NDArray[np.float64], level: float) -> list[_Span]:
    """The spans in which a curve of straight pieces is at the level or above. [s]"""
    over = values >= level
    flips = np.flatnonzero(over[1:] != over[:-1])
    before, after = values[flips], values[flips + 1]
    edges = [float(t) for t in times[flips] + (level - before) / (after - before) * (times[flips + 1] - times[flips])]
    if over[0]:
        edges.insert(0, float(times[0]))
    if over[-1]:
        edges.append(float(times[-1]))
    return list(zip(edges[::2], edges[1::2], strict=True))
