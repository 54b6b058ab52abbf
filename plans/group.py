"""The search for frames that belong together: every choice, with what is held the same and the spread within its limit.

Single frames and pairs are searched whole, to a menu by the state of the rig before and after them. Of three frames and
more the cheapest way from a given state of the rig is searched, over every order of up to six; more are shot as the
goal lists them.
"""

from __future__ import annotations

import heapq
import itertools
from collections.abc import Sequence
from fractions import Fraction
from functools import cache
from typing import NamedTuple

import numpy as np

from plans.cost import UNNAMED, Ints, cost_of, hands, split, wide
from plans.menu import Ending, FixedMenu, Menu, Way, move_cost
from plans.solver import TICKS_PER_UNIT, Choice, Demand, Ground, Held, State, Survivors, allowed, ticks
from plans.stops import TICKS

_MOST_ORDERS = 6  # frames of a group whose every order is tried
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

    def key_of(self, key: int, holds: tuple[Held, ...]) -> int:
        """This frame's key that goes with another frame's, which holds all that this one does and maybe more."""
        if holds == self.holds:
            return key
        values = {name: key >> _KEY_BITS * n & (1 << _KEY_BITS) - 1 for n, name in enumerate(reversed(holds))}
        found = 0
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


def _keys_in_common(found: Sequence[Table]) -> list[tuple[int, ...]]:
    """What all frames can hold together: a key for each of them, by the first frame's."""
    held = found[0].holds
    several = [set(one.key.tolist()) for one in found]
    keys = (tuple(one.key_of(key, held) for one in found) for key in sorted(several[0]))
    return [chosen for chosen in keys if all(key in own for key, own in zip(chosen, several, strict=True))]


def _first_of_each(key: Ints, tail: Ints) -> Ints:
    """The first row of each pair of values."""
    joined = np.unique(key, return_inverse=True)[1] * (int(tail.max()) + 1) + tail
    rows: Ints = np.unique(joined, return_index=True)[1]
    return rows


def state_of(choice: Choice) -> State:
    """The rig that a frame wants."""
    return State(choice.focus.distance_m, choice.filters, choice.focal_mm, choice.turned, choice.shaken)


def cost_in_order(ground: Ground, choices: Sequence[Choice]) -> int:
    """What frames cost in this order, hands between them included, hands before them not."""
    total = 0
    for before, choice in zip((None, *choices[:-1]), choices, strict=True):
        total += cost_of(
            int(ground.extended[choice.iso]),
            int(ground.iso_steps[choice.iso]),
            int(ground.sixths[choice.aperture]),
            choice.filters.bit_count(),
            int(choice.focus.subject is None),
            abs(choice.offset) // TICKS_PER_UNIT,
        )
        if before is not None:
            total += move_cost(state_of(before), state_of(choice))
    return total


def group_menu(
    ground: Ground, frames: Sequence[Sequence[Demand]], hold: Sequence[Held], spread: Fraction
) -> Menu | None:
    """What can be had for frames that belong together; None when nothing can.

    A filter that a frame could do without is not left on for a long time, unless nothing else can be had.

    Parameters
    ----------
    ground
        What can be set, in which light.
    frames
        For each frame its demands, one for each focus it may have.
    hold
        Settings that must be the same in all frames.
    spread
        Largest distance of the frames' offsets from each other. [stops]
    """
    if (
        len(frames) > 2
        and {"aperture", "time", "iso", "filters"} <= set(hold)
        and "focus" not in hold
        and _alike(frames)
    ):
        return _stretched(ground, frames, hold, spread)
    found = tables(ground, frames, hold, brisk=True)
    menu = _menu(found, ticks(spread))
    if menu or len(frames) == 1:
        return menu
    whole = tables(ground, frames, hold)
    return (
        _menu(whole, ticks(spread))
        if any(a.key.size != b.key.size for a, b in zip(found, whole, strict=True))
        else None
    )


def _menu(found: Sequence[Table], spread: int) -> Menu | None:
    if not all(one.key.size for one in found):
        return None
    if len(found) == 1:
        return _single(found[0])
    if len(found) == 2:
        return _pair(found[0], found[1], spread)
    menu = GroupMenu(found, spread)
    return menu if menu.possible else None


def _alike(frames: Sequence[Sequence[Demand]]) -> bool:
    """Whether frames differ in nothing but the focus, the focal length and what goes with them."""
    if any(len(demands) != 1 for demands in frames):
        return False
    (first,) = frames[0]
    return all(
        np.array_equal(one.apertures, first.apertures)
        and np.array_equal(one.times, first.times)
        and (one.intended, one.isos, one.stacks) == (first.intended, None, first.stacks)
        for (one,) in frames
    )


