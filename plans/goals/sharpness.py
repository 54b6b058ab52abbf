"""What the goals about depth share: the span between two subjects, f-numbers scaled by the sensor, the working limit.

An f-number of full frame, divided by the crop factor, has the same depth and the same share of diffraction on another
sensor at the same view: the circle of confusion scales with the diagonal, and the focal length for the view does too.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from plans.goals.situation import Situation
from plans.plan import ExposeStep
from plans.solver import Mask
from plans.stops import Mark, light_of

WORKING_LIMIT = 16.0  # f-number on full frame beyond which diffraction begins to show; common practice, no source
_MOST_SLACK = 0.25  # how far a mark may lie beyond a limit that falls between marks [stops]


def crop(situation: Situation) -> float:
    """Full frame's diagonal over this sensor's. [unitless]"""
    return situation.kit.body.sensor.crop


def scaled(situation: Situation, full_frame: float) -> float:
    """The f-number of this sensor that stands for one of full frame. [unitless]"""
    return full_frame / crop(situation)


def span_m(situation: Situation, first: str, last: str) -> tuple[float, float]:
    """From the near side of one subject to the far side of another, whichever is nearer. [m]"""
    ends = [situation.subject(first), situation.subject(last)]
    return min(end.nearest_m for end in ends), max(end.farthest_m for end in ends)


def within(situation: Situation, full_frame: float) -> Mask:
    """The apertures no narrower than an f-number of full frame, compared as marks: the nearest mark counts as it."""
    scale = situation.scale("aperture")
    slack = min(float(scale.step) / 2, _MOST_SLACK)
    least = light_of("aperture", scaled(situation, full_frame)) - slack
    return np.array([float(mark.light) >= least for mark in scale.marks], dtype=bool)


def limit_mark(situation: Situation) -> Mark | None:
    """The narrowest mark within the working limit; None when there is none."""
    marks = situation.marks("aperture", within(situation, WORKING_LIMIT))
    return marks[-1] if marks else None


def beyond_words(situation: Situation, frames: Sequence[ExposeStep]) -> str | None:
    """Which frames are shot at an aperture beyond the working limit, in a sentence; None for none."""
    limit = limit_mark(situation)
    beyond = [one for one in frames if limit is None or one.settings.aperture.exact > limit.exact * 1.0001]
    if not beyond:
        return None
    goals = list(dict.fromkeys(one.goal for one in beyond))
    narrowest = max(beyond, key=lambda one: one.settings.aperture.exact).settings.aperture.mark
    return (
        f"Beyond {limit_words(situation)} diffraction begins to soften what is in focus (common practice, no source): "
        f"down to {narrowest} in {'; '.join(goals)}."
    )


def limit_words(situation: Situation) -> str:
    """The working limit in words: ``f/16``, or ``f/10, which stands for f/16 on full frame``."""
    mark = limit_mark(situation)
    shown = mark.label if mark else f"f/{scaled(situation, WORKING_LIMIT):.1f}"
    same = abs(light_of("aperture", scaled(situation, WORKING_LIMIT)) - light_of("aperture", WORKING_LIMIT)) < 1 / 6
    return shown if same else f"{shown}, which stands for f/{WORKING_LIMIT:g} on full frame"
