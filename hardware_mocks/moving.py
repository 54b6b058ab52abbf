"""What else moves in the garden: a branch of leaves in the wind, and somebody who walks through."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hardware_mocks.drawing import REFERENCE, Canvas, Plane, Relief, curve, noise
from hardware_mocks.lens import Raster, length_px
from hardware_mocks.script import Leaves, PasserBy
from hardware_mocks.sensor import LUMINANCE
from hardware_mocks.shot import Optics

FARTHEST_SWING_M = 0.1
_TWIGS = ((1330.0, -40.0, -160.0, 250.0), (1440.0, -40.0, -90.0, 330.0), (1290.0, -60.0, -60.0, 150.0))
_RATES = (1.0, 1.27, 0.83)  # the twigs swing at these shares of one frequency
_SWINGS_HZ = 0.9


@dataclass(frozen=True)
class Swing:
    """A sine: ``reach_m`` to either side, ``rate_hz``, ``phase``. The middle of the swing is the place at rest."""

    reach_m: float
    rate_hz: float
    phase: float

    def at(self, at_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Place to the right of rest. [m]"""
        return np.asarray(self.reach_m * np.sin(2 * math.pi * self.rate_hz * at_s + self.phase))


def swings(leaves: Leaves, seed: int) -> tuple[Swing, ...]:
    """How each twig swings: its mean speed (root mean square) is the stated share of the wind, if that is not too far.

    A sine of reach a and rate f has the mean speed 2 pi f a / sqrt(2); where a would be too far, it stays too slow.
    """
    phases = np.random.default_rng((seed, 74)).uniform(0, 2 * math.pi, len(_TWIGS))
    made = []
    for rate, phase in zip(_RATES, phases, strict=True):
        hz = _SWINGS_HZ * rate
        reach = leaves.wind_share * leaves.wind_m_s * math.sqrt(2) / (2 * math.pi * hz)
        made.append(Swing(min(FARTHEST_SWING_M, reach), hz, float(phase)))
    return tuple(made)


def _coloured(luminance: Plane, cover: Plane, colour: tuple[float, float, float]) -> Plane:
    tone = np.array(colour, np.float32)
    return np.asarray((luminance * cover)[..., None] * (tone / float(tone @ LUMINANCE)), np.float32)


def draw_twigs(size: tuple[int, int], seed: int) -> tuple[Raster, ...]:
    """The twigs at rest, for a frame of ``size`` (columns, rows)."""
    scale = size[0] / REFERENCE[0]
    rise = (REFERENCE[1] * scale - size[1]) / 2
    rng = np.random.default_rng((seed, 75))
    rasters = []
    for x, y, dx, dy in _TWIGS:
        left, top = x + min(0.0, dx) - 70, y - 10
        canvas = Canvas(
            scale, round(left * scale), round(top * scale), round((abs(dx) + 150) * scale), round((dy + 90) * scale)
        )
        light, cover = np.zeros((*canvas.shape, 3), np.float32), np.zeros(canvas.shape, np.float32)
        wood = Relief(canvas)
        spine = [(x, y, 4.0), (x + 0.35 * dx, y + 0.3 * dy, 3.2), (x + dx, y + dy, 1.0)]
        wood.sweep(spine, 0, 120)
        for place in curve([(px, py) for px, py, _ in spine], 26)[4:]:
            for side in (-1, 1):
                _leaf(canvas, light, cover, place, math.atan2(dy, dx) + side * rng.uniform(0.5, 1.1), rng)
        bark = _coloured(0.06 * wood.shade(), wood.cover, (1.1, 0.95, 0.8))
        light = bark + light * (1 - wood.cover)[..., None]
        rasters.append(Raster(light, np.maximum(cover, wood.cover), canvas.left, canvas.top - rise))
    return tuple(rasters)


