"""Noise: what ISO does, shown by a ladder of ISO with the exposure time balancing.

Light comes in photons, counted at random: the noise of a signal is its square root, so that half the light leaves a
signal-to-noise ratio lower by the square root of two, 3 dB a stop.
Source: Poisson statistics; sigma^2 = signal + read noise^2, the read noise left out, which only adds to it in the dark.
"""

from __future__ import annotations

import math

from plans.brief import Ladder, Noise
from plans.goals import ladder, words
from plans.goals.situation import Situation
from plans.plan import Predicted, Settings
from plans.series import Rail, Run
from plans.solver import State


def as_ladder(goal: Ladder | Noise) -> Ladder:
    """The ladder that the series is; a ladder as it is."""
    if isinstance(goal, Ladder):
        return goal
    return Ladder(
        change="iso", by=goal.by, balance="time", hold=("aperture",), focus=goal.focus, first=goal.first, last=goal.last
    )


def rails(situation: Situation, goal: Ladder | Noise) -> tuple[list[Rail], list[str]]:
    """The series of marks that the goal allows, and complaints that leave none."""
    return ladder.rails(situation, as_ladder(goal))


def name(goal: Noise) -> str:
    """The goal in a few words."""
    return f"noise of ISO by {words.stops(goal.by)}, exposure time balancing"


def find(situation: Situation, goal: Noise, start: State) -> Run | None:
    """The rungs to shoot; None when the series cannot be reached."""
    return ladder.find(situation, as_ladder(goal), start)


def left_out(situation: Situation, goal: Noise, run: Run) -> tuple[str, ...]:
    """ISO marks that were not taken, and why."""
    return ladder.left_out(situation, as_ladder(goal), run)


def snr_factor(stops: float) -> float:
    """By what factor the signal-to-noise ratio of photon noise falls with so many stops less light. [unitless]"""
    return float(math.sqrt(2.0) ** stops)


def decibels(stops: float) -> float:
    """The same fall in decibels, 20 log10 of the factor: 3.01 a stop. [dB]"""
    return 20 * math.log10(snr_factor(stops))


def criteria(situation: Situation, goal: Noise) -> tuple[str, ...]:
    """What the frames are held to."""
    return (
        f"ISO changes by {words.stops(goal.by)} from frame to frame, the exposure time keeps the brightness; aperture, "
        "focus and filters stay the same",
        "each stop has half the light: the signal-to-noise ratio of its photons falls by the square root of two, 3 dB "
        "(Poisson statistics); the camera's own noise comes on top",
    )


def caption(situation: Situation, goal: Noise, settings: Settings, seen: Predicted) -> str:
    """One sentence for a student."""
    head, above = words.shot(settings), seen.iso_above_base
    if above is None:
        return f"{head}: which ISO of this body is native is not known, so no noise is told."
    if abs(above) < 1e-6:
        return f"{head}: the lowest native ISO, from all the light that is right for it, with the least noise."
    light = words.figures(2 ** abs(above), 3)
    ratio, loss = words.figures(snr_factor(abs(above)), 2), words.figures(decibels(abs(above)), 2)
    if above > 0:
        return (
            f"{head}: {words.stops(above)} above the lowest native ISO, from 1/{light} of the light; relative to "
            f"the picture its photon noise is {ratio} times as strong, {loss} dB."
        )
    return (
        f"{head}: {words.stops(-above)} below the lowest native ISO, on the extended range, from {light} times the "
        "light; bright parts clip that much sooner."
    )


def reasons(situation: Situation, goal: Noise) -> list[str]:
    """Why the series cannot be reached."""
    return ladder.reasons(situation, as_ladder(goal))
