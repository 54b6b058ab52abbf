"""Shake: how far a point of something still has run about while the shutter was open, against a sharper frame of it.

How it is measured
    Hands, gusts and mirrors draw no even line, and no two draw the same. What all ways have in common is how far their
    points lie from their middle: the transfer function of any way falls, near frequency nought, by the square of that,
    along each direction. An ellipse of such squares is fitted to the transfer function between the two frames, together
    with what is left of the shift, and only there where the function is still high and all ways are alike.
What is told
    The length of the even line whose points lie as far from their middle as those of the way, along its longest
    direction: sqrt(12) times the standard deviation. For an even line that is its length, for a swing 1.22 times from
    end to end; a blow that is over early in a long exposure counts little, as it shows little.
Source: the transfer function's fall by the second moments: R. N. Bracewell, The Fourier Transform and Its Applications,
    ch. 8 (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daemon.pictures.judging.pixels import Box, Pixels
from daemon.pictures.judging.spread import FINEST, spectra

INNER = 0.55  # ways are alike up to so much of (length times frequency) squared
LEAST_INNER = 20  # frequencies
MOST_MISFIT = 0.6
TEXTURE = 30.0  # a frequency counts where the power about it is so many times the noise; grain looks like a shake
_FOR_A_START = 1000  # frequencies are enough to begin with
_ROUNDS = 10

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Shake:
    """``squared``: of the length, below nought where the frame is the sharper of the two; ``unsure``: of that. [px2]

    ``angle_deg``: of the longest direction, 0 across, 90 down. ``misfit``: of the transfer function.
    """

    squared: float
    unsure: float
    angle_deg: float
    misfit: float

    @property
    def length_px(self) -> float:
        """Length of the even line; nought for the sharper frame. [px]"""
        return math.sqrt(max(self.squared, 0.0))


def shake(frame: Pixels, reference: Pixels, box: Box, shift: tuple[float, float] = (0.0, 0.0)) -> Shake | None:
    """How a frame was shaken against a reference, told from what stands still within ``box`` of the reference.

    ``shift``: of the content in the mean over the exposure. None where there is too little texture.
    """
    found = spectra(frame, reference, box, shift)
    if found is None:
        return None
    ring = np.hypot(found.fx, found.fy)
    # By the power about a frequency: chosen by its own, those whose noise happens to be high would come in.
    about = _about(found.power)
    use = (about > TEXTURE * found.noise) & (ring > 1.5 / found.side) & (ring < FINEST)
    if use.sum() < 2 * LEAST_INNER:
        return None
    fx, fy, about = found.fx[use], found.fy[use], about[use]
    # Both sides of ``cross = transfer function x power`` over the power about: no division by a single noisy power.
    seen, whole = found.cross[use] / about, np.asarray(found.power[use] / about, np.float64)
    weight = np.sqrt(about)
    squares = np.stack([fx**2, 2 * fx * fy, fy**2])
    longest = 0.6 * min(box[2] - box[0], box[3] - box[1])
    start = _start(squares, (np.asarray(seen.real, np.float64), whole), weight, longest)
    ellipse, left = start, np.zeros(2)
    step_most = max(1.0, 0.5 * float(start[0] + start[2]))
    for _ in range(_ROUNDS):
        reach = ellipse @ squares
        inner = reach < INNER
        if inner.sum() < LEAST_INNER:
            return None
        turn = np.exp(-2j * np.pi * (fx[inner] * left[0] + fy[inner] * left[1]))
        height, slope = (whole[inner] * one for one in _sinc_of_root(reach[inner]))
        off = seen[inner] - height * turn
        across, down = (-2j * np.pi * one[inner] * height * turn for one in (fx, fy))
        columns = np.stack([*(slope * turn * squares[:, inner]), across, down], axis=1)
        root = np.sqrt(weight[inner])
        a, b = _real(columns * root[:, None]), _real(off * root)
        step = np.linalg.lstsq(a, b, rcond=None)[0]
        ellipse = ellipse + np.clip(step[:3], -step_most, step_most)
        left = left + np.clip(step[3:], -0.5, 0.5)
    misfit = math.sqrt(float(b @ b) / float(weight[inner].sum()))
    (_, most), axes = np.linalg.eigh([[ellipse[0], ellipse[1]], [ellipse[1], ellipse[2]]])
    x, y = axes[:, 1]
    along = np.array([x * x, 2 * x * y, y * y, 0, 0])
    doubt = along @ np.linalg.pinv(a.T @ a) @ along * float(b @ b) / (len(b) - 5)
    if misfit > MOST_MISFIT or most > longest**2:
        return None
    return Shake(float(most), math.sqrt(float(doubt)), math.degrees(math.atan2(y, x)) % 180, misfit)


def _about(power: Array) -> Array:
    """Mean of a spectrum's power over five by five frequencies, its ends joined."""
    rows = sum(np.roll(power, by, axis=0) for by in range(-2, 3)) / 5
    padded = np.pad(rows, ((0, 0), (2, 2)), mode="reflect")
    return np.asarray(sum(padded[:, by : by + power.shape[1]] for by in range(5)) / 5)


def _start(squares: Array, spectra: tuple[Array, Array], weight: Array, longest: float) -> Array:
    """The line of even speed that explains all frequencies best, as the squares of its ellipse."""
    every = max(1, len(weight) // _FOR_A_START)
    squares, weight = squares[:, ::every], weight[::every]
    seen, whole = (one[::every] for one in spectra)
    best = math.inf, np.zeros(3)
    for angle in np.radians(np.arange(0, 180, 15)):
        x, y = math.cos(angle), math.sin(angle)
        unit = np.array([x * x, x * y, y * y])
        along = np.sqrt(np.maximum(unit @ squares, 0))
        for size in np.geomspace(0.5, longest, 16):
            misfit = float(np.average((seen - whole * np.sinc(size * along)) ** 2, weights=weight))
            if misfit < best[0]:
                best = misfit, size**2 * unit
    return best[1]


def _sinc_of_root(reach: Array) -> tuple[Array, Array]:
    """Sinc of the root of ``reach``, and its slope; for small and for negative ones by the series."""
    safe = np.maximum(reach, 1e-2)
    root = np.sqrt(safe)
    height, slope = np.sinc(root), (np.cos(np.pi * root) - np.sinc(root)) / (2 * safe)
    p2 = np.pi**2
    small = reach < 1e-2
    series = 1 - p2 * reach / 6 + (p2 * reach) ** 2 / 120, -p2 / 6 + p2**2 * reach / 60
    return np.where(small, series[0], height), np.where(small, series[1], slope)


def _real(values: NDArray[np.complexfloating]) -> Array:
    return np.concatenate([values.real, values.imag]).astype(np.float64)