def _stretched(
    ground: Ground, frames: Sequence[Sequence[Demand]], hold: Sequence[Held], spread: Fraction
) -> FixedMenu | None:
    """Frames at one setting: the two that lose least and most to magnification decide for all.

    They are shot from one end to the other.
    """
    losses = [demands[0].loss for demands in frames]
    ends = sorted((losses.index(min(losses)), losses.index(max(losses))))
    if ends[0] == ends[1]:
        ends = [0, len(frames) - 1]
    pair = group_menu(ground, [frames[n] for n in ends], hold, spread)
    if not isinstance(pair, FixedMenu):
        return None
    base = ground.target(losses[ends[0]])
    ways: dict[tuple[State, State], Way] = {}
    for way in pair.ways.values():
        one = min(way.choices, key=lambda choice: choice.part)
        choices = tuple(
            one._replace(
                part=part,
                focus=demand.focus,
                offset=one.offset + ground.target(demand.loss) - base,
                focal_mm=demand.focal_mm,
                turned=demand.turned,
                shaken=demand.shaken,
            )
            for part, (demand,) in enumerate(frames)
        )
        for several in (choices, choices[::-1]):
            key = state_of(several[0]), state_of(several[-1])
            cost = cost_in_order(ground, several)
            if key not in ways or cost < ways[key].cost:
                ways[key] = Way(cost, several)
    return FixedMenu(ways)


def solve_group(
    ground: Ground, frames: Sequence[Sequence[Demand]], hold: Sequence[Held], spread: Fraction, start: State
) -> tuple[Choice, ...] | None:
    """The cheapest settings from the rig's state ``start``, in shooting order; None when there are none."""
    menu = group_menu(ground, frames, hold, spread)
    return menu.best(start).choices if menu else None


def _single(one: Table) -> FixedMenu:
    ways = {}
    for state, row in zip(*np.unique(one.state, return_index=True), strict=True):
        at = one.states[int(state)]
        ways[at, at] = Way(wide(int(one.price[row])), (one.choice(int(row)),))
    return FixedMenu(ways)


def _pair(one: Table, two: Table, spread: int) -> FixedMenu | None:
    by_key = np.argsort(two.key, kind="stable")
    first = np.searchsorted(two.key[by_key], one.key, side="left")
    count = np.searchsorted(two.key[by_key], one.key, side="right") - first
    left = np.repeat(np.arange(one.key.size), count)
    run = np.arange(left.size) - np.repeat(np.cumsum(count) - count, count)
    right = by_key[np.repeat(first, count) + run]
    near = np.abs(one.offset[left] - two.offset[right]) <= spread
    left, right = left[near], right[near]
    if not left.size:
        return None
    total = one.price[left] + two.price[right]
    group = one.state[left] * len(two.states) + two.state[right]
    least = np.full(len(one.states) * len(two.states), np.iinfo(np.int64).max)
    np.minimum.at(least, group, total)
    cheap = total == least[group]
    left, right, group = left[cheap], right[cheap], group[cheap]
    order = np.lexsort((two.place[right], one.place[left], group))
    rows = order[np.unique(group[order], return_index=True)[1]]
    ways: dict[tuple[State, State], Way] = {}
    for n in rows.tolist():
        a, b = one.choice(int(left[n])), two.choice(int(right[n]))
        at, to = one.states[int(one.state[left[n]])], two.states[int(two.state[right[n]])]
        price = wide(int(one.price[left[n]] + two.price[right[n]]))
        for ends, choices in (((at, to), (a, b)), ((to, at), (b, a))):
            cost = price + move_cost(*ends)
            if ends not in ways or cost < ways[ends].cost:
                ways[ends] = Way(cost, choices)
    return FixedMenu(ways)


class _Option(NamedTuple):
    """A row of a frame's table: its cost, the state of the rig it needs, its offset."""

    cost: int
    state: State
    offset: int
    row: int


