"""What would make an unreachable goal reachable. Every remedy that names a number was tried and works by itself.

Order: what to bring, a limit to relax, less of the goal, another distance or focal length, several pictures instead of
one, other light.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from typing import TypeVar

from plans.brief import Compare, Deep, Faults, FocusBracket, Freeze, Goal, Isolate, Perspective, Silk
from plans.exposure import density_of_stops
from plans.goals import fitting, focus_bracket, relaxing, words
from plans.goals.relaxing import Reachable
from plans.goals.situation import Situation
from plans.goals.waiting import waits
from plans.goals.windows import ev_range

_T = TypeVar("_T", int, float)

_STRONGEST_FILTER = 16  # [stops]
_SHIFTS_M = (0.05, 0.1, 0.2, 0.4, 0.8, 1.6, 3.2, 6.4, 12.8)
_FOCAL_SHARES = (0.95, 0.9, 0.8, 0.7, 0.6, 0.5, 0.4, 0.3)
_LIGHT_THIRDS = (1, 2, 3, 6, 9, 12, 18, 24, 30)


def remedies(situation: Situation, goal: Goal, reachable: Reachable, possible: bool) -> list[str]:
    """Remedies in words, best first.

    ``possible``: the scales hold marks that fit the goal, so that filters, ISO and light are worth a try.
    """
    found: list[str] = []
    if possible:
        found += _filter(situation, goal, reachable)
    found += relaxing.to_bring(situation, goal, reachable)
    if possible:
        found += _iso(situation, goal, reachable)
    found += relaxing.limits(situation, goal, reachable)
    found += relaxing.relaxed(situation, goal, reachable)
    found += _distance(situation, goal, reachable)
    found += _focal_length(situation, goal, reachable)
    found += _focus_bracket(situation, goal, reachable)
    if possible:
        found += _light(situation, goal, reachable)
    return found or [
        "no single change that was tried here helps (a filter, the ISO limit, distance, focal length, light): "
        "leave the goal out, or change two of them at once"
    ]


def _smallest(values: Sequence[_T], works: Callable[[_T], bool], between: Callable[[_T, _T], _T | None]) -> _T | None:
    """The first of ``values`` that works, refined towards the one before it; None if none works."""
    before: _T | None = None
    for value in values:
        if works(value):
            while before is not None and (middle := between(before, value)) is not None:
                if works(middle):
                    value = middle
                else:
                    before = middle
            return value
        before = value
    return None


def _filter(situation: Situation, goal: Goal, reachable: Reachable) -> Iterator[str]:
    for stops in range(1, _STRONGEST_FILTER + 1):
        if reachable(situation.with_filter(stops), goal):
            more = " as well" if situation.kit.filters else ""
            density = words.figures(density_of_stops(stops), 2)
            yield f"bring a neutral-density filter of {words.stops(float(stops))} (density {density}){more}"
            return


def _iso(situation: Situation, goal: Goal, reachable: Reachable) -> Iterator[str]:
    if situation.limits.iso_at_most is None:
        return
    allowed = len(situation.scale("iso").marks)
    labels = [mark.label for mark in situation.scales["iso"].marks[allowed:]]
    if labels and reachable(situation.with_iso_at_most(labels[-1]), goal):
        label = next(label for label in labels if reachable(situation.with_iso_at_most(label), goal))
        yield f"raise the limit iso_at_most from {situation.limits.iso_at_most} to {label}"


def _subject(goal: Goal) -> str:
    if isinstance(goal, Compare):
        return _subject(goal.goals[0])
    if isinstance(goal, Deep | FocusBracket):
        return goal.from_subject
    return goal.subject if isinstance(goal, Freeze | Silk | Isolate | Faults | Perspective) else goal.focus


def _distance(situation: Situation, goal: Goal, reachable: Reachable) -> Iterator[str]:
    name = _subject(goal)
    room = min(subject.nearest_m for subject in situation.scene.subjects.values())

    def finer(a: float, b: float) -> float | None:
        middle = round((a + b) / 2, 2)
        return middle if abs(b - a) > 0.051 and middle not in (a, b) else None

    back = _smallest(_SHIFTS_M, lambda shift: reachable(situation.stepped_back(shift), goal), finer)
    if back is not None:
        at = words.metres(round(situation.subject(name).distance_m + back, 4))
        cut = fitting.cut_off(situation.stepped_back(back))
        yield f"step back {words.metres(back)}, so that {words.the(name)} is {at} away, and frame again{cut}"
        return
    nearer = [shift for shift in _SHIFTS_M if shift * 1000 < room * 1000 - situation.focal_mm - 50]
    forth = _smallest(nearer, lambda shift: reachable(situation.stepped_back(-shift), goal), finer)
    if forth is not None:
        at = words.metres(round(situation.subject(name).distance_m - forth, 4))
        cut = fitting.cut_off(situation.stepped_back(-forth))
        yield f"go {words.metres(forth)} nearer, so that {words.the(name)} is {at} away, and frame again{cut}"


def _focal_length(situation: Situation, goal: Goal, reachable: Reachable) -> Iterator[str]:
    if isinstance(goal, Perspective):
        return
    now = situation.focal_mm
    longest = 1000 * min(subject.distance_m for subject in situation.scene.subjects.values()) / 2

    def finer(a: int, b: int) -> int | None:
        middle = (a + b) // 2
        return middle if middle not in (a, b) else None

    shorter = sorted({round(now * share) for share in _FOCAL_SHARES if round(now * share) < now}, reverse=True)
    longer = sorted({round(now / share) for share in _FOCAL_SHARES if now < round(now / share) <= longest})
    zoom = situation.kit.lens.zoom
    least, most = (zoom.shortest_mm, zoom.longest_mm) if zoom else (4, math.inf)
    for values in (shorter, longer):
        found = _smallest(
            [value for value in values if least <= value <= most],
            lambda value: reachable(situation.with_focal_length(float(value)), goal),
            finer,
        )
        if found is not None:
            cut = fitting.cut_off(situation.with_focal_length(float(found)))
            yield f"use a focal length of {found} mm instead of {words.figures(now)} mm, and frame again{cut}"
            return


def _focus_bracket(situation: Situation, goal: Goal, reachable: Reachable) -> Iterator[str]:
    """Deep, taken as several pictures."""
    if not isinstance(goal, Deep):
        return
    bracket = FocusBracket(from_subject=goal.from_subject, to_subject=goal.to_subject)
    if not reachable(situation, bracket):
        return
    for mark, foci in focus_bracket.candidates(situation, bracket):
        if focus_bracket.can_shoot(situation, mark, foci):
            yield (
                f"take about {len(foci)} pictures at {words.mark(mark)}, focused one behind the other, and merge them: "
                f"focus-bracket: {{from: {goal.from_subject}, to: {goal.to_subject}}}"
            )
            return


def _light(situation: Situation, goal: Goal, reachable: Reachable) -> Iterator[str]:
    def finer(a: int, b: int) -> int | None:
        middle = (a + b) // 2 if b > 0 else -((-a - b) // 2)
        return middle if middle not in (a, b) else None

    now = situation.ev100
    for sign, word in ((-1, "less"), (1, "more")):
        found = _smallest(
            [sign * thirds for thirds in _LIGHT_THIRDS],
            lambda thirds: reachable(situation.with_light(now + thirds / 3), goal),
            finer,
        )
        if found is not None:
            amount = f"{words.stops(abs(found) / 3)} {word}"
            there = words.ev(now + found / 3, guessed=situation.scene.light.origin == "guess")
            when = None
            if situation.place is not None and situation.when is not None:
                when = waits(situation, goal, ev_range(replace(situation, spot=False), goal), amount)
            yield when or f"come back in light of {there}, {amount} than now"
            return
