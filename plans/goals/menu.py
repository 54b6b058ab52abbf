"""What can be had for each goal of a brief, by the state of the rig before and after it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from plans.brief import Bracket, Goal, Ladder, Noise
from plans.exposure import magnification_loss
from plans.goals import bracket, finding, ladder
from plans.goals.finding import Found
from plans.goals.situation import Situation
from plans.group import cost_in_order, group_menu, state_of
from plans.menu import FixedMenu, Menu, Way
from plans.series import Quest, Rail, Runs, series_menu, series_runs
from plans.solver import Choice, Demand, Held, State
from plans.stops import KINDS


@dataclass(frozen=True)
class Offer:
    """A goal's menu; ``runs`` are a series' own, by the filters on the lens."""

    goal: Goal
    menu: Menu
    runs: Runs | None = None

    def found(self, situation: Situation, choices: tuple[Choice, ...]) -> Found:
        """The choices with their reference and what was left out."""
        if isinstance(self.goal, Bracket):
            return Found(choices, bracket.middle(self.goal))
        if self.runs is None or not isinstance(self.goal, Ladder | Noise):
            parts = [choice.part for choice in choices]
            return Found(choices, parts.index(finding.reference(self.goal)))
        run = self.runs[choices[0].filters][1]
        return Found(choices, 0, ladder.left_out(situation, as_ladder(self.goal), run))


def as_ladder(goal: Ladder | Noise) -> Ladder:
    """A noise series is a ladder of ISO, the exposure time balancing."""
    if isinstance(goal, Ladder):
        return goal
    return Ladder(
        change="iso", by=goal.by, balance="time", hold=("aperture",), focus=goal.focus, first=goal.first, last=goal.last
    )


def offer(situation: Situation, goal: Goal) -> Offer | None:
    """What can be had for a goal; None when it cannot be reached."""
    if not isinstance(goal, Bracket | Ladder | Noise):
        frames, hold = finding.frames(situation, goal), finding.hold(goal)
        one_way = len(frames) > 2 and set(KINDS) | {"filters"} <= set(hold) and "focus" not in hold
        menu: Menu | None
        if one_way and finding.ask_alike(frames):
            menu = _alike(situation, frames, hold)
        else:
            menu = group_menu(situation.ground, frames, hold, situation.limits.spread)
        return Offer(goal, menu) if menu else None
    runs = _runs(situation, goal)
    series = series_menu(runs, situation.focus_on(goal.focus))
    shortest = 1 if isinstance(goal, Bracket) else 2
    if series is None or max(len(run.choices) for _, run in runs.values()) < shortest:
        return None
    return Offer(goal, series, runs)


def _alike(situation: Situation, frames: Sequence[Sequence[Demand]], hold: Sequence[Held]) -> Menu | None:
    """Frames that differ in their focus only: those that lose least and most to magnification decide for all.

    They are shot from one end to the other.
    """
    ground = situation.ground
    losses = [demands[0].loss for demands in frames]
    ends = sorted((losses.index(min(losses)), losses.index(max(losses))))
    if ends[0] == ends[1]:
        ends = [0, len(frames) - 1]
    pair = group_menu(ground, [frames[n] for n in ends], hold, situation.limits.spread)
    if not isinstance(pair, FixedMenu):
        return None
    ways: dict[tuple[State, State], Way] = {}
    for way in pair.ways.values():
        one = min(way.choices, key=lambda choice: choice.part)
        base = frames[ends[0]][0].loss
        choices = tuple(
            one._replace(
                part=part,
                focus=demand.focus,
                offset=one.offset + ground.target(demand.loss) - ground.target(base),
                focal_mm=demand.focal_mm,
                turned=demand.turned,
            )
            for part, (demand,) in enumerate(frames)
        )
        for several in (choices, choices[::-1]):
            key = state_of(several[0]), state_of(several[-1])
            cost = cost_in_order(ground, several)
            if key not in ways or cost < ways[key].cost:
                ways[key] = Way(cost, several)
    return FixedMenu(ways) if ways else None


def _runs(situation: Situation, goal: Bracket | Ladder | Noise) -> Runs:
    name = goal.focus
    distance = situation.subject(name).distance_m
    if not situation.can_focus(distance):
        return {}
    loss = magnification_loss(situation.magnification(distance))
    rails: list[Rail]
    if isinstance(goal, Bracket):
        rails = bracket.rails(situation, goal)
        quest = Quest(goal.change, None, None, situation.focus_on(name), loss, situation.limits.spread, True)
    else:
        steps = as_ladder(goal)
        rails = ladder.rails(situation, steps)[0]
        quest = Quest(
            steps.change, steps.balance, steps.then, situation.focus_on(name), loss, situation.limits.spread,
            ladder.is_fixed(steps),
        )  # fmt: skip
    return series_runs(situation.ground, rails, quest)
