"""The search: every choice of settings that gives the brightness, once; each goal then takes its cheapest.

Brightness is counted in whole ticks, six thousand million to the stop, so that full, half and third stops are whole
numbers and sums of them stay exact. The cost of a group is one whole number made of fields; the field that counts
more stands higher, so that comparing numbers compares the fields in this order, summed over the frames of the group:

1. operator actions: first how often hands are called (once for a refocus, which is done through a bare lens, once for
   a change of filters), then how many filters they put on or take off
2. frames on extended ISO
3. ISO, in steps above the lowest native mark
4. distance from f/8, in sixths of a stop
5. focus on a bare distance, where no subject stands to focus on
6. offset, in units of 1e-9 stop
7. place on the scales, frame by frame as the goal lists them: aperture, then time, then ISO

The search is exhaustive within a group. The rig's state goes in as the group before left it; `plans.compiler` then
looks once more at filters that merely stayed on.
"""

from __future__ import annotations

import heapq
import itertools
from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from plans.cost import prices
from plans.kit import Corrections, Filter
from plans.plan import Focus
from plans.stops import KINDS, Kind, Scale

TICKS = 6_000_000_000  # to the stop
TICKS_PER_UNIT = 6  # offsets are compared in units of 1e-9 stop
_COUNT_BITS, _OFFSET_BITS, _INDEX_BITS = 24, 44, 9
_MOVE_SHIFT = 4 * _COUNT_BITS + _OFFSET_BITS  # the four counts and the offset below the operator actions
_F8_LIGHT = Fraction(-6)

Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]
Held = Literal["aperture", "time", "iso", "focus", "filters"]
Turned = Literal["least", "most"]


def ticks(stops: Fraction | float) -> int:
    """Stops as whole ticks."""
    return round(Fraction(stops) * TICKS)


class State(NamedTuple):
    """What hands have made of the rig: the focused distance (None: any, still to be set) and the filters, one bit each.

    Bits beyond the bag's stand for filters that are on the lens but not in the bag. ``focal_mm``: None, as set up.
    """

    focus_m: float | None
    filters: int
    focal_mm: float | None = None
    turned: Turned | None = None
    shaken: bool = False


class Demand(NamedTuple):
    """What one frame asks for at one focus: the apertures and times it may have, as masks over the scales.

    ``loss`` is what the magnification takes at this focus. ``intended``: how far from the right brightness the frame is
    meant to lie. ``isos``: ISO marks it may have; ``stacks``: sets of filters, as bits, that it may be shot through;
    None: any. ``focal_mm``, ``turned``, ``shaken``: another focal length, a turned polariser, hands on the tripod.
    [stops], [mm]
    """

    focus: Focus
    loss: float
    apertures: Mask
    times: Mask
    intended: Fraction = Fraction(0)
    isos: Mask | None = None
    stacks: frozenset[int] | None = None
    focal_mm: float | None = None
    turned: Turned | None = None
    shaken: bool = False


class Choice(NamedTuple):
    """One frame as chosen: places on the scales, filters as bits, offset in ticks. ``part`` counts a goal's frames.

    The rest is handed on from the `Demand`.
    """

    part: int
    aperture: int
    time: int
    iso: int
    filters: int
    focus: Focus
    offset: int
    intended: Fraction = Fraction(0)
    focal_mm: float | None = None
    turned: Turned | None = None
    shaken: bool = False


class Survivors(NamedTuple):
    """Settings that give the brightness at one focus, as parallel arrays, cheapest first.

    ``filters`` counts `Ground.stacks`; ``place`` is aperture, time and ISO as one number; ``level`` numbers the
    offsets there are.
    """

    aperture: Ints
    time: Ints
    iso: Ints
    filters: Ints
    offset: Ints
    price: Ints
    place: Ints
    level: Ints


def allowed(ground: Ground, demand: Demand, found: Survivors) -> Mask:
    """Which of the survivors a demand allows."""
    fits: Mask = demand.apertures[found.aperture] & demand.times[found.time]
    if demand.isos is not None:
        fits = fits & demand.isos[found.iso]
    stacks = ground.neutral
    if demand.stacks is not None:
        stacks = np.array([stack in demand.stacks for stack in ground.stacks], dtype=bool)
    fits &= stacks[found.filters]
    return fits


