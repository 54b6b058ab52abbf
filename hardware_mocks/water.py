"""Moving water, averaged over an exposure.

A tape is a texture that runs round without end and is pulled along at one speed. What an exposure records of it is the
mean over the length that passed: taken exactly, from running sums, so that a short exposure shows structure and a long
one a veil. Two tapes of unlike length never come round together, so that no two exposures show the same water.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hardware_mocks.drawing import Plane, noise, smooth
from hardware_mocks.lens import Raster
from hardware_mocks.sensor import LUMINANCE

HALF_WIDTH = 46.0  # of the fall [reference px]
_WINDOW = 120.0  # half width of what the fall is drawn in, spray included [reference px]
_LENGTHS = 3760.0, 5170.0  # of the two tapes [reference px]
_FOAM_SHARE = 0.25  # foam runs outward at this share of the fall's speed
COLOUR = np.array([0.93, 1.01, 1.10], np.float32)


class Tape:
    """A texture without end.

    Parameters
    ----------
    texture
        Length x width x channels; the length runs along the movement.
    """

    def __init__(self, texture: Plane):
        self.length = texture.shape[0]
        self.mean: Plane = texture.mean(axis=0, dtype=np.float64).astype(np.float32)
        start = np.zeros((1, *texture.shape[1:]))
        self._sums = np.concatenate([start, np.cumsum(texture.astype(np.float64), axis=0)])

    def _sum_to(self, place: NDArray[np.float64]) -> NDArray[np.float64]:
        """Running sum of the texture up to each place; places count on through the turns. [px]"""
        turns, rest = np.divmod(place, self.length)
        whole = np.minimum(rest.astype(np.int64), self.length - 1)
        part = (rest - whole)[:, None, None]
        below, above = self._sums[whole], self._sums[whole + 1]
        return np.asarray(turns[:, None, None] * self._sums[-1] + below + part * (above - below))

    def seen(self, rows: int, begin: float, travel: float) -> Plane:
        """What a slit of ``rows`` pixels records.

        Parameters
        ----------
        begin
            How far the tape has been pulled when the shutter opens. [px]
        travel
            How far it is pulled while the shutter is open. [px]

        Returns
        -------
        Mean of the texture over the exposure and over each pixel, rows x width x channels. Pattern moves towards
        higher rows.
        """
        # Pulled by p, row r shows the place r - p; an exposure shows it all places from r - begin - travel on.
        rows_at = np.arange(rows, dtype=np.float64) - begin
        travel = max(travel, 0.05)
        fine = 4 if travel < 16 else 2
        total = np.zeros((rows, *self._sums.shape[1:]))
        for sub in range(fine):
            place = rows_at + (sub + 0.5) / fine
            total += self._sum_to(place) - self._sum_to(place - travel)
        return (total / (fine * travel)).astype(np.float32)


@dataclass(frozen=True)
class Fall:
    """Falling water and the foam at its foot, with the place they take in the frame. [px]

    ``cap`` is what of the tapes can be seen at each place, rows x columns; ``foam_cap`` the same for the foam.
    """

    tapes: tuple[Tape, Tape]
    foam: Tape
    cap: Plane
    foam_cap: Plane
    gain: float
    left: int
    top: int


def _together(fall: Fall, falling: Plane, foam: Plane) -> Raster:
    """Foam over falling water. Both rows x columns x (light, cover), light premultiplied."""
    falling = falling * fall.cap[..., None]
    foam = foam * fall.foam_cap[..., None]
    both = falling * (1 - foam[..., 1:]) + foam
    light = both[..., :1] * (COLOUR * (fall.gain / float(COLOUR @ LUMINANCE)))
    return Raster(light.astype(np.float32), np.clip(both[..., 1], 0, 1), fall.left, fall.top)


def _spans(start_s: float, time_s: float, life_s: float) -> list[tuple[float, float, float, float]]:
    """An exposure cut up so that the water's pattern stays nearly itself in each part.

    Returns begin and length [s] of each part, and the weights that two patterns have in it. The weights go round once
    in ``life_s``: while one is away it is begun anew, so that after a life nothing of the old pattern is left.
    """
    count = int(np.clip(math.ceil(time_s / life_s * 8), 1, 12))
    spans = []
    for number in range(count):
        begin = start_s + time_s * number / count
        turn = math.pi * (begin + time_s / count / 2) / life_s
        spans.append((begin, time_s / count, math.sin(turn) ** 2, math.cos(turn) ** 2))
    return spans


def _fresh(which: int, middle_s: float, life_s: float, length: int) -> float:
    """How far a tape is wound on in the life that ``middle_s`` falls into. [px]"""
    life = math.floor(middle_s / life_s + 0.5 * which)
    return float(np.random.default_rng((abs(life), int(life < 0), which, 77)).integers(length))


def exposed_fall(fall: Fall, speed_px_s: float, start_s: float, time_s: float, life_s: float | None = None) -> Raster:
    """What an exposure records of the fall, focused at infinity.

    ``speed_px_s`` is that of its picture [px/s]; after ``life_s`` its pattern has become another (None: never). [s]
    """
    rows, columns = fall.cap.shape
    begin, travel = speed_px_s * start_s, speed_px_s * time_s
    falling = np.zeros((rows, columns, 2), np.float32)
    if life_s is None:
        falling += sum((tape.seen(rows, begin, travel) for tape in fall.tapes), np.zeros(())) / len(fall.tapes)
    else:
        spans = _spans(start_s, time_s, life_s)
        for at, lasts, *weights in spans:
            for which, (tape, weight) in enumerate(zip(fall.tapes, weights, strict=True)):
                if weight > 0.004:
                    wound = _fresh(which, at + lasts / 2, life_s, tape.length)
                    seen = tape.seen(rows, wound + speed_px_s * at, speed_px_s * lasts)
                    falling += np.float32(weight / len(spans)) * seen
    half = (columns + 1) // 2
    outward = fall.foam.seen(half, begin * _FOAM_SHARE, travel * _FOAM_SHARE)
    foam = np.concatenate([outward[::-1, ::-1], outward], axis=0)[half - columns // 2 :][:columns].transpose(1, 0, 2)
    whole = np.zeros((rows, columns, 2), np.float32)
    whole[rows - foam.shape[0] :] = foam
    return _together(fall, falling, whole)


def mean_fall(fall: Fall) -> Raster:
    """What an exposure without end would record."""
    rows, columns = fall.cap.shape
    falling = (fall.tapes[0].mean + fall.tapes[1].mean) / 2
    whole = np.zeros((rows, columns, 2), np.float32)
    whole[rows - fall.foam.mean.shape[0] :] = fall.foam.mean[:, None, :]
    return _together(fall, np.broadcast_to(falling, (rows, columns, 2)), whole)


def _endless(rng: np.random.Generator, rows: int, columns: int, cell: float, octaves: int, stretch: float) -> Plane:
    """Noise of mean 0 and deviation 1 whose end meets its beginning. [px]"""
    field = noise(rng, (rows * 2, columns), cell, octaves, stretch)
    fade = np.linspace(0, 1, rows, dtype=np.float32)[:, None]
    joined = (field[:rows] * fade + field[rows:] * (1 - fade)) / np.sqrt(fade**2 + (1 - fade) ** 2)
    return np.asarray(joined, np.float32)


def _drops(rng: np.random.Generator, rows: int, columns: int, scale: float, count: int) -> Plane:
    """Drops beside the fall. rows x columns"""
    drops = np.zeros((rows, columns), np.float32)
    for _ in range(count):
        offset = HALF_WIDTH * (0.85 + 0.30 * abs(rng.standard_normal())) * rng.choice([-1, 1])
        radius = max(0.6, rng.uniform(0.8, 2.1) * scale)
        cx, cy = (offset + _WINDOW) * scale, rng.random() * rows
        reach = int(radius * 2.5) + 2
        at_x = np.arange(max(0, int(cx) - reach), min(columns, int(cx) + reach + 1))
        at_y = np.arange(int(cy) - reach * 2, int(cy) + reach * 2 + 1)
        inside = ((at_x[None, :] + 0.5 - cx) / radius) ** 2 + ((at_y[:, None] + 0.5 - cy) / (radius * 1.7)) ** 2
        window = np.ix_(at_y % rows, at_x)
        drops[window] = np.maximum(drops[window], smooth(1.4, 0.5, inside))
    return drops


def _falling_tape(rng: np.random.Generator, scale: float, length: float, columns: int) -> Tape:
    """Water on its way down: strands, lumps and drops; channels are light (premultiplied) and cover."""
    rows = round(length * scale)
    across = np.abs((np.arange(columns, dtype=np.float32) + 0.5) / scale - _WINDOW)[None, :]
    strands = _endless(rng, rows, columns, 11 * scale, 3, 11.0)
    lumps = _endless(rng, rows, columns, 34 * scale, 5, 2.6)
    sparkle = _endless(rng, rows, columns, 5 * scale, 2, 2.2)
    edge = HALF_WIDTH * (1 + 0.13 * _endless(rng, rows, columns, 60 * scale, 4, 2.0)[:, :1] + 0.05 * lumps)
    core = smooth(3.0, -5.0, across - edge)
    cover = core * (0.30 + 0.62 * smooth(-1.9, -0.7, strands + 0.55 * lumps))
    bright = 0.32 + 0.20 * strands + 0.17 * lumps + 0.55 * smooth(1.0, 2.2, sparkle + 0.5 * strands)
    light = np.clip(bright, 0.05, 1.2) * cover
    # However short the exposure, each stretch of water throws back the same light.
    reach = round(50 * scale)
    for plane in (light, cover):
        stretch = np.concatenate([plane[-reach:], plane, plane[:reach]]).mean(axis=1)
        window = np.ones(2 * reach + 1) / (2 * reach + 1)
        plane *= (plane.mean() / np.convolve(stretch, window, "valid"))[:, None].astype(np.float32)
    drops = _drops(rng, rows, columns, scale, round(length * 0.55))
    light = light + 0.62 * drops * (1 - cover)
    cover = cover + drops * (1 - cover)
    return Tape(np.stack([light, np.clip(cover, 0, 1)], axis=-1).astype(np.float32))


def _foam_tape(rng: np.random.Generator, scale: float, columns: int) -> Tape:
    """Foam running outward over the pool; the tape's length lies across the picture."""
    rows = round(1900 * scale)
    froth = _endless(rng, rows, columns, 16 * scale, 4, 1.6)
    beads = _endless(rng, rows, columns, 6 * scale, 2, 1.4)
    cover = 0.25 + 0.65 * smooth(-0.5, 0.9, froth + 0.5 * beads)
    light = np.clip(0.30 + 0.12 * beads + 0.10 * froth, 0.05, 1.0) * cover
    return Tape(np.stack([light, cover], axis=-1).astype(np.float32))


