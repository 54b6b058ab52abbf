"""Drawing with numbers: noise, strokes, and stone made of spheres strung on a curve.

Coordinates are in reference pixels: a frame of 1500 x 1000 with the origin at its top left, whatever its real size.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

Plane = NDArray[np.float32]
REFERENCE = (1500, 1000)


@dataclass(frozen=True)
class Canvas:
    """A grid of pixels over a part of the scene: ``scale`` pixels a reference pixel, from (left, top) on. [px]"""

    scale: float
    left: float
    top: float
    width: int
    height: int

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.height, self.width

    def grid(self) -> tuple[Plane, Plane]:
        """Reference coordinates of the pixels: x as one row, y as one column."""
        x = (np.arange(self.width, dtype=np.float32) + 0.5 + self.left) / self.scale
        y = (np.arange(self.height, dtype=np.float32) + 0.5 + self.top) / self.scale
        return x[None, :], y[:, None]

    def place(self, x: float, y: float) -> tuple[float, float]:
        """Where a reference point lies on the grid. [px]"""
        return x * self.scale - self.left, y * self.scale - self.top


def smooth(low: float, high: float, value: NDArray[np.floating]) -> Plane:
    """0 below ``low``, 1 above ``high``, a smooth rise between."""
    t = np.clip((value - low) / (high - low), 0, 1)
    return np.asarray(t * t * (3 - 2 * t), np.float32)


def soften(plane: NDArray[np.floating], radius: float) -> Plane:
    """``plane`` under a wide bell, worked out coarsely. ``radius`` is its standard deviation. [grid px]"""
    height, width = plane.shape
    step = max(1, int(radius / 3))
    size = max(2, width // step), max(2, height // step)
    small = Image.fromarray(plane.astype(np.float32)).resize(size, Image.Resampling.BOX)
    array = np.asarray(small)
    sigma = radius / step
    reach = int(3 * sigma) + 1
    bell = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    bell /= bell.sum()
    for axis in (0, 1):
        padded = np.pad(array, [(reach, reach) if a == axis else (0, 0) for a in (0, 1)], mode="edge")
        array = np.sum([w * np.take(padded, range(k, k + array.shape[axis]), axis) for k, w in enumerate(bell)], axis=0)
    return np.asarray(Image.fromarray(array.astype(np.float32)).resize((width, height), Image.Resampling.BICUBIC))


def noise(
    rng: np.random.Generator, shape: tuple[int, int], cell: float, octaves: int = 4, stretch: float = 1.0
) -> Plane:
    """Cloudy noise of mean 0 and standard deviation 1. ``cell`` is the size of its largest grains [grid px]; they are
    ``stretch`` times as high as wide."""
    height, width = shape
    total = np.zeros(shape, np.float32)
    for octave in range(octaves):
        size = cell / 2**octave
        if size < 1:
            break
        grid = max(3, int(height / (size * stretch)) + 3), max(3, int(width / size) + 3)
        small = Image.fromarray(rng.standard_normal(grid, dtype=np.float32))
        total += np.asarray(small.resize((width, height), Image.Resampling.BICUBIC)) * 0.6**octave
    return np.asarray((total - total.mean()) / (total.std() + 1e-9), np.float32)


def curve(points: Sequence[tuple[float, ...]], count: int) -> NDArray[np.float64]:
    """``count`` points on a smooth curve through ``points`` (Catmull-Rom); any number of coordinates."""
    p = np.array(points, float)
    p = np.vstack([2 * p[0] - p[1], p, 2 * p[-1] - p[-2]])
    at = np.linspace(0, len(points) - 1 - 1e-9, count)
    k = at.astype(int)
    t = (at - k)[:, None]
    a, b, c, d = p[k], p[k + 1], p[k + 2], p[k + 3]
    return np.asarray(0.5 * (2 * b + (c - a) * t + (2 * a - 5 * b + 4 * c - d) * t**2 + (3 * b - a - 3 * c + d) * t**3))


class Relief:
    """Heights of a solid seen from the front, built from spheres, and how far it covers each pixel. [px]"""

    def __init__(self, canvas: Canvas):
        self.canvas = canvas
        self.height = np.zeros(canvas.shape, np.float32)
        self.cover = np.zeros(canvas.shape, np.float32)

    def sweep(self, points: Sequence[tuple[float, float, float]], lift: float = 0.0, count: int = 160) -> None:
        """String spheres on a curve: (x, y, radius) in reference pixels; ``lift`` brings them forward."""
        scale = self.canvas.scale
        for x, y, radius in curve(points, count):
            cx, cy = self.canvas.place(x, y)
            r = max(0.35, radius * scale)
            left, right = max(0, int(cx - r) - 1), min(self.canvas.width, int(cx + r) + 3)
            top, bottom = max(0, int(cy - r) - 1), min(self.canvas.height, int(cy + r) + 3)
            if left >= right or top >= bottom:
                continue
            dx = np.arange(left, right, dtype=np.float32) + 0.5 - cx
            dy = np.arange(top, bottom, dtype=np.float32) + 0.5 - cy
            away = dx[None, :] ** 2 + dy[:, None] ** 2
            rest = r * r - away
            ball = np.sqrt(np.maximum(rest, 0)) + np.where(rest > 0, lift * scale, 0)
            window = slice(top, bottom), slice(left, right)
            np.maximum(self.height[window], ball.astype(np.float32), out=self.height[window])
            edge = np.clip(r - np.sqrt(away) + 0.5, 0, 1)
            np.maximum(self.cover[window], edge.astype(np.float32), out=self.cover[window])

    def shade(self, rough: Plane | float = 0.0) -> Plane:
        """Light on the solid, from the upper left; 0.8 on what faces the viewer. ``rough`` is added to heights."""
        height = self.height + rough
        padded = np.pad(height, 1, mode="edge")
        height = (2 * height + padded[:-2, 1:-1] + padded[2:, 1:-1] + padded[1:-1, :-2] + padded[1:-1, 2:]) / 6
        slope_y, slope_x = np.gradient(height)
        facing = (0.55 * slope_x + 0.62 * slope_y + 0.56) / np.sqrt(slope_x**2 + slope_y**2 + 1)
        return np.asarray(0.20 + 1.10 * np.maximum(facing, 0), np.float32)


def strokes(
    size: tuple[int, int],
    starts: NDArray[np.floating],
    ends: NDArray[np.floating],
    values: NDArray[np.floating],
    width: int,
    ground: float,
) -> Plane:
    """Many short lines, later ones over earlier ones, on even ground. Values in 0..1; ``size`` is (columns, rows)."""
    image = Image.new("L", size, round(ground * 255))
    draw = ImageDraw.Draw(image)
    lines = np.concatenate([starts, ends], axis=1).tolist()
    levels = np.clip(values * 255, 0, 255).astype(int).tolist()
    for line, level in zip(lines, levels, strict=True):
        draw.line(line, fill=level, width=width)
    return np.asarray(image, np.float32) / np.float32(255)
