"""What stands in the garden: a yew hedge, a stone fountain, its falling water, and a stone heron.

Everything is drawn for a frame of 1500 x 1000 reference pixels. Reflectances are linear; the middle of the frame is
tuned so that its mean, and the median of its blocks, lie at 0.18, the reflectance that meters are set to, however
blurred or drawn out it is.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hardware_mocks.drawing import REFERENCE, Canvas, Plane, Relief, noise, smooth, soften, strokes
from hardware_mocks.lens import Raster
from hardware_mocks.moving import draw_twigs, draw_walker
from hardware_mocks.script import SceneScript
from hardware_mocks.sensor import LUMINANCE
from hardware_mocks.shot import Optics
from hardware_mocks.water import Fall, draw_fall, mean_fall

BORDER = 90.0  # drawn beyond the frame on all sides, for blur [reference px]
MIDDLE = 0.18
WIDEST_DRAWN = 2000  # frames wider than this show the drawing enlarged, with a grain of its own [px]
BLOCKS = ((8, 8), (6, 6), (6, 8))  # the middle third is told in so many rows and columns of blocks, in the mean
HEDGE_TOP, HEDGE_FOOT = 196.0, 806.0
SPOUT_X, SPOUT_Y, POOL_Y = 926.0, 212.0, 742.0

Colour = tuple[float, float, float]
Shade = NDArray[np.floating]
_YEW: Colour = (0.72, 1.125, 0.55)
_GRASS: Colour = (0.92, 1.12, 0.42)
_STONE: Colour = (1.05, 1.0, 0.86)
_WET_STONE: Colour = (0.98, 1.0, 0.93)
_POOL: Colour = (0.86, 1.03, 0.98)
_MOSS: Colour = (0.80, 1.12, 0.36)


@dataclass(frozen=True)
class Garden:
    """The layers of the scene, back to front.

    ``step`` is how many pixels of the frame one pixel of the drawing is wide; the fall is told in pixels of the
    drawing.
    """

    hedge: Raster
    fountain: Raster
    fall: Fall
    heron: Raster
    twigs: tuple[Raster, ...] = ()
    walker: Raster | None = None
    step: float = 1.0


class _Easel:
    """Cuts canvases for parts of the scene out of a frame of some size."""

    def __init__(self, size: tuple[int, int]):
        self.size = size
        self.scale = size[0] / REFERENCE[0]
        # A frame that is not 3:2 shows more or less above and below the middle.
        self.rise = round((REFERENCE[1] * self.scale - size[1]) / 2)

    def canvas(self, left: float, top: float, right: float, bottom: float) -> Canvas:
        """A canvas for a part of the scene, in reference pixels."""
        x0, y0 = math.floor(left * self.scale), math.floor(top * self.scale)
        x1, y1 = math.ceil(right * self.scale), math.ceil(bottom * self.scale)
        return Canvas(self.scale, x0, y0, x1 - x0, y1 - y0)

    def whole(self) -> Canvas:
        """A canvas for the whole frame and its border."""
        spare = self.rise / self.scale
        return self.canvas(-BORDER, spare - BORDER, REFERENCE[0] + BORDER, REFERENCE[1] - spare + BORDER)

    def raster(self, canvas: Canvas, light: Plane, cover: Plane | None) -> Raster:
        """A layer from what was drawn; ``light`` is premultiplied."""
        return Raster(light.astype(np.float32), cover, int(canvas.left), int(canvas.top) - self.rise)


def _tint(luminance: Shade, colour: Colour) -> Plane:
    """A luminance in a colour, its luminance unchanged. height x width x 3"""
    tone = np.array(colour, np.float32)
    return luminance.astype(np.float32)[..., None] * (tone / float(tone @ LUMINANCE))


def _lay(light: Plane, cover: Plane, luminance: Shade, mask: Shade, colour: Colour) -> None:
    """Lay an opaque thing over what is there, in place, premultiplied."""
    mask = mask.astype(np.float32)
    light *= (1 - mask)[..., None]
    light += _tint(luminance * mask, colour)
    cover *= 1 - mask
    cover += mask


def _foliage(canvas: Canvas, rng: np.random.Generator) -> Plane:
    """Luminance of clipped yew, local mean 1: deep gaps, lit needles, little that is much lighter than the mean."""
    fine = 2 if canvas.scale < 1.6 else 1
    height, width = canvas.height * fine, canvas.width * fine
    scale = canvas.scale * fine
    count = 170_000
    depth = np.sort(rng.random(count))  # from the dark inside to the lit outside
    start = np.stack([rng.random(count) * (width + 20 * scale) - 10 * scale, rng.random(count) * height], axis=1)
    lean = rng.normal(0, 0.5, count) + np.where(rng.random(count) < 0.5, -0.7, -2.4)
    length = rng.uniform(4, 10, count) * scale
    end = start + np.stack([np.cos(lean), np.sin(lean)], axis=1) * length[:, None]
    value = 0.10 + 0.62 * depth**1.3 + rng.normal(0, 0.10, count) * (0.3 + depth)
    inked = strokes((width, height), start, end, np.clip(value, 0.03, 1), max(1, round(1.4 * scale)), 0.05)
    drawn: NDArray[np.floating] = inked.reshape(canvas.height, fine, canvas.width, fine).mean(axis=(1, 3))
    drawn = drawn / soften(drawn, 14 * canvas.scale)
    # Each needle gets its tone by its rank: most near 1.1, some gaps down to a third, mean 1. So, two stops over, the
    # green still fits the scale; were it brighter, an overexposed frame would measure too dark.
    ranks = np.linspace(0, 1, 257)
    tones = 1.27 - 0.66 * (1 - ranks) ** 2 - 0.36 * (1 - ranks) ** 10
    drawn = np.interp(drawn, np.quantile(drawn[::3, ::3], ranks), tones).astype(np.float32)
    # Shoots stand out in tufts and the clipped face is not quite flat: both are lit from the upper left.
    tufts = _lit_relief(noise(rng, canvas.shape, 26 * canvas.scale, 4, 0.8), 3.2 * canvas.scale)
    face = _lit_relief(noise(rng, canvas.shape, 150 * canvas.scale, 3, 1.3), 22 * canvas.scale)
    holes = smooth(1.5, 2.6, noise(rng, canvas.shape, 30 * canvas.scale, 4))
    drawn = drawn * (1 + 0.27 * tufts + 0.14 * face) * (1 - 0.6 * holes)
    return np.asarray(drawn / soften(drawn, 36 * canvas.scale), np.float32)


def _lit_relief(heights: Plane, reach: float) -> Plane:
    """How much more light than the mean falls on each place of a relief lit from the upper left, -1 to 1.

    The slope is taken over ``reach``. [px]
    """
    step = max(1, round(reach))
    padded = np.pad(heights, step, mode="edge")
    slope = heights - 0.5 * (padded[: -2 * step, step:-step] + padded[step:-step, : -2 * step])
    return np.asarray(np.tanh(slope / max(float(slope.std()), 1e-6) * 0.8), np.float32)


def _hedge(easel: _Easel, rng: np.random.Generator) -> Raster:
    """Sky, hedge and lawn: everything far away, in one layer at the hedge."""
    canvas = easel.whole()
    x, y = canvas.grid()
    scale = canvas.scale
    glow = 1 - 0.34 * smooth(560, -60, x) - 0.26 * smooth(1120, 1600, x)
    glow = glow * (1 - 0.5 * smooth(690, 815, y)) * (1 + 0.22 * smooth(280, 196, y))
    band = easel.canvas(-BORDER, HEDGE_TOP - 40, REFERENCE[0] + BORDER, HEDGE_FOOT + 40)
    leaves = np.ones(canvas.shape, np.float32)
    first = round(band.top - canvas.top)
    rows = slice(max(0, first), min(canvas.height, first + band.height))
    leaves[rows] = _foliage(band, rng)[rows.start - first : rows.stop - first, : canvas.width]
    hedge = _tint(MIDDLE * leaves * glow, _YEW)
    # Last year's needles are bluish and dark, this year's tips yellow.
    young = np.tanh(1.5 * noise(rng, canvas.shape, 22 * scale, 4)) + 0.8 * np.tanh(
        noise(rng, canvas.shape, 150 * scale, 3)
    )
    hue = 0.055 * young + 0.10 * (leaves - 1)
    before = hedge @ LUMINANCE
    hedge[..., 0] *= 1 + hue
    hedge[..., 2] *= 1 - hue
    hedge *= (before / np.maximum(hedge @ LUMINANCE, 1e-6))[..., None]  # another hue, the same luminance
    ragged = noise(rng, (1, canvas.width), 40 * scale, 6)[0] * 3.0
    fray = noise(rng, canvas.shape, 7 * scale, 2) * 2.5
    picture = _sky(canvas, rng)
    _mix(picture, hedge, smooth(-1.0, 1.0, y - HEDGE_TOP - ragged[None, :] - fray))
    near = smooth(HEDGE_FOOT, 1090, y)
    stripes = np.sin((x - 750) / (26 + 150 * near) * 2.2)
    blades = noise(rng, canvas.shape, 5 * scale, 2, 2.2) + 0.5 * noise(rng, canvas.shape, 40 * scale, 4, 0.35)
    lawn = (0.15 + 0.05 * near) * (1 + 0.10 * np.tanh(3 * stripes)) * np.clip(1 + 0.20 * blades, 0.35, 1.7)
    lawn = lawn * (1 - 0.55 * smooth(HEDGE_FOOT + 34, HEDGE_FOOT, y))
    # What stands on it keeps the sky's light off it.
    for middle, half, foot, deep in ((SPOUT_X + 60, 520.0, 985.0, 130.0), (370.0, 400.0, 1000.0, 130.0)):
        off = np.hypot((x - middle) / half, (y - foot) / deep)
        lawn = lawn * (1 - 0.62 * smooth(1.15, 0.25, off))
    _mix(picture, _tint(lawn, _GRASS), smooth(-2.0, 2.0, y - HEDGE_FOOT + 2 * fray))
    sky = 1 - smooth(-1.0, 1.0, y - HEDGE_TOP - ragged[None, :] - fray)
    gloss = (1 - sky) * np.clip(leaves, 0.3, 1.3) / 1.3  # what is lit has more gloss than the gaps
    drawn = easel.raster(canvas, np.maximum(picture, 0.008, out=picture), None)
    return replace(drawn, glare=gloss.astype(np.float32), skylight=sky.astype(np.float32))


def _mix(ground: Plane, other: Plane, share: Plane) -> None:
    """Put a share of another picture into ``ground``, in place; the other is used up."""
    other -= ground
    other *= share[..., None]
    ground += other


def _sky(canvas: Canvas, rng: np.random.Generator) -> Plane:
    """A pale sky with thin cloud. height x width x 3"""
    _, y = canvas.grid()
    clouds = 0.10 * np.maximum(noise(rng, canvas.shape, 420 * canvas.scale, 5, 0.35), -0.3)
    height = smooth(HEDGE_TOP + 20, -90, y)
    blue = 0.62 - 0.20 * height
    red, green = blue * 0.90 + clouds - 0.10 * height, blue + clouds - 0.02 * height
    return np.stack([red, green, blue * 1.12 + 0.9 * clouds], axis=-1).astype(np.float32)


def _stone(canvas: Canvas, rng: np.random.Generator, grain: float) -> tuple[Plane, Plane]:
    """Weathered stone: its tone around 1, and its roughness. [px]"""
    scale = canvas.scale
    coarse = noise(rng, canvas.shape, 60 * scale, 5)
    fine = noise(rng, canvas.shape, 5 * scale, 3)
    pits = np.minimum(noise(rng, canvas.shape, 9 * scale, 2) + 1.7, 0)
    tone = np.clip(1 + grain * (0.55 * coarse + 0.6 * fine) + 0.25 * pits, 0.25, 1.8)
    return tone.astype(np.float32), (scale * (0.25 * fine + 0.9 * pits)).astype(np.float32)


def _fountain(easel: _Easel, rng: np.random.Generator) -> Raster:
    """A stone slab with a spout, and the bowl before it."""
    canvas = easel.canvas(SPOUT_X - 450, 60, SPOUT_X + 460, REFERENCE[1] + BORDER)
    tone, rough = _stone(canvas, rng, 0.13)
    light = np.zeros((*canvas.shape, 3), np.float32)
    cover = np.zeros(canvas.shape, np.float32)
    glare = _bowl(canvas, rng, tone, light, cover)
    glare *= 1 - _slab(canvas, rng, tone, light, cover)
    lip = Relief(canvas)
    x, y = SPOUT_X, SPOUT_Y
    lip.sweep([(x - 58, y - 42, 13), (x, y - 56, 20), (x + 58, y - 42, 13)])
    lip.sweep([(x - 46, y - 16, 15), (x, y - 14, 18), (x + 46, y - 16, 15)], 10)
    _lay(light, cover, 0.20 * tone * lip.shade(rough), lip.cover, _WET_STONE)
    return replace(easel.raster(canvas, light, cover), glare=glare * (1 - lip.cover))


def _bowl(canvas: Canvas, rng: np.random.Generator, tone: Plane, light: Plane, cover: Plane) -> Plane:
    """A bowl seen at a flat angle: foot, body, rim and the water in it; the share of its light that water mirrors."""
    x, y = canvas.grid()
    middle, half, flat = SPOUT_X + 6, 432.0, 50.0
    across = (x - middle) / half
    depth = 176.0 * np.sqrt(np.maximum(1 - np.abs(across) ** 2.6, 0))
    below = y - POOL_Y
    foot = smooth(1.0, -1.0, np.abs(x - middle) - (118 + 46 * smooth(930, 1010, y))) * smooth(119, 121, below)
    shaft = np.clip(1 - 0.5 * (x - middle) / 130, 0.3, 1.3) * (0.4 + 0.6 * smooth(880, 985, y))
    _lay(light, cover, 0.20 * tone * shaft, foot, _STONE)
    body = smooth(0.8, -0.8, below - 12 - depth) * smooth(1.0, 0.997, np.abs(across)) * smooth(-0.8, 0.8, below)
    turn = np.clip(0.98 - 0.55 * across - 0.45 * across**2, 0.2, 1.4)
    under = 1 - 0.68 * smooth(0.1, 1.0, (below - 20) / np.maximum(depth, 20))
    flutes = 1 + 0.10 * np.sin(np.arcsin(np.clip(across, -1, 1)) * 34)
    _lay(light, cover, 0.25 * tone * turn * under * flutes, body, _STONE)
    streaks = noise(rng, canvas.shape, 26 * canvas.scale, 4, 7.0)
    run = smooth(0.35, 1.6, streaks) * smooth(150, 20, below)
    _lay(light, cover, 0.30 * tone * turn * under, body * run * 0.55, _STONE)
    cushions = noise(rng, canvas.shape, 44 * canvas.scale, 6) + 0.7 * noise(rng, canvas.shape, 7 * canvas.scale, 3)
    moss = smooth(0.7, 2.9, cushions + 1.0 * smooth(40, 170, below))
    _lay(light, cover, 0.09 * tone * turn * under, body * moss * 0.75, _MOSS)
    ring = np.hypot(across, below / flat)
    _lay(light, cover, 0.33 * tone * (1.06 - 0.18 * across), smooth(1.003, 0.99, ring), _STONE)
    _lay(light, cover, 0.13 * tone, smooth(0.935, 0.922, ring), _WET_STONE)
    pool, water = _pool(canvas, rng, below), smooth(0.918, 0.908, ring)
    _lay(light, cover, pool, water, _POOL)
    # What is not mirrored is the stone of the bowl, seen through the water.
    return np.asarray(np.clip(1 - 0.055 * tone**2 / pool, 0, 1) * water, np.float32)


def _pool(canvas: Canvas, rng: np.random.Generator, below: Plane) -> Plane:
    """Luminance of the water in the bowl: the sky near, hedge and slab farther off, broken by ripples from the fall."""
    x, _ = canvas.grid()
    scale = canvas.scale
    swell = noise(rng, canvas.shape, 110 * scale, 5, 0.14)
    chop = noise(rng, canvas.shape, 34 * scale, 5, 0.12)
    way = np.hypot((x - SPOUT_X) * 0.115, below - 4) + 1.1 * swell + 0.5 * chop
    rings = np.sin(way * 1.15 + 0.4 * swell) * np.exp(-way / 20)
    slope = 0.45 * swell + 0.55 * chop + 2.2 * rings
    # A slope shows another place: towards us the sky above the hedge, away the hedge.
    sky = smooth(-1.4, 3.0, slope + 1.3 * smooth(-44, 46, below))
    mirror = 0.05 + 0.02 * smooth(-44, 40, below) + 0.27 * sky
    behind = smooth(112, 78, np.abs(x - SPOUT_X - 4 * slope)) * smooth(34, -6, below)
    falling = smooth(52, 30, np.abs(x - SPOUT_X - 5 * slope)) * smooth(40, -2, below)
    mirror = mirror * (1 - 0.5 * behind) + 0.13 * falling * (0.7 + 0.5 * chop)
    return np.asarray(np.clip(mirror, 0.02, 0.6), np.float32)


def _slab(canvas: Canvas, rng: np.random.Generator, tone: Plane, light: Plane, cover: Plane) -> Plane:
    """A slab with a round head, wet and dark behind the water; how far it covers each place."""
    x, y = canvas.grid()
    half, head = 92.0, 188.0
    in_arch = y < head
    radius = np.hypot(x - SPOUT_X, np.minimum(y - head, 0))
    outside = radius - half
    lit = -(0.75 * (x - SPOUT_X) + 0.66 * np.where(in_arch, y - head, 0)) / np.maximum(radius, 1)
    edge = smooth(-17, -3, outside)
    wet_edge = 9 * noise(rng, canvas.shape, 60 * canvas.scale, 3, 3.0)
    wet = smooth(90, 50, np.abs(x - SPOUT_X) + wet_edge) * smooth(SPOUT_Y - 10, SPOUT_Y + 50, y)
    groove = 1 - 0.35 * np.exp(-(((outside + 24) / 2.5) ** 2))
    stone = 0.150 * tone * (1 + 0.5 * edge * lit) * groove * (1 - 0.70 * wet)
    # Three blocks on one another, lime where the water ran, moss where it stays wet.
    for joint, lean in ((388.0, 2.0), (566.0, -1.5)):
        seam = y - joint - lean * (x - SPOUT_X) / 90 - 0.6 * wet_edge / 9
        stone = stone * (1 - 0.55 * np.exp(-((seam / 1.6) ** 2)) + 0.12 * np.exp(-(((seam - 3.2) / 2.0) ** 2)))
    lime = smooth(0.5, 1.7, noise(rng, canvas.shape, 22 * canvas.scale, 4, 8.0)) * smooth(150, 300, y) * (1 - 0.8 * wet)
    stone = stone * (1 + 0.45 * lime)
    mask = smooth(0.8, -0.8, outside) * smooth(POOL_Y - 20, POOL_Y - 22, y)
    _lay(light, cover, stone, mask, _WET_STONE)
    damp = smooth(420, 720, y) + 0.6 * smooth(70, 92, np.abs(x - SPOUT_X))
    cushions = noise(rng, canvas.shape, 40 * canvas.scale, 6, 1.3) + 0.7 * noise(rng, canvas.shape, 7 * canvas.scale, 3)
    moss = smooth(1.0, 3.0, cushions + damp)
    _lay(light, cover, 0.075 * tone * (1 + 0.4 * edge * lit), mask * moss * 0.8 * (1 - 0.6 * wet), _MOSS)
    return mask


def _heron(easel: _Easel, rng: np.random.Generator) -> Raster:
    """A stone heron on a rock, looking towards the water."""
    canvas = easel.canvas(60, 220, 640, REFERENCE[1] + BORDER)
    x, y = canvas.grid()
    tone, rough = _stone(canvas, rng, 0.15)
    bird = Relief(canvas)
    # Rock; legs and toes.
    bird.sweep([(150, 1010, 70), (250, 985, 82), (360, 978, 84), (470, 1000, 74), (540, 1040, 60)], 0, 80)
    bird.sweep([(220, 960, 46), (320, 935, 40), (420, 945, 42)], 30, 60)
    bird.sweep([(352, 690, 20), (346, 750, 10), (338, 806, 7), (344, 860, 6), (340, 902, 7)], 60)
    bird.sweep([(392, 690, 20), (392, 750, 10), (398, 806, 7.5), (390, 860, 6), (394, 906, 7)], 66)
    for base, toes in ((340, (-34, 6, 30)), (394, (-24, 10, 40))):
        for toe in toes:
            bird.sweep([(base, 902, 6), (base + toe * 0.6, 906, 5), (base + toe, 914, 3)], 76, 40)
    # Body from tail to breast; neck, folded back on itself; head; beak; crest.
    bird.sweep([(196, 762, 6), (236, 716, 26), (296, 650, 60), (356, 592, 76), (404, 548, 62), (428, 516, 44)], 40)
    neck = [(424, 520, 44), (448, 468, 31), (444, 420, 24), (412, 384, 20), (384, 346, 17.5), (384, 306, 16)]
    bird.sweep([*neck, (408, 276, 16), (430, 266, 17)], 52, 320)
    bird.sweep([(414, 268, 18), (438, 264, 21), (466, 268, 16)], 56)
    bird.sweep([(462, 266, 13), (500, 273, 8.5), (545, 283, 5), (592, 295, 1.2)], 54, 200)
    bird.sweep([(470, 276, 9), (510, 283, 6), (560, 291, 2.5), (586, 295, 1)], 52, 160)
    bird.sweep([(424, 252, 6), (388, 254, 5), (348, 268, 3.5), (306, 290, 1.2)], 50)
    # Breast plumes; the wing, its long feathers below one another.
    for k in range(5):
        plume = [(428 - 9 * k, 540 + 4 * k, 7), (432 - 10 * k, 590 + 5 * k, 5), (424 - 11 * k, 634 + 6 * k, 1.5)]
        bird.sweep(plume, 104, 60)
    bird.sweep([(404, 566, 30), (352, 606, 50), (286, 676, 42), (222, 742, 17), (184, 786, 3)], 74)
    for k in range(6):
        quill = [(330 - 10 * k, 655 + 5 * k, 8), (282 - 12.6 * k, 706 + 6 * k, 7), (236 - 9 * k, 752 + 5 * k, 2)]
        bird.sweep(quill, 92 - 3 * k, 60)
    shade = bird.shade(rough)
    # Scalloped coverts on the wing, the eye, and the line where the beak closes.
    along = ((x - 404) * -0.66 + (y - 566) * 0.75) / 30
    side = ((x - 404) * 0.75 + (y - 566) * 0.66) / 26
    row = np.floor(along)
    arc = along - row - 0.35 * np.cos((side + 0.5 * (row % 2)) * 2 * math.pi)
    on_wing = smooth(52, 30, np.abs((x - 352) * 0.75 + (y - 606) * 0.66)) * smooth(390, 372, x) * smooth(272, 292, x)
    scallops = 1 - 0.32 * on_wing * np.exp(-(((arc - 0.5) / 0.11) ** 2))
    eye = 1 - 0.78 * np.exp(-((((x - 449) / 6.0) ** 2 + ((y - 259) / 5.0) ** 2) ** 2))
    closing = np.exp(-(((y - (272 + (x - 460) * 0.178)) / 1.5) ** 2)) * smooth(452, 468, x) * smooth(592, 570, x)
    lichen = smooth(1.1, 1.9, noise(rng, canvas.shape, 34 * canvas.scale, 4))
    damp = 1 - 0.35 * smooth(880, 1010, y)
    stone = 0.27 * tone * shade * scallops * eye * (1 - 0.5 * closing) * damp * (1 + 0.3 * lichen)
    light = _tint(stone * bird.cover, (1.08, 0.99, 0.86))
    light[..., 2] *= 1 - 0.30 * lichen
    return easel.raster(canvas, light, bird.cover)


def middle_of(picture: Plane) -> tuple[float, float]:
    """Mean luminance of the middle third of a linear picture, and the median of its blocks' means."""
    luminance = picture @ LUMINANCE
    height, width = luminance.shape
    part = luminance[height // 3 : 2 * height // 3, width // 3 : 2 * width // 3]
    medians = []
    for down, across in BLOCKS:
        rows, columns = part.shape[0] // down, part.shape[1] // across
        blocks = part[: rows * down, : columns * across].reshape(down, rows, across, columns).mean(axis=(1, 3))
        medians.append(float(np.median(blocks)))
    return float(part.mean()), sum(medians) / len(medians)


def _flat(size: tuple[int, int], layers: list[Raster]) -> Plane:
    """Layers laid over one another with everything sharp."""
    picture = np.zeros((size[1], size[0], 3), np.float32)
    for raster in layers:
        x, y = round(raster.left), round(raster.top)
        left, top = max(0, x), max(0, y)
        right = min(size[0], x + raster.light.shape[1])
        bottom = min(size[1], y + raster.light.shape[0])
        cut = slice(top - y, bottom - y), slice(left - x, right - x)
        part = picture[top:bottom, left:right]
        if raster.cover is not None:
            part *= (1 - raster.cover[cut])[..., None]
            part += raster.light[cut]
        else:
            part[:] = raster.light[cut]
    return picture


def _tuned(garden: Garden, size: tuple[int, int]) -> Garden:
    """The garden with hedge and water so bright that the middle's blocks have median 0.18 and the middle mean 0.18."""
    for _ in range(3):
        still = [garden.hedge, garden.fountain]
        water = mean_fall(garden.fall)
        mean, median = middle_of(_flat(size, [*still, water]))
        garden = replace(garden, hedge=replace(garden.hedge, light=garden.hedge.light * np.float32(MIDDLE / median)))
        mean, _ = middle_of(_flat(size, [garden.hedge, garden.fountain, water]))
        only, _ = middle_of(_flat(size, [replace(water, cover=np.zeros_like(water.light[..., 0]))]))
        gain = float(np.clip(1 + (MIDDLE - mean) / max(only, 1e-6), 0.5, 2))
        garden = replace(garden, fall=replace(garden.fall, gain=garden.fall.gain * gain))
    return garden


def _drawn(size: tuple[int, int], seed: int) -> Garden:
    """The garden drawn for a frame of ``size`` (columns, rows)."""
    easel = _Easel(size)

    def dice(number: int) -> np.random.Generator:
        return np.random.default_rng((seed, number))

    place = SPOUT_X * easel.scale, (SPOUT_Y - 12) * easel.scale - easel.rise
    parts: tuple[Callable[[], Any], ...] = (
        lambda: _hedge(easel, dice(1)),
        lambda: _fountain(easel, dice(2)),
        lambda: draw_fall(place, (POOL_Y + 4 - SPOUT_Y + 12), easel.scale, dice(3)),
        lambda: _heron(easel, dice(4)),
    )
    if size[0] > REFERENCE[0]:
        # Large drawings are made one after the other and here, for the sake of memory: each uses that of the last.
        garden = Garden(*(draw() for draw in parts))
    else:
        with ThreadPoolExecutor(2) as hands:
            garden = Garden(*hands.map(lambda draw: draw(), parts))
    return _tuned(garden, size)


def _grown(raster: Raster, step: float, grain: float) -> Raster:
    """A drawing enlarged to a frame ``step`` times as large, with ``grain`` of its own between the drawn pixels."""
    return replace(raster, left=raster.left * step, top=raster.top * step, step=step, grain=grain)


def build(optics: Optics, script: SceneScript) -> Garden:
    """Draw the garden for the frames of ``optics``. The same optics and script give the same garden."""
    width, height = optics.size
    step = max(1.0, width / WIDEST_DRAWN)
    size = round(width / step), round(height / step)
    garden = _drawn(size, 5 + script.seed)
    if script.leaves is not None:
        garden = replace(garden, twigs=draw_twigs(size, script.seed))
    if script.passer_by is not None:
        garden = replace(garden, walker=draw_walker(size, optics, script.passer_by))
    if step == 1.0:
        return garden
    return replace(
        garden,
        hedge=_grown(garden.hedge, step, 0.10),
        fountain=_grown(garden.fountain, step, 0.07),
        heron=_grown(garden.heron, step, 0.07),
        twigs=tuple(_grown(twig, step, 0.05) for twig in garden.twigs),
        walker=None if garden.walker is None else _grown(garden.walker, step, 0.04),
        step=step,
    )
