"""The search for ladders and brackets: one setting changed frame by frame, others balancing it.

Everything else is held, filters and focus included. Same ticks, same cost as for groups (`plans.cost`); the longest run
of frames is taken first, the cheapest among the longest then.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from plans.cost import cost_of
from plans.menu import FixedMenu, Way
from plans.plan import Focus
from plans.solver import TICKS_PER_UNIT, Choice, Ground, Ints, Mask, State, move, ticks
from plans.stops import KINDS, Kind

_NONE = np.iinfo(np.int64).max
# Sums of at most 15 frames, packed: extended ISO, ISO steps, sixths of a stop from f/8, offset.
_ISO_BITS, _SIXTHS_BITS, _OFFSET_BITS = 12, 12, 33


class Rail(NamedTuple):
    """Marks of the changed setting in order, as places on its scale, and how far each is meant to lie off. [stops]"""

    places: tuple[int, ...]
    intended: tuple[Fraction, ...]


class Run(NamedTuple):
    """The frames found, the rail they lie on, and the place of the first of them on it."""

    choices: tuple[Choice, ...]
    rail: Rail
    first: int


Rank = tuple[int, ...]
Runs = dict[int, tuple[Rank, Run]]  # the best run through each set of filters


@dataclass(frozen=True)
class Quest:
    """What a series is searched by.

    Attributes
    ----------
    change, balance, then
        The setting that a rail walks, the one that may differ from frame to frame to keep the brightness, and the one
        that takes over where that comes to its end.
    focus, loss
        The focus of all frames and what its magnification takes. [stops]
    spread
        Largest distance of the frames' offsets from each other. [stops]
    whole
        Only a run that holds every frame of its rail counts.
    """

    change: Kind
    balance: Kind | None
    then: Kind | None
    focus: Focus
    loss: float
    spread: Fraction
    whole: bool


def series_runs(ground: Ground, rails: Sequence[Rail], quest: Quest) -> Runs:
    """The longest, then cheapest, run of neighbouring frames on any of the rails, for each set of filters."""
    if not all(ground.scale(kind).marks for kind in KINDS):
        return {}
    best: Runs = {}
    if quest.balance is None and quest.whole:
        return _brackets(ground, rails, quest)
    for rail in rails:
        for stack, found in _on_rail(ground, rail, quest).items():
            if stack not in best or found[0] < best[stack][0]:
                best[stack] = found
    return best


def series_menu(ground: Ground, runs: Runs, focus: Focus) -> FixedMenu | None:
    """What can be had for a series: the longest runs there are; None when there is not one."""
    ways = {}
    for stack, (rank, run) in _worthwhile(ground, runs).items():
        state, length = State(focus.distance_m, stack), len(run.choices)
        worn, unnamed = length * stack.bit_count(), length * (focus.subject is None)
        ways[state, state] = Way(cost_of(rank[1], rank[2], rank[3], worn, unnamed, rank[4]), run.choices)
    return FixedMenu(ways) if ways else None


def _worthwhile(ground: Ground, runs: Runs) -> Runs:
    """The longest runs; those with long times through filters only where there is none as long without."""
    longest = max((len(run.choices) for _, run in runs.values()), default=0)
    kept = {stack: found for stack, found in runs.items() if len(found[1].choices) == longest}
    if 0 not in kept:
        return kept
    return {
        stack: found
        for stack, found in kept.items()
        if stack == 0 or all(ground.brisk[choice.time] for choice in found[1].choices)
    }


def solve_series(
    ground: Ground,
    rails: Iterable[Rail],
    change: Kind,
    balance: Kind | None,
    focus: Focus,
    loss: float,
    spread: Fraction,
    start: State,
    whole: bool,
    then: Kind | None = None,
) -> Run | None:
    """The longest, then cheapest, run from the rig's state ``start``; None when not one frame is found."""
    found = series_runs(ground, list(rails), Quest(change, balance, then, focus, loss, spread, whole))
    runs = _worthwhile(ground, found)

    def cost(stack: int) -> Rank:
        length, extended, steps, sixths, *rest = runs[stack][0]
        worn = -length * stack.bit_count()
        return (length, *move(start, State(focus.distance_m, stack)), extended, steps, sixths, worn, *rest)

    return runs[min(runs, key=cost)][1] if runs else None


@lru_cache(maxsize=1000)
def _as_ticks(stops: tuple[Fraction, ...]) -> tuple[int, ...]:
    return tuple(ticks(value) for value in stops)


class _Axis(NamedTuple):
    """The balancing settings as one row of marks, rising in light, for each held value: light, and places by kind."""

    light: Ints
    places: Mapping[Kind, Ints]