class GroupMenu(Menu):
    """Three frames and more. ``least`` leaves the hands between them out."""

    def __init__(self, found: Sequence[Table], spread: int):
        super().__init__()
        self._tables, self._spread = found, spread
        self.foci = frozenset(state.focus_m for one in found for state in one.states if state.focus_m is not None)
        options: dict[tuple[int, int], list[_Option]] = {}

        def of(n: int, key: int) -> list[_Option]:
            if (n, key) not in options:
                options[n, key] = self._options(found[n], key)
            return options[n, key]

        self._keys = sorted(
            (sum(frame[0].cost for frame in frames), key, frames)
            for key, frames in ((keys, [of(n, key) for n, key in enumerate(keys)]) for keys in _keys_in_common(found))
        )
        self.least = self.floor = self._keys[0][0] if self._keys else 0

    @property
    def possible(self) -> bool:
        """Whether any choice fits the holds and the spread."""
        return bool(self._keys) and bool(self.after(State(None, 0)))

    @staticmethod
    def _options(one: Table, key: int) -> list[_Option]:
        rows = np.flatnonzero(one.key == key).tolist()
        return [
            _Option(wide(int(one.price[row])), one.states[int(one.state[row])], int(one.offset[row]), row)
            for row in rows
        ]

    def _ways_from(self, entry: State) -> list[Ending]:
        best: Ending | None = None
        for least, _, frames in self._keys:
            if best and least >= best.cost:
                break
            whole = self._cheapest(frames, entry, None, best and best.cost)
            if whole is None or (best and whole.cost >= best.cost):
                continue
            if self._wide(whole) <= self._spread:
                best = whole
                continue
            for bound, low in self._windows(frames, split(whole.cost)[0]):
                if best and bound >= best.cost:
                    break
                way = self._cheapest(frames, entry, (low, low + self._spread), best and best.cost)
                if way and (best is None or way.cost < best.cost):
                    best = way
        return [best] if best else []

    def _windows(self, frames: Sequence[Sequence[_Option]], least_hands: int) -> list[tuple[int, int]]:
        """Where the offsets may lie: what each window costs at least, and its low end; cheapest first."""
        found = []
        for low in sorted({option.offset for frame in frames for option in frame}):
            high = low + self._spread
            firsts = [next((o.cost for o in frame if low <= o.offset <= high), None) for frame in frames]
            known = [cost for cost in firsts if cost is not None]
            if len(known) == len(firsts):
                found.append((least_hands + sum(known), low))
        return sorted(found)

    @staticmethod
    def _wide(way: Ending) -> int:
        offsets = [choice.offset for choice in way.choices]
        return max(offsets) - min(offsets)

    def _cheapest(
        self,
        frames: Sequence[Sequence[_Option]],
        entry: State,
        window: tuple[int, int] | None,
        below: int | None,
    ) -> Ending | None:
        """Best first over frames taken and state of the rig; offsets within ``window``, cost below ``below``."""
        kept: list[dict[State, _Option]] = []
        for frame in frames:
            cheap: dict[State, _Option] = {}
            for option in frame:  # cheapest first
                if window is None or window[0] <= option.offset <= window[1]:
                    cheap.setdefault(option.state, option)
            if not cheap:
                return None
            kept.append(cheap)
        least = [min(option.cost for option in cheap.values()) for cheap in kept]
        # Frames that leave no choice of focus: each distance but the present one is a refocus still to come.
        only = [next(iter(foci)) if len(foci := {at.focus_m for at in cheap}) == 1 else None for cheap in kept]

        @cache
        def to_come(taken: int, focus_m: float | None) -> int:
            foci = {only[n] for n in range(len(frames)) if not taken >> n & 1} - {None, focus_m}
            return hands(len(foci) - (focus_m is None and bool(foci)))

        in_order = len(frames) > _MOST_ORDERS
        count = itertools.count()
        waiting: list[tuple[int, int, int, int, State, tuple[tuple[int, int], ...]]] = [
            (0, next(count), sum(least), 0, entry, ())
        ]
        settled: set[tuple[int, State]] = set()
        while waiting:
            _, _, bound, taken, state, rows = heapq.heappop(waiting)
            if (taken, state) in settled:
                continue
            settled.add((taken, state))
            left = [n for n in range(len(frames)) if not taken >> n & 1]
            if not left:
                return Ending(bound, state, tuple(self._tables[n].choice(row) for n, row in rows))
            # A frame whose cheapest option is at hand is taken at once: no later place for it saves anything.
            free = [n for n in left if state in kept[n] and kept[n][state].cost == least[n]]
            if in_order:
                free, left = [n for n in free if n == left[0]], left[:1]
            for n in free[:1] or left:
                for after, option in kept[n].items() if not free else ((state, kept[n][state]),):
                    if (taken | 1 << n, after) not in settled:
                        total = bound - least[n] + option.cost + move_cost(state, after)
                        done = taken | 1 << n
                        least_whole = total + to_come(done, after.focus_m)
                        if below is None or least_whole < below:
                            way = (least_whole, next(count), total, done, after, (*rows, (n, option.row)))
                            heapq.heappush(waiting, way)
        return None


def least_spread(ground: Ground, frames: Sequence[Sequence[Demand]], hold: Sequence[Held]) -> Fraction | None:
    """The smallest spread that any choice for these frames has; None when no choice fits the holds. [stops]"""
    found = tables(ground, frames, hold)
    least: int | None = None
    for keys in _keys_in_common(found):
        offsets = [sorted(set(one.offset[one.key == key].tolist())) for one, key in zip(found, keys, strict=True)]
        for low in sorted({offset for several in offsets for offset in several}):
            above = [next((offset for offset in several if offset >= low), None) for several in offsets]
            if None not in above:
                width = max(offset for offset in above if offset is not None) - low
                least = width if least is None else min(least, width)
    return None if least is None else Fraction(least, TICKS)
