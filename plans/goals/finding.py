"""Settings for any goal, or what stands in the way."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from plans.brief import Bracket, Compare, Goal, Ladder
from plans.goals import bracket, compare, deep, freeze, isolate, ladder, remedies, silk, words
from plans.goals.situation import Situation
from plans.plan import Predicted, Settings, Unreachable
from plans.solver import Choice, Demand, State, solve_group


class Family(Protocol):
    """What a module of a single goal offers."""

    def name(self, goal: Any) -> str:
        """The goal in a few words."""
        ...

    def demands(self, situation: Situation, goal: Any) -> list[Demand]:
        """What its frame asks for, one demand a focus; empty when nothing on the scales can do."""
        ...

    def criteria(self, situation: Situation, goal: Any) -> tuple[str, ...]:
        """What its frame is held to, in words."""
        ...

    def caption(self, situation: Situation, goal: Any, settings: Settings, seen: Predicted) -> str:
        """One sentence for a student."""
        ...

    def reasons(self, situation: Situation, goal: Any) -> list[str]:
        """Why it cannot be reached alone, in numbers."""
        ...


FAMILIES: dict[str, Family] = {"freeze": freeze, "silk": silk, "isolate": isolate, "deep": deep}


@dataclass(frozen=True)
class Found:
    """Settings for a goal's frames in shooting order; ``reference`` counts them."""

    choices: tuple[Choice, ...]
    reference: int
    left_out: tuple[str, ...] = ()


def name(goal: Goal) -> str:
    """A goal in a few words."""
    if isinstance(goal, Compare):
        return f"compare {words.listed(name(part) for part in goal.goals)}"
    if isinstance(goal, Ladder):
        return ladder.name(goal)
    if isinstance(goal, Bracket):
        return bracket.name(goal)
    return FAMILIES[goal.goal].name(goal)


def parts(goal: Goal) -> tuple[Goal, ...]:
    """The single goals that a goal is made of; itself if it is one."""
    return goal.goals if isinstance(goal, Compare) else (goal,)


def _demands(situation: Situation, goal: Goal) -> list[list[Demand]]:
    return [FAMILIES[part.goal].demands(situation, part) for part in parts(goal)]


def find(situation: Situation, goal: Goal, start: State) -> Found | None:
    """The cheapest settings for a goal from the rig's state ``start``; None when it cannot be reached."""
    if isinstance(goal, Ladder):
        run = ladder.find(situation, goal, start)
        return Found(run.choices, 0, ladder.left_out(situation, goal, run)) if run else None
    if isinstance(goal, Bracket):
        run = bracket.find(situation, goal, start)
        return Found(run.choices, bracket.middle(goal)) if run else None
    hold = goal.hold if isinstance(goal, Compare) else ()
    choices = solve_group(situation.ground, _demands(situation, goal), hold, situation.limits.spread, start)
    return Found(choices, 0) if choices else None


def criteria(situation: Situation, goal: Goal, part: int) -> tuple[str, ...]:
    """What one frame of a goal is held to."""
    one = parts(goal)[part] if isinstance(goal, Compare) else goal
    if isinstance(one, Ladder):
        return ladder.criteria(situation, one)
    if isinstance(one, Bracket):
        return bracket.criteria(situation, one)
    return FAMILIES[one.goal].criteria(situation, one)


def caption(situation: Situation, goal: Goal, choice: Choice, settings: Settings, seen: Predicted) -> str:
    """One sentence for a student about one frame."""
    one = parts(goal)[choice.part] if isinstance(goal, Compare) else goal
    if isinstance(one, Ladder):
        return ladder.caption(situation, one, settings, seen)
    if isinstance(one, Bracket):
        return bracket.caption(situation, one, settings, seen, choice.intended)
    return FAMILIES[one.goal].caption(situation, one, settings, seen)


def diagnose(situation: Situation, goal: Goal, title: str) -> Unreachable:
    """Why a goal cannot be reached, and what would help, best first."""
    possible = True
    if isinstance(goal, Ladder):
        reasons = ladder.reasons(situation, goal)
    elif isinstance(goal, Bracket):
        reasons = bracket.reasons(situation, goal)
    else:
        demands = _demands(situation, goal)
        possible = all(demands)
        reasons = _single_reasons(situation, goal, demands)
    return Unreachable(
        goal=title, reasons=tuple(reasons), remedies=tuple(remedies.remedies(situation, goal, reachable, possible))
    )


def reachable(situation: Situation, goal: Goal) -> bool:
    """Whether a goal can be reached at all, the rig being free."""
    return find(situation, goal, State(None, 0)) is not None


def _single_reasons(situation: Situation, goal: Goal, demands: Sequence[Sequence[Demand]]) -> list[str]:
    reasons = []
    for part in parts(goal):
        if not reachable(situation, part):
            alone = FAMILIES[part.goal].reasons(situation, part)
            reasons += [f"{name(part)}: {reason}" for reason in alone] if isinstance(goal, Compare) else alone
    if isinstance(goal, Compare) and not reasons:
        return compare.joint_reasons(situation, goal, [name(part) for part in goal.goals], demands)
    return reasons
