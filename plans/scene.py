"""The scene: light, and subjects with distances, depths and speeds. The forms stand in `plans.scene_forms`."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Light(BaseModel):
    """The light on the scene as an exposure value at ISO 100. [stops]"""

    model_config = ConfigDict(frozen=True, extra="forbid")

    ev100: float


class Subject(BaseModel):
    """Something in the picture. Its ``depth_m`` reaches half to the front and half to the back of ``distance_m``."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str
    distance_m: float
    depth_m: float = 0.0
    speed_m_s: float = 0.0

    @property
    def nearest_m(self) -> float:
        """Distance of the subject's near side. [m]"""
        return self.distance_m - self.depth_m / 2

    @property
    def farthest_m(self) -> float:
        """Distance of the subject's far side. [m]"""
        return self.distance_m + self.depth_m / 2


class Scene(BaseModel):
    """Light and subjects, by name."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    light: Light
    subjects: dict[str, Subject]
