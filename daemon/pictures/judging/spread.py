"""Spread: how large a disc a point of something has become, against a sharper frame of it.

How it is measured
    The same place of two frames is transformed; their cross-power spectrum over the reference's power spectrum is the
    transfer function between them, free of the frame's noise. The reference's noise is measured in the corner of its
    spectrum and taken off. To it the transfer function of a disc (2 J1(pi d f) / pi d f) is fitted, over the
    reference's own.
Source: transfer function of a disc: J. W. Goodman, Introduction to Fourier Optics, ch. 6 (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from daemon.pictures.judging.pixels import Box, Pixels

LEAST_SIDE = 48  # of a place that is measured on [px]
LARGEST = 512
_TEXTURE = 4.0  # a frequency counts where the reference's power is so many times its noise
FINEST = 0.45  # frequency that is still looked at [cycles a pixel]
LEAST_MISFIT = 0.35  # of a fit that still tells something; root of the mean square, of a transfer function

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Spread:
    """What was fitted. ``size_px``: diameter of the disc. ``misfit``: of the transfer function. [px], [unitless]"""

    size_px: float
    misfit: float


@lru_cache(maxsize=1)
def _bessel_table() -> tuple[Array, Array]:
    """2 J1(x)/x for x from 0 to 120, by the integral of J1 (Abramowitz and Stegun, 9.1.21)."""
    x = np.linspace(0, 120, 4801)
    turn = (np.arange(400) + 0.5) * np.pi / 400
    j1 = np.cos(turn[None, :] - x[:, None] * np.sin(turn)[None, :]).mean(axis=1)
    return x, np.where(x < 1e-6, 1.0, 2 * j1 / np.maximum(x, 1e-9))


def disc_transfer(diameter_px: float, frequency: Array) -> Array:
    """Transfer function of an even disc. ``frequency`` in cycles a pixel. [unitless]"""
    return np.interp(np.pi * diameter_px * frequency, *_bessel_table())


def _cut(pixels: Pixels, box: Box) -> Array:
    part = pixels.linear(box).astype(np.float64)
    mean = max(float(part.mean()), 1e-4)
    window = np.outer(np.hanning(part.shape[0]), np.hanning(part.shape[1]))
    return np.asarray((part / mean - 1) * window)


def _places(box: Box, shift: tuple[float, float], frame: Pixels) -> tuple[Box, Box] | None:
    """The middle part of a box that is measured on, in the reference and where its content lies in the frame."""
    left, top, right, bottom = box
    wide, high = min(right - left, LARGEST) // 2 * 2, min(bottom - top, LARGEST) // 2 * 2
    if min(wide, high) < LEAST_SIDE:
        return None
    left, top = (left + right - wide) // 2, (top + bottom - high) // 2
    x, y = left + round(shift[0]), top + round(shift[1])
    if x < 0 or y < 0 or x + wide > frame.width or y + high > frame.height:
        return None
    return (left, top, left + wide, top + high), (x, y, x + wide, y + high)


@dataclass(frozen=True, eq=False)
class Spectra:
    """A frame beside its reference within a box, by frequencies across and down [cycles a pixel].

    ``cross``: their cross-power spectrum, what is known of the shift taken out; ``power``: the reference's own, without
    its ``noise``. ``side``: the box's shorter side [px].
    """

    fx: Array
    fy: Array
    cross: NDArray[np.complexfloating]
    power: Array
    noise: float
    side: int


def spectra(frame: Pixels, reference: Pixels, box: Box, shift: tuple[float, float]) -> Spectra | None:
    """Both frames' spectra of the same content; None where the box is too small or moved out of the frame."""
    places = _places(box, shift, frame)
    if places is None:
        return None
    before, after = (
        np.fft.rfft2(_cut(pixels, place)) for pixels, place in ((reference, places[0]), (frame, places[1]))
    )
    high = places[0][3] - places[0][1]
    wide = places[0][2] - places[0][0]
    fy, fx = np.meshgrid(np.fft.fftfreq(high), np.fft.rfftfreq(wide), indexing="ij")
    power = np.abs(before) ** 2
    noise = float(np.median(power[(np.abs(fy) > 0.4) & (fx > 0.4)])) / math.log(2)
    rest = shift[0] - round(shift[0]), shift[1] - round(shift[1])
    cross = after * np.conj(before) * np.exp(2j * np.pi * (fx * rest[0] + fy * rest[1]))
    return Spectra(fx, fy, cross, power - noise, noise, min(wide, high))


def _transfer(
    frame: Pixels, reference: Pixels, box: Box, shift: tuple[float, float]
) -> tuple[Array, Array, Array] | None:
    """Frequencies, the transfer function there, and its weights; None where there is too little texture."""
    found = spectra(frame, reference, box, shift)
    if found is None:
        return None
    ring = np.hypot(found.fx, found.fy)
    use = (found.power > (_TEXTURE - 1) * found.noise) & (ring > 1.5 / found.side) & (ring < FINEST)
    if use.sum() < 40:
        return None
    power = found.power[use]
    return ring[use], found.cross.real[use] / np.maximum(power, 1e-12), power


def disc(
    frame: Pixels,
    reference: Pixels,
    box: Box,
    shift: tuple[float, float] = (0.0, 0.0),
    share: float = 0.0,
) -> Spread | None:
    """Diameter of the disc that a point within ``box`` of the reference has become in the frame.

    ``share``: the reference's own disc as a share of the frame's, such as the ratio of their f-numbers at one focus.
    None where there is too little texture, or what was found is no disc.
    """
    found = _transfer(frame, reference, box, shift)
    if found is None:
        return None
    ring, seen, power = found
    longest = 0.6 * min(box[2] - box[0], box[3] - box[1])
    edges = np.linspace(0, 0.45, 46)
    place = np.digitize(ring, edges)
    weight = np.bincount(place, power, 48)
    use = weight > 0
    mean = np.bincount(place, power * seen, 48)[use] / weight[use]
    middle = np.bincount(place, power * ring, 48)[use] / weight[use]
    count = np.sqrt(np.bincount(place, minlength=48)[use])

    def misfit(size: float) -> float:
        own = disc_transfer(share * size, middle)
        model = disc_transfer(size, middle) / np.where(np.abs(own) < 0.2, np.inf, own)
        return float(np.average((mean - model) ** 2, weights=count))

    size = _least(misfit, 0.2, longest)
    rest = math.sqrt(misfit(size))
    return Spread(size, rest) if rest < LEAST_MISFIT else None


def _least(misfit: object, low: float, high: float, steps: int = 60) -> float:
    """Where a misfit is least: a coarse search in the logarithm, then a finer one about it."""
    assert callable(misfit)
    for _ in range(3):
        grid = np.geomspace(low, max(high, low * 1.01), steps)
        place = int(np.argmin([misfit(float(one)) for one in grid]))
        low, high = float(grid[max(place - 1, 0)]), float(grid[min(place + 1, steps - 1)])
        steps = 12
    return float(math.sqrt(low * high))
