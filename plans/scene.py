"""The scene: light, and subjects with distances, depths and speeds. The forms stand in `plans.scene_forms`."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import Literal

from pydantic import BaseModel, ConfigDict

Sky = Literal["clear", "hazy", "cloudy bright", "overcast"]
Origin = Literal["brief", "forecast", "guess"]
Region = tuple[float, float, float, float]


class Light(BaseModel):
    """The light on the scene as an exposure value at ISO 100. [stops]

    ``origin``: the brief's own word (EV, illuminance or a meter's reading), a forecast from the ``sky`` with its
    bounds, or a guess that the metering frame is to replace. ``told``: how the brief put it, in words.
    ``spot``: a meter's reading, which with the intent of white water was held on the lightest part.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    ev100: float
    origin: Origin = "brief"
    low: float | None = None
    high: float | None = None
    sky: Sky | None = None
    told: str = ""
    spot: bool = False


class Subject(BaseModel):
    """Something in the picture. Its ``depth_m`` reaches half to the front and half to the back of ``distance_m``.

    ``direction_deg``: between its path and the view; 90 is straight across, 0 towards the camera or away. ``height_m``:
    None, not told. ``foliage``: the wind moves it. ``region``: where it is in the picture, left, top, width and height
    as shares of the frame; None, not told. [m], [m/s], [degrees]
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str
    distance_m: float
    depth_m: float = 0.0
    speed_m_s: float = 0.0
    direction_deg: float = 90.0
    height_m: float | None = None
    foliage: bool = False
    region: Region | None = None

    @property
    def across_m_s(self) -> float:
        """The part of the speed that smears: straight across the view. Zero on a path straight to the camera. [m/s]"""
        return self.speed_m_s * math.sin(math.radians(self.direction_deg))

    @property
    def nearest_m(self) -> float:
        """Distance of the subject's near side. [m]"""
        return self.distance_m - self.depth_m / 2

    @property
    def farthest_m(self) -> float:
        """Distance of the subject's far side. [m]"""
        return self.distance_m + self.depth_m / 2


Near = Literal["water", "coast", "mains", "people", "road"]


class Site(BaseModel):
    """What can hurt at this place. ``high_water`` and ``leave_by`` are local times of the day, ``16:40``."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    near: tuple[Near, ...] = ()
    high_water: str | None = None
    leave_by: str | None = None
    cold: bool = False


class Scene(BaseModel):
    """Light and subjects, by name.

    ``facing_deg``: where the camera looks, clockwise from north. ``wind_m_s``: None, not told. ``mains_hz``: 50 or 60
    where lamps on the mains light the scene. ``intent``: how much brighter than metered the pictures are meant to be.
    [degrees], [m/s], [Hz], [stops]
    """

    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True)

    light: Light
    subjects: dict[str, Subject]
    facing_deg: float | None = None
    wind_m_s: float | None = None
    mains_hz: int | None = None
    intent: Fraction = Fraction(0)
    site: Site = Site()