@dataclass
class Ground:
    """Everything that can be set, in one light.

    Attributes
    ----------
    aperture, time, iso
        The scales in force, the ISO limit already applied.
    native
        The part of the ISO scale that is not extended.
    filters
        The bag.
    ev100
        The light, less what the pictures are meant to be brighter than it. [stops]
    corrections
        What was measured on this lens and shutter.
    """

    aperture: Scale
    time: Scale
    iso: Scale
    native: Scale
    filters: tuple[Filter, ...]
    ev100: float
    corrections: Corrections = field(default_factory=Corrections)
    _seen: dict[tuple[float, Fraction], Survivors] = field(default_factory=dict, repr=False)

    def __post_init__(self) -> None:
        self.tolerance = max(self.scale(kind).step for kind in KINDS) / 2
        self.lights: dict[Kind, Ints] = {kind: self._lights_of(kind) for kind in KINDS}
        bag = range(len(self.filters))
        sets = [
            chosen
            for size in range(len(bag) + 1)
            for chosen in itertools.combinations(bag, size)
            if size < 2 or all(self.filters[n].stacks for n in chosen)
        ]
        self.stacks = [sum(1 << n for n in chosen) for chosen in sets]
        self.stack_ticks = np.array(
            [ticks(sum((Fraction(self.filters[n].stops) for n in chosen), Fraction(0))) for chosen in sets],
            dtype=np.int64,
        )
        # A polariser changes what is seen: it goes on only where a frame asks for it.
        self.neutral = np.array([all(self.filters[n].kind == "neutral" for n in chosen) for chosen in sets], dtype=bool)
        lowest = min((mark.light for mark in self.native.marks), default=None)
        highest = max((mark.light for mark in self.native.marks), default=None)
        isos = [mark.light for mark in self.iso.marks]
        self.extended = np.array(
            [lowest is not None and highest is not None and not lowest <= light <= highest for light in isos],
            dtype=np.int64,
        )
        below = sum(1 for light in isos if lowest is not None and light < lowest)
        self.iso_steps = np.maximum(np.arange(len(isos)) - below, 0).astype(np.int64)
        self.sixths = np.array([round(abs(mark.light - _F8_LIGHT) * 6) for mark in self.aperture.marks], dtype=np.int64)

    def _lights_of(self, kind: Kind) -> Ints:
        known, marks = self.corrections, self.scale(kind).marks
        return np.array([ticks(mark.light + Fraction(known.of(mark))) for mark in marks], dtype=np.int64)

    def scale(self, kind: Kind) -> Scale:
        """The scale in force for one setting."""
        return {"aperture": self.aperture, "time": self.time, "iso": self.iso}[kind]

    def target(self, loss: float) -> int:
        """Ticks that aperture, time, ISO and filters must take away so that the brightness is right."""
        return ticks(Fraction(self.ev100) - Fraction(loss))

    def survivors(self, loss: float, intended: Fraction = Fraction(0)) -> Survivors:
        """All settings whose brightness lies within the tolerance of what is ``intended``. [stops]

        ``loss``: what the magnification takes at the focus. [stops]
        """
        if (loss, intended) not in self._seen:
            self._seen[loss, intended] = self._search(loss, intended)
        return self._seen[loss, intended]

    def _search(self, loss: float, intended: Fraction) -> Survivors:
        a, t, i = (self.lights[kind] for kind in KINDS)
        rising = np.argsort(t, kind="stable")  # measured shutters may not rise with their marks
        # Brightness without the time, then the run of times (ascending) that brings it within the tolerance.
        wanted = self.target(loss) - ticks(intended)
        rest = wanted + a[:, None, None] + i[None, :, None] - self.stack_ticks[None, None, :]
        tolerance = ticks(self.tolerance)
        first = np.searchsorted(t[rising], -rest - tolerance, side="left")
        count = np.searchsorted(t[rising], -rest + tolerance, side="right") - first
        cell = np.repeat(np.arange(rest.size), count.ravel())
        run = np.arange(cell.size) - np.repeat(np.cumsum(count.ravel()) - count.ravel(), count.ravel())
        time = rising[first.ravel()[cell] + run]
        aperture, iso, filters = np.unravel_index(cell, rest.shape)
        offset = rest.ravel()[cell] + t[time]
        units = np.abs(offset) // TICKS_PER_UNIT
        worn = np.array([stack.bit_count() for stack in self.stacks], dtype=np.int64)
        price = prices(self.extended[iso], self.iso_steps[iso], self.sixths[aperture], worn[filters], units)
        place = aperture << 32 | time << 16 | iso
        level = np.unique(offset, return_inverse=True)[1]
        order = np.lexsort((place, price))
        return Survivors(*(column[order] for column in (aperture, time, iso, filters, offset, price, place, level)))


