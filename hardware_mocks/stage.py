"""The layers of a scene in the moment of a shot: what is where, how far off, and how it moves."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from hardware_mocks import lens, rig
from hardware_mocks.garden import Garden
from hardware_mocks.lens import Raster, Region
from hardware_mocks.moving import swings
from hardware_mocks.script import SceneScript, Target
from hardware_mocks.shot import Optics, Shot, Stand
from hardware_mocks.spread import Spread, centred, line
from hardware_mocks.targets import draw
from hardware_mocks.water import exposed_fall

Path = NDArray[np.float64]
_NEAREST_M = 0.05  # what is nearer is passed


@dataclass(frozen=True)
class Layer:
    """One layer.

    Attributes
    ----------
    name
        Of the subject that it belongs to.
    still
        Whether it looks the same in every exposure with the same lens setting.
    way
        How its picture runs during the exposure, from its place in the raster on; None for not at all. points x 2 [px]
    raster
        Draws it, for the place its picture's middle has then: (enlargement, shift [px]) -> raster and whether the
        raster is already where it should be.
    """

    name: str
    distance_m: float
    still: bool
    way: Path | None
    raster: Callable[[float, tuple[float, float]], tuple[Raster, bool]]
    true_smear_px: float = 0.0


@dataclass(frozen=True)
class View:
    """The lens as it stands in a shot: enlargement, distance in focus [m], diffraction [px]; where the rig stands.

    All distances are those of the first stand. ``turned_way`` is how turns of the rig move the picture [px], and
    ``shifted_mm`` how far the camera itself is shifted, as `rig.shifts_mm`; both in the course of the exposure.
    """

    optics: Optics
    f_number: float
    enlarged: float
    focus_m: float
    airy_px: float
    stand: Stand
    turned_way: Path | None = None
    shifted_mm: Path | None = None

    @property
    def at_rest(self) -> bool:
        """Whether the camera stands still during the exposure."""
        return self.turned_way is None

    def away_m(self, distance_m: float) -> float:
        """How far something is away now. [m]"""
        nearer_mm = 0.0 if self.shifted_mm is None else float(self.shifted_mm[:, 2].mean())
        return distance_m - self.stand.nearer_m - nearer_mm / 1000

    def grown(self, distance_m: float) -> float:
        """How much larger something looks than from the first stand. [unitless]"""
        return 1.0 if math.isinf(distance_m) else distance_m / max(self.away_m(distance_m), 1e-9)

    def disc_px(self, distance_m: float) -> float:
        """Diameter of the disc of a point at a distance. [px]"""
        return lens.disc_px(self.optics, self.f_number, self.focus_m, max(self.away_m(distance_m), 1e-9))

    def px_per_m(self, distance_m: float) -> float:
        """How far the picture of something moves when the camera is shifted by a metre: v / d. [px/m]"""
        return lens.length_px(self.optics, 1.0, max(self.away_m(distance_m), 1e-9)) * self.enlarged

    def place_px(self, distance_m: float) -> tuple[float, float]:
        """How far things at a distance lie to the right and down of where they lay from the first stand, for good."""
        per_m = self.px_per_m(distance_m)
        width, height = self.optics.size
        return (
            -self.stand.looks[0] * width - self.stand.right_m * per_m,
            -self.stand.looks[1] * height - self.stand.lower_m * per_m,
        )

    def rig_way(self, distance_m: float) -> Path | None:
        """How the rig lets the picture of things at a distance run: turns alike, shifts by t v / d. [px]"""
        if self.turned_way is None or self.shifted_mm is None:
            return self.turned_way
        return np.asarray(self.turned_way + self.shifted_mm[:, :2] * (self.px_per_m(distance_m) / 1000))

    def see(self, layer: Layer, region: Region | None) -> lens.Seen | None:
        """A layer on the sensor; None also for what the camera has passed."""
        if self.away_m(layer.distance_m) < _NEAREST_M:
            return None
        grown = self.grown(layer.distance_m)
        way = _together(None if layer.way is None else layer.way * grown, self.rig_way(layer.distance_m))
        (right, down), path = centred(way) if way is not None else ((0.0, 0.0), ())
        place = self.place_px(layer.distance_m)
        right, down, enlarged = right + place[0], down + place[1], self.enlarged * grown
        raster, placed = layer.raster(enlarged, (right, down))
        spread = Spread(self.disc_px(layer.distance_m), self.airy_px, path)
        if placed:
            return lens.see(raster, self.optics, 1.0, spread, region)
        return lens.see(raster, self.optics, enlarged, spread, region, (right, down))


def _together(one: Path | None, other: Path | None) -> Path | None:
    """Two ways gone at the same time. Each is evenly spaced in time."""
    if one is None or other is None:
        return one if other is None else other
    count = max(len(one), len(other))
    at = (np.arange(count) + 0.5) / count

    def fine(way: Path) -> Path:
        own = (np.arange(len(way)) + 0.5) / len(way)
        return np.stack([np.interp(at, own, way[:, axis]) for axis in (0, 1)], axis=1)

    return fine(one) + fine(other)


def view(script: SceneScript, shot: Shot) -> View:
    """The lens in the moment of a shot."""
    optics = script.seen_by(shot.optics)
    focus = lens.focus_reached(optics, shot.f_number, shot.focus_m)
    return View(
        optics,
        shot.f_number,
        lens.draw_out(optics, shot.focus_m),
        focus,
        lens.airy_px(optics, shot.f_number),
        shot.stand,
        rig.path_px(script, shot),
        rig.shifts_mm(script.rig, rig.moments(script, shot)) if rig.moving(script.rig) else None,
    )


def target_way(target: Target, optics: Optics, shot: Shot) -> Path | None:
    """How a target's picture runs during the exposure, enlarged. points x 2 [px]"""
    if not target.speed_m_s:
        return None
    speed = lens.length_px(optics, target.speed_m_s, target.distance_m) * lens.draw_out(optics, shot.focus_m)
    heading = np.radians(target.heading_deg)
    along = np.array([np.cos(heading), np.sin(heading)]) * speed
    return np.asarray(along * shot.start_s + line(*(along * shot.time_s)))