def _axes(ground: Ground, quest: Quest, count: int) -> list[_Axis]:
    """The balancing row for each of ``count`` held values; one for all when nothing takes over."""
    if quest.balance is None:
        return []
    lights = ground.lights[quest.balance]
    rising = np.argsort(lights, kind="stable")
    if quest.then is None:
        return [_Axis(lights[rising], {quest.balance: rising})]
    more = ground.lights[quest.then]
    order = np.argsort(more, kind="stable")
    rows = []
    for base in range(count):
        at = int(np.flatnonzero(order == base)[0])
        below, above = order[:at], order[at + 1 :]
        beyond = [more[side] - more[base] for side in (below, above)]
        rows.append(
            _Axis(
                np.concatenate((beyond[0] + lights[rising[0]], lights[rising], beyond[1] + lights[rising[-1]])),
                {
                    quest.balance: np.concatenate(
                        (np.full(below.size, rising[0]), rising, np.full(above.size, rising[-1]))
                    ),
                    quest.then: np.concatenate((below, np.full(rising.size, base), above)),
                },
            )
        )
    return rows


def _on_rail(ground: Ground, rail: Rail, quest: Quest) -> Runs:
    change, balance = quest.change, quest.balance
    held = [kind for kind in KINDS if kind not in (change, balance)]
    places = np.array(rail.places, dtype=np.int64)
    intended = np.array(_as_ticks(rail.intended), dtype=np.int64)
    tolerance, spread = ticks(ground.tolerance), ticks(quest.spread)
    stacks = np.flatnonzero(ground.neutral)

    # Axes: rung, held settings, filters on the lens, and the few marks of the balancing setting that fit.
    shape = tuple(len(ground.scale(kind).marks) for kind in held)
    grids = np.indices(shape).reshape(len(held), -1)
    held_light = sum(
        (ground.lights[kind][grid] for kind, grid in zip(held, grids, strict=True)), np.zeros(1, dtype=np.int64)
    )
    rest = (
        ground.target(quest.loss)
        + (ground.lights[change][places] - intended)[:, None, None]
        + held_light[None, :, None]
        - ground.stack_ticks[stacks][None, None, :]
    )
    at: dict[Kind, Ints] = {}
    axes = _axes(ground, quest, rest.shape[1])
    fits: Mask
    if not axes:
        offset = rest[..., None]
        fits = np.asarray(np.abs(offset) <= tolerance)
    else:
        low, count = (np.zeros(rest.shape, dtype=np.int64) for _ in range(2))
        for n, axis in enumerate(axes):
            part = slice(None) if len(axes) == 1 else slice(n, n + 1)
            low[:, part] = np.searchsorted(axis.light, -rest[:, part] - tolerance, side="left")
            count[:, part] = np.searchsorted(axis.light, -rest[:, part] + tolerance, side="right") - low[:, part]
        nth = np.arange(max(int(count.max(initial=0)), 1))
        place = np.minimum(low[..., None] + nth, axes[0].light.size - 1)
        fits = np.asarray(nth < count[..., None])
        which = np.zeros(1, dtype=np.int64) if len(axes) == 1 else np.arange(len(axes))
        row = np.broadcast_to(which[None, :, None, None], place.shape)
        offset = rest[..., None] + np.stack([axis.light for axis in axes])[row, place]
        for kind in axes[0].places:
            at[kind] = np.stack([axis.places[kind] for axis in axes])[row, place]
    if not fits.any():
        return {}

    at[change] = np.broadcast_to(places[:, None, None, None], offset.shape)
    for kind, grid in zip(held, grids, strict=True):
        at.setdefault(kind, np.broadcast_to(grid[None, :, None, None], offset.shape))
    parts = (ground.extended[at["iso"]], ground.iso_steps[at["iso"]], ground.sixths[at["aperture"]])
    units = np.abs(offset) // TICKS_PER_UNIT
    # One number a frame, in the order of the cost; the mark's place breaks ties.
    price = ((parts[0] << 10 | parts[1]) << 10 | np.minimum(parts[2], 1023)) << 31 | np.minimum(units, (1 << 31) - 1)

    seen = np.unique(offset[fits])
    lows = [int(seen[0])] if seen[-1] - seen[0] <= spread else [int(value) for value in seen]
    best: Runs = {}
    for low_end in lows:
        inside = fits & (offset >= low_end) & (offset <= low_end + spread)
        pick = np.where(inside, price, _NONE).argmin(axis=3)
        there: Mask = np.asarray(inside.any(axis=3))
        length = np.zeros(there.shape, dtype=np.int64)
        for n in range(len(places)):
            length[n] = (length[n - 1] + 1) * there[n] if n else there[n]
        longest: Ints = np.asarray(length.max(axis=(0, 1)))
        if quest.whole:
            longest[longest < len(places)] = 0
        if not longest.any():
            continue
        chosen = pick[..., None]
        sums = [
            np.cumsum(np.where(there, np.take_along_axis(part, chosen, axis=3)[..., 0], 0), axis=0)
            for part in (*parts, units)
        ]
        last, h, f = np.nonzero((length == longest) & (length > 0))
        before = last - longest[f]
        costs = [total[last, h, f] - np.where(before < 0, 0, total[before, h, f]) for total in sums]
        for place, stack in enumerate(ground.stacks[n] for n in stacks.tolist()):
            rows = np.flatnonzero(f == place)
            for cost in costs:  # cheapest, field by field
                rows = rows[cost[rows] == cost[rows].min()] if rows.size else rows
            for n in rows.tolist():
                rank: Rank = (-int(longest[place]), *(int(cost[n]) for cost in costs))
                if stack in best and rank > best[stack][0][:5]:
                    break
                first, at_h = int(last[n] - longest[place] + 1), int(h[n])
                choices = []
                for rung in range(first, int(last[n]) + 1):
                    k = int(pick[rung, at_h, place])
                    where = {kind: int(at[kind][rung, at_h, place, k]) for kind in KINDS}
                    choices.append(
                        Choice(
                            rung - first, where["aperture"], where["time"], where["iso"], stack, quest.focus,
                            int(offset[rung, at_h, place, k]), rail.intended[rung],
                        )
                    )  # fmt: skip
                rank += tuple(mark for choice in choices for mark in (choice.aperture, choice.time, choice.iso))
                if stack not in best or rank < best[stack][0]:
                    best[stack] = rank, Run(tuple(choices), rail, first)
    return best