def _pack(*counts: int, offset: int) -> int:
    total = 0
    for count in counts:
        total = total << _COUNT_BITS | int(count)
    return total << _OFFSET_BITS | int(offset)


def move(before: State, after: State) -> tuple[int, int]:
    """Operator actions between two states of the rig: calls of hands, filters put on or taken off.

    Hands focus, and move the tripod, with a bare lens: a dark filter comes off for it and, if need be, goes on again.
    Common practice.
    """
    shaking = int(before.shaken != after.shaken)
    placed = before.focus_m is not None
    if placed and (before.focus_m != after.focus_m or before.focal_mm != after.focal_mm):
        calls = 1 + (before.filters != 0) + (after.filters != 0)
        return calls + shaking, before.filters.bit_count() + after.filters.bit_count()
    changed = before.filters ^ after.filters
    turning = int(not changed and after.turned is not None and before.turned != after.turned)
    return int(changed != 0) + turning + shaking, changed.bit_count()


def _move_cost(before: State, after: State) -> int:
    calls, handled = move(before, after)
    return (calls << _COUNT_BITS | handled) << _MOVE_SHIFT


class _Option(NamedTuple):
    """The cheapest choice of one frame for one held key, state of the rig and offset."""

    cost: int
    choice: Choice


_Options = dict[State, list[_Option]]


def _options(
    ground: Ground, part: int, parts: int, demands: Sequence[Demand], hold: Sequence[str]
) -> dict[tuple[float | int, ...], _Options]:
    """For each key of held values the options of one frame, by the state of the rig they need."""
    keyed: dict[tuple[float | int, ...], _Options] = {}
    for demand in demands:
        found = ground.survivors(demand.loss, demand.intended)
        fits = allowed(ground, demand, found)
        a, t, i, f, offset = (column[fits] for column in found[:5])
        units = np.abs(offset) // TICKS_PER_UNIT
        held = [{"aperture": a, "time": t, "iso": i, "filters": f}[name] for name in hold if name != "focus"]
        rank = (i, t, a, units, ground.sixths[a], ground.iso_steps[i], ground.extended[i], offset, f, *held)
        order = np.lexsort(rank)
        group = np.array([offset, f, *held])[:, order]
        fresh = np.ones(order.size, dtype=bool)
        fresh[1:] = (group[:, 1:] != group[:, :-1]).any(axis=0)
        unnamed = int(demand.focus.subject is None)
        for n in order[fresh].tolist():
            at = (int(a[n]), int(t[n]), int(i[n]))
            places = 0
            for place in at:
                places = places << _INDEX_BITS | place
            cost = _pack(
                0, 0, ground.extended[at[2]], ground.iso_steps[at[2]], ground.sixths[at[0]], unnamed, offset=units[n]
            )
            cost = cost << 3 * _INDEX_BITS * parts | places << 3 * _INDEX_BITS * (parts - 1 - part)
            key: tuple[float | int, ...] = tuple(int(column[n]) for column in held)
            if "focus" in hold:
                key += (demand.focus.distance_m,)
            state = State(demand.focus.distance_m, ground.stacks[int(f[n])])
            choice = Choice(
                part, *at, state.filters, demand.focus, int(offset[n]), demand.intended, demand.focal_mm, demand.turned,
                demand.shaken,
            )  # fmt: skip
            keyed.setdefault(key, {}).setdefault(state, []).append(_Option(cost, choice))
    return keyed


_Way = tuple[int, int, int, State, tuple[Choice, ...]]


