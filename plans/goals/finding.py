"""Settings for any goal, or what stands in the way."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from plans.brief import Bracket, Compare, Deep, Goal, Held, Ladder, Noise, Timelapse
from plans.goals import bracket, compare, deep, ladder, noise, words
from plans.goals.families import SERIES, SETS, SINGLES, Frames
from plans.goals.situation import Situation
from plans.group import group_menu
from plans.menu import Menu
from plans.plan import Predicted, Settings
from plans.series import Run
from plans.solver import Choice, Demand, State, allowed


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
    if isinstance(goal, Timelapse):
        return f"time-lapse every {words.figures(goal.interval_s)} s"
    if goal.goal in SINGLES:
        return SINGLES[goal.goal].name(goal)
    return SETS[goal.goal].name(goal) if goal.goal in SETS else SERIES[goal.goal].name(goal)


def frame_name(goal: Goal, part: int) -> str:
    """One frame of a goal in a few words; the goal's own name where its frames have none."""
    if isinstance(goal, Compare):
        return name(goal.goals[part])
    return SETS[goal.goal].frame_name(goal, part) if goal.goal in SETS else name(goal)


def parts(goal: Goal) -> tuple[Goal, ...]:
    """The single goals that a goal is made of; itself if it is one."""
    return goal.goals if isinstance(goal, Compare) else (goal,)


def is_series(goal: Goal) -> bool:
    """Whether a goal's frames are a series, searched by `plans.series`."""
    return isinstance(goal, Ladder | Noise | Bracket)


def hold(goal: Goal) -> tuple[Held, ...]:
    """Settings that are the same in all frames of a goal that is no series."""
    if isinstance(goal, Compare):
        return goal.hold
    return SETS[goal.goal].HOLD if goal.goal in SETS else ()


def reference(goal: Goal) -> int:
    """Which of a goal's frames the others are compared with."""
    return bracket.middle(goal) if isinstance(goal, Bracket) else 0


def also_changed(goal: Goal, changed: Sequence[str]) -> str | None:
    """What a comparison had to change besides what it asks for, as a criterion of its group."""
    return compare.also_changed(goal, changed) if isinstance(goal, Compare) else None


def stages(situation: Situation, goal: Goal) -> Iterator[Frames]:
    """Every way in which the frames of a goal may be taken, the most wished first, in any light; not for series."""
    if isinstance(goal, Ladder | Noise | Bracket):
        raise ValueError(f"the frames of a {goal.goal} are found by its own search")
    if goal.goal in SETS:
        yield from SETS[goal.goal].stages(situation, goal)
        return
    several = _ways(situation, goal)
    yield from ([ways[min(n, len(ways) - 1)] for ways in several] for n in range(max(map(len, several))))


def _ways(situation: Situation, goal: Goal) -> list[list[list[Demand]]]:
    """For each part of a goal its demands, the most wished first."""
    known = situation.in_any_light
    return [
        known(deep.stages, part) if isinstance(part, Deep) else [known(SINGLES[part.goal].demands, part)]
        for part in parts(goal)
    ]


def frames(situation: Situation, goal: Goal) -> Frames:
    """What each frame of a goal asks for, one demand a focus it may have; not for series.

    The most wished way of taking them that can be had; where none can, the last of them. An empty frame: nothing on the
    scales can do.
    """
    return frames_and_known(situation, goal)[0]


