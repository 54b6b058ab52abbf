"""The search for ladders and brackets: one setting changed frame by frame, at most one other balancing it.

Everything else is held, filters and focus included. Same ticks, same cost as in `plans.solver`; the longest run of
frames is taken first, the cheapest among the longest then.
"""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction
from typing import NamedTuple

import numpy as np

from plans.plan import Focus
from plans.solver import Choice, Ground, Ints, State, move, ticks
from plans.stops import KINDS, Kind

_TICKS_PER_UNIT = 6
_NONE = np.iinfo(np.int64).max


class Rail(NamedTuple):
    """Marks of the changed setting in order, as places on its scale, and how far each is meant to lie off. [stops]"""

    places: tuple[int, ...]
    intended: tuple[Fraction, ...]


class _Found(NamedTuple):
    rank: tuple[int, ...]
    choices: tuple[Choice, ...]
    first: int
    rail: Rail


class Run(NamedTuple):
    """The frames found, the rail they lie on, and the place of the first of them on it."""

    choices: tuple[Choice, ...]
    rail: Rail
    first: int


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
) -> Run | None:
    """The longest, then cheapest, run of neighbouring frames on any of the rails; None when not one frame is found.

    Parameters
    ----------
    ground
        What can be set, in which light.
    rails
        Candidate series of marks.
    change, balance
        The setting that a rail walks, and the one that may differ from frame to frame to keep the brightness.
    focus, loss
        The focus of all frames and what its magnification takes. [stops]
    spread
        Largest distance of the frames' offsets from each other. [stops]
    start
        The rig as the group before left it.
    whole
        Only a run that holds every frame of its rail counts.
    """
    if not all(ground.scale(kind).marks for kind in KINDS):
        return None
    best: _Found | None = None
    for rail in rails:
        found = _on_rail(ground, rail, change, balance, focus, loss, ticks(spread), start, whole)
        if found and (best is None or found.rank < best.rank):
            best = found
    return Run(best.choices, best.rail, best.first) if best else None


def _on_rail(
    ground: Ground,
    rail: Rail,
    change: Kind,
    balance: Kind | None,
    focus: Focus,
    loss: float,
    spread: int,
    start: State,
    whole: bool,
) -> _Found | None:
    held = [kind for kind in KINDS if kind not in (change, balance)]
    places = np.array(rail.places, dtype=np.int64)
    intended = np.array([ticks(stops) for stops in rail.intended], dtype=np.int64)
    tolerance = ticks(ground.tolerance)

    # Axes: rung, held settings, filters on the lens, and the few marks of the balancing setting that fit.
    shape = tuple(len(ground.scale(kind).marks) for kind in held)
    grids = np.indices(shape).reshape(len(held), -1)
    held_light = sum(
        (ground.lights[kind][grid] for kind, grid in zip(held, grids, strict=True)), np.zeros(1, dtype=np.int64)
    )
    rest = (
        ground.target(loss)
        + (ground.lights[change][places] - intended)[:, None, None]
        + held_light[None, :, None]
        - ground.stack_ticks[None, None, :]
    )
    if balance is None:
        mark = np.zeros((*rest.shape, 1), dtype=np.int64)
        offset = rest[..., None]
        fits = np.abs(offset) <= tolerance
    else:
        scale = ground.lights[balance]
        rising = scale if balance != "aperture" else scale[::-1]
        low = np.searchsorted(rising, -rest - tolerance, side="left")
        count = np.searchsorted(rising, -rest + tolerance, side="right") - low
        nth = np.arange(max(int(count.max(initial=0)), 1))
        place = np.minimum(low[..., None] + nth, len(rising) - 1)
        fits = nth < count[..., None]
        offset = rest[..., None] + rising[place]
        mark = place if balance != "aperture" else len(rising) - 1 - place
    if not fits.any():
        return None

    at: dict[Kind, Ints] = {change: np.broadcast_to(places[:, None, None, None], mark.shape)}
    for kind, grid in zip(held, grids, strict=True):
        at[kind] = np.broadcast_to(grid[None, :, None, None], mark.shape)
    if balance:
        at[balance] = mark
    parts = (ground.extended[at["iso"]], ground.iso_steps[at["iso"]], ground.sixths[at["aperture"]])
    units = np.abs(offset) // _TICKS_PER_UNIT
    # One number a frame, in the order of the cost; the mark's place breaks ties.
    price = ((parts[0] << 10 | parts[1]) << 10 | np.minimum(parts[2], 1023)) << 31 | np.minimum(units, (1 << 31) - 1)

    moves = [move(start, State(focus.distance_m, stack)) for stack in ground.stacks]
    if whole and mark.shape[3] == 1:
        # Nothing to choose frame by frame: all of them must fit, and lie close enough as they are.
        close = offset.max(axis=0) - offset.min(axis=0) <= spread
        fits = fits & (fits.all(axis=0) & close)[None]
        if not fits.any():
            return None
        lows = [int(offset.min())]
        spread = int(offset.max()) - lows[0]
    else:
        seen = np.unique(offset[fits])
        lows = [int(seen[0])] if seen[-1] - seen[0] <= spread else [int(value) for value in seen]
    best: _Found | None = None
    for low_end in lows:
        inside = fits & (offset >= low_end) & (offset <= low_end + spread)
        pick = np.where(inside, price, _NONE).argmin(axis=3)
        there = inside.any(axis=3)
        length = np.zeros(there.shape, dtype=np.int64)
        for n in range(len(places)):
            length[n] = (length[n - 1] + 1) * there[n] if n else there[n]
        longest = int(length.max())
        if longest == 0 or (whole and longest < len(places)) or (best and -longest > best.rank[0]):
            continue
        chosen = pick[..., None]
        sums = [
            np.cumsum(np.where(there, np.take_along_axis(part, chosen, axis=3)[..., 0], 0), axis=0)
            for part in (*parts, units)
        ]
        for last, h, f in np.argwhere(length == longest).tolist():
            first = last - longest + 1
            costs = [int(total[last, h, f] - (total[first - 1, h, f] if first else 0)) for total in sums]
            rank = (-longest, *moves[f], *costs)
            if best and rank > best.rank[: len(rank)]:
                continue
            choices = []
            for n in range(first, last + 1):
                k = int(pick[n, h, f])
                where = {kind: int(at[kind][n, h, f, k]) for kind in KINDS}
                choices.append(
                    Choice(
                        n - first, where["aperture"], where["time"], where["iso"], ground.stacks[f], focus,
                        int(offset[n, h, f, k]), rail.intended[n],
                    )
                )  # fmt: skip
            rank += tuple(place for choice in choices for place in (choice.aperture, choice.time, choice.iso))
            if best is None or rank < best.rank:
                best = _Found(rank, tuple(choices), first, rail)
    return best
