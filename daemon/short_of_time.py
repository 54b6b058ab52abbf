"""The smallest set that still teaches: with few minutes left, what to shoot first.

A group teaches once two of its frames can be held against each other: its reference and the frame that lies farthest
from it. So of every group that cannot teach yet, the fewest open or failed steps that make it teach are put together,
and groups are taken by how little time they need until the time is used up.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence, Set
from dataclasses import dataclass

from plans.plan import ExposeStep, GroupNote, OperatorStep, Plan
from plans.rehearsal import FRAME_S, HANDS_S
from plans.stops import KINDS, Kind, light_of


@dataclass(frozen=True)
class Errand:
    """Steps to shoot for one group, what they take with the hands that they need [s], and whether time is left."""

    group: str
    steps: tuple[str, ...]
    takes_s: float
    fits: bool


def errands(plan: Plan, wanted: Set[str], minutes: float) -> list[Errand]:
    """What to shoot, the quickest group first. ``wanted``: ids of steps that are open, or whose picture failed."""
    by_id = {step.id: step for step in plan.exposing}
    found = []
    for group in plan.groups:
        steps = _fewest([by_id[name] for name in group.steps], wanted)
        if steps:
            found.append((sum(_takes_s(plan, step) for step in steps), group, steps))
    found.sort(key=lambda one: (one[0], one[1].id))
    return list(_within(found, 60 * minutes))


def _within(found: Sequence[tuple[float, GroupNote, list[ExposeStep]]], left_s: float) -> Iterator[Errand]:
    for takes_s, group, steps in found:
        fits = takes_s <= left_s
        left_s -= takes_s if fits else 0
        yield Errand(group.title, tuple(step.id for step in steps), takes_s, fits)


def _fewest(steps: Sequence[ExposeStep], wanted: Set[str]) -> list[ExposeStep]:
    """Of a group's steps the reference and the one farthest from it, as far as they are wanted."""
    reference = next((step for step in steps if step.id == step.reference), steps[0])
    others = [step for step in steps if step is not reference]
    good = [step for step in others if step.id not in wanted]
    chosen = [reference]
    if others and not good:
        chosen.append(max(others, key=lambda step: _apart(step, reference)))
    return [step for step in chosen if step.id in wanted]


def _apart(one: ExposeStep, other: ExposeStep) -> float:
    """How far two frames' settings lie apart. [stops]"""
    return sum(abs(_light(one, kind) - _light(other, kind)) for kind in KINDS)


def _light(step: ExposeStep, kind: Kind) -> float:
    exact = {"aperture": step.settings.aperture, "time": step.settings.time, "iso": step.settings.iso}[kind].exact
    return light_of(kind, exact)


def _takes_s(plan: Plan, step: ExposeStep) -> float:
    """Exposure, readout, and the hands that the plan asks for just before the step. [s]"""
    place = next(number for number, one in enumerate(plan.steps) if one.id == step.id)
    hands = 0.0
    for before in reversed(plan.steps[:place]):
        if isinstance(before, ExposeStep):
            break
        hands += HANDS_S[before.action] if isinstance(before, OperatorStep) else FRAME_S
    return hands + step.settings.time.exact + FRAME_S
