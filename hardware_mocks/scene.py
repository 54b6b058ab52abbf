"""The simulated world as the camera sees it: layers through the lens, light over time, numbers from the sensor."""

from __future__ import annotations

import threading
from collections import OrderedDict
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from hardware_mocks import lens, polariser, rig, sensor
from hardware_mocks.daylight import row_gains
from hardware_mocks.garden import Garden, build
from hardware_mocks.lens import Region, Seen
from hardware_mocks.script import Distances, SceneScript
from hardware_mocks.shot import Optics, Shot, Stand
from hardware_mocks.stage import Layer, View, layers, view

__all__ = ["Distances", "GardenRenderer", "SceneScript"]

Plane = NDArray[np.float32]
_KEPT = 6  # how many lens settings are remembered
_TILE = 1500, 1000  # larger frames are worked out in parts of this size [px]
_WHOLE = 4_000_000  # up to so many pixels a frame is worked out at once


@dataclass(frozen=True)
class _Still:
    """What stands still, as one lens setting shows it: all that lies behind the first thing that moves, laid together,
    and the layers before that by their place in the order."""

    behind: Plane
    first: int
    before: dict[int, Seen | None]


def regions(size: tuple[int, int]) -> list[Region]:
    """The parts that a frame of ``size`` (columns, rows) is worked out in."""
    width, height = size
    if width * height <= _WHOLE:
        return [(0, 0, width, height)]
    return [
        (left, top, min(left + _TILE[0], width), min(top + _TILE[1], height))
        for top in range(0, height, _TILE[1])
        for left in range(0, width, _TILE[0])
    ]


