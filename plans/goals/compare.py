"""Frames that belong together: why each can be had and all cannot, and what a comparison had to change besides."""

from __future__ import annotations

from collections.abc import Sequence

from plans.brief import Compare, Held
from plans.goals import words
from plans.goals.situation import Situation
from plans.group_tables import least_spread
from plans.solver import Demand, allowed
from plans.stops import KINDS

_WISHED = {"freeze": "time", "silk": "time", "isolate": "aperture", "deep": "aperture"}


def also_changed(goal: Compare, changed: Sequence[str]) -> str | None:
    """What had to change besides what the goals ask for, as a criterion; None when nothing did.

    ``changed``: the settings that differ in the group as found.
    """
    wished = [name for name in ("aperture", "time") if name in {_WISHED[part.goal] for part in goal.goals}]
    others = [name for name in changed if name not in wished]
    if not others:
        return None
    asked = words.listed(words.KIND_WORDS[name] for name in wished)
    also = words.listed(words.KIND_WORDS[name] for name in others)
    return f"asked for: another {asked}; {also} had to change as well, and what that does shows in the pictures too"


def joint_reasons(
    situation: Situation, hold: Sequence[Held], names: Sequence[str], demands: Sequence[Sequence[Demand]]
) -> list[str]:
    """Why frames that can each be had alone cannot be had together."""
    reasons = []
    for held in hold:
        able = [_able(situation, held, frame) for frame in demands]
        if set.intersection(*(set(values) for values in able)):
            continue
        shown = [f"{name} can have {_range(values)}" for name, values in zip(names, able, strict=True)]
        reasons.append(f"{words.KIND_WORDS[held]} is held, but {words.listed(shown, 'while')}, with nothing in common")
    if reasons:
        return reasons
    spread = least_spread(situation.ground, demands, hold)
    if spread is not None:
        return [
            f"the frames would lie at least {words.stops(float(spread))} apart in brightness; the limit is "
            f"{words.stops(situation.limits.spread)}"
        ]
    together = words.listed(words.KIND_WORDS[held] for held in hold)
    free = [kind for kind in (*KINDS, "filters") if kind not in hold]
    if len(free) == 1:
        able = [_able(situation, free[0], frame) for frame in demands]
        shown = [f"{name} can have {_range(values)}" for name, values in zip(names, able, strict=True)]
        only = words.KIND_WORDS[free[0]]
        return [f"with {together} held only {only} is left to keep the brightness; alone, {words.listed(shown)}"]
    return [f"each frame can be had alone, but no choice holds {together} together"]


def _able(situation: Situation, held: str, frame: Sequence[Demand]) -> dict[object, str]:
    """Values of one setting with which a frame can be had alone, in order, with their words."""
    found: dict[object, str] = {}
    for demand in frame:
        survivors = situation.ground.survivors(demand.loss, demand.intended)
        fits = allowed(situation.ground, demand, survivors)
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
