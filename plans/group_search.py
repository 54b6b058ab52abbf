"""The search for three frames and more that belong together: the cheapest way from a given state of the rig.

Every order of up to six frames is tried; more are shot as the goal lists them.
"""

from __future__ import annotations

import heapq
import itertools
from bisect import bisect_left
from collections.abc import Sequence
from functools import cache
from typing import NamedTuple

import numpy as np

from plans.cost import hands, split, wide
from plans.group_tables import Table, keys_in_common
from plans.menu import Ending, Menu, move_cost
from plans.solver import State

_MOST_ORDERS = 6  # frames of a group whose every order is tried


class _Option(NamedTuple):
    """A row of a frame's table: its cost, the state of the rig it needs, its offset."""

    cost: int
    state: State
    offset: int
    row: int


class _Held(NamedTuple):
    """What can be had with the same held values: each frame's options, cheapest first, and what hands must do for them.

    ``least``: what the frames cost at least, hands left out; ``foci``: distances that some frame must have;
    ``stacks``: sets of filters that every frame can have; ``shaking``: whether some are shaken and others must not be.
    """

    least: int
    keys: tuple[int, ...]
    frames: Sequence[Sequence[_Option]]
    foci: frozenset[float]
    stacks: frozenset[int]
    shaking: bool

    def hands_from(self, entry: State) -> int:
        """The cost of the hands that no way from a state of the rig can do without."""
        refocus = len(self.foci - {entry.focus_m}) - (entry.focus_m is None and bool(self.foci))
        return hands(refocus + (entry.filters not in self.stacks) + self.shaking)


def _forced(frames: Sequence[Sequence[_Option]]) -> tuple[frozenset[float], frozenset[int], bool]:
    foci = [{option.state.focus_m for option in frame} for frame in frames]
    stacks = [{option.state.filters for option in frame} for frame in frames]
    shaken = [{option.state.shaken for option in frame} for frame in frames]
    only = {focus for several in foci if len(several) == 1 for focus in several if focus is not None}
    return frozenset(only), frozenset(set.intersection(*stacks)), {True} in shaken and {False} in shaken


def _any_between(values: Sequence[int], low: int, high: int) -> bool:
    """Whether any of some ascending values lies between two, both included."""
    at = bisect_left(values, low)
    return at < len(values) and values[at] <= high


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

        several = ((keys, [of(n, key) for n, key in enumerate(keys)]) for keys in keys_in_common(found))
        self._keys = sorted(
            (_Held(sum(frame[0].cost for frame in frames), key, frames, *_forced(frames)) for key, frames in several
             if self._fits(frames)),
            key=lambda held: held[:2],
        )  # fmt: skip
        self.least = self.floor = self._keys[0].least if self._keys else 0

    @property
    def possible(self) -> bool:
        """Whether any choice fits the holds and the spread."""
        return bool(self._keys)

    def _fits(self, frames: Sequence[Sequence[_Option]]) -> bool:
        """Whether some choice of these options lies within the spread."""
        offsets = [sorted({option.offset for option in frame}) for frame in frames]
        if max(several[-1] for several in offsets) - min(several[0] for several in offsets) <= self._spread:
            return True
        lows = sorted({offset for several in offsets for offset in several})
        return any(all(_any_between(several, low, low + self._spread) for several in offsets) for low in lows)

    @staticmethod
    def _options(one: Table, key: int) -> list[_Option]:
        rows = np.flatnonzero(one.key == key).tolist()
        return [
            _Option(wide(int(one.price[row])), one.states[int(one.state[row])], int(one.offset[row]), row)
            for row in rows
        ]

    def _ways_from(self, entry: State) -> list[Ending]:
        best: Ending | None = None
        keys = sorted((held.least + held.hands_from(entry), held.keys, held.frames) for held in self._keys)
        for least, _, frames in keys:
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
