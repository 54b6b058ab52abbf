"""What can be had for each goal of a brief, by the state of the rig before and after it."""

from __future__ import annotations

from dataclasses import dataclass

from plans.brief import Bracket, Goal, Ladder, Noise
from plans.exposure import magnification_loss
from plans.goals import bracket, finding, ladder, noise
from plans.goals.finding import Found
from plans.goals.situation import Situation
from plans.menu import Menu
from plans.series import Quest, Rail, Runs, series_menu, series_runs
from plans.solver import Choice


@dataclass(frozen=True)
class Offer:
    """A goal's menu; ``runs`` are a series' own, by the filters on the lens."""

    goal: Goal
    menu: Menu
    runs: Runs | None = None

    def found(self, situation: Situation, choices: tuple[Choice, ...]) -> Found:
        """The choices with their reference and what was left out."""
        if self.runs is None or not isinstance(self.goal, Bracket | Ladder | Noise):
            parts = [choice.part for choice in choices]
            return Found(choices, parts.index(finding.reference(self.goal)))
        run = self.runs[choices[0].filters][1]
        return Found(choices, finding.reference(self.goal), finding.left_out(situation, self.goal, run))


def offer(situation: Situation, goal: Goal) -> Offer | None:
    """What can be had for a goal; None when it cannot be reached."""
    if not isinstance(goal, Bracket | Ladder | Noise):
        menu = finding.menu(situation, goal, finding.frames(situation, goal))
        return Offer(goal, menu) if menu else None
    runs = _runs(situation, goal)
    series = series_menu(situation.ground, runs, situation.focus_on(goal.focus))
    shortest = 1 if isinstance(goal, Bracket) else 2
    if series is None or max(len(run.choices) for _, run in runs.values()) < shortest:
        return None
    return Offer(goal, series, runs)


def _runs(situation: Situation, goal: Bracket | Ladder | Noise) -> Runs:
    name = goal.focus
    distance = situation.subject(name).distance_m
    if not situation.can_focus(distance):
        return {}
    loss = magnification_loss(situation.magnification(distance))
    rails: list[Rail]
    if isinstance(goal, Bracket):
        rails = situation.in_any_light(bracket.rails, goal)
        quest = Quest(goal.change, None, None, situation.focus_on(name), loss, situation.limits.spread, True)
    else:
        steps = noise.as_ladder(goal)
        rails = situation.in_any_light(noise.rails, goal)[0]
        quest = Quest(
            steps.change, steps.balance, steps.then, situation.focus_on(name), loss, situation.limits.spread,
            ladder.is_fixed(steps),
        )  # fmt: skip
    return series_runs(situation.ground, rails, quest)