def draw_fall(place: tuple[float, float], height: float, scale: float, rng: np.random.Generator) -> Fall:
    """Draw falling water from ``place`` (middle of the spout, frame pixels) down by ``height``. [reference px]"""
    columns = round(2 * _WINDOW * scale)
    foam_rows = max(3, round(34 * scale))
    rows = round(height * scale) + foam_rows // 2
    y = (np.arange(rows, dtype=np.float32)[:, None] + 0.5) / scale
    x = np.abs((np.arange(columns, dtype=np.float32)[None, :] + 0.5) / scale - _WINDOW)
    # Born under the lip, broken up on the way down, gone in the pool.
    beside = smooth(0.86, 1.05, x / HALF_WIDTH)
    cap = smooth(0, 9, y) * smooth(height, height - 14, y) * (1 - beside * (1 - smooth(10, 330, y)))
    level = (y - height + 2) / 15
    foam_cap = smooth(1.0, 0.35, np.hypot(x / 92, level)) * (0.9 - 0.3 * smooth(30, 90, x))
    tapes = tuple(_falling_tape(rng, scale, length, columns) for length in _LENGTHS)
    return Fall(
        (tapes[0], tapes[1]),
        _foam_tape(rng, scale, foam_rows),
        cap.astype(np.float32),
        foam_cap.astype(np.float32),
        1.0,
        round(place[0] - columns / 2),
        round(place[1]),
    )
