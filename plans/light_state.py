"""What the time-lapse controller takes in, remembers and decides, as plain data (`plans.light_control` acts on it).

Levels are EV100 [stops], brighter is more; rates are stops a second; what a rung's settings give is told in stops.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any, Literal

Limit = Literal["dark", "bright"]
_NONE = ("sharp", "sharp_best")  # fields of a stored state that may be None, or missing


@dataclass(frozen=True)
class Look:
    """How dark the night is wanted: ``depth`` stops below the day, reached ``span`` stops below ``begins_ev``.

    Between, it goes over smoothly (3x^2 - 2x^3). ``by_day``: wanted brightness against mid grey before that. The
    default is a matter of taste: common practice, no source. [stops]
    """

    depth: float = 2.0
    begins_ev: float = 6.0
    span: float = 12.0
    by_day: float = 0.0

    def offset(self, level: float) -> float:
        """Wanted brightness against mid grey at a level of light. [stops]"""
        x = min(max((self.begins_ev - level) / self.span, 0.0), 1.0)
        return self.by_day - self.depth * x * x * (3 - 2 * x)

    def light(self, level: float) -> float:
        """What settings should give at a level of light. [stops]"""
        return self.offset(level) - level


@dataclass(frozen=True)
class Tuning:
    """The controller's figures; stops and seconds.

    ``noise``: a reading's. ``walk``, ``swing``: how freely level and rate wander (variance a second). ``clip``: the
    largest pull by one frame that is darker than light can get so fast (a cloud, a person), ``flash``: by one that is
    brighter. ``drift``, ``alarm``: dead zone and threshold of the cumulative sum, in stops and in stop seconds;
    ``each_s``: the most that one frame counts there. ``adapt_s``: how fast the noise is learned. ``hold``, ``lean``,
    ``oppose``: hysteresis without a trend, with it and against it, in steps of the ladder. ``patience_s``: how long an
    error lasts before it is followed without or against a trend. ``trend``, ``sure``: smallest rate that counts as one,
    and in its own standard deviations. ``turn``, ``turn_s``: hysteresis in steps, and patience, before the settings
    turn back, within ``forget_s`` of the last move. ``reach_s``: how far ahead a rate is believed when nothing is read.
    ``blind``: clipped frames in a row before settings go down blindly. ``fog_s``, ``fog_memory_s``, ``fog_stops``: over
    how long detail is averaged and must be lost, how long its best is remembered, how much of it counts (halvings).
    """

    noise: float = 0.08
    swing: float = 1.3e-9
    walk: float = 1e-6
    clip: float = 0.33
    flash: float = 0.2
    drift: float = 0.15
    alarm: float = 28.0
    each_s: float = 60.0
    adapt_s: float = 200.0
    hold: float = 0.8
    lean: float = 0.56
    oppose: float = 1.15
    patience_s: float = 60.0
    trend: float = 1e-4
    sure: float = 0.5
    turn: float = 1.05
    turn_s: float = 45.0
    forget_s: float = 1200.0
    reach_s: float = 900.0
    blind: int = 4
    fog_s: float = 120.0
    fog_memory_s: float = 2400.0
    fog_stops: float = 1.0


@dataclass(frozen=True)
class Reading:
    """What one frame told.

    ``at_s``: when it was taken, since the run's start. [s] ``index``: its rung. ``brightness``: against mid grey, from
    linear light (RAW, or the JPEG through its fitted tone curve, `plans.tone`). [stops] ``clipped``, ``dark``: the
    reading stood at the end of the scale, so that it bounds the light only. ``sharpness``: fine detail against the
    picture's mean, on any scale that stays the same over the run; None: not measured. [unitless]
    """

    at_s: float
    index: int
    brightness: float
    clipped: bool = False
    dark: bool = False
    sharpness: float | None = None


@dataclass(frozen=True)
class State:
    """Everything the controller remembers; whole numbers, floats and None, so that it goes through JSON unharmed."""

    at_s: float
    level: float
    rate: float
    p_level: float
    p_cross: float
    p_rate: float
    noise: float
    up: float
    down: float
    index: int
    decided_s: float
    against_s: float = 0.0
    heading: int = 0
    moved_s: float = 0.0
    blind: int = 0
    unread: int = 0
    sharp: float | None = None
    sharp_best: float | None = None
    fog_s: float = 0.0

    def as_json(self) -> dict[str, float | int | None]:
        """Plain data, for the logbook."""
        return asdict(self)

    @classmethod
    def from_json(cls, tree: Mapping[str, Any]) -> State:
        """The state from plain data.

        Raises
        ------
        ValueError
            If a field is missing or unknown, or no finite number.
        """
        known = {one.name for one in fields(cls)}
        needed = {one.name for one in fields(cls) if one.name not in _NONE}
        if wrong := (set(tree) - known) | (needed - set(tree)):
            raise ValueError(f"a stored state of the light has the fields {sorted(known)}; wrong: {sorted(wrong)}")
        for name, value in tree.items():
            is_number = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
            if not is_number and not (value is None and name in _NONE):
                raise ValueError(f"{name} of a stored state of the light must be a number, found {value!r}")
        whole = {name: int(tree[name]) for name in ("index", "blind", "unread", "heading")}
        return cls(**{**tree, **whole})


@dataclass(frozen=True)
class Decision:
    """The settings for the next frame, and what the controller thinks.

    ``index``: the rung to set. ``level``: the light expected then [EV100]; ``wanted``: what settings should give then,
    for smoothing [stops]; ``error``: by how much the rung gives more (+) or less than that. [stops] ``rate``:
    [stops/s]. ``limit``: the light lies beyond this end of the ladder, None: within. ``surprise``: the reading was no
    light that the controller believes in. ``jumped``: the light was taken up anew. ``fogging``: detail is lost that
    falling light does not explain. ``unread``: frames without a reading up to now.
    """

    index: int
    level: float
    wanted: float
    error: float
    rate: float
    limit: Limit | None = None
    surprise: bool = False
    jumped: bool = False
    fogging: bool = False
    unread: int = 0
