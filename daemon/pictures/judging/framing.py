"""Framing: how far a frame's content lies from its reference's, to a part of a pixel, and how much larger it is.

How it is measured
    A first shift comes from the phase correlation of the two whole pictures, made small (see `likeness`). Then tiles
    over the whole frame are correlated at full size: the cross-power spectrum is whitened, and what its inverse
    transform peaks at is found by Newton's method on the trigonometric sum itself, which knows every place between the
    pixels. Shift, scale and turn are fitted to the tiles by agreement: the most tiles that one movement explains.
    Water, leaves and whoever walks through lie outside and do not count.
What it tells apart
    A lens that breathes makes the picture larger about its middle; a tripod that creeps moves it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from daemon.pictures.judging.pixels import LOGS, Box, Pixels
from daemon.pictures.likeness import shift_of, strength

TILES = (64, 80, 96, 128, 144, 160, 192)  # sides that transform fast; the largest that fits is taken [px]
ACROSS, DOWN = 5, 4
LEAST_PEAK = 9.0  # how far a tile's peak stands out of its surroundings [standard deviations]
LEAST_AGREEING = 4
# Frequencies used [cycles a pixel], within which tiles agree, and how far the result may be off [px]: first the fine
# ones; where focus or aperture differ too much for those, the coarse ones.
PASSES = ((0.12, 0.3, 0.1), (0.035, 1.2, 0.4))

Grey = NDArray[np.uint8]
Points = NDArray[np.float64]


@dataclass(frozen=True)
class Framing:
    """A frame against its reference.

    ``shift_px``: where the content of the frame's middle lies against the reference's, right and down; None: untold,
    and ``why_none`` says why. ``scale``: size against the reference. ``turn_mrad``: clockwise. ``corner_px``: the
    farthest that shift, scale and turn move a corner. ``used`` of ``asked`` tiles agree. ``unsure_px``: how far the
    shift may be off, one standard deviation.
    """

    shift_px: tuple[float, float] | None
    scale: float = 1.0
    turn_mrad: float = 0.0
    corner_px: float = 0.0
    used: int = 0
    asked: int = 0
    why_none: str = ""
    unsure_px: float = PASSES[0][2]

    @property
    def moved_px(self) -> float | None:
        """Length of the shift. [px]"""
        return None if self.shift_px is None else math.hypot(*self.shift_px)


def framing(frame: Pixels, reference: Pixels) -> Framing:
    """Hold a frame's framing against its reference's."""
    if frame.picture.size != reference.picture.size:
        sizes = f"this frame is {frame.width} x {frame.height}, its reference {reference.width} x {reference.height}"
        return Framing(None, why_none=sizes)
    width, height = frame.width, frame.height
    tile = _tile_side(width, height)
    if not tile:
        return Framing(None, why_none=f"{width} x {height} pixels are too few")
    first = _first(frame, reference)
    if first is None:
        return Framing(None, why_none="the two pictures have too little in common")
    found = Framing(None)
    for finest, agree_px, unsure_px in PASSES:
        places, ways = [], []
        for left, top in _tiles(width, height, tile):
            way = _tile_shift(frame, reference, (left, top, tile), first, finest)
            if way is not None:
                places.append((left + tile / 2 - width / 2, top + tile / 2 - height / 2))
                ways.append(way)
        if len(ways) < LEAST_AGREEING:
            why = f"only {len(ways)} of {ACROSS * DOWN} places have texture to go by"
            found = Framing(None, asked=len(ways), why_none=why)
        else:
            found = _agreed(np.array(places), np.array(ways), (width, height), agree_px)
        if found.shift_px is not None:
            return replace(found, unsure_px=unsure_px)
    return found


def places(frame: Pixels) -> list[Box]:
    """The boxes over a frame that its framing is told by; none in a picture that is too small."""
    side = _tile_side(frame.width, frame.height)
    tiles = _tiles(frame.width, frame.height, side) if side else []
    return [(left, top, left + side, top + side) for left, top in tiles]


def _tile_side(width: int, height: int) -> int:
    return max((side for side in TILES if side <= min(width, height) // 3), default=0)


def _first(frame: Pixels, reference: Pixels) -> tuple[int, int] | None:
    shift, _ = shift_of(frame.small_spectrum, reference.small_spectrum, frame.small_grey.shape[1])
    return None if shift is None else (round(shift[0] * frame.width), round(shift[1] * frame.width))


def _tiles(width: int, height: int, tile: int) -> list[tuple[int, int]]:
    across, down = (ACROSS, DOWN) if width >= height else (DOWN, ACROSS)
    edge_x, edge_y = round(0.02 * width), round(0.02 * height)
    lefts = np.linspace(edge_x, width - tile - edge_x, across).round().astype(int)
    tops = np.linspace(edge_y, height - tile - edge_y, down).round().astype(int)
    return [(int(left), int(top)) for top in tops for left in lefts]


def _tile_shift(
    frame: Pixels, reference: Pixels, place: tuple[int, int, int], first: tuple[int, int], finest: float
) -> tuple[float, float] | None:
    """How far the content of one tile (left, top, side) of the reference has moved; None: cannot be told. [px]"""
    left, top, tile = place
    width, height = frame.width, frame.height
    right, down = first
    window = _window(tile)
    before = reference.kept.get(place)
    if before is None:  # a reference is held against every frame of its group
        before = _spectrum(reference.grey((left, top, left + tile, top + tile)), window)
        reference.kept[place] = before
    for _ in range(2):
        x = min(max(left + right, 0), width - tile)
        y = min(max(top + down, 0), height - tile)
        cross = _spectrum(frame.grey((x, y, x + tile, y + tile)), window) * np.conj(before)
        cross *= _low_pass(tile, finest) / strength(cross)
        surface = np.fft.irfft2(cross, s=(tile, tile))
        peak_y, peak_x = divmod(int(np.argmax(surface)), tile)
        if float(surface[peak_y, peak_x]) < LEAST_PEAK * _roughness(tile, finest):
            return None
        dy, dx = (peak_y + tile // 2) % tile - tile // 2, (peak_x + tile // 2) % tile - tile // 2
        right, down = x - left + dx, y - top + dy
        if abs(dx) <= 1 and abs(dy) <= 1:
            break
    fine_x, fine_y = _summit(cross, dx, dy)
    return x - left + fine_x, y - top + fine_y


def _spectrum(part: Grey, window: NDArray[np.float32]) -> NDArray[np.complexfloating]:
    values = LOGS[part]
    return np.asarray(np.fft.rfft2((values - values.mean()) * window))


@lru_cache(maxsize=8)
def _window(tile: int) -> NDArray[np.float32]:
    return np.outer(np.hanning(tile), np.hanning(tile)).astype(np.float32)


@lru_cache(maxsize=16)
def _low_pass(tile: int, finest: float) -> NDArray[np.float32]:
    fy, fx = np.fft.fftfreq(tile)[:, None], np.fft.rfftfreq(tile)[None, :]
    return np.asarray(np.exp(-(fy**2 + fx**2) / (2 * finest**2)), np.float32)


@lru_cache(maxsize=16)
def _roughness(tile: int, finest: float) -> float:
    """Standard deviation of a correlation surface: by Parseval, since whitened spectra are all as strong."""
    kept = _low_pass(tile, finest).astype(np.float64) ** 2
    both_halves = 2 * kept.sum() - kept[:, 0].sum() - kept[:, -1].sum()
    return float(math.sqrt(both_halves - kept[0, 0])) / tile**2


def _summit(cross: NDArray[np.complexfloating], dx: int, dy: int) -> tuple[float, float]:
    """The place near (dx, dy) where the correlation is highest, by Newton's method on its Fourier sum. [px]"""
    tile = cross.shape[0]
    low = tile // 2  # frequencies above a quarter are all but taken away
    rows = np.r_[0 : low // 2, tile - low // 2 : tile]
    part = cross[rows, : low // 2]
    ky = 2 * np.pi * np.fft.fftfreq(tile)[rows][:, None]
    kx = 2 * np.pi * np.arange(low // 2)[None, :] / tile
    x, y = float(dx), float(dy)
    for _ in range(3):
        turned = part * np.exp(1j * kx * x) * np.exp(1j * ky * y)
        slope = -np.array([(turned.imag * kx).sum(), (turned.imag * ky).sum()])
        bend_xx, bend_yy = -(turned.real * kx**2).sum(), -(turned.real * ky**2).sum()
        bend_xy = -(turned.real * kx * ky).sum()
        determinant = bend_xx * bend_yy - bend_xy**2
        if determinant <= 0 or bend_xx >= 0:
            break
        step_x = -(bend_yy * slope[0] - bend_xy * slope[1]) / determinant
        step_y = -(bend_xx * slope[1] - bend_xy * slope[0]) / determinant
        x, y = x + float(np.clip(step_x, -0.5, 0.5)), y + float(np.clip(step_y, -0.5, 0.5))
    near = abs(x - dx) <= 1.5 and abs(y - dy) <= 1.5
    return (x, y) if near else (float(dx), float(dy))


def _agreed(places: Points, ways: Points, size: tuple[int, int], agree_px: float) -> Framing:
    best = _largest_agreement(places, ways, 0.2 * size[0], agree_px)
    count = len(ways)
    if best.sum() < max(LEAST_AGREEING, 0.35 * count):
        why = f"only {int(best.sum())} of {count} places agree on one movement"
        return Framing(None, used=int(best.sum()), asked=count, why_none=why)
    for _ in range(2):
        found = _fit(places[best], ways[best])
        best = _left_over(places, ways, found) < agree_px
    right, down, larger, turned = (float(value) for value in found)
    corners = np.array([(x * size[0] / 2, y * size[1] / 2) for x in (-1, 1) for y in (-1, 1)])
    farthest = float(np.linalg.norm(_moved(corners, found), axis=1).max())
    return Framing((right, down), 1 + larger, 1000 * turned, farthest, int(best.sum()), count)


def _largest_agreement(places: Points, ways: Points, least_apart: float, agree_px: float) -> NDArray[np.bool_]:
    """The tiles that agree on the movement of some two of them, of the two for which they are most.

    As complex numbers, shift and growth and turn are one line: way = shift + (growth + i turn) x place.
    """
    at, way = places @ (1, 1j), ways @ (1, 1j)
    one, other = np.triu_indices(len(at), 1)
    apart = np.abs(at[one] - at[other]) >= least_apart
    one, other = one[apart], other[apart]
    if not one.size:
        return np.zeros(len(at), bool)
    slope = (way[one] - way[other]) / (at[one] - at[other])
    shift = way[one] - slope * at[one]
    agreeing = np.abs(way - shift[:, None] - slope[:, None] * at) < agree_px
    return np.asarray(agreeing[int(agreeing.sum(axis=1).argmax())])


def _fit(places: Points, ways: Points) -> Points:
    """Shift right and down, growth, turn, by least squares."""
    x, y = places.T
    one, none = np.ones_like(x), np.zeros_like(x)
    rows = np.concatenate([np.stack([one, none, x, -y], axis=1), np.stack([none, one, y, x], axis=1)])
    return np.asarray(np.linalg.lstsq(rows, np.concatenate([ways[:, 0], ways[:, 1]]), rcond=None)[0])


def _moved(places: Points, found: Points) -> Points:
    right, down, larger, turned = found
    x, y = places.T
    return np.stack([right + larger * x - turned * y, down + larger * y + turned * x], axis=1)


def _left_over(places: Points, ways: Points, found: Points) -> NDArray[np.float64]:
    return np.asarray(np.linalg.norm(ways - _moved(places, found), axis=1))
