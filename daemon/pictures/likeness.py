"""Two frames of one framing held against each other: has the frame shifted, has the focus slipped?

How it is measured
    Both pictures are taken in grey at `LONG_SIDE` pixels. The shift is that of the peak of their phase correlation
    (the inverse transform of the cross-power spectrum; Kuglin and Hines, 1975), told to a part of a pixel by a
    parabola. Sharpness of a block is the mean square of what a 3 x 3 mean takes away, over the square of its mean
    brightness, so that light and exposure fall out. A slipped focus makes some of the picture softer and some of it
    sharper, so that it is told by the change of sharpness either way, over nine fields. It says that only of frames at
    one aperture and about one ISO: depth and noise change sharpness as well.
What is not told
    A turn of the camera about its view. A shift or a focus on pictures that have too little in common: None then.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from daemon.pictures.opening import opened_jpeg

LONG_SIDE = 1024  # pixels; finer ones are mostly noise and the decoder's grain
BLOCKS = (12, 8)  # across the long and the short side
LEAST_PEAK = 15.0  # how far the peak of the correlation must stand out of its surroundings [standard deviations]
_ALONE = 0.7  # a second peak above this share of the first: a pattern that repeats, which tells no shift
_NEAR_PX = 6
_FLAT = 1e-6  # sharpness of a block without any texture

Grey = NDArray[np.float32]
Spectrum = NDArray[np.complexfloating]


@dataclass(frozen=True)
class Likeness:
    """A frame against its reference.

    ``shift``: where the frame's content lies against the reference's, right and down, as shares of the frame's width;
    None: cannot be told. ``peak``: how plainly. ``regions``: change of sharpness in nine fields, row by row [stops];
    None: a field without texture.
    """

    shift: tuple[float, float] | None
    peak: float
    regions: tuple[float | None, ...] = ()

    @property
    def sharpness_change(self) -> float | None:
        """How much sharpness has changed, either way; None: nothing has texture. [stops]

        By so much at least a third of the fields changed. Fewer are water that runs otherwise, or somebody who passes;
        and where the focus slips, much of a picture may be as soft as before.
        """
        known = sorted((abs(value) for value in self.regions if value is not None), reverse=True)
        return float(known[max(len(known) // 3 - 1, 0)]) if known else None

    @property
    def moved(self) -> float | None:
        """Length of the shift, as a share of the frame's width."""
        return None if self.shift is None else math.hypot(*self.shift)


def grey_of(path: Path) -> Grey:
    """The picture at ``path`` in grey, its long side `LONG_SIDE` or less, 0..255.

    Raises
    ------
    PictureUnreadable
        If it is no whole JPEG.
    """
    with opened_jpeg(path) as jpeg:
        jpeg.draft("L", (LONG_SIDE, LONG_SIDE))
        picture = jpeg.convert("L")
        scale = LONG_SIDE / max(picture.size)
        if scale < 1:
            size = (round(picture.width * scale), round(picture.height * scale))
            picture = picture.resize(size, Image.Resampling.BOX)
        return np.asarray(picture, np.float32)


@dataclass(frozen=True)
class Known:
    """A reference made ready: its ``shape`` (height, width), its spectrum, and the sharpness of its blocks."""

    shape: tuple[int, ...]
    spectrum: Spectrum
    sharpness: NDArray[np.float64]


def known(reference: Grey, enlarged: float = 1.0) -> Known:
    """Make a reference ready. ``enlarged``: how much larger a nearer focus shows everything in the frame. [unitless]"""
    if abs(enlarged - 1) > 1e-4:
        reference = _enlarge(reference, enlarged)
    return Known(reference.shape, whole_spectrum(reference), _sharpness(reference))


def likeness(frame: Grey | Known, reference: Grey | Known, enlarged: float = 1.0) -> Likeness:
    """Hold a frame against a reference of the same size.

    Parameters
    ----------
    frame, reference
        Grey pictures, height x width; either may have been made ready.
    enlarged
        How much larger the frame shows everything, because it is focused nearer; of no effect on a reference that was
        made ready. [unitless]
    """
    if frame.shape != reference.shape:
        return Likeness(None, 0.0)
    ready = reference if isinstance(reference, Known) else known(reference, enlarged)
    mine = frame if isinstance(frame, Known) else known(frame)
    shift, peak = shift_of(mine.spectrum, ready.spectrum, frame.shape[1])
    before, after = ready.sharpness, mine.sharpness
    change = np.log2(np.maximum(after, _FLAT) / np.maximum(before, _FLAT)) / 2
    return Likeness(shift, peak, _fields(change, before))


def _enlarge(picture: Grey, by: float) -> Grey:
    height, width = picture.shape
    cx, cy = width / 2, height / 2
    matrix = (1 / by, 0, cx - cx / by, 0, 1 / by, cy - cy / by)
    image = Image.fromarray(picture)
    image = image.transform((width, height), Image.Transform.AFFINE, matrix, Image.Resampling.BILINEAR)
    return np.asarray(image, np.float32)


