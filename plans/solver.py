"""What can be set: every choice of settings that gives the brightness, once; each goal then searches the survivors.

Brightness is counted in whole ticks, six thousand million to the stop, so that full, half and third stops are whole
numbers and sums of them stay exact. What a choice costs stands in `plans.cost`; frames that belong together are
searched by `plans.group`, ladders and brackets by `plans.series`, the order of goals by `plans.order`.
"""

from __future__ import annotations

import copy
import itertools
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from plans.cost import prices
from plans.kit import Corrections, Filter
from plans.plan import Focus
from plans.stops import KINDS, TICKS, Kind, Scale

TICKS_PER_UNIT = 6  # offsets are compared in units of 1e-9 stop
_F8 = -6 * TICKS
_HAIR = 1 + 1e-9

Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]
Held = Literal["aperture", "time", "iso", "focus", "filters"]
BRISK_S = 1.0  # longest time for which a filter that a frame could do without is left on [s]; own choice
Turned = Literal["least", "most"]


def ticks(stops: Fraction | float) -> int:
    """Stops as whole ticks."""
    return round(Fraction(stops) * TICKS) if stops else 0


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
    ``tied``: what must be as in the goal's first frame, besides what all its frames hold. [stops], [mm]
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
    tied: frozenset[Held] = frozenset()


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
        native = [mark.ticks for mark in self.native.marks]
        isos = np.array([mark.ticks for mark in self.iso.marks], dtype=np.int64)
        self.extended = np.zeros(isos.size, dtype=np.int64)
        below = 0
        if native:
            self.extended = ((isos < min(native)) | (isos > max(native))).astype(np.int64)
            below = int((isos < min(native)).sum())
        self.iso_steps = np.maximum(np.arange(isos.size) - below, 0).astype(np.int64)
        self.sixths = np.array(
            [round(abs(mark.ticks - _F8) * 6 / TICKS) for mark in self.aperture.marks], dtype=np.int64
        )
        self.brisk = np.array([mark.exact <= BRISK_S * _HAIR for mark in self.time.marks], dtype=bool)

    def _lights_of(self, kind: Kind) -> Ints:
        known, marks = self.corrections, self.scale(kind).marks
        return np.array([mark.ticks + ticks(known.of(mark)) for mark in marks], dtype=np.int64)

    def relit(self, ev100: float) -> Ground:
        """The same in another light. [stops]"""
        other = copy.copy(self)
        other.ev100, other._seen = ev100, {}
        return other

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
