"""In which light a goal can be reached: ranges of EV, whatever the light is now."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from fractions import Fraction
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from plans.brief import Bracket, Goal, Ladder, Noise
from plans.exposure import magnification_loss
from plans.goals import bracket, finding, ladder, noise
from plans.goals.families import SINGLES
from plans.goals.menu import offer
from plans.goals.situation import Situation
from plans.group import as_one
from plans.solver import Demand, Ground, Held
from plans.stops import KINDS, TICKS, Kind

Range = tuple[float, float]
Floats = NDArray[np.float64]

_MOST_COMBINATIONS = 4096
_TRIES = 12  # how often an end is moved inwards before the range is given up
_STEP = Fraction(1, 3)
_NOWHERE: Floats = np.zeros((0, 2))


def ev_range(situation: Situation, goal: Goal) -> tuple[Range, ...]:
    """The EV100 at which a goal can be reached: ascending ranges, both ends tried where frames are tied. [stops]

    Between its ends a range was reckoned from what the scales and filters span, not tried. Gaps narrower than a step of
    the scales are told as part of it: no forecast is as fine as that.
    """
    found = []
    step = float(situation.ground.tolerance) * 2
    merged = _merged(np.array(bounds(situation, goal)).reshape(-1, 2), step)
    if goal.goal in SINGLES:  # all settings of a single frame are free: its ends are what the scales' ends give
        return merged
    for low, high in merged:
        ends = [_inwards(situation, goal, low, high), _inwards(situation, goal, high, low)]
        if ends[0] is not None and ends[1] is not None and ends[0] <= ends[1]:
            found.append((ends[0], ends[1]))
    return tuple(found)


def _inwards(situation: Situation, goal: Goal, end: float, other: float) -> float | None:
    """The first of ``end`` and the thirds of a stop behind it at which the goal is reached."""
    sign = 1 if other >= end else -1
    hair = 1e-6
    for n in range(_TRIES):
        ev = end + sign * (hair + n * float(_STEP))
        if (other - ev) * sign < 0:
            return None
        if offer(situation.with_light(ev), goal) is not None:
            return ev
    return None


def bounds(situation: Situation, goal: Goal) -> tuple[Range, ...]:
    """Ranges of EV100 outside of which a goal cannot be reached. [stops]"""
    ground = situation.ground
    if not all(ground.scale(kind).marks for kind in KINDS):
        return ()
    found = _series(situation, goal) if isinstance(goal, Ladder | Noise | Bracket) else _frames(situation, goal)
    return _merged(found + float(situation.lift))


def _merged(ranges: Floats, gap: float = 1e-9) -> tuple[Range, ...]:
    """Ascending ranges that lie more than ``gap`` apart, from rows of low and high. [stops]"""
    order = np.argsort(ranges[:, 0], kind="stable")
    low, high = ranges[order, 0], np.maximum.accumulate(ranges[order, 1])
    first = np.flatnonzero(np.append(True, low[1:] > high[:-1] + gap)) if low.size else order
    last = np.append(first[1:], low.size) - 1
    return tuple(zip(low[first].tolist(), high[last].tolist(), strict=True)) if low.size else ()


def _lights(ground: Ground, kind: Kind) -> Floats:
    return ground.lights[kind] / TICKS


# Ladders and brackets


def _series(situation: Situation, goal: Ladder | Noise | Bracket) -> Floats:
    ground = situation.ground
    distance = situation.subject(goal.focus).distance_m
    if not situation.can_focus(distance):
        return _NOWHERE
    if isinstance(goal, Bracket):
        change, balance = goal.change, set[Kind]()
        middle = bracket.middle(goal)
        runs: list[tuple[int, ...]] = [(rail.places[middle],) for rail in situation.in_any_light(bracket.rails, goal)]
    else:
        steps = noise.as_ladder(goal)
        change, balance = steps.change, {steps.balance} | ({steps.then} if steps.then else set())
        rails = situation.in_any_light(noise.rails, goal)[0]
        runs = [rail.places for rail in rails]
        if not ladder.is_fixed(steps):
            runs = [pair for run in runs for pair in itertools.pairwise(run)]
    if not runs:
        return _NOWHERE
    # What balances can take any mark frame by frame, what is held one for all; both reach from end to end.
    low = high = magnification_loss(situation.magnification(distance))
    for kind in KINDS:
        if kind != change:
            low -= float(_lights(ground, kind).max())
            high -= float(_lights(ground, kind).min())
    free = sum(float(np.ptp(_lights(ground, kind))) for kind in balance)
    tolerance = float(ground.tolerance)
    lights = _lights(ground, change)[np.array(runs)]
    darkest, brightest = lights.min(axis=1), lights.max(axis=1)
    fits = brightest - darkest <= free + tolerance * 2
    ends = np.sort(np.stack((low - darkest[fits], high - brightest[fits]), axis=1), axis=1)
    taken = ground.stack_ticks[ground.neutral] / TICKS
    every: Floats = (ends[:, None, :] + taken[None, :, None]).reshape(-1, 2) + np.array([-tolerance, tolerance])
    return every


# Single frames and groups


def _frames(situation: Situation, goal: Goal) -> Floats:
    ground = situation.ground
    hold = finding.hold(goal)
    found: list[Range] = []
    for frames in finding.stages(situation, goal):
        found += _stage(ground, frames, hold)
    return np.array(found) if found else _NOWHERE


def _stage(ground: Ground, frames: Sequence[Sequence[Demand]], hold: Sequence[Held]) -> list[Range]:
    one = as_one(frames, hold)
    if one is not None:
        frames, hold = [[one]], ()
    options = [[span for demand in demands for span in _spans(ground, demand, hold)] for demands in frames]
    stacks = sorted({span.stack for spans in options for span in spans}) if "filters" in hold else [None]
    found: list[Range] = []
    for stack in stacks:
        allowed = [[span for span in spans if stack is None or span.stack == stack] for spans in options]
        if all(allowed):
            found += _joined(allowed, hold)
    return found


def _joined(options: list[list[_Span]], hold: Sequence[Held]) -> list[Range]:
    """The ranges that one option of each frame has in common."""
    if math.prod(len(spans) for spans in options) > _MOST_COMBINATIONS:
        # Too many to look at one by one: whatever lies between the ends of a frame's options counts as reached by it.
        options = [
            [
                _Span(
                    spans[0].stack,
                    spans[0].focus_m,
                    np.minimum.reduce([span.low for span in spans]),
                    np.maximum.reduce([span.high for span in spans]),
                )
            ]
            for spans in options
        ]
    focus, low, high = _as_rows(options[0])
    for spans in options[1:]:  # all pairs of what is in common so far and one option of the next frame
        more, lower, higher = _as_rows(spans)
        low, high = np.maximum(low[:, None], lower[None]), np.minimum(high[:, None], higher[None])
        kept = (low <= high).any(axis=(2, 3, 4))
        if "focus" in hold:
            kept &= focus[:, None] == more[None]
        focus, low, high = focus[np.nonzero(kept)[0]], low[kept], high[kept]
    fits = low <= high
    return list(zip(low[fits].tolist(), high[fits].tolist(), strict=True))


def _as_rows(spans: Sequence[_Span]) -> tuple[Floats, Floats, Floats]:
    """The focus, low and high ends of some spans, one a row."""
    return (
        np.array([span.focus_m for span in spans]),
        np.array([span.low for span in spans]),
        np.array([span.high for span in spans]),
    )


class _Span(NamedTuple):
    """One frame through one set of filters, focused at one distance: its EV from low to high for each held value."""

    stack: int
    focus_m: float
    low: Floats
    high: Floats


def _spans(ground: Ground, demand: Demand, hold: Sequence[Held]) -> list[_Span]:
    """A span for each set of filters that the frame may be shot through."""
    tolerance = float(ground.tolerance)
    masks = {"aperture": demand.apertures, "time": demand.times, "iso": demand.isos}
    low = high = np.full((1, 1, 1), demand.loss + float(demand.intended))
    for axis, kind in enumerate(KINDS):
        lights = _lights(ground, kind)
        mask = masks[kind]
        if mask is not None and not mask.any():
            return []
        if kind in hold:
            shape = [1, 1, 1]
            shape[axis] = lights.size
            keep = np.ones(lights.size, dtype=bool) if mask is None else mask
            low = low + np.where(keep, -lights, np.inf).reshape(shape)
            high = high + np.where(keep, -lights, -np.inf).reshape(shape)
        else:
            taken = lights if mask is None else lights[mask]
            low, high = low - taken.max(), high - taken.min()
    spans = []
    for n, stack in enumerate(ground.stacks):
        if stack in demand.stacks if demand.stacks is not None else ground.neutral[n]:
            shift = float(ground.stack_ticks[n]) / TICKS
            span = low + shift - tolerance, high + shift + tolerance
            spans.append(_Span(stack, demand.focus.distance_m, *span))
    return spans


def may_reach(situation: Situation, goal: Goal) -> bool:
    """Whether a goal might be reached in this light; False is certain, and cheap to find out."""
    hair = 1e-6
    return any(low - hair <= situation.ev100 <= high + hair for low, high in bounds(situation, goal))
