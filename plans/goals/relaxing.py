"""A goal asked for less, as a remedy. Each was tried and works by itself."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from fractions import Fraction

from plans.brief import (
    Bracket,
    Compare,
    Deep,
    Faults,
    FocusBracket,
    Freeze,
    Goal,
    Isolate,
    IsolateGrade,
    Ladder,
    Noise,
    Perspective,
    PolariserPair,
    Silk,
    SilkGrade,
)
from plans.goals import faults, freeze, isolate, ladder, noise, perspective, words
from plans.goals.situation import Situation
from plans.kit import Filter
from plans.solver import State

Reachable = Callable[[Situation, Goal], bool]

_STEPS = (Fraction(2), Fraction(1), Fraction(1, 2), Fraction(1, 3))
_SPREADS = (Fraction(1, 4), Fraction(1, 3), Fraction(1, 2))
_SOFTER: tuple[IsolateGrade, ...] = ("separated", "soft")
_LESS_DRAWN: dict[SilkGrade, tuple[SilkGrade, ...]] = {"veil": ("silk", "flowing"), "silk": ("flowing",), "flowing": ()}
_LENGTHS_M = (2.0, 1.5, 1.0, 0.7, 0.5, 0.3, 0.2, 0.1)
_SHARPNESS = (1.5, 2.0, 3.0)  # circles of confusion that something frozen may smear at most as a remedy
# A polariser as they commonly are; common practice, no source.
_POLARISER = Filter(name="polariser", kind="polariser", stops=1.5)


def limits(situation: Situation, goal: Goal, reachable: Reachable) -> Iterator[str]:
    """Limits that the photographer set, other than the ISO's, relaxed."""
    if situation.kit.support != "tripod" and reachable(situation.on_tripod(), goal):
        yield "put the camera on a tripod"
    if (
        situation.limits.flicker == "avoid"
        and situation.scene.mains_hz
        and reachable(situation.despite_flicker(), goal)
    ):
        yield "let times in that the lamps make uneven (flicker: name), and look at the pictures"
    if isinstance(goal, Freeze | Silk | Isolate | Deep):
        return
    for spread in _SPREADS:
        wider = replace(situation, limits=situation.limits.model_copy(update={"spread": spread}))
        if spread > situation.limits.spread and reachable(wider, goal):
            yield f"raise the limit spread from {situation.limits.spread} to {spread}"
            return


def relaxed(situation: Situation, goal: Goal, reachable: Reachable) -> Iterator[str]:
    """The goal itself asked for less."""
    if isinstance(goal, Compare):
        for held in goal.hold:
            rest = tuple(other for other in goal.hold if other != held)
            if reachable(situation, goal.model_copy(update={"hold": rest})):
                yield f"do not hold {words.KIND_WORDS[held]} in this group"
        for place in range(len(goal.goals)):
            yield from _part(situation, goal, place, reachable)
    elif isinstance(goal, Freeze):
        yield from _freeze(situation, goal, reachable)
    elif isinstance(goal, Silk):
        yield from _silk(situation, goal, reachable)
    elif isinstance(goal, Isolate):
        yield from _isolate(situation, goal, reachable)
    elif isinstance(goal, Deep):
        if goal.lesson and reachable(situation, goal.model_copy(update={"lesson": False})):
            yield "leave lesson: yes out: within the working limit the goal can be had"
    elif isinstance(goal, Ladder | Noise | Bracket):
        yield from _series(situation, goal, reachable)
    elif isinstance(goal, FocusBracket):
        yield from _focus_bracket(situation, goal, reachable)
    elif isinstance(goal, Faults):
        yield from _faults(situation, goal, reachable)
    elif isinstance(goal, Perspective):
        yield from _perspective(situation, goal, reachable)


def _part(situation: Situation, goal: Compare, place: int, reachable: Reachable) -> Iterator[str]:
    """One of the goals compared asked for less, the others as they are."""

    def as_part(within: Situation, part: Goal) -> bool:
        several = (*goal.goals[:place], part, *goal.goals[place + 1 :])
        return reachable(within, goal.model_copy(update={"goals": several}))

    part = goal.goals[place]
    yield from (f"in {part.goal} {remedy}" for remedy in relaxed(situation, part, as_part))


def to_bring(situation: Situation, goal: Goal, reachable: Reachable) -> Iterator[str]:
    """What a goal wants in the bag that is not there, neutral filters excepted."""
    if isinstance(goal, PolariserPair) and not any(one.kind == "polariser" for one in situation.kit.filters):
        kit = situation.kit.model_copy(update={"filters": (*situation.kit.filters, _POLARISER)})
        if reachable(replace(situation, kit=kit), goal):
            yield f"bring a polariser (tried with one that takes {words.stops(_POLARISER.stops)}, as is common)"
    if isinstance(goal, Perspective) and perspective.beyond_mm(situation, goal):
        more = perspective.with_zoom(situation, goal)
        if reachable(more, goal):
            short, long = perspective.reach_mm(more)
            ends = f"{words.figures(short)} mm to {words.figures(long)} mm"
            yield f"bring a lens that zooms from {ends}, with the apertures of this one"


def _first(situation: Situation, goals: Iterable[Goal], reachable: Reachable) -> Goal | None:
    return next((one for one in goals if reachable(situation, one)), None)