def frames_and_known(situation: Situation, goal: Goal) -> tuple[Frames, bool]:
    """The frames, and whether it is known by now that they can be had together."""
    if goal.goal in SETS or is_series(goal):
        last: Frames = [[]]
        alone: dict[tuple[object, ...], bool] = {}  # stages share those of the frames that they do not vary
        kept = []  # so that no identity is given twice

        def can_be_had(several: Frames) -> bool:
            kept.append(several)
            for demands in several:
                key = tuple(id(part) for one in demands for part in one[:-1])  # all but what a frame is tied to
                if key not in alone:
                    alone[key] = _alone(situation, demands)
                if not alone[key]:
                    return False
            return _fit(situation, goal, several)

        several_ways = stages(situation, goal)
        for last in several_ways:
            if can_be_had(last):
                return last, True
            break
        left = list(several_ways)
        if left and goal.goal in SETS and SETS[goal.goal].WIDENING and not can_be_had(left[-1]):
            return left[-1], False  # what the widest of them cannot, none can
        for last in left:
            if can_be_had(last):
                return last, True
        return last, False
    several = _ways(situation, goal)
    widest = [ways[-1] for ways in several]
    if all(len(ways) == 1 for ways in several):
        return widest, False
    first = [next((one for one in ways if _alone(situation, one)), ways[-1]) for ways in several]
    if len(first) == 1 or together(situation, goal, first):
        return first, len(first) > 1
    return widest, False


def _alone(situation: Situation, demands: Sequence[Demand]) -> bool:
    """Whether one frame can be had by itself."""
    ground = situation.ground
    return any(allowed(ground, one, ground.survivors(one.loss, one.intended)).any() for one in demands)


def together(situation: Situation, goal: Goal, several: Frames) -> bool:
    """Whether all frames can be had, with what is held the same."""
    return all(_alone(situation, demands) for demands in several) and _fit(situation, goal, several)


def _fit(situation: Situation, goal: Goal, several: Frames) -> bool:
    """Whether frames that can each be had alone can be had together."""
    return len(several) == 1 or menu(situation, goal, several) is not None


def menu(situation: Situation, goal: Goal, several: Frames) -> Menu | None:
    """What can be had for these frames of a goal; None when nothing can. Not for series."""
    known = situation.menus
    if id(several) not in known:  # held together with its menu, so that no identity is given twice
        known[id(several)] = several, group_menu(situation.ground, several, hold(goal), situation.limits.spread)
    return known[id(several)][1]


def find(situation: Situation, goal: Goal, start: State) -> Found | None:
    """The cheapest settings for a goal from the rig's state ``start``; None when it cannot be reached."""
    if isinstance(goal, Ladder | Noise | Bracket):
        run = SERIES[goal.goal].find(situation, goal, start)
        if run is None:
            return None
        return Found(run.choices, reference(goal), left_out(situation, goal, run))
    several = frames(situation, goal)
    if not all(several):
        return None
    found = menu(situation, goal, several)
    if found is None:
        return None
    choices = found.best(start).choices
    return Found(choices, [choice.part for choice in choices].index(reference(goal)))


def left_out(situation: Situation, goal: Ladder | Noise | Bracket, run: Run) -> tuple[str, ...]:
    """Rungs that a series did not take, and why."""
    if isinstance(goal, Bracket):
        return ()
    return ladder.left_out(situation, goal, run) if isinstance(goal, Ladder) else noise.left_out(situation, goal, run)


def criteria(situation: Situation, goal: Goal, part: int) -> tuple[str, ...]:
    """What one frame of a goal is held to."""
    one = parts(goal)[part] if isinstance(goal, Compare) else goal
    if one.goal in SETS:
        return SETS[one.goal].criteria(situation, one, part)
    if one.goal in SERIES:
        return SERIES[one.goal].criteria(situation, one)
    return SINGLES[one.goal].criteria(situation, one)


def caption(situation: Situation, goal: Goal, choice: Choice, settings: Settings, seen: Predicted) -> str:
    """One sentence for a student about one frame."""
    one = parts(goal)[choice.part] if isinstance(goal, Compare) else goal
    if isinstance(one, Ladder):
        return ladder.caption(situation, one, settings, seen)
    if isinstance(one, Noise):
        return noise.caption(situation, one, settings, seen)
    if isinstance(one, Bracket):
        return bracket.caption(situation, one, settings, seen, choice.intended)
    if one.goal in SETS:
        return SETS[one.goal].caption(situation, one, choice, settings, seen)
    return SINGLES[one.goal].caption(situation, one, settings, seen)
