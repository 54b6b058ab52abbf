"""Things to measure on: patches, cards and slanted edges, drawn for the very size and place they have in a frame.

Each pixel gets exactly the share of it that is covered, so that a measurement meets the optics and not the drawing.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from hardware_mocks.lens import Raster
from hardware_mocks.script import Target

Plane = NDArray[np.float32]


def _covered(low: float, high: float, first: int, count: int) -> NDArray[np.float64]:
    """Share of each of ``count`` pixels from ``first`` on that lies between ``low`` and ``high``. [px]"""
    begin = first + np.arange(count)
    return np.asarray(np.clip(np.minimum(begin + 1, high) - np.maximum(begin, low), 0, 1))


def half_plane(distance: NDArray[np.float64], lean_rad: float) -> NDArray[np.float64]:
    """Share of pixels on the lit side of an edge. ``distance`` of their middles from it, towards the light. [px]

    Exact: a pixel laid flat on the edge's normal is a trapezoid, whose integral is a sum of four parabolas.
    """
    a, b = abs(math.cos(lean_rad)) / 2, abs(math.sin(lean_rad)) / 2
    a, b = max(a, b), min(a, b)
    if b < 1e-6:
        return np.clip(distance / (2 * a) + 0.5, 0, 1)

    def ramp(value: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.maximum(value, 0) ** 2 / 2

    total = ramp(distance + a + b) - ramp(distance + a - b) - ramp(distance - a + b) + ramp(distance - a - b)
    return np.asarray(total / (4 * a * b))


def draw(target: Target, middle: tuple[float, float], side: float, frame: tuple[int, int]) -> Raster:
    """A target about ``middle``, ``side`` pixels wide. [px] What lies far outside the ``frame`` is not drawn."""
    low_x, high_x = middle[0] - side / 2, middle[0] + side / 2
    low_y, high_y = middle[1] - side / 2, middle[1] + side / 2
    room = 400
    left, top = (max(math.floor(v), -room) for v in (low_x, low_y))
    right = max(left + 1, min(math.ceil(high_x), frame[0] + room))
    bottom = max(top + 1, min(math.ceil(high_y), frame[1] + room))
    across, down = _covered(low_x, high_x, left, right - left), _covered(low_y, high_y, top, bottom - top)
    cover = down[:, None] * across[None, :]
    light = target.level * cover
    if target.kind == "edge":
        lean = math.radians(target.angle_deg)
        x = left + np.arange(right - left) + 0.5 - middle[0]
        y = top + np.arange(bottom - top) + 0.5 - middle[1]
        light = light * half_plane(x[None, :] * math.cos(lean) + y[:, None] * math.sin(lean), lean)
    planes = np.repeat(light.astype(np.float32)[..., None], 3, axis=2)
    return Raster(planes, cover.astype(np.float32), left, top)
