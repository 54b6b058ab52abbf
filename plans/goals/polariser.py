"""Polariser: one picture twice through it, turned to let reflections through and to take them away.

Exposure is the same in both: what is not polarised comes out alike, and how much darker the rest gets is what the pair
is to show. It cannot be told beforehand, since it goes with the angle to the surface.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from plans import optics
from plans.brief import Held, PolariserPair
from plans.goals import words
from plans.goals.brightness import miss_reason
from plans.goals.situation import Situation
from plans.plan import Predicted, Settings
from plans.solver import Choice, Demand, Mask, Turned, allowed

HOLD: tuple[Held, ...] = ("aperture", "time", "iso", "focus", "filters")
WIDENING = True
TURNS: tuple[Turned, ...] = ("least", "most")
# Refractive index of water in visible light at room temperature; common value, no source read.
WATER_INDEX = 1.33


def name(goal: PolariserPair) -> str:
    """The goal in a few words."""
    return f"polariser on {goal.focus}"


def frame_name(goal: PolariserPair, part: int) -> str:
    """One frame in a few words."""
    return f"{name(goal)}: {words.turned(TURNS[part])}"


def stacks(situation: Situation) -> frozenset[int]:
    """The sets of filters that hold one polariser, and one only: two of them would darken by their angle."""
    filters, found = situation.kit.filters, set()
    for bits in situation.ground.stacks:
        kinds = [item.kind for n, item in enumerate(filters) if bits >> n & 1]
        if kinds.count("polariser") == 1:
            found.add(bits)
    return frozenset(found)


def stages(situation: Situation, goal: PolariserPair) -> Iterator[list[list[Demand]]]:
    """Two frames through the polariser, everything held but how it is turned.

    Through it alone if that can be: it is turned by eye, and through a dark filter nobody sees what it does.
    """
    through = stacks(situation)
    if not through or not situation.can_focus(situation.subject(goal.focus).distance_m):
        return
    one = situation.demand(situation.focus_on(goal.focus))
    alone = frozenset(bits for bits in through if bits.bit_count() == 1)
    for sets in dict.fromkeys((alone, through)):
        yield [[one._replace(stacks=sets, turned=turn)] for turn in TURNS]


def criteria(situation: Situation, goal: PolariserPair, part: int) -> tuple[str, ...]:
    """What the frames are held to."""
    angle = optics.brewster_deg(WATER_INDEX)
    several = [item for item in situation.kit.filters if item.kind == "polariser" and item.most_stops is not None]
    darker = max(((item.most_stops or item.stops) - item.stops for item in several), default=0.0)
    dim: tuple[str, ...] = ()
    if darker > 0 and TURNS[part] == "most":
        dim = (f"by its numbers in the kit the filter takes {words.stops(darker)} more when turned so: all is dimmer",)
    return (
        "only the polariser is turned; aperture, exposure time, ISO, focus and filters stay the same",
        "how much of a reflection goes cannot be known beforehand: most near "
        f"{round(angle)}° from the upright to a water surface, {round(90 - angle)}° above it (Brewster's angle, "
        f"tan = {WATER_INDEX}), little looking straight down or along it; none on bare metal",
        *dim,
    )


def caption(situation: Situation, goal: PolariserPair, choice: Choice, settings: Settings, seen: Predicted) -> str:
    """One sentence for a student."""
    if TURNS[choice.part] == "least":
        return (
            f"{words.shot(settings)}, turned until reflections are strongest: water and leaves shine at least as "
            "much as to the eye."
        )
    angle = round(90 - optics.brewster_deg(WATER_INDEX))
    return (
        f"{words.shot(settings)}, turned until reflections are weakest: how much of those on water goes depends on the "
        f"angle, most at about {angle}° to the surface."
    )


def _mask(situation: Situation, through: frozenset[int]) -> Mask:
    return np.array([bits in through for bits in situation.ground.stacks], dtype=bool)


def reasons(situation: Situation, goal: PolariserPair) -> list[str]:
    """Why no settings reach the goal; empty when each frame can be had alone."""
    refused = situation.focus_reason(goal.focus)
    if refused:
        return [refused]
    through = stacks(situation)
    if not through:
        bag = words.listed(item.name for item in situation.kit.filters) or "no filter at all"
        return [f"no polariser is in the bag: it holds {bag}"]
    demand = list(stages(situation, goal))[-1][0][0]
    if allowed(situation.ground, demand, situation.ground.survivors(demand.loss)).any():
        return []
    return [miss_reason(situation, demand.loss, {"time": demand.times}, _mask(situation, through))]
