"""Compare: single goals tied into one group, with settings held the same in all of them."""

from __future__ import annotations

from collections.abc import Sequence

from plans.brief import Compare
from plans.goals import words
from plans.goals.situation import Situation
from plans.solver import Demand, least_spread
from plans.stops import KINDS


def joint_reasons(
    situation: Situation, goal: Compare, names: Sequence[str], demands: Sequence[Sequence[Demand]]
) -> list[str]:
    """Why goals that can each be reached alone cannot be reached together."""
    reasons = []
    for held in goal.hold:
        able = [_able(situation, held, frame) for frame in demands]
        if set.intersection(*(set(values) for values in able)):
            continue
        shown = [f"{name} can have {_range(values)}" for name, values in zip(names, able, strict=True)]
        reasons.append(f"{words.KIND_WORDS[held]} is held, but {words.listed(shown, 'while')}, with nothing in common")
    if reasons:
        return reasons
    spread = least_spread(situation.ground, demands, goal.hold)
    if spread is not None:
        return [
            f"the frames would lie at least {words.stops(float(spread))} apart in brightness; the limit is "
            f"{words.stops(situation.limits.spread)}"
        ]
    return [
        f"each goal can be reached alone, but no choice holds {words.listed(words.KIND_WORDS[h] for h in goal.hold)} "
        "together"
    ]


def _able(situation: Situation, held: str, frame: Sequence[Demand]) -> dict[object, str]:
    """Values of one setting with which a frame can be had alone, in order, with their words."""
    found: dict[object, str] = {}
    for demand in frame:
        survivors = situation.ground.survivors(demand.loss)
        fits = demand.apertures[survivors.aperture] & demand.times[survivors.time]
        if not fits.any():
            continue
        if held == "focus":
            subject = demand.focus.subject
            found[demand.focus.distance_m] = f"{subject or 'no subject'} at {words.metres(demand.focus.distance_m)}"
        elif held == "filters":
            for stack in sorted(set(survivors.filters[fits].tolist())):
                found[stack] = words.bag(situation.kit.filters, situation.ground.stacks[stack])
        else:
            kind = next(kind for kind in KINDS if kind == held)
            column = {"aperture": survivors.aperture, "time": survivors.time, "iso": survivors.iso}[kind]
            for place in sorted(set(column[fits].tolist())):
                found[place] = words.mark(situation.scale(kind).marks[place])
    return found


def _range(values: dict[object, str]) -> str:
    texts = list(values.values())
    return (
        texts[0] if len(texts) == 1 else f"{texts[0]} to {texts[-1]}" if len(texts) > 3 else words.listed(texts, "or")
    )
