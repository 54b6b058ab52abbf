"""What stands in the way of a goal, in numbers, and what would help."""

from __future__ import annotations

from collections import deque

from plans.brief import Bracket, Compare, FocusBracket, Goal, Ladder, Noise
from plans.goals import compare, finding, remedies
from plans.goals.families import SERIES, SETS, SINGLES, Frames
from plans.goals.situation import Situation
from plans.goals.windows import may_reach
from plans.plan import Unreachable
from plans.solver import State


def diagnose(situation: Situation, goal: Goal, title: str) -> Unreachable:
    """Why a goal cannot be reached, and what would help, best first."""
    possible = True
    if isinstance(goal, Ladder | Noise | Bracket):
        reasons = SERIES[goal.goal].reasons(situation, goal)
    else:
        several = finding.frames(situation, goal)
        possible = goal.goal in SETS or all(several)
        reasons = _reasons(situation, goal, several)
    return Unreachable(
        goal=title, reasons=tuple(reasons), remedies=tuple(remedies.remedies(situation, goal, reachable, possible))
    )


def reachable(situation: Situation, goal: Goal) -> bool:
    """Whether a goal can be reached at all, the rig being free."""
    if goal.goal in SETS and SETS[goal.goal].WIDENING:
        widest = deque(finding.stages(situation, goal), maxlen=1)
        return bool(widest) and finding.together(situation, goal, widest[0])
    if goal.goal in SETS:
        return finding.frames_and_known(situation, goal)[1]
    if not may_reach(situation, goal):
        return False
    if finding.is_series(goal):
        return finding.find(situation, goal, State(None, 0)) is not None
    several, known = finding.frames_and_known(situation, goal)
    return known or finding.together(situation, goal, several)


def _reasons(situation: Situation, goal: Goal, several: Frames) -> list[str]:
    names = [finding.frame_name(goal, part) for part in range(len(several))]
    if goal.goal in SETS:
        alone = SETS[goal.goal].reasons(situation, goal)
        ends = [0, -1] if isinstance(goal, FocusBracket) else list(range(len(several)))
        return alone or compare.joint_reasons(
            situation, finding.hold(goal), [names[n] for n in ends], [several[n] for n in ends]
        )
    reasons = []
    for part in finding.parts(goal):
        if not reachable(situation, part):
            alone = SINGLES[part.goal].reasons(situation, part)
            reasons += [f"{finding.name(part)}: {reason}" for reason in alone] if isinstance(goal, Compare) else alone
    return reasons or compare.joint_reasons(situation, finding.hold(goal), names, several)
