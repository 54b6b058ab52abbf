"""The search for frames that belong together: every choice, with what is held the same and the spread within its limit.

Single frames and pairs are searched whole, to a menu by the state of the rig before and after them. Of three frames and
more the cheapest way from a given state of the rig is searched, over every order of up to six; more are shot as the
goal lists them.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

import numpy as np

from plans.cost import cost_of, wide
from plans.group_search import GroupMenu
from plans.group_tables import Table, tables
from plans.menu import FixedMenu, Menu, Way, move_cost
from plans.solver import TICKS_PER_UNIT, Choice, Demand, Ground, Held, State, ticks


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
    one = as_one(frames, hold)
    if one is not None:
        return _at_one_setting(ground, one, frames, spread)
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


def as_one(frames: Sequence[Sequence[Demand]], hold: Sequence[Held]) -> Demand | None:
    """What frames at one setting ask for, if they are: such as differ in the focus and what goes with it alone.

    The right brightness is that of the middle between the frame that loses least to magnification and the one that
    loses most: to ask it of each frame by itself would leave whole bands of light without a choice.
    """
    if len(frames) < 2 or not {"aperture", "time", "iso", "filters"} <= set(hold) or "focus" in hold:
        return None
    if any(len(demands) != 1 for demands in frames):
        return None
    (first,) = frames[0]
    alike = all(
        np.array_equal(one.apertures, first.apertures)
        and np.array_equal(one.times, first.times)
        and (one.intended, one.isos, one.stacks) == (first.intended, None, first.stacks)
        for (one,) in frames
    )
    losses = [one.loss for (one,) in frames]
    return first._replace(loss=(min(losses) + max(losses)) / 2) if alike else None


def _at_one_setting(
    ground: Ground, one: Demand, frames: Sequence[Sequence[Demand]], spread: Fraction
) -> FixedMenu | None:
    """Every setting for the middle of frames at one setting; they are shot from one end to the other."""
    taken = [ground.target(demands[0].loss) - ground.target(one.loss) for demands in frames]
    (table,) = tables(ground, [[one]], (), brisk=True)
    if not table.key.size or max(taken) - min(taken) > ticks(spread):
        return None
    ways: dict[tuple[State, State], Way] = {}
    for row in range(table.key.size):
        middle = table.choice(row)
        choices = tuple(
            middle._replace(
                part=part,
                focus=demand.focus,
                offset=middle.offset + off,
                focal_mm=demand.focal_mm,
                turned=demand.turned,
                shaken=demand.shaken,
            )
            for part, ((demand,), off) in enumerate(zip(frames, taken, strict=True))
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
