"""The thin lens: how large a point becomes, where it falls, and layers seen through it.

A layer stands at one distance. Its raster is drawn as the lens sees it when focused at infinity; focusing nearer draws
the lens out and enlarges everything by 1 + m about the centre. Planes are linear light or coverage; colours are
premultiplied by coverage, so that blurred edges mix as light does.
Sources: thin lens equation, and from it the disc c = A * m * |d - s| / d with A = f/N and m = f/(s - f).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from hardware_mocks.sensor import LUMINANCE
from hardware_mocks.shot import Optics

Plane = NDArray[np.float32]
_SHARP_PX = 0.7  # below this a disc cannot be told from a point
_KERNEL_PX = 9.0  # a larger disc is worked out on coarser pixels, this many across it


def disc_px(optics: Optics, f_number: float, focus_m: float, distance_m: float) -> float:
    """Diameter of the disc that a point at ``distance_m`` becomes on the sensor. [px]"""
    iris_mm = optics.focal_mm / f_number
    magnification = optics.focal_mm / (focus_m * 1000 - optics.focal_mm)
    return iris_mm * magnification * abs(distance_m - focus_m) / distance_m / optics.pitch_mm


def draw_out(optics: Optics, focus_m: float) -> float:
    """How much larger everything is than with the lens focused at infinity: 1 + m. [unitless]"""
    return 1 + optics.focal_mm / (focus_m * 1000 - optics.focal_mm)


def length_px(optics: Optics, metres: float, distance_m: float) -> float:
    """Length on the sensor of something at a distance, with the lens focused at infinity: m = f/d. [px]"""
    return metres * optics.focal_mm / distance_m / optics.pitch_mm


@lru_cache(maxsize=2)
def vignette(optics: Optics) -> Plane:
    """Share of the light that reaches each pixel, height x width; 1 in the middle, falling with the square of the way
    to the corners."""
    width, height = optics.size
    x = (np.arange(width) + 0.5 - width / 2)[None, :]
    y = (np.arange(height) + 0.5 - height / 2)[:, None]
    share = (x**2 + y**2) / ((width / 2) ** 2 + (height / 2) ** 2)
    return np.asarray(2.0 ** (-optics.vignette_stops * share), np.float32)


@dataclass(frozen=True)
class Raster:
    """A layer's picture, focused at infinity.

    ``light`` is height x width x 3, premultiplied; ``cover`` is height x width in 0..1, or None for a layer that is
    opaque everywhere. ``left`` and ``top`` place it in the frame. [px]
    """

    light: Plane
    cover: Plane | None
    left: int
    top: int


@dataclass(frozen=True)
class Seen:
    """A layer as it falls on the sensor: the same as `Raster`, but blurred, enlarged and cut to the frame."""

    light: Plane
    cover: Plane | None
    left: int
    top: int

    def over(self, ground: Plane) -> None:
        """Lay this layer over ``ground`` (height x width x 3), in place."""
        height, width = self.light.shape[:2]
        part = ground[self.top : self.top + height, self.left : self.left + width]
        if self.cover is None:
            part[:] = self.light
            return
        part *= (1 - self.cover)[..., None]
        part += self.light


def _fast_length(count: int) -> int:
    """The next length that is a product of 2, 3 and 5: quick to transform."""
    while True:
        rest = count
        for factor in (2, 3, 5):
            while rest % factor == 0:
                rest //= factor
        if rest == 1:
            return count
        count += 1


def disc_kernel(diameter: float) -> Plane:
    """Weights of a disc of ``diameter`` [px] on a square grid of odd size; they add up to 1."""
    reach = math.ceil(diameter / 2 + 0.5)
    fine = 9
    offsets = (np.arange((2 * reach + 1) * fine) + 0.5) / fine - reach - 0.5
    inside = (offsets[:, None] ** 2 + offsets[None, :] ** 2) <= (diameter / 2) ** 2
    size = 2 * reach + 1
    kernel = inside.reshape(size, fine, size, fine).sum(axis=(1, 3)).astype(np.float32)
    return np.asarray(kernel / kernel.sum(), np.float32)


def blur(planes: list[Plane], diameter: float) -> list[Plane]:
    """Each plane spread by a disc of ``diameter``. [px] Edges wrap: leave a border of half the diameter."""
    kernel = disc_kernel(diameter)
    height, width = (_fast_length(n) for n in planes[0].shape)
    reach = kernel.shape[0] // 2
    field = np.zeros((height, width), np.float32)
    field[: kernel.shape[0], : kernel.shape[1]] = kernel
    transfer = np.fft.rfft2(np.roll(field, (-reach, -reach), (0, 1)))
    spread = []
    for plane in planes:
        rows, columns = plane.shape
        spectrum = np.fft.rfft2(plane, (height, width))
        spectrum *= transfer
        spread.append(np.fft.irfft2(spectrum, (height, width))[:rows, :columns].astype(np.float32, copy=False))
    return spread


def _resized(plane: Plane, size: tuple[int, int], box: tuple[float, float, float, float], coarser: bool) -> Plane:
    method = Image.Resampling.BILINEAR if coarser else Image.Resampling.BICUBIC
    return np.asarray(Image.fromarray(plane).resize(size, method, box=box))


def _window(
    plane: Plane, left: float, top: float, size: tuple[int, int], step: float, fine: bool, opaque: bool
) -> Plane:
    """``plane`` sampled on a grid: ``size`` samples (columns, rows), ``step`` source pixels apart, from (left, top).

    Beyond its edges an opaque plane goes on as it ends, another is empty.
    """
    height, width = plane.shape
    right, bottom = left + size[0] * step, top + size[1] * step
    before = max(0, math.ceil(-min(left, top))), max(0, math.ceil(max(right - width, bottom - height)))
    if any(before):
        plane = np.pad(plane, before, mode="edge") if opaque else np.pad(plane, before)
        left, top = left + before[0], top + before[0]
        right, bottom = right + before[0], bottom + before[0]
    return _resized(plane, size, (left, top, right, bottom), not fine)


def see(raster: Raster, optics: Optics, scale: float, diameter: float) -> Seen | None:
    """A layer on the sensor, enlarged by ``scale``, spread by a disc of ``diameter`` [px]; None outside the frame."""
    width, height = optics.size
    spread = diameter if diameter > _SHARP_PX else 0.0
    reach = math.ceil(spread / 2) + 2
    opaque = raster.cover is None
    rows, columns = raster.light.shape[:2]
    edges = [
        width / 2 + scale * (raster.left - width / 2),
        height / 2 + scale * (raster.top - height / 2),
        width / 2 + scale * (raster.left + columns - width / 2),
        height / 2 + scale * (raster.top + rows - height / 2),
    ]
    left, top = max(-reach, math.floor(edges[0]) - reach), max(-reach, math.floor(edges[1]) - reach)
    right = min(width + reach, math.ceil(edges[2]) + reach)
    bottom = min(height + reach, math.ceil(edges[3]) + reach)
    if left >= right or top >= bottom:
        return None
    cut = slice(max(0, -top), min(bottom, height) - top), slice(max(0, -left), min(right, width) - left)

    def spread_planes(planes: list[Plane], coarsest: float) -> list[Plane]:
        coarse = max(coarsest, spread / _KERNEL_PX, 1.0)
        size = math.ceil((right - left) / coarse), math.ceil((bottom - top) / coarse)
        start_x, start_y = (left - edges[0]) / scale, (top - edges[1]) / scale
        fine = coarse <= 1.0
        grids = [_window(p, start_x, start_y, size, coarse / scale, fine, opaque) for p in planes]
        if spread:
            grids = blur(grids, spread / coarse)
        if fine:
            return [grid[cut] for grid in grids]
        whole = right - left, bottom - top
        return [_resized(g, whole, (0, 0, whole[0] / coarse, whole[1] / coarse), False)[cut] for g in grids]

    light = raster.light
    luminance = light @ LUMINANCE
    main = [luminance] if raster.cover is None else [luminance, raster.cover]
    main = spread_planes(main, 1.0)
    # The eye and the JPEG file see colour coarsely; where the layer is blurred, so does this.
    red, blue = spread_planes([light[..., 0] - luminance, light[..., 2] - luminance], 2.0 if spread >= 3 else 1.0)
    seen = np.empty((*main[0].shape, 3), np.float32)
    seen[..., 0] = main[0] + red
    seen[..., 2] = main[0] + blue
    seen[..., 1] = main[0] - (LUMINANCE[0] * red + LUMINANCE[2] * blue) / LUMINANCE[1]
    np.maximum(seen, 0, out=seen)
    cover = None if raster.cover is None else np.clip(main[1], 0, 1)
    return Seen(seen, cover, max(0, left), max(0, top))