def _brackets(ground: Ground, rails: Sequence[Rail], quest: Quest) -> Runs:
    """Whole rails, nothing balancing: the frame meant to be right decides, the others follow it from mark to mark."""
    if not rails:
        return {}
    change, lights = quest.change, ground.lights[quest.change]
    meant = {id(rail.intended): rail.intended for rail in rails}  # mostly one and the same for all of them
    middles = {key: steps.index(Fraction(0)) for key, steps in meant.items()}
    in_ticks = {key: _as_ticks(steps) for key, steps in meant.items()}
    middle = [middles[id(rail.intended)] for rail in rails]
    of_base = np.full(lights.size, -1)
    for n, (rail, mid) in enumerate(zip(rails, middle, strict=True)):
        of_base[rail.places[mid]] = n
    places = np.array([rail.places for rail in rails], dtype=np.int64)
    intended = np.array([in_ticks[id(rail.intended)] for rail in rails], dtype=np.int64)
    base = np.array([rail.places[mid] for rail, mid in zip(rails, middle, strict=True)])
    strays = lights[places] - lights[base][:, None] - intended  # how far each frame lies off the one in the middle
    tolerance = ticks(ground.tolerance)

    found = ground.survivors(quest.loss)
    column = {"aperture": found.aperture, "time": found.time, "iso": found.iso}
    which = of_base[column[change]]
    least, most = strays.min(axis=1)[which], strays.max(axis=1)[which]
    fits = (which >= 0) & ground.neutral[found.filters] & (most - least <= ticks(quest.spread))
    fits &= (found.offset + most <= tolerance) & (found.offset + least >= -tolerance)
    rows = np.flatnonzero(fits)
    if not rows.size:
        return {}
    which, frames = which[rows], places.shape[1]

    def total(values: Ints, kind: Kind) -> Ints:
        if kind == change:
            summed: Ints = values[places].sum(axis=1)[which]
            return summed
        alike: Ints = values[column[kind][rows]] * frames
        return alike

    sums = (
        total(ground.extended, "iso"),
        total(ground.iso_steps, "iso"),
        total(ground.sixths, "aperture"),
        (np.abs(found.offset[rows][:, None] + strays[which]) // TICKS_PER_UNIT).sum(axis=1),
    )
    packed = (sums[0] << _ISO_BITS | sums[1]) << _SIXTHS_BITS | sums[2]
    packed = packed << _OFFSET_BITS | np.minimum(sums[3], (1 << _OFFSET_BITS) - 1)
    first = {kind: places[which, 0] if kind == change else column[kind][rows] for kind in KINDS}
    order = np.lexsort((first["iso"], first["time"], first["aperture"], packed))
    best: Runs = {}
    for n in order[np.unique(found.filters[rows][order], return_index=True)[1]].tolist():
        row, rail = int(rows[n]), rails[int(which[n])]
        stack = ground.stacks[int(found.filters[row])]
        choices = []
        for frame, place in enumerate(rail.places):
            where = {kind: place if kind == change else int(column[kind][row]) for kind in KINDS}
            off = int(found.offset[row]) + int(strays[which[n], frame])
            choices.append(
                Choice(
                    frame, where["aperture"], where["time"], where["iso"], stack, quest.focus, off, rail.intended[frame]
                )
            )
        best[stack] = (-frames, *(int(part[n]) for part in sums)), Run(tuple(choices), rail, 0)
    return best