def _freeze(situation: Situation, goal: Freeze, reachable: Reachable) -> Iterator[str]:
    now = freeze.most_mm(situation, goal)
    for circles in _SHARPNESS:
        most = round(circles * situation.coc_mm, 3)
        softer = goal.model_copy(update={"smear_mm": most, "smear_px": None})
        if most > now and reachable(situation, softer):
            told = f"{words.figures(circles)} times the circle of confusion"
            yield f"let {goal.subject} smear a little: within: {most:g} mm, {told}"
            return


def _silk(situation: Situation, goal: Silk, reachable: Reachable) -> Iterator[str]:
    if not situation.across_m_s(situation.subject(goal.subject)):
        yield f"write the speed of {goal.subject} in the brief, if it moves at all"
        return
    if goal.share is None:
        for grade in _LESS_DRAWN[goal.grade]:
            if reachable(situation, goal.model_copy(update={"grade": grade})):
                yield f"draw it out less: grade: {grade}"
                break
    if goal.length_m is None:
        for length in _LENGTHS_M:
            if reachable(situation, goal.model_copy(update={"length_m": length})):
                floor = " and the floor of 1/4 s falls away" if goal.grade == "silk" and goal.share is None else ""
                yield (
                    f"if what is seen of the moving {goal.subject} is about {words.metres(length)} long, write that as "
                    f"its length: the smear is then measured against it{floor}"
                )
                return


def _isolate(situation: Situation, goal: Isolate, reachable: Reachable) -> Iterator[str]:
    for grade in _SOFTER:
        if isolate.GRADES[grade] < isolate.least_share(goal):
            softer = goal.model_copy(update={"grade": grade, "share": None})
            if reachable(situation, softer):
                share = words.percent(isolate.GRADES[grade])
                yield f"dissolve the background less: grade: {grade}, {share} of the width"
                return


def _series(situation: Situation, goal: Ladder | Noise | Bracket, reachable: Reachable) -> Iterator[str]:
    steps = noise.as_ladder(goal) if isinstance(goal, Noise) else goal
    if isinstance(steps, Ladder) and ladder.is_fixed(steps):
        run = ladder.solve(situation, steps, State(None, 0), whole=False)
        if run and len(run.choices) > 1:
            scale = situation.scale(steps.change)
            first, last = (scale.marks[run.rail.places[run.first + n]] for n in (0, len(run.choices) - 1))
            if reachable(situation, goal.model_copy(update={"first": first.label, "last": last.label})):
                what = "series" if isinstance(goal, Noise) else "ladder"
                yield f"let the {what} run from {words.mark(first)} to {words.mark(last)}"
        elif reachable(situation, goal.model_copy(update={"first": None, "last": None})):
            yield "leave from and to out: the run is then as long as it can be"
    for by in _STEPS:
        if by < goal.by and reachable(situation, goal.model_copy(update={"by": by})):
            yield f"take steps of {words.stops(by)} instead of {words.stops(goal.by)}"
            break
    if isinstance(goal, Bracket):
        for count in range(goal.count - 1, 2, -1):
            if count % 2 and reachable(situation, goal.model_copy(update={"count": count})):
                yield f"take {count} frames instead of {goal.count}"
                break


def _focus_bracket(situation: Situation, goal: FocusBracket, reachable: Reachable) -> Iterator[str]:
    if goal.aperture is not None and reachable(situation, goal.model_copy(update={"aperture": None})):
        yield f"leave the aperture to the plan instead of {goal.aperture}"
    if reachable(situation, Deep(from_subject=goal.from_subject, to_subject=goal.to_subject)):
        yield f"take one picture: deep: {{from: {goal.from_subject}, to: {goal.to_subject}}}"
    if goal.overlap > 0 and reachable(situation, goal.model_copy(update={"overlap": 0.0})):
        yield "let the sharp ranges meet without overlap: overlap: 0 %"


def _faults(situation: Situation, goal: Faults, reachable: Reachable) -> Iterator[str]:
    for wrong in goal.show:
        asked = faults.amount(situation, goal, wrong)
        less = (round(asked * share, 2) for share in (0.75, 0.5, 0.25))
        smaller = (goal.model_copy(update={"by": {**goal.by, wrong: amount}}) for amount in less if amount >= 1)
        found = _first(situation, smaller, reachable)
        if isinstance(found, Faults):
            less_is = words.figures(found.by[wrong])
            yield f"make the mistake {wrong} smaller: {less_is} instead of {words.figures(asked)}"
    for wrong in goal.show if len(goal.show) > 1 else ():
        rest = tuple(other for other in goal.show if other != wrong)
        by = {word: amount for word, amount in goal.by.items() if word != wrong}
        if reachable(situation, goal.model_copy(update={"show": rest, "by": by})):
            yield f"leave {wrong} out of show"


def _perspective(situation: Situation, goal: Perspective, reachable: Reachable) -> Iterator[str]:
    fewer = perspective.leave_out(situation, goal)
    if fewer is not None and reachable(situation, fewer):
        kept = words.listed(f"{words.figures(f)} mm" for f in fewer.focal_lengths_mm)
        yield f"take the focal lengths that can be had: {kept}"
