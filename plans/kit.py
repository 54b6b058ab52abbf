"""The kit: body, lens, filters, support, and within which limits they can be set.

Lengths on the sensor are in millimetres, distances in the scene in metres, as the field names say. What may be written
for it in a brief or kit file stands in `plans.kit_forms`.

"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from pydantic import BaseModel, ConfigDict

from plans import motion
from plans.stops import Kind, Mark, Scale

if TYPE_CHECKING:
    from datetime import datetime

    from plans.brief import Place

FULL_FRAME_DIAGONAL_MM = 43.267  # 36 mm x 24 mm
FULL_FRAME_COC_MM = 0.03  # common practice, no source


class Sensor(BaseModel):
    """The sensor in landscape orientation."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    width_mm: float
    height_mm: float
    pixels: tuple[int, int]

    @property
    def crop(self) -> float:
        """Diagonal of the full frame over this sensor's. [unitless]"""
        return FULL_FRAME_DIAGONAL_MM / math.hypot(self.width_mm, self.height_mm)

    @property
    def coc_mm(self) -> float:
        """Circle of confusion: 0.03 mm on full frame, scaled by the sensor's diagonal. [mm] Common practice."""
        return FULL_FRAME_COC_MM * math.hypot(self.width_mm, self.height_mm) / FULL_FRAME_DIAGONAL_MM


Shutter = Literal["mechanical", "first curtain", "electronic"]
Support = Literal["tripod", "monopod", "hand"]


class Body(BaseModel):
    """What the body can set. ``iso`` and ``time`` are whole scales; ``iso_native`` is the part that is not extended.

    ``time`` holds the times of a bulb exposure too, from the first after ``bulb_above_s`` on; None: there are none.
    ``flash_sync_s``: shortest time with flash. ``card_mb``, ``frame_mb`` and ``battery_frames``: what the card and a
    full battery hold, and what one picture takes. None: not told. [s], [MB], [unitless]
    """

    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True)

    name: str
    sensor: Sensor
    iso: Scale
    time: Scale
    iso_native: Scale
    bulb_above_s: float | None = None
    flash_sync_s: float | None = None
    shutters: tuple[Shutter, ...] = ()
    card_mb: float | None = None
    frame_mb: float | None = None
    battery_frames: int | None = None


class Zoom(BaseModel):
    """The range of a zoom lens. [mm]

    ``widest``: f-numbers, as exact values, of the largest aperture at some focal lengths, ascending; between them the
    next longer one counts. ``aperture``: the scale from the largest aperture anywhere.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True)

    shortest_mm: float
    longest_mm: float
    widest: tuple[tuple[float, float], ...] = ()
    aperture: Scale

    def aperture_at(self, focal_mm: float) -> Scale:
        """The aperture scale at one focal length: what lies wider than the largest aperture there is left out."""
        at = next((exact for focal, exact in self.widest if focal_mm <= focal * (1 + 1e-9)), None)
        if at is None and self.widest:
            at = self.widest[-1][1]
        marks = self.aperture.marks if at is None else tuple(m for m in self.aperture.marks if m.exact > at * 0.999)
        return Scale("aperture", marks, self.aperture.series)


class Lens(BaseModel):
    """A lens at one focal length; ``zoom`` tells what else it could be set to."""

    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True)

    focal_length_mm: float
    aperture: Scale
    nearest_focus_m: float
    focus_by: Literal["hand", "drive", "distance"] = "hand"
    zoom: Zoom | None = None


class Filter(BaseModel):
    """A filter; ``stops`` is exact (density / 0.30103), or as measured on this one.

    ``polariser``: its ``stops`` are those with reflections let through, ``most_stops`` those with most of them taken
    away. ``stacks``: may be screwed onto or under another one. ``cast``: the colour it is known to add, in words.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str
    stops: float
    kind: Literal["neutral", "polariser"] = "neutral"
    most_stops: float | None = None
    stacks: bool = True
    cast: str | None = None


class Corrections(BaseModel):
    """What was measured on this lens and shutter: stops by which a mark's light differs from its exact value.

    Positive is brighter; keys are the marks' labels. [stops]
    ``tone``: the body's tone curve: the light of a level y against mid grey is tone[0]*y + tone[1]*y^2 + ... [stops]
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    aperture: dict[str, float] = {}
    time: dict[str, float] = {}
    tone: tuple[float, ...] = ()

    def of(self, mark: Mark) -> float:
        """The correction of one mark; zero where nothing was measured. [stops]"""
        known = {"aperture": self.aperture, "time": self.time}.get(mark.kind, {})
        return known.get(mark.label, 0.0)


class Kit(BaseModel):
    """Everything in the bag.

    ``cautious``: without a tripod the stricter rule, 1/(2 f), limits the exposure time, else 1/f. ``gain``: how many
    stops longer than that this support keeps still; None: as is commonly counted. [stops]
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    body: Body
    lens: Lens
    filters: tuple[Filter, ...] = ()
    support: Support = "tripod"
    cautious: bool = False
    gain: float | None = None
    corrections: Corrections = Corrections()

    @property
    def steadied(self) -> float:
        """Stops longer than by hand that this support keeps still: the kit's own, else 2 on a monopod. [stops]"""
        if self.gain is not None:
            return self.gain
        return float(motion.MONOPOD_GAIN) if self.support == "monopod" else 0.0

    def longest_held_s(self, focal_mm: float) -> float:
        """Longest time commonly kept still without a tripod, 1/f lengthened by what the support gains. [mm], [s]

        References
        ----------
        `plans.motion.longest_hand_held_s`; all of it is common practice, no source.
        """
        by_hand = motion.longest_hand_held_s(focal_mm, self.body.sensor.crop, self.cautious)
        return float(by_hand * 2.0**self.steadied)


@dataclass
class Known:
    """What is known of the brief while its parts are read, in order; carried as pydantic's validation context.

    Scales come in one by one as they are read, so that goals can be held against them even when something else in
    the kit is wrong. ``camera`` holds the scales of the connected camera; None: there is none. ``unsure``: parts
    that are written, but wrong.
    """

    camera: Mapping[Kind, Scale] | None = None
    scales: dict[Kind, Scale] = field(default_factory=dict)
    focal_length_mm: float | None = None
    place: Place | None = None
    when: datetime | None = None
    unsure: set[str] = field(default_factory=set)
    mains_hz: int | None = None
    subjects: tuple[str, ...] | None = None
    distances_m: dict[str, float] = field(default_factory=dict)
