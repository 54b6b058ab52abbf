"""A time-lapse changed while it runs: another interval, another look of the night, less time for the shutter.

A change holds from one frame on and moves no frame before it; the time-lapse still ends when it was to end.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from plans.goals.timelapse import due_s, part_of
from plans.plan import IntervalPart, MarkValue, NightLook, Rung, TimelapseStep

_HAIR = 1 + 1e-9
SHORTEST_INTERVAL_S, LONGEST_INTERVAL_S = 0.5, 3600.0
DEEPEST = 8.0  # stops that a night may be wanted darker than the day


@dataclass(frozen=True)
class NewInterval:
    """From frame ``frame`` on, frames every ``interval_s``, to the end. [s]"""

    frame: int
    interval_s: float


@dataclass(frozen=True)
class NewLook:
    """From frame ``frame`` on, this look of the night. [stops]"""

    frame: int
    depth: float
    begins_ev: float
    span: float


Change = NewInterval | NewLook


def changed(step: TimelapseStep, changes: Iterable[Change], times: Sequence[MarkValue] = ()) -> TimelapseStep:
    """The time-lapse after changes, in the order in which they were asked for; errors as for `with_interval`."""
    for change in changes:
        if isinstance(change, NewInterval):
            step = with_interval(step, change.frame, change.interval_s, times)
        else:
            step = with_look(step, change)
    return step


def with_look(step: TimelapseStep, change: NewLook) -> TimelapseStep:
    """The time-lapse with another look of the night.

    Raises
    ------
    ValueError
        If a figure is out of range.
    """
    if not (0 <= change.depth <= DEEPEST and 0.5 <= change.span <= 30 and -10 <= change.begins_ev <= 20):
        raise ValueError(
            f"a night {change.depth:g} stops darker, from EV {change.begins_ev:g} on, reached over {change.span:g} "
            f"stops; allowed: 0 to {DEEPEST:g} stops, EV -10 to 20, 0.5 to 30 stops"
        )
    look = NightLook(depth=change.depth, begins_ev=change.begins_ev, span=change.span, by_day=step.look.by_day)
    return step.model_copy(update={"look": look})


def with_interval(step: TimelapseStep, frame: int, interval_s: float, times: Sequence[MarkValue] = ()) -> TimelapseStep:
    """The time-lapse with frames every ``interval_s`` from frame ``frame`` on; changes planned for later fall away.

    ``times``: exposure times that the camera has beside those of the plan, for longer intervals.

    Raises
    ------
    ValueError
        If the interval is none that can be had, or leaves no room for the shortest exposure.
    """
    if not SHORTEST_INTERVAL_S <= interval_s <= LONGEST_INTERVAL_S:
        raise ValueError(
            f"an interval of {interval_s:g} s; allowed: {SHORTEST_INTERVAL_S:g} to {LONGEST_INTERVAL_S:g} s"
        )
    at_s = due_s(step, frame)
    longest_s = min(_other_limit(step, frame), interval_s - step.sure_s)
    rungs = ladder(step, longest_s, times)
    if not rungs:
        raise ValueError(
            f"an interval of {interval_s:g} s leaves {max(longest_s, 0):g} s for the exposure beside {step.sure_s:g} s "
            f"between frames; the shortest of the plan is {step.parts[0].rungs[0].time.mark} s"
        )
    part = IntervalPart(first=frame, at_s=at_s, interval_s=interval_s, longest_s=longest_s, rungs=rungs)
    parts = (*(one for one in step.parts if one.first < frame), part)
    frames = frame + math.floor((step.duration_s - at_s) / interval_s + 1e-6) + 1
    return step.model_copy(update={"parts": parts, "frames": frames})


def with_gap(step: TimelapseStep, frame: int, gap_s: float) -> TimelapseStep:
    """The time-lapse with ``gap_s`` kept between frames from frame ``frame`` on, as the camera turned out to need. [s]

    Times are shortened for it and ISO raised. Where nothing would be left of a ladder it stays as it is.
    """
    at_s, now = due_s(step, frame), part_of(step, frame)
    parts = [one for one in step.parts if one.first < frame]
    for number, one in enumerate(step.parts[now:]):
        first = frame if number == 0 else one.first
        longest_s = min(_other_limit(step, first), one.interval_s - gap_s)
        rungs = ladder(step, longest_s) or one.rungs
        moved = {"first": first, "at_s": at_s if number == 0 else one.at_s, "longest_s": longest_s, "rungs": rungs}
        parts.append(one.model_copy(update=moved))
    return step.model_copy(update={"parts": tuple(parts), "sure_s": gap_s})


def ladder(step: TimelapseStep, longest_s: float, times: Sequence[MarkValue] = ()) -> tuple[Rung, ...]:
    """The rungs of a time-lapse with no time longer than ``longest_s``: time first at base ISO, then ISO. [s]"""
    known = [rung for part in step.parts for rung in part.rungs]
    base = min(known, key=lambda rung: rung.iso.exact).iso
    at_base = {rung.time.exact: rung for rung in known if rung.iso.exact == base.exact}
    gains: dict[float, tuple[MarkValue, float]] = {}
    for rung in known:
        gains.setdefault(rung.iso.exact, (rung.iso, rung.light - at_base[rung.time.exact].light))
    top = at_base[max(at_base)]
    for time in times:
        if time.exact > top.time.exact * _HAIR:
            light = top.light + math.log2(time.exact / top.time.exact)
            at_base[time.exact] = Rung(time=time, iso=base, light=light)
    fit = [at_base[exact] for exact in sorted(at_base) if exact <= longest_s * _HAIR]
    if not fit:
        return ()
    last = fit[-1]
    higher = [gains[exact] for exact in sorted(gains) if exact > base.exact]
    return (*fit, *(Rung(time=last.time, iso=iso, light=last.light + gain) for iso, gain in higher))


def _other_limit(step: TimelapseStep, frame: int) -> float:
    """The longest time by what is no matter of the interval (stars, motion, the brief's own limit). [s]"""
    part = step.parts[part_of(step, frame)]
    by_interval = part.interval_s - step.sure_s
    return part.longest_s if part.longest_s < by_interval - 1e-6 else math.inf
