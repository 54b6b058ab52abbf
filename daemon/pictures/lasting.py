"""How much fine detail of a scene two frames of one framing share: what tells fog on the lens, by day and by night.

One frame alone does not tell it: at a high ISO most of what looks like detail is noise, which comes with the evening
and goes again at dawn. Noise of two frames has nothing in common, and the scene has all; so has nothing that moves.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from daemon.pictures.likeness import BLOCKS, Grey

_LOWEST, _HIGHEST = 0.25, 0.9  # of the blocks: an even sky tells nothing, and a lamp must not tell all
_DROWNED = 3.0  # what is shared must stand out of its own uncertainty so far [standard deviations]


def halved(picture: Grey) -> Grey:
    """A grey picture at half its size: noise is less there, and the scene's detail is not."""
    height, width = (side // 2 * 2 for side in picture.shape)
    return np.asarray(picture[:height, :width].reshape(height // 2, 2, width // 2, 2).mean(axis=(1, 3)), np.float32)


def lasting_detail(frame: Grey, before: Grey) -> float | None:
    """Fine detail against the mean that two pictures of one size share. [unitless]

    None: the sizes differ, or the pictures share nothing that stands out of their noise.
    """
    if frame.shape != before.shape:
        return None
    one, other = _fine(frame), _fine(before)
    shared, own = _blocks(one * other), (_blocks(one * one) + _blocks(other * other)) / 2
    means = np.maximum(_blocks(frame), 2.0) * np.maximum(_blocks(before), 2.0)
    value = _trimmed(shared / means)
    pixels = frame.size / shared.size
    noise = _trimmed(np.maximum(own - shared, 0.0) / means)
    uncertain = noise / math.sqrt(pixels * shared.size * (_HIGHEST - _LOWEST))
    return math.sqrt(value) if value > max(_DROWNED * uncertain, 1e-9) else None


def _fine(picture: Grey) -> Grey:
    """What a 3 x 3 mean takes away."""
    padded = np.pad(picture, 1, mode="edge")
    height, width = picture.shape
    mean = sum(padded[y : y + height, x : x + width] for y in range(3) for x in range(3)) / 9
    return np.asarray(picture - mean, np.float32)


def _blocks(plane: Grey) -> NDArray[np.float64]:
    """The mean of each block, rows x columns."""
    height, width = plane.shape
    across, down = BLOCKS if width >= height else BLOCKS[::-1]
    rows, columns = np.arange(down + 1) * height // down, np.arange(across + 1) * width // across
    sums = np.add.reduceat(np.add.reduceat(plane.astype(np.float64), rows[:-1], axis=0), columns[:-1], axis=1)
    return np.asarray(sums / np.outer(np.diff(rows), np.diff(columns)))


def _trimmed(values: NDArray[np.float64]) -> float:
    ordered = np.sort(values.ravel())
    return float(ordered[int(_LOWEST * ordered.size) : math.ceil(_HIGHEST * ordered.size)].mean())
