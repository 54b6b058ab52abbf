"""What each frame of a group can have: the survivors it allows, only the cheapest of those alike in what matters."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from typing import NamedTuple

import numpy as np

from plans.cost import UNNAMED, Ints
from plans.solver import Choice, Demand, Ground, Held, State, Survivors, allowed
from plans.stops import TICKS

_KEY_BITS = 12
_HOLDS: tuple[Held, ...] = ("aperture", "time", "iso", "focus", "filters")


class Table(NamedTuple):
    """The cheapest choices of one frame for each held key, state of the rig and offset, as parallel arrays.

    Sorted by price, then place on the scales. ``key`` counts the values of what ``holds`` names, ``state`` counts
    ``states``, ``place`` is aperture, time and ISO as one number, ``demand`` counts ``demands``.
    """

    part: int
    states: tuple[State, ...]
    demands: Sequence[Demand]
    holds: tuple[Held, ...]
    key: Ints
    state: Ints
    offset: Ints
    price: Ints
    place: Ints
    demand: Ints

    def choice(self, row: int) -> Choice:
        """The choice in one row."""
        place, wish = int(self.place[row]), self.demands[int(self.demand[row])]
        return Choice(
            self.part, place >> 32, place >> 16 & 0xFFFF, place & 0xFFFF, self.states[int(self.state[row])].filters,
            wish.focus, int(self.offset[row]), wish.intended, wish.focal_mm, wish.turned, wish.shaken,
        )  # fmt: skip

    def keys_of(self, keys: Ints, holds: tuple[Held, ...]) -> Ints:
        """This frame's keys that go with another frame's, which holds all that this one does and maybe more."""
        if holds == self.holds:
            return keys
        values = {name: keys >> _KEY_BITS * n & (1 << _KEY_BITS) - 1 for n, name in enumerate(reversed(holds))}
        found = np.zeros_like(keys)
        for name in self.holds:
            found = found << _KEY_BITS | values[name]
        return found


def tables(
    ground: Ground, frames: Sequence[Sequence[Demand]], hold: Sequence[Held], brisk: bool = False
) -> list[Table]:
    """A table for each frame; held foci are numbered alike in all of them.

    ``brisk``: without the long times through filters that a frame could do without.
    """
    distances = sorted({demand.focus.distance_m for demands in frames for demand in demands})
    foci = {distance: n for n, distance in enumerate(distances)}
    ties = [set(hold).union(*(demand.tied for demand in demands)) for demands in frames]
    ties[0] = set().union(*ties)  # what others are tied to
    return [
        _table(ground, part, demands, tuple(name for name in _HOLDS if name in ties[part]), foci, brisk)
        for part, demands in enumerate(frames)
    ]


def _fitting(ground: Ground, demands: Sequence[Demand], brisk: bool) -> list[tuple[Demand, Survivors, Ints]]:
    """Each demand with the survivors it allows, as rows of them."""
    found = [(demand, ground.survivors(demand.loss, demand.intended)) for demand in demands]
    fits = [(demand, seen, allowed(ground, demand, seen)) for demand, seen in found]
    if brisk and any((mask & (seen.filters == 0)).any() for _, seen, mask in fits):
        fits = [(demand, seen, mask & ((seen.filters == 0) | ground.brisk[seen.time])) for demand, seen, mask in fits]
    return [(demand, seen, np.flatnonzero(mask)) for demand, seen, mask in fits]


def _table(
    ground: Ground,
    part: int,
    demands: Sequence[Demand],
    hold: tuple[Held, ...],
    foci: dict[float, int],
    brisk: bool,
) -> Table:
    states: dict[State, int] = {}
    columns: list[list[Ints]] = [[] for _ in range(6)]
    for n, (demand, found, fits) in enumerate(_fitting(ground, demands, brisk)):
        if not fits.size:
            continue
        f = found.filters[fits]
        key = np.zeros(fits.size, dtype=np.int64)
        for name in hold:
            column = foci[demand.focus.distance_m] if name == "focus" else getattr(found, name)[fits]
            key = key << _KEY_BITS | column
        tail = f * (int(found.level.max()) + 1) + found.level[fits]
        rows = _first_of_each(key, tail) if hold else np.unique(tail, return_index=True)[1]
        seen, of_row = np.unique(f[rows], return_inverse=True)
        numbers = [
            states.setdefault(
                State(demand.focus.distance_m, ground.stacks[stack], demand.focal_mm, demand.turned, demand.shaken),
                len(states),
            )
            for stack in seen.tolist()
        ]
        at = fits[rows]
        price = found.price[at] + UNNAMED * (demand.focus.subject is None)
        which = np.full(rows.size, n)
        row = (key[rows], np.array(numbers)[of_row], found.offset[at], price, found.place[at], which)
        for column, values in zip(columns, row, strict=True):
            column.append(values)
    empty = [np.zeros(0, dtype=np.int64)]
    joined = [np.concatenate(column or empty) for column in columns]
    order = np.lexsort((joined[4], joined[3]))
    return Table(part, tuple(states), demands, hold, *(column[order] for column in joined))


def keys_in_common(found: Sequence[Table]) -> list[tuple[int, ...]]:
    """What all frames can hold together: a key for each of them, by the first frame's."""
    keys = np.unique(found[0].key)
    several = [one.keys_of(keys, found[0].holds) for one in found]
    had = np.logical_and.reduce([np.isin(own, one.key) for own, one in zip(several, found, strict=True)])
    return list(zip(*(own[had].tolist() for own in several), strict=True))


def _first_of_each(key: Ints, tail: Ints) -> Ints:
    """The first row of each pair of values."""
    joined = np.unique(key, return_inverse=True)[1] * (int(tail.max()) + 1) + tail
    rows: Ints = np.unique(joined, return_index=True)[1]
    return rows


def least_spread(ground: Ground, frames: Sequence[Sequence[Demand]], hold: Sequence[Held]) -> Fraction | None:
    """The smallest spread that any choice for these frames has; None when no choice fits the holds. [stops]"""
    found = tables(ground, frames, hold)
    least: int | None = None
    for keys in keys_in_common(found):
        offsets = [sorted(set(one.offset[one.key == key].tolist())) for one, key in zip(found, keys, strict=True)]
        for low in sorted({offset for several in offsets for offset in several}):
            above = [next((offset for offset in several if offset >= low), None) for several in offsets]
            if None not in above:
                width = max(offset for offset in above if offset is not None) - low
                least = width if least is None else min(least, width)
    return None if least is None else Fraction(least, TICKS)
