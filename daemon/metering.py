"""What the metering frame says: pure decisions on numbers, no camera, no file.

The light is EV100 as the plan counts it. A metering frame taken at known settings, with a known prediction, shows how
far the light lies from the plan. A camera's tone curve bends what lies away from mid grey, so that frames are taken
closer and closer to it, and between bounds where a frame shows no more than a bound.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

RETARGET_ABOVE = 1 / 3  # stops; the step of most cameras
ASK_ABOVE = 2.0  # stops; more than any meter is off: a filter left on, another place, another hour
CLOSE = 2 / 3  # stops from mid grey within which a tone curve of slope 0.7 to 1.6 costs less than 0.4 stop
SATURATED = 2.3  # stops above mid grey: white is 2.47 above 18 %, so here most of the middle third is clipped
DARK = -6.0  # stops: noise and the curve's toe, no more than a bound
NARROWEST = 0.6  # stops between two bounds; where nothing lies in so little, one of them is of another light
FLATTEST, STEEPEST = 0.7, 1.6  # slopes of tone curves in stops [unitless]; see CLOSE
FARTHEST_MOVE = 4.0  # stops; the next metering frame moves no farther than this at once
WHITE = 2.2  # stops above mid grey for the lights of a texture: white, 2.47, less what settings may miss

Decision = Literal["hold", "retarget", "ask"]


@dataclass(frozen=True)
class Metered:
    """The light as metered. ``error`` is metered minus planned EV100. [stops]"""

    ev100: float
    error: float
    decision: Decision


def judge_light(
    planned_ev100: float, expected_level: float, measured_level: float, ask_above: float = ASK_ABOVE
) -> Metered:
    """Compare a metering frame with the plan.

    Parameters
    ----------
    planned_ev100
        The light the plan counts on. [stops]
    expected_level
        Where the frame's settings should have put the brightness, against mid grey, in that light. [stops]
    measured_level
        Where it was found. [stops]
    ask_above
        An error from which on the operator decides. [stops]
    """
    error = measured_level - expected_level
    size = abs(error)
    decision: Decision = "ask" if size > ask_above else "retarget" if size > RETARGET_ABOVE else "hold"
    return Metered(planned_ev100 + error, error, decision)


def highlight_level(bright: float, top: float, intent: float) -> float:
    """The light's level by the brightest part, lowered pictures included where its own lights would clip. [stops]

    Parameters
    ----------
    bright
        Where the brightest part lies in the metering frame, against mid grey. [stops]
    top
        Where the lights of its texture lie. [stops]
    intent
        How far above mid grey the pictures are to have the brightest part. [stops]
    """
    return bright + max(0.0, top - bright + intent - WHITE)


@dataclass
class Search:
    """Finds settings whose frame lies close to mid grey, told one frame after the other.

    ``dark`` and ``bright``: light of settings, in stops, that is known to be too little and too much.
    """

    dark: float | None = field(default=None, init=False)
    bright: float | None = field(default=None, init=False)
    _told: tuple[float, float] | None = field(default=None, init=False)

    def next_move(self, light: float, level: float, clipped: bool = False) -> float | None:
        """Stops of light by which the next frame should differ; None when this one can be believed.

        Parameters
        ----------
        light
            What the frame's settings give. [stops]
        level
            Where what is metered lies in it, against mid grey. [stops]
        clipped
            Whether that is clipped, so that the level is only a bound.
        """
        bound_only = clipped or level >= SATURATED or level <= DARK
        if not bound_only and abs(level) <= CLOSE:
            return None
        if level > 0 or clipped:
            self.bright = light
            if self.dark is not None and light - self.dark < NARROWEST:
                self.dark = None  # the light has changed meanwhile
        else:
            self.dark = light
            if self.bright is not None and self.bright - light < NARROWEST:
                self.bright = None
        if bound_only and self.dark is not None and self.bright is not None:
            return (self.dark + self.bright) / 2 - light
        if bound_only:
            return -FARTHEST_MOVE if level > 0 or clipped else FARTHEST_MOVE
        steep = self._steepness(light, level)
        move = -max(-FARTHEST_MOVE, min(FARTHEST_MOVE, level / steep))
        if self.dark is not None and self.bright is not None and not self.dark < light + move < self.bright:
            move = (self.dark + self.bright) / 2 - light
        return move

    def _steepness(self, light: float, level: float) -> float:
        """By how much the frames come out lighter for each stop more light, by the last two that tell. [unitless]"""
        before, self._told = self._told, (light, level)
        if before is None or abs(light - before[0]) < NARROWEST:
            return 1.0
        return min(STEEPEST, max(FLATTEST, (level - before[1]) / (light - before[0])))
