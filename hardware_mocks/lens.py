"""The thin lens: how large a point becomes, where it falls, and layers seen through it.

A layer stands at one distance. Its raster is drawn as the lens sees it when focused at infinity; focusing nearer draws
the lens out and enlarges everything by 1 + m about the centre. Planes are linear light or coverage; colours are
premultiplied by coverage, so that blurred edges mix as light does.

The rule at the edges of layers: each layer is spread alone, light and coverage alike, and laid over those behind it.
So a near edge out of focus turns translucent over the width of its disc and shows what stands behind it as if nothing
stood before; a far layer out of focus stays hidden to the very edge of a sharp near one. A real lens looks a little
around near edges; this one does not.
Sources: thin lens equation, and from it the disc c = A * m * |d - s| / d with A = f/N and m = f/(s - f).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from hardware_mocks.sensor import LUMINANCE
from hardware_mocks.shot import Optics
from hardware_mocks.spread import Spread, blur

Plane = NDArray[np.float32]
Region = tuple[int, int, int, int]  # left, top, right, bottom in the frame. [px]
_KERNEL_PX = 12.0  # a larger disc is worked out on coarser pixels, this many across it
_BLUNT_PX = 3.0  # from here on colour is worked out on pixels twice as wide
_AIRY_PX = 0.28  # a core of the diffraction pattern narrower than this cannot be told from a point


def disc_px(optics: Optics, f_number: float, focus_m: float, distance_m: float) -> float:
    """Diameter of the disc that a point at ``distance_m`` becomes on the sensor. [px]"""
    iris_mm = optics.focal_mm / f_number
    magnification = optics.focal_mm / (focus_m * 1000 - optics.focal_mm)
    return iris_mm * magnification * abs(distance_m - focus_m) / distance_m / optics.pitch_mm


def draw_out(optics: Optics, focus_m: float) -> float:
    """How much larger everything is than with the lens focused at infinity: 1 + m; breathing adds its share of m.
    [unitless]"""
    return 1 + (1 + optics.breathing) * optics.focal_mm / (focus_m * 1000 - optics.focal_mm)


def length_px(optics: Optics, metres: float, distance_m: float) -> float:
    """Length on the sensor of something at a distance, with the lens focused at infinity: m = f/d. [px]"""
    return metres * optics.focal_mm / distance_m / optics.pitch_mm


def focus_reached(optics: Optics, f_number: float, focus_m: float) -> float:
    """Where the lens is really focused when the ring was set wide open: stopping down shifts it. [m]

    The shift is ``optics.focus_shift`` times 1 - (widest f-number / f-number) squared: a rule of our own, after the way
    in which the outer rays of spherical aberration are cut off.
    """
    cut = 1 - (min(optics.widest, f_number) / f_number) ** 2
    return focus_m * (1 + optics.focus_shift * cut)


def airy_px(optics: Optics, f_number: float) -> float:
    """Wavelength times f-number, 0 where diffraction is left out or cannot be seen. [px]"""
    product = optics.wavelength_um / 1000 * f_number / optics.pitch_mm
    # Full width at half maximum of the core: 1.03 lambda N.
    return product if optics.diffraction and 1.03 * product >= _AIRY_PX else 0.0


def corner_stops(optics: Optics, f_number: float | None = None) -> float:
    """How much darker the corners are than the middle. [stops]

    What the barrel takes shrinks with the square of the f-number and is gone within some stops: a rule of our own;
    that stopping down cures it is common practice, no source. Without ``f_number`` the barrel is left aside.
    """
    if f_number is None:
        return optics.vignette_stops
    return optics.vignette_stops + optics.barrel_stops * (min(optics.widest, f_number) / f_number) ** 2


def vignette(optics: Optics, f_number: float | None = None, region: Region | None = None) -> Plane:
    """Share of the light that reaches each pixel, height x width; 1 in the middle, its stops growing with the square
    of the way to the corners."""
    width, height = optics.size
    left, top, right, bottom = region or (0, 0, width, height)
    x = (np.arange(left, right, dtype=np.float32) + 0.5 - width / 2)[None, :]
    y = (np.arange(top, bottom, dtype=np.float32) + 0.5 - height / 2)[:, None]
    half = (width / 2) ** 2 + (height / 2) ** 2
    stops = corner_stops(optics, f_number)
    across, down = np.exp2(-stops / half * x**2), np.exp2(-stops / half * y**2)
    return np.asarray(across * down, np.float32)


@dataclass(frozen=True)
class Raster:
    """A layer's picture, focused at infinity.

    ``light`` is height x width x 3, premultiplied; ``cover`` is height x width in 0..1, or None for a layer that is
    opaque everywhere. ``left`` and ``top`` place it in the frame [px]; ``step`` is how many pixels of the frame one of
    the raster is wide, and ``grain`` how rough it is between them [share of the light, standard deviation]. ``glare``
    is how much of its light a smooth surface throws back, ``skylight`` how much of it is sky; height x width. [0..1]
    """

    light: Plane
    cover: Plane | None
    left: float
    top: float
    step: float = 1.0
    grain: float = 0.0
    glare: Plane | None = None
    skylight: Plane | None = None


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


def _resized(plane: Plane, size: tuple[int, int], box: tuple[float, float, float, float], coarser: bool) -> Plane:
    method = Image.Resampling.BILINEAR if coarser else Image.Resampling.BICUBIC
    return np.asarray(Image.fromarray(plane).resize(size, method, box=box))


def _window(
    plane: Plane, left: float, top: float, size: tuple[int, int], step: float, fine: bool, opaque: bool
) -> Plane:
    """``plane`` sampled on a grid: ``size`` samples (columns, rows), ``step`` source pixels apart, from (left, top).

    Beyond its edges an opaque plane goes on as in a mirror, another is empty.
    """
    height, width = plane.shape
    right, bottom = left + size[0] * step, top + size[1] * step
    before = max(0, math.ceil(-min(left, top))), max(0, math.ceil(max(right - width, bottom - height)))
    if any(before):
        plane = np.pad(plane, before, mode="symmetric") if opaque else np.pad(plane, before)
        left, top = left + before[0], top + before[0]
        right, bottom = right + before[0], bottom + before[0]
    if step == 1 and left == int(left) and top == int(top):
        return plane[int(top) : int(top) + size[1], int(left) : int(left) + size[0]]
    return _resized(plane, size, (left, top, right, bottom), not fine)


@lru_cache(maxsize=1)
def _rough() -> Plane:
    """Fine grain that joins at its edges, mean 0 and deviation 1: stronger the finer it is, up to two pixels."""
    side = 512
    white = np.fft.rfft2(np.random.default_rng(76).standard_normal((side, side), dtype=np.float32))
    frequency = np.sqrt(np.fft.fftfreq(side)[:, None] ** 2 + np.fft.rfftfreq(side)[None, :] ** 2)
    field = np.fft.irfft2(white * (frequency**0.5 * np.exp(-((frequency / 0.3) ** 4))), (side, side))
    return np.asarray(field / field.std(), np.float32)


def _grain(size: tuple[int, int], left: int, top: int, deviation: float) -> Plane:
    """Grain as a factor, for a window of a layer that begins at (left, top) in it. [px]"""
    rough = _rough()
    side = rough.shape[0]
    rows, columns = (np.arange(size[1]) + top) % side, (np.arange(size[0]) + left) % side
    return np.asarray(1 + deviation * np.clip(rough[np.ix_(rows, columns)], -3, 3), np.float32)


def _part(raster: Raster, box: tuple[float, float, float, float], spare: int) -> tuple[Raster, int, int]:
    """The part of a raster that a box of its own pixels needs, and where it begins in it. [raster px]"""
    rows, columns = raster.light.shape[:2]
    x0, y0 = (int(np.clip(math.floor(v) - spare, 0, n - 1)) for v, n in ((box[0], columns), (box[1], rows)))
    x1, y1 = (int(np.clip(math.ceil(v) + spare, 1, n)) for v, n in ((box[2], columns), (box[3], rows)))
    x1, y1 = max(x1, x0 + 1), max(y1, y0 + 1)
    cover = None if raster.cover is None else raster.cover[y0:y1, x0:x1]
    return replace(raster, light=raster.light[y0:y1, x0:x1], cover=cover), x0, y0


def see(
    raster: Raster,
    optics: Optics,
    scale: float,
    spread: Spread | float,
    region: Region | None = None,
    shift: tuple[float, float] = (0.0, 0.0),
) -> Seen | None:
    """A layer on the sensor.

    Parameters
    ----------
    scale
        How much larger than with the lens focused at infinity. [unitless]
    spread
        What a point becomes; a number is the diameter of its disc alone. [px]
    region
        The part of the frame that is wanted, all of it if None; the layer's place is told in it.
    shift
        How far everything is moved to the right and down. [px]

    Returns
    -------
    None where nothing of the layer falls.
    """
    if not isinstance(spread, Spread):
        spread = Spread(disc_px=spread)
    width, height = optics.size
    x0, y0, x1, y1 = region or (0, 0, width, height)
    coarsest = max(1.0, spread.disc_px / _KERNEL_PX)
    # The eye and the JPEG file see colour coarsely; where light is spread, so does this.
    blunt = spread.disc_px >= _BLUNT_PX or spread.airy_px > 0 or raster.step >= 2
    colour = max(coarsest, 2.0) if blunt else coarsest
    reach = spread.reach_px + (math.ceil(4 * colour) if colour > 1 else 0)
    opaque = raster.cover is None
    rows, columns = raster.light.shape[:2]
    size = scale * raster.step  # frame pixels a raster pixel
    edges = [
        width / 2 + scale * (raster.left - width / 2) + shift[0],
        height / 2 + scale * (raster.top - height / 2) + shift[1],
    ]
    edges += [edges[0] + columns * size, edges[1] + rows * size]
    left, top = max(x0 - reach, math.floor(edges[0]) - reach), max(y0 - reach, math.floor(edges[1]) - reach)
    right, bottom = min(x1 + reach, math.ceil(edges[2]) + reach), min(y1 + reach, math.ceil(edges[3]) + reach)
    if opaque:
        left, top, right, bottom = x0 - reach, y0 - reach, x1 + reach, y1 + reach
    if left >= right or top >= bottom or right <= x0 or bottom <= y0 or left >= x1 or top >= y1:
        return None
    cut = slice(max(0, y0 - top), min(bottom, y1) - top), slice(max(0, x0 - left), min(right, x1) - left)
    inside = [(left - edges[0]) / size, (top - edges[1]) / size, (right - edges[0]) / size, (bottom - edges[1]) / size]
    part, first_x, first_y = _part(
        raster, (inside[0], inside[1], inside[2], inside[3]), 4 + math.ceil(4 * colour / size)
    )

    def spread_planes(planes: list[Plane], least: float) -> list[Plane]:
        coarse = max(coarsest, least)
        start = inside[0] - first_x, inside[1] - first_y
        if coarse <= 1.0:
            grid = right - left, bottom - top
            grids = [_window(p, *start, grid, 1 / size, True, opaque) for p in planes]
            if raster.grain and raster.step > 1:
                grids[0] = grids[0] * _grain(grid, round(left - edges[0]), round(top - edges[1]), raster.grain)
            return [g[cut] for g in blur(grids, spread)]
        # The coarse pixels lie on one grid for all parts of a frame, so that parts meet without a seam.
        early_x, early_y = left - math.floor(left / coarse) * coarse, top - math.floor(top / coarse) * coarse
        grid = math.ceil((right - left + early_x) / coarse) + 1, math.ceil((bottom - top + early_y) / coarse) + 1
        place = start[0] - early_x / size, start[1] - early_y / size
        grids = [_window(p, *place, grid, coarse / size, False, opaque) for p in planes]
        # Going to coarse pixels spreads light by a triangle of variance step^2/6; the disc is so much smaller.
        disc = math.sqrt(max(0.0, spread.disc_px**2 - 16 / 6 * (coarse**2 - 1)))
        box = (early_x / coarse, early_y / coarse, (early_x + right - left) / coarse, (early_y + bottom - top) / coarse)
        spread_out = blur(grids, replace(spread, disc_px=disc).coarser(coarse))
        return [_resized(g, (right - left, bottom - top), box, False)[cut] for g in spread_out]

    light = part.light
    luminance = light @ LUMINANCE
    main = spread_planes([luminance] if part.cover is None else [luminance, part.cover], 1.0)
    red, blue = spread_planes([light[..., 0] - luminance, light[..., 2] - luminance], colour)
    seen = np.empty((*main[0].shape, 3), np.float32)
    seen[..., 0] = main[0] + red
    seen[..., 2] = main[0] + blue
    seen[..., 1] = main[0] - (LUMINANCE[0] * red + LUMINANCE[2] * blue) / LUMINANCE[1]
    np.maximum(seen, 0, out=seen)
    cover = None if part.cover is None else np.clip(main[1], 0, 1)
    return Seen(seen, cover, max(0, left - x0), max(0, top - y0))