def _target(target: Target, optics: Optics, shot: Shot) -> Layer:
    width, height = optics.size

    def raster(enlarged: float, shift: tuple[float, float]) -> tuple[Raster, bool]:
        x = width / 2 + enlarged * (target.x - 0.5) * width + shift[0]
        y = height / 2 + enlarged * (target.y - 0.5) * height + shift[1]
        return draw(target, (x, y), target.size_px * enlarged, (width, height)), True

    return Layer(target.name, target.distance_m, not target.speed_m_s, target_way(target, optics, shot), raster)


def _as_drawn(name: str, distance_m: float, raster: Raster, way: Path | None = None) -> Layer:
    return Layer(name, distance_m, way is None, way, lambda enlarged, shift: (raster, False))


def layers(script: SceneScript, shot: Shot, garden: Garden | None) -> list[Layer]:
    """Every layer, the farthest first; of two equally far, the later named stands before."""
    optics, far = script.seen_by(shot.optics), script.distances
    enlarged = lens.draw_out(optics, shot.focus_m)
    found: list[Layer] = []
    if garden is not None:
        found.append(_as_drawn("hedge", far.hedge_m, garden.hedge))
        if garden.walker is not None and script.passer_by is not None:
            walker = script.passer_by
            speed = lens.length_px(optics, walker.speed_m_s, walker.distance_m) * enlarged
            way = line(speed * shot.time_s, 0) + np.array([speed * (shot.start_s - walker.middle_s), 0])
            found.append(_as_drawn("passer-by", walker.distance_m, garden.walker, way))
        if script.leaves is not None:
            moments = rig.moments(script, shot)
            for twig, swing in zip(garden.twigs, swings(script.leaves, script.seed), strict=True):
                across = swing.at(moments) * lens.length_px(optics, 1.0, script.leaves.distance_m) * enlarged
                way = np.stack([across, np.zeros_like(across)], axis=1)
                found.append(_as_drawn("leaves", script.leaves.distance_m, twig, way))
        found.append(_as_drawn("fountain", far.spout_m, garden.fountain))
        found.append(_water(script, shot, garden))
        found.append(_as_drawn("heron", far.heron_m, garden.heron))
    found += [_target(target, optics, shot) for target in script.targets]
    return sorted(found, key=lambda layer: -layer.distance_m)


def _water(script: SceneScript, shot: Shot, garden: Garden) -> Layer:
    optics, far, step = script.seen_by(shot.optics), script.distances, garden.step
    speed = lens.length_px(optics, far.speed_m_s, far.spout_m) / step

    @cache
    def fallen() -> Raster:
        seen = exposed_fall(garden.fall, speed, shot.start_s, shot.time_s, script.water_life_s)
        return replace(seen, left=seen.left * step, top=seen.top * step, step=step)

    def raster(enlarged: float, shift: tuple[float, float]) -> tuple[Raster, bool]:
        return fallen(), False

    return Layer("water", far.spout_m, False, None, raster)
