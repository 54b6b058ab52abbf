"""Why no settings give the brightness: how far the brightest and the darkest choice lie off."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from plans.goals import words
from plans.goals.situation import Situation
from plans.solver import Demand, Mask
from plans.stops import KINDS, TICKS, Kind, Mark


@dataclass(frozen=True)
class Extreme:
    """The brightest or darkest choice that is allowed; ``offset`` from the wanted brightness. [stops]"""

    marks: Mapping[Kind, Mark]
    filters: int
    offset: float


@dataclass(frozen=True)
class Miss:
    """How the brightness is missed: ``dark`` (even the brightest choice), ``bright`` (even the darkest), or ``gap``."""

    how: str
    extreme: Extreme

    @property
    def stops(self) -> float:
        """How far off, without sign. [stops]"""
        return abs(self.extreme.offset)


def light_ev(situation: Situation) -> str:
    """The light that is counted on, as finely as it is known: ``EV 13``, and of a guess ``about EV -7.4``."""
    known = situation.scene.light
    return words.ev(situation.ev100, guessed=known.origin == "guess" and situation.ev100 == known.ev100)


def meant(situation: Situation) -> str:
    """The brightness that under and over are counted from: the metered one, or what the scene's intent makes of it."""
    intent = situation.lift
    if not intent:
        return "the metered exposure"
    return f"the exposure wanted here ({words.mixed(intent)} {'over' if intent > 0 else 'under'} the metered one)"


def light(situation: Situation, mark: Mark) -> float:
    """The light of a mark, by what was measured of this lens and shutter. [stops]"""
    return float(mark.light) + situation.kit.corrections.of(mark)


def extremes(
    situation: Situation, loss: float, masks: Mapping[Kind, Mask], stacks: Mask | None = None
) -> tuple[Extreme, Extreme] | None:
    """The darkest and the brightest choice within the masks (a kind left out: any mark); None if there is none.

    ``stacks``: sets of filters that may be on the lens; None: those that change nothing but the brightness.
    """
    ground = situation.ground
    ends: list[dict[Kind, Mark]] = [{}, {}]
    usable = np.flatnonzero(ground.neutral if stacks is None else stacks)
    taken = ground.stack_ticks[usable]
    sums = [ground.target(loss) - int(taken.max()), ground.target(loss) - int(taken.min())]
    for kind in KINDS:
        allowed = situation.marks(kind, masks.get(kind, np.ones(len(situation.scale(kind).marks), dtype=bool)))
        if not allowed:
            return None
        for n, pick in enumerate((min, max)):
            ends[n][kind] = pick(allowed, key=lambda mark: light(situation, mark))
    filters = [ground.stacks[int(usable[n])] for n in (taken.argmax(), taken.argmin())]
    dark, bright = (
        Extreme(end, stack, sum(light(situation, mark) for mark in end.values()) + total / TICKS)
        for end, stack, total in zip(ends, filters, sums, strict=True)
    )
    return dark, bright


def miss(situation: Situation, loss: float, masks: Mapping[Kind, Mask], stacks: Mask | None = None) -> Miss | None:
    """How the brightness is missed by every choice within the masks; None if a mask is empty."""
    ends = extremes(situation, loss, masks, stacks)
    if ends is None:
        return None
    dark, bright = ends
    tolerance = float(situation.ground.tolerance)
    if dark.offset > tolerance:
        return Miss("bright", dark)
    if bright.offset < -tolerance:
        return Miss("dark", bright)
    return Miss("gap", dark if abs(dark.offset) < abs(bright.offset) else bright)


def through(situation: Situation, filters: int) -> str:
    """``through ND 8 and ND 64`` or ``without a filter``."""
    return f"through {words.bag(situation.kit.filters, filters)}" if filters else "without a filter"


def miss_reason(situation: Situation, loss: float, masks: Mapping[Kind, Mask], stacks: Mask | None = None) -> str:
    """The miss as a sentence, with the settings at the end of what is allowed."""
    found = miss(situation, loss, masks, stacks)
    if found is None:
        return f"no ISO mark is left below the limit of ISO {situation.limits.iso_at_most}"
    at, ev = found.extreme.marks, f"in this light ({light_ev(situation)})"
    line = f"{words.mark(at['aperture'])}, {situation.mark_words(at['time'])} and {situation.mark_words(at['iso'])}"
    line = f"{line} {through(situation, found.extreme.filters)}"
    if found.how == "bright":
        return f"even {line}, the darkest choice there is, comes out {words.stops(found.stops)} too bright {ev}"
    if found.how == "dark":
        return f"even {line}, the brightest choice there is, comes out {words.stops(found.stops)} too dark {ev}"
    allowed = words.stops(situation.ground.tolerance)
    return f"the marks lie too far apart: no choice comes within {allowed} of the right brightness {ev}"


def time_reason(situation: Situation, demand: Demand, wish: str, usual: str) -> str:
    """The miss of a goal that asks for certain times: what time this light allows, beside what is wished.

    ``usual``: the way in which such a goal is commonly missed, ``bright`` or ``dark``; another way is told by settings.
    """
    masks: dict[Kind, Mask] = {"time": demand.times}
    found = miss(situation, demand.loss, masks)
    if found is None or found.how != usual:
        return f"{wish}; {miss_reason(situation, demand.loss, masks)}"
    at = found.extreme.marks
    line = f"at {words.mark(at['aperture'])} and {situation.mark_words(at['iso'])}"
    line = f"{line} {through(situation, found.extreme.filters)}"
    allowed = words.seconds(at["time"].exact * 2.0**-found.extreme.offset)
    end = "longest" if found.how == "bright" else "shortest"
    how = f"{words.stops(found.stops)} too {found.how}"
    return f"{line}, {allowed} is the {end} time in this light ({light_ev(situation)}); {wish}: {how}"
