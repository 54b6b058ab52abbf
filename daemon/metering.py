"""What the metering frame says: pure decisions on numbers, no camera, no file.

The light is EV100 as the plan counts it. A metering frame taken at known settings, with a known prediction, shows how
far the light lies from the plan.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

RETARGET_ABOVE = 1 / 3  # stops; the step of most cameras
ASK_ABOVE = 2.0  # stops; more than any meter is off: a filter left on, another place, another hour
MEASURABLE = 2.0  # stops from mid grey within which an 8-bit picture tells its brightness well
SATURATED = 2.3  # stops above mid grey: white is 2.47 above 18 %, so here most of the middle third is clipped
FARTHEST_MOVE = 4.0  # stops; the next metering frame moves no farther than this at once

Decision = Literal["hold", "retarget", "ask"]


@dataclass(frozen=True)
class Metered:
    """The light as metered. ``error`` is metered minus planned EV100. [stops]"""

    ev100: float
    error: float
    decision: Decision


def judge_light(planned_ev100: float, expected_level: float, measured_level: float) -> Metered:
    """Compare a metering frame with the plan.

    Parameters
    ----------
    planned_ev100
        The light the plan counts on. [stops]
    expected_level
        Where the frame's settings should have put the brightness, against mid grey, in that light. [stops]
    measured_level
        Where it was found. [stops]
    """
    error = measured_level - expected_level
    size = abs(error)
    decision: Decision = "ask" if size > ASK_ABOVE else "retarget" if size > RETARGET_ABOVE else "hold"
    return Metered(planned_ev100 + error, error, decision)


def next_move(level: float) -> float | None:
    """Stops of light by which the next metering frame should differ, or None when this one can be believed.

    ``level`` is the median of the middle third against mid grey [stops]: a bright sky above or a white wall in a corner
    does not count. Near white the level is only a bound, so the step is the longest one.
    """
    if level >= SATURATED:
        return -FARTHEST_MOVE
    if abs(level) > MEASURABLE:
        return -max(-FARTHEST_MOVE, min(FARTHEST_MOVE, level))
    return None