def _cheapest(
    frames: Sequence[_Options], start: State, window: tuple[int, int] | None
) -> tuple[int, list[Choice]] | None:
    """Cheapest choice of one option a frame, over every order of the frames; offsets within ``window``."""
    shift = 3 * _INDEX_BITS * len(frames)
    best: list[dict[State, _Option]] = []
    for options in frames:
        kept: dict[State, _Option] = {}
        for state, several in options.items():
            inside = [o for o in several if window is None or window[0] <= o.choice.offset <= window[1]]
            if inside:
                kept[state] = min(inside, key=lambda option: option.cost)
        if not kept:
            return None
        best.append(kept)
    # Best first: cost so far plus, for each frame still to take, its cheapest option anywhere, hands not counted.
    least = [min(option.cost for option in kept.values()) for kept in best]
    count = itertools.count()
    waiting: list[_Way] = [(sum(least), next(count), 0, start, ())]
    settled: set[tuple[int, State]] = set()
    while waiting:
        bound, _, taken, state, choices = heapq.heappop(waiting)
        if (taken, state) in settled:
            continue
        settled.add((taken, state))
        left = [n for n in range(len(frames)) if not taken >> n & 1]
        if not left:
            return bound, list(choices)
        # A frame whose cheapest option is at hand is taken at once: no later place for it saves anything.
        free = [n for n in left if state in best[n] and best[n][state].cost == least[n]]
        for n in free[:1] or left:
            for after, option in best[n].items() if not free else ((state, best[n][state]),):
                if (taken | 1 << n, after) in settled:
                    continue
                total = bound - least[n] + option.cost + (_move_cost(state, after) << shift)
                way = (total, next(count), taken | 1 << n, after, (*choices, option.choice))
                heapq.heappush(waiting, way)
    return None


def _spread(choices: Sequence[Choice]) -> int:
    offsets = [choice.offset for choice in choices]
    return max(offsets) - min(offsets)


def _in_order(choices: Sequence[Choice], start: State) -> tuple[Choice, ...]:
    """The frames in shooting order: fewest actions, then bare frames first, then as the goal lists them."""
    frames = sorted(choices, key=lambda choice: choice.part)
    Way = tuple[tuple[int, int, int, tuple[int, ...]], State]
    ways: dict[tuple[int, State], Way] = {(0, start): ((0, 0, 0, ()), start)}
    for _ in frames:
        ahead: dict[tuple[int, State], Way] = {}
        for (taken, state), ((calls, handled, late, order), _s) in ways.items():
            filtered = sum(1 for n, frame in enumerate(frames) if taken >> n & 1 and frame.filters)
            for n, frame in enumerate(frames):
                if taken >> n & 1:
                    continue
                after = State(frame.focus.distance_m, frame.filters)
                more = move(state, after)
                rank = (calls + more[0], handled + more[1], late + (0 if frame.filters else filtered), (*order, n))
                place = (taken | 1 << n, after)
                if place not in ahead or rank < ahead[place][0]:
                    ahead[place] = (rank, after)
        ways = ahead
    order = min(way[0] for way in ways.values())[3]
    return tuple(frames[n] for n in order)


def solve_group(
    ground: Ground,
    frames: Sequence[Sequence[Demand]],
    hold: Sequence[Held],
    spread: Fraction,
    start: State,
) -> tuple[Choice, ...] | None:
    """The cheapest settings for frames that belong together, in shooting order; None when there are none.

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
    start
        The rig as the group before left it.
    """
    keyed = [_options(ground, n, len(frames), demands, hold) for n, demands in enumerate(frames)]
    limit = ticks(spread)
    found: tuple[int, list[Choice]] | None = None
    for key in [key for key in keyed[0] if all(key in options for options in keyed)]:
        options = [each[key] for each in keyed]
        way = _cheapest(options, start, None)
        if way is None or (found and way[0] >= found[0]):
            continue
        if _spread(way[1]) <= limit:
            found = way
            continue
        for low in sorted({o.choice.offset for frame in options for several in frame.values() for o in several}):
            way = _cheapest(options, start, (low, low + limit))
            if way and (found is None or way[0] < found[0]):
                found = way
    return _in_order(found[1], start) if found else None


def least_spread(ground: Ground, frames: Sequence[Sequence[Demand]], hold: Sequence[Held]) -> Fraction | None:
    """The smallest spread that any choice for these frames has; None when no choice fits the holds. [stops]"""
    keyed = [_options(ground, n, len(frames), demands, hold) for n, demands in enumerate(frames)]
    least: int | None = None
    for key in [key for key in keyed[0] if all(key in options for options in keyed)]:
        offsets = [sorted({o.choice.offset for several in each[key].values() for o in several}) for each in keyed]
        for low in sorted({offset for several in offsets for offset in several}):
            above = [next((offset for offset in several if offset >= low), None) for several in offsets]
            if None not in above:
                width = max(offset for offset in above if offset is not None) - low
                least = width if least is None else min(least, width)
    return None if least is None else Fraction(least, TICKS)