def phase_shift(frame: Grey, reference: Grey) -> tuple[tuple[float, float] | None, float]:
    """Shift of two grey pictures of one size as a share of their width, and how plainly its peak stands out."""
    return shift_of(whole_spectrum(frame), whole_spectrum(reference), frame.shape[1])


def whole_spectrum(picture: Grey) -> Spectrum:
    """Spectrum of a grey picture, of its logarithm under a window, set in a field whose sides transform fast."""
    return log_spectrum(np.log1p(picture))


def log_spectrum(logs: Grey) -> Spectrum:
    """`whole_spectrum` of a picture of which the logarithm of one and its grey is known already."""
    height, width = logs.shape
    field = logs - logs.mean()
    field *= _window(height, width)
    return np.asarray(np.fft.rfft2(field, s=(_fast(height), _fast(width))))


@lru_cache(maxsize=4)
def _window(height: int, width: int) -> Grey:
    """Falls off to nothing at the sides."""
    window = np.hanning(height).astype(np.float32)[:, None] * np.hanning(width).astype(np.float32)
    window.flags.writeable = False
    return window


@lru_cache(maxsize=64)
def _fast(side: int) -> int:
    """The smallest length from ``side`` on whose only factors are 2, 3 and 5, and which is even."""
    while True:
        left = side
        for factor in (2, 3, 5):
            while left % factor == 0:
                left //= factor
        if left == 1 and side % 2 == 0:
            return side
        side += 1


def shift_of(frame: Spectrum, reference: Spectrum, wide: int) -> tuple[tuple[float, float] | None, float]:
    """`phase_shift` from the spectra of two pictures ``wide`` pixels wide."""
    height, width = frame.shape[0], 2 * (frame.shape[1] - 1)
    cross = frame * np.conj(reference)
    cross /= strength(cross)
    # Above a quarter of the sampling there is little but noise, and another focus differs most there.
    fy, fx = np.fft.fftfreq(height)[:, None], np.fft.rfftfreq(width)[None, :]
    cross *= np.exp(-(fy**2) / (2 * 0.08**2)).astype(np.float32) * np.exp(-(fx**2) / (2 * 0.08**2)).astype(np.float32)
    surface = np.fft.irfft2(cross, s=(height, width))
    y, x = np.unravel_index(int(np.argmax(surface)), surface.shape)
    peak = float((surface[y, x] - surface.mean()) / max(float(surface.std()), 1e-12))
    rest = np.roll(surface, (_NEAR_PX - y, _NEAR_PX - x), (0, 1))
    rest[: 2 * _NEAR_PX + 1, : 2 * _NEAR_PX + 1] = -np.inf
    if peak < LEAST_PEAK or float(rest.max()) > _ALONE * float(surface[y, x]):
        return None, peak
    dy = _between(surface[(y - 1) % height, x], surface[y, x], surface[(y + 1) % height, x]) + y
    dx = _between(surface[y, (x - 1) % width], surface[y, x], surface[y, (x + 1) % width]) + x
    dy, dx = (dy - height if dy > height / 2 else dy), (dx - width if dx > width / 2 else dx)
    return (float(dx) / wide, float(dy) / wide), peak


def strength(cross: Spectrum) -> NDArray[np.floating]:
    """Absolute values, never nothing. Squares and a root are several times as fast as the careful ``np.abs``."""
    return np.sqrt(cross.real**2 + cross.imag**2 + np.float32(1e-18))


def _between(left: float, middle: float, right: float) -> float:
    """Where a parabola through three neighbours has its top, against the middle one. [px]"""
    bend = left - 2 * middle + right
    return 0.0 if bend >= 0 else float(np.clip((left - right) / (2 * bend), -0.5, 0.5))


def _sharpness(picture: Grey) -> NDArray[np.float64]:
    """Sharpness of each block, rows x columns. [unitless]"""
    padded = np.pad(picture, 1, mode="edge")
    height, width = picture.shape
    rows_of_three = padded[:-2] + padded[1:-1]
    rows_of_three += padded[2:]
    fine = rows_of_three[:, :-2] + rows_of_three[:, 1:-1]
    fine += rows_of_three[:, 2:]
    fine /= 9
    fine -= picture
    fine *= fine
    across, down = BLOCKS if width >= height else BLOCKS[::-1]
    rows, columns = np.arange(down + 1) * height // down, np.arange(across + 1) * width // across

    def blocks(plane: Grey) -> NDArray[np.float64]:
        sums = np.add.reduceat(np.add.reduceat(plane.astype(np.float64), rows[:-1], axis=0), columns[:-1], axis=1)
        return np.asarray(sums / np.outer(np.diff(rows), np.diff(columns)))

    return np.asarray(blocks(fine) / np.maximum(blocks(picture), 4.0) ** 2)


def _fields(change: NDArray[np.float64], before: NDArray[np.float64]) -> tuple[float | None, ...]:
    found: list[float | None] = []
    for rows in np.array_split(np.arange(change.shape[0]), 3):
        for columns in np.array_split(np.arange(change.shape[1]), 3):
            here = np.ix_(rows, columns)
            textured = before[here] > 10 * _FLAT
            found.append(float(np.median(change[here][textured])) if textured.any() else None)
    return tuple(found)
