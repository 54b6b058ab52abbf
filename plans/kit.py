"""The kit: body, lens, filters, support, and within which limits they can be set.

Lengths on the sensor are in millimetres, distances in the scene in metres, as the field names say. What may be written
for it in a brief or kit file stands in `plans.kit_forms`.

"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from pydantic import BaseModel, ConfigDict

from plans.stops import Kind, Scale

FULL_FRAME_DIAGONAL_MM = 43.267  # 36 mm x 24 mm
FULL_FRAME_COC_MM = 0.03  # common practice, no source


class Sensor(BaseModel):
    """The sensor in landscape orientation."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    width_mm: float
    height_mm: float
    pixels: tuple[int, int]

    @property
    def coc_mm(self) -> float:
        """Circle of confusion: 0.03 mm on full frame, scaled by the sensor's diagonal. [mm] Common practice."""
        return FULL_FRAME_COC_MM * math.hypot(self.width_mm, self.height_mm) / FULL_FRAME_DIAGONAL_MM


class Body(BaseModel):
    """What the body can set. ``iso`` and ``time`` are whole scales; ``iso_native`` is the part that is not extended."""

    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True)

    name: str
    sensor: Sensor
    iso: Scale
    time: Scale
    iso_native: Scale


class Lens(BaseModel):
    """A lens at one focal length."""

    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True)

    focal_length_mm: float
    aperture: Scale
    nearest_focus_m: float
    focus_by: Literal["hand", "drive", "distance"] = "hand"


class Filter(BaseModel):
    """A neutral-density filter; ``stops`` is exact (density / 0.30103)."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str
    stops: float


class Kit(BaseModel):
    """Everything in the bag. All filters can be stacked."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    body: Body
    lens: Lens
    filters: tuple[Filter, ...] = ()
    support: Literal["tripod", "monopod", "hand"] = "tripod"


@dataclass
class Known:
    """What is known of the brief while its parts are read, in order; carried as pydantic's validation context.

    Scales come in one by one as they are read, so that goals can be held against them even when something else in
    the kit is wrong. ``camera`` holds the scales of the connected camera; None: there is none.
    """

    camera: Mapping[Kind, Scale] | None = None
    scales: dict[Kind, Scale] = field(default_factory=dict)
    focal_length_mm: float | None = None
    subjects: tuple[str, ...] | None = None
    distances_m: dict[str, float] = field(default_factory=dict)
