"""The garden as the camera sees it: layers through the lens, water over time, light on the sensor."""

from __future__ import annotations

import threading
from collections import OrderedDict
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hardware_mocks import lens, sensor
from hardware_mocks.garden import Garden, build
from hardware_mocks.lens import Raster, Seen
from hardware_mocks.shot import Optics, Shot
from hardware_mocks.water import exposed_fall

Plane = NDArray[np.float32]
_KEPT = 6  # how many lens settings are remembered


@dataclass(frozen=True)
class Distances:
    """Where things stand [m] and how fast the water falls [m/s]. What is moved keeps its size in the picture."""

    hedge_m: float = 8.0
    spout_m: float = 3.0
    heron_m: float = 2.0
    speed_m_s: float = 3.0


@dataclass(frozen=True)
class _Still:
    """What stands still, as one lens setting shows it: behind the water, and before it."""

    behind: Plane
    before: Seen | None


class GardenRenderer:
    """Frames of the garden. Drawn once for a frame size, in the background; safe to use from several threads."""

    def __init__(self, distances: Distances | None = None):
        self.distances = distances or Distances()
        self._lock = threading.Lock()
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="lens")
        self._gardens: dict[tuple[int, int], Garden] = {}
        self._stills: OrderedDict[tuple[Optics, float, float], _Still] = OrderedDict()

    def prepare(self, optics: Optics) -> None:
        """Draw the garden for a frame size now, in the background."""
        threading.Thread(target=self._garden, args=(optics.size,), name="garden", daemon=True).start()

    def ready(self, optics: Optics) -> bool:
        """Whether the garden is drawn for a frame size, so that a frame costs no more than itself."""
        return optics.size in self._gardens

    def _garden(self, size: tuple[int, int]) -> Garden:
        with self._lock:
            if size not in self._gardens:
                self._gardens[size] = build(size)
            return self._gardens[size]

    def _see(self, raster: Raster, shot: Shot, distance_m: float) -> Seen | None:
        disc = lens.disc_px(shot.optics, shot.f_number, shot.focus_m, distance_m)
        return lens.see(raster, shot.optics, lens.draw_out(shot.optics, shot.focus_m), disc)

    def _still(self, shot: Shot) -> _Still:
        key = (shot.optics, shot.f_number, shot.focus_m)
        garden = self._garden(shot.optics.size)
        with self._lock:
            if key in self._stills:
                self._stills.move_to_end(key)
                return self._stills[key]
        far = self._pool.submit(self._see, garden.hedge, shot, self.distances.hedge_m)
        fountain = self._see(garden.fountain, shot, self.distances.spout_m)
        heron = self._see(garden.heron, shot, self.distances.heron_m)
        hedge = far.result()
        assert hedge is not None  # it fills the frame
        if fountain is not None:
            fountain.over(hedge.light)
        still = _Still(hedge.light, heron)
        with self._lock:
            self._stills[key] = still
            while len(self._stills) > _KEPT:
                self._stills.popitem(last=False)
        return still

    def light(self, shot: Shot) -> Plane:
        """Reflectance of what each pixel sees, height x width x 3, before exposure and noise."""
        still = self._still(shot)
        picture = still.behind.copy()
        garden = self._garden(shot.optics.size)
        speed = lens.length_px(shot.optics, self.distances.speed_m_s, self.distances.spout_m)
        water = exposed_fall(garden.fall, speed, shot.start_s, shot.time_s)
        for seen in (self._see(water, shot, self.distances.spout_m), still.before):
            if seen is not None:
                seen.over(picture)
        return picture

    def render(self, shot: Shot) -> NDArray[np.uint8]:
        """The picture, height x width x 3, 0..255."""
        light = self.light(shot)
        light *= sensor.balance(shot.white_balance, shot.number) * np.float32(shot.gain)
        if shot.optics.vignette_stops:
            light *= lens.vignette(shot.optics)[..., None]
        return sensor.expose(light, shot.iso, shot.seed, shot.number)
