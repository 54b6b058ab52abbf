"""The order of goals in a plan: fewest operator actions first, then cheapest frames, then as the brief lists them.

The frames of a goal stay together. The search is best first over the goals done and the state of the rig, with a bound
for what is left: the least that each goal costs anywhere, and one call of hands for each distance that only a refocus
reaches. It is exact as long as it ends within `MOST_STEPS`; beyond them the cheapest next goal is taken each time, and
that is said.
"""

from __future__ import annotations

import heapq
import itertools
from collections.abc import Sequence
from functools import cache
from typing import NamedTuple

from plans.cost import hands
from plans.menu import Ending, Menu, move_cost
from plans.solver import State

MOST_STEPS = 3000


class Arrangement(NamedTuple):
    """Goals in shooting order, each with the way it is shot; whether no other order is proven to be cheaper."""

    taken: tuple[tuple[int, Ending], ...]
    cost: int
    proven: bool


def arrange(menus: Sequence[Menu], start: State) -> Arrangement:
    """The order in which goals are shot, from the rig's state ``start``; goals are numbered as in ``menus``."""
    bound = _Bound(menus)
    count = itertools.count()  # of two that are equal, the one listed first
    waiting: list[tuple[int, tuple[int, ...], int, int, int, State, tuple[tuple[int, Ending], ...]]] = [
        (bound.least(0, start), (), next(count), 0, 0, start, ())
    ]
    settled: set[tuple[int, State]] = set()
    worthwhile = cache(lambda n, state: _worthwhile(menus[n], state))
    steps = 0
    while waiting:
        _, order, _, cost, done, state, taken = heapq.heappop(waiting)
        if (done, state) in settled:
            continue
        settled.add((done, state))
        if len(taken) == len(menus):
            return Arrangement(taken, cost, True)
        steps += 1
        if steps > MOST_STEPS:
            return _step_by_step(menus, start)
        left = [n for n in range(len(menus)) if not done >> n & 1]
        at_hand = _at_hand(menus, left, state)
        ways = [at_hand] if at_hand else [(n, ending) for n in left for ending in worthwhile(n, state)]
        if not at_hand and state.focus_m is not None and any(bound.only[n] == state.focus_m for n in left):
            ways = [(n, ending) for n, ending in ways if _stays(ending, state)]
        for n, ending in ways:
            after = done | 1 << n
            if (after, ending.state) not in settled:
                paid = cost + ending.cost
                least = paid + bound.least(after, ending.state)
                way = (least, (*order, n), next(count), paid, after, ending.state, (*taken, (n, ending)))
                heapq.heappush(waiting, way)
    raise AssertionError("every goal has a way from every state of the rig")


class _Bound:
    """What the goals that are left cost at least.

    Each its floor; for each distance that only a refocus reaches one call of hands, and the filters that some goal
    there cannot do without: on after the refocus, and off before the next one.
    """

    def __init__(self, menus: Sequence[Menu]):
        self._menus = menus
        # Goals that leave no choice of focus.
        self.only = [next(iter(menu.foci)) if len(menu.foci) == 1 else None for menu in menus]
        self._known: dict[tuple[int, float | None], int] = {}

    def least(self, done: int, state: State) -> int:
        key = done, state.focus_m
        if key not in self._known:
            self._known[key] = self._reckon(done, state.focus_m)
        return self._known[key]

    def _reckon(self, done: int, at: float | None) -> int:
        total = 0
        away: dict[float, tuple[int, int]] = {}
        for n, menu in enumerate(self._menus):
            if done >> n & 1:
                continue
            total += menu.floor
            focus = self.only[n]
            if focus is not None and focus != at:
                before, around = away.get(focus, (0, 0))
                away[focus] = max(before, menu.around[0]), max(around, menu.around[1])
        if away:
            total += hands(len(away) - (at is None)) + sum(around for _, around in away.values())
            total -= max(around - before for before, around in away.values())
        return total


def _at_hand(menus: Sequence[Menu], left: Sequence[int], state: State) -> tuple[int, Ending] | None:
    """A goal that costs its least right now and leaves the rig as it is: no later place for it saves anything."""
    for n in left:
        best = menus[n].best(state)
        if best.state == state and best.cost == menus[n].least:
            return n, best
    return None


def _stays(ending: Ending, state: State) -> bool:
    return all(choice.focus.distance_m == state.focus_m for choice in ending.choices)


def _worthwhile(menu: Menu, state: State) -> list[Ending]:
    """The endings that are not at least as cheap by another one and a move of the rig after it."""
    kept: list[Ending] = []
    for ending in menu.after(state):
        if not any(other.cost + move_cost(other.state, ending.state) <= ending.cost for other in kept):
            kept.append(ending)
    return kept


def _step_by_step(menus: Sequence[Menu], start: State) -> Arrangement:
    left, state, cost = list(range(len(menus))), start, 0
    taken: list[tuple[int, Ending]] = []
    while left:
        dearer = {n: menus[n].best(state).cost - menus[n].least for n in left}
        n = min(left, key=lambda number: (dearer[number], number))
        ending = menus[n].best(state)
        taken.append((n, ending))
        left.remove(n)
        state, cost = ending.state, cost + ending.cost
    return Arrangement(tuple(taken), cost, False)