class GardenRenderer:
    """Frames of a scripted scene. Drawn once for a frame size, in the background; safe to use from several threads.

    Without a ``script`` it is the garden in steady light, with things at ``distances``.
    """

    has_depth = True

    def __init__(self, distances: Distances | None = None, script: SceneScript | None = None):
        script = script or SceneScript()
        self.script = replace(script, distances=distances) if distances is not None else script
        self.distances = self.script.distances
        self._lock = threading.Lock()
        self._gardens: dict[tuple[int, int], Garden] = {}
        self._staged: tuple[Shot, list[Layer]] | None = None
        self._turned: tuple[tuple[tuple[int, int], float], Garden] | None = None
        self._stills: OrderedDict[tuple[Optics, float, float, Stand, float | None, Region], _Still] = OrderedDict()

    def moved(self, script: SceneScript) -> GardenRenderer:
        """The same garden with other distances, which its drawing does not depend on: nothing is drawn anew."""
        other = GardenRenderer(script=replace(self.script, distances=script.distances, leaves=script.leaves))
        if (script.leaves is None) == (self.script.leaves is None):
            other._lock, other._gardens = self._lock, self._gardens
        return other

    def prepare(self, optics: Optics) -> None:
        """Draw the garden for a frame size now, in the background."""
        threading.Thread(target=self.garden, args=(optics,), name="garden", daemon=True).start()

    def ready(self, optics: Optics) -> bool:
        """Whether the garden is drawn for a frame size, so that a frame costs no more than itself."""
        return self.script.stage == "bare" or optics.size in self._gardens

    def garden(self, optics: Optics) -> Garden | None:
        """The garden drawn for a frame size; None on a bare stage."""
        if self.script.stage == "bare":
            return None
        with self._lock:
            if optics.size not in self._gardens:
                self._gardens[optics.size] = build(optics, self.script)
            return self._gardens[optics.size]

    # -- what falls on the sensor -----------------------------------------------------------------------------------

    def _layers(self, shot: Shot) -> list[Layer]:
        """The layers of a shot, kept while its parts are worked out."""
        with self._lock:
            if self._staged is not None and self._staged[0] == shot:
                return self._staged[1]
        found = layers(self.script, shot, self._garden_through(shot))
        with self._lock:
            self._staged = shot, found
        return found

    def _garden_through(self, shot: Shot) -> Garden | None:
        """The garden as a polariser shows it, if one is on; that of the last turn is kept."""
        garden = self.garden(shot.optics)
        if garden is None or shot.polariser_deg is None:
            return garden
        key = shot.optics.size, shot.polariser_deg
        with self._lock:
            if self._turned is None or self._turned[0] != key:
                self._turned = key, polariser.through(garden, self.script.glare, shot.polariser_deg)
            return self._turned[1]

    def _ground(self, region: Region) -> Plane:
        left, top, right, bottom = region
        return np.full((bottom - top, right - left, 3), self.script.ground, np.float32)

    def _still(self, shot: Shot, through: View, region: Region) -> _Still:
        key = (shot.optics, shot.f_number, shot.focus_m, shot.stand, shot.polariser_deg, region)
        kept = through.at_rest and region[2:] == shot.optics.size and region[:2] == (0, 0)
        with self._lock:
            if kept and key in self._stills:
                self._stills.move_to_end(key)
                return self._stills[key]
        found = self._layers(shot)
        first = next((place for place, layer in enumerate(found) if not layer.still), len(found))
        behind = self._ground(region)
        for layer in found[:first]:
            if (seen := through.see(layer, region)) is not None:
                seen.over(behind)
        before = {
            place: through.see(layer, region) for place, layer in enumerate(found) if layer.still and place > first
        }
        still = _Still(behind, first, before)
        if kept:
            with self._lock:
                self._stills[key] = still
                while len(self._stills) > _KEPT:
                    self._stills.popitem(last=False)
        return still

    def light(self, shot: Shot, region: Region | None = None) -> Plane:
        """Reflectance of what each pixel sees, height x width x 3, before exposure and noise."""
        region = region or (0, 0, *shot.optics.size)
        through = view(self.script, shot)
        still = self._still(shot, through, region)
        picture = still.behind.copy()
        found = self._layers(shot)
        for place, layer in enumerate(found[still.first :], still.first):
            seen = still.before[place] if place in still.before else through.see(layer, region)
            if seen is not None:
                seen.over(picture)
        return picture

    def _veil(self, shot: Shot) -> tuple[float, Plane]:
        """Share of the light that dew scatters evenly over the frame, and that light. 3 [unitless]"""
        share = rig.veil(self.script.rig, shot.start_s + shot.time_s / 2)
        if not share:
            return 0.0, np.zeros(3, np.float32)
        width, height = shot.optics.size
        small = min(width, 600), round(height * min(1.0, 600 / width))
        light = self.light(replace(shot, optics=replace(shot.optics, size=small)))
        return share, np.asarray(light.mean(axis=(0, 1)), np.float32)

    def exact(self, shot: Shot, region: Region | None = None) -> Plane:
        """Linear light on the sensor without noise and without end, height x width x 3; 1 is saturation."""
        region = region or (0, 0, *shot.optics.size)
        script, optics = self.script, self.script.seen_by(shot.optics)
        light = self.light(shot, region)
        share, scattered = self._veil(shot)
        if share:
            light *= np.float32(1 - share)
            light += np.float32(share) * scattered
        gain = replace(shot, optics=optics).gain
        light *= sensor.balance(shot.white_balance, shot.number) * np.float32(gain)
        rows = row_gains(script, shot)[region[1] : region[3]]
        if np.any(rows != 1):
            light *= rows.astype(np.float32)[:, None, None]
        if lens.corner_stops(optics, shot.f_number):
            light *= lens.vignette(optics, shot.f_number, region)[..., None]
        return light

    # -- what the sensor makes of it --------------------------------------------------------------------------------

    def render(self, shot: Shot) -> NDArray[np.uint8]:
        """The picture, height x width x 3, 0..255."""
        width, height = shot.optics.size
        parts = regions(shot.optics.size)
        if len(parts) == 1:
            return sensor.expose(self.exact(shot), shot.iso, shot.seed, shot.number, self.script.sensor)
        picture = np.empty((height, width, 3), np.uint8)
        for part, region in enumerate(parts):
            left, top, right, bottom = region
            light = self.exact(shot, region)
            picture[top:bottom, left:right] = sensor.expose(
                light, shot.iso, shot.seed, shot.number, self.script.sensor, part
            )
        return picture

    def raw(self, shot: Shot) -> NDArray[np.uint16]:
        """The numbers of a raw file, height x width: the same light and the same noise as the picture's, linear."""
        width, height = shot.optics.size
        numbers = np.empty((height, width), np.uint16)
        for part, region in enumerate(regions(shot.optics.size)):
            left, top, right, bottom = region
            light = self.exact(shot, region)
            sensor.add_noise(light, shot.iso, shot.seed, shot.number, self.script.sensor, part)
            numbers[top:bottom, left:right] = sensor.mosaic(light)
        return numbers