def _leaf(
    canvas: Canvas, light: Plane, cover: Plane, foot: NDArray[np.float64], lean: float, rng: np.random.Generator
) -> None:
    """One leaf from ``foot`` outwards, laid over what is there."""
    length, width = rng.uniform(26, 44), rng.uniform(7, 12)
    x0, y0 = canvas.place(*foot)
    reach = length * canvas.scale
    columns = slice(max(0, int(x0 - reach)), max(0, int(x0 + reach) + 1))
    rows = slice(max(0, int(y0 - reach)), max(0, int(y0 + reach) + 1))
    x, y = canvas.grid()
    x, y = x[:, columns] - foot[0], y[rows] - foot[1]
    if not (x.size and y.size):
        return
    along = (x * math.cos(lean) + y * math.sin(lean)) / length
    across = (y * math.cos(lean) - x * math.sin(lean)) / width
    outline = np.sqrt(np.clip(along, 0, 1)) * (1 - np.clip(along, 0, 1)) * 2.2
    mask = np.clip((outline - np.abs(across)) * width * canvas.scale * 0.5 + 0.5, 0, 1) * (along > 0) * (along < 1)
    rib = 1 + 0.35 * np.exp(-((across / 0.10) ** 2)) - 0.12 * np.cos(along * 40 + np.abs(across) * 6)
    tone = rng.uniform(0.11, 0.24) * rib * (1 + 0.25 * np.sign(across) * rng.choice([-1, 1]))
    mask = mask.astype(np.float32)
    light[rows, columns] *= (1 - mask)[..., None]
    light[rows, columns] += _coloured(tone.astype(np.float32), mask, (0.8, 1.12, 0.35))
    cover[rows, columns] += mask * (1 - cover[rows, columns])


def draw_walker(size: tuple[int, int], optics: Optics, passer: PasserBy) -> Raster:
    """Somebody in a coat and hat, 1.75 m tall, in the middle of the frame."""
    scale = size[0] / REFERENCE[0]
    rise = (REFERENCE[1] * scale - size[1]) / 2
    one = length_px(optics, 1.0, passer.distance_m) / optics.size[0] * REFERENCE[0]  # a metre in reference pixels
    foot, middle = 900.0, 750.0
    width, top = 0.8 * one, foot - 1.85 * one
    canvas = Canvas(
        scale, round((middle - width / 2) * scale), round(top * scale), round(width * scale), round(2.0 * one * scale)
    )

    def points(*triples: tuple[float, float, float]) -> list[tuple[float, float, float]]:
        return [(middle + x * one, foot - y * one, r * one) for x, y, r in triples]

    legs, coat, skin, scarf, hat = (Relief(canvas) for _ in range(5))
    legs.sweep(points((-0.24, 0.03, 0.035), (-0.20, 0.07, 0.05), (-0.13, 0.40, 0.06), (-0.05, 0.72, 0.09)), 0, 60)
    legs.sweep(points((0.28, 0.02, 0.03), (0.20, 0.05, 0.05), (0.15, 0.42, 0.06), (0.05, 0.72, 0.09)), 0, 60)
    coat.sweep(
        points((-0.02, 0.58, 0.17), (0.0, 0.85, 0.15), (0.0, 1.08, 0.14), (0.0, 1.30, 0.15), (0.01, 1.39, 0.09)), 0
    )
    coat.sweep(points((0.0, 1.33, 0.07), (0.09, 1.10, 0.055), (0.22, 0.86, 0.045)), 0.08 * one, 50)
    coat.sweep(points((0.0, 1.34, 0.075), (-0.10, 1.12, 0.055), (-0.17, 0.88, 0.045)), 0.16 * one, 50)
    skin.sweep(points((0.02, 1.45, 0.05), (0.03, 1.52, 0.07), (0.035, 1.58, 0.078), (0.035, 1.63, 0.078)), 0, 40)
    skin.sweep(points((0.095, 1.57, 0.02), (0.115, 1.565, 0.012)), 0.02 * one, 12)
    scarf.sweep(points((-0.07, 1.43, 0.04), (0.02, 1.41, 0.05), (0.10, 1.44, 0.035)), 0, 30)
    hat.sweep(points((-0.10, 1.645, 0.012), (0.03, 1.655, 0.02), (0.16, 1.635, 0.012)), 0.03 * one, 60)
    hat.sweep(points((0.03, 1.66, 0.078), (0.03, 1.71, 0.068)), 0, 20)
    light, cover = np.zeros((*canvas.shape, 3), np.float32), np.zeros(canvas.shape, np.float32)
    weave = 1 + 0.10 * noise(np.random.default_rng(78), canvas.shape, max(2.0, 0.02 * one * scale), 3)
    tones = (
        (legs, 0.05, (1.0, 0.98, 1.05)),
        (coat, 0.06, (0.92, 0.95, 1.2)),
        (skin, 0.20, (1.22, 0.97, 0.80)),
        (scarf, 0.11, (1.5, 0.8, 0.6)),
        (hat, 0.07, (1.1, 0.95, 0.75)),
    )
    for relief, tone, colour in tones:
        shade = tone * relief.shade() * (1.0 if relief is skin else weave)
        light = light * (1 - relief.cover)[..., None] + _coloured(shade, relief.cover, colour)
        cover = cover + relief.cover * (1 - cover)
    return Raster(light.astype(np.float32), cover.astype(np.float32), canvas.left, canvas.top - rise)
