"""Regions: where in the picture something is, found from the pictures when the brief does not say.

What moves differs from frame to frame of one framing once the brightness is made alike. What is far behind the focus
loses its fine structure at wide apertures; what is in focus keeps it. Both are told block by block; the answer is the
rectangle that holds most of the blocks of one kind and little else.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from daemon.pictures.judging.pixels import Pixels

Region = tuple[float, float, float, float]  # left, top, width, height, as shares of the frame
COLUMNS, ROWS = 30, 20
WIDTH = 600  # frames are looked at this wide [px]
MOVING = 4.0  # times the median of all blocks' changes
FAR, NEAR = 0.5, 0.85  # of the fine structure left wide open
LEAST_BLOCKS = 4

Blocks = NDArray[np.float64]


def _small(frame: Pixels) -> NDArray[np.float64]:
    height = round(WIDTH * frame.height / frame.width)
    grey = Image.fromarray(frame.small_grey).resize((WIDTH, height), Image.Resampling.BOX)
    return np.asarray(grey, np.float64) + 4.0


def _blocks(plane: NDArray[np.float64]) -> Blocks:
    rows = np.arange(ROWS + 1) * plane.shape[0] // ROWS
    columns = np.arange(COLUMNS + 1) * plane.shape[1] // COLUMNS
    sums = np.add.reduceat(np.add.reduceat(plane, rows[:-1], axis=0), columns[:-1], axis=1)
    return np.asarray(sums / np.outer(np.diff(rows), np.diff(columns)))


def moving(frames: Sequence[Pixels]) -> Region | None:
    """Where the picture differs most from frame to frame; None where nothing stands out. At least two frames."""
    small = [np.log(_small(frame)) for frame in frames]
    small = [one - np.median(one) for one in small]
    if len(small) < 2 or len({one.shape for one in small}) > 1:
        return None
    change = _blocks(np.var(np.stack(small), axis=0))
    return _largest(change > MOVING * max(float(np.median(change)), 1e-6), 0.9)


def near_and_far(wide: Pixels, narrow: Pixels) -> tuple[Region | None, Region | None]:
    """Where the picture stays sharp at a wide aperture, and where it does not; frames of one focus and framing."""
    if wide.picture.size != narrow.picture.size:
        return None, None
    left = [_fine(one) for one in (wide, narrow)]
    textured = left[1] > 1e-4
    share = np.sqrt(left[0] / np.maximum(left[1], 1e-9))
    if not textured.any():
        return None, None
    softest = min(FAR, 1.25 * float(np.quantile(share[textured], 0.25)))
    return _largest(textured & (share > NEAR), 0.95), _largest(textured & (share < softest), 0.95)


def _fine(frame: Pixels) -> Blocks:
    """Strength of the fine structure in each block, brightness taken out."""
    plane = np.log(_small(frame))
    padded = np.pad(plane, 1, mode="edge")
    height, width = plane.shape
    mean = sum(padded[y : y + height, x : x + width] for y in range(3) for x in range(3)) / 9
    return _blocks((plane - mean) ** 2)


def _largest(blocks: NDArray[np.bool_], purity: float) -> Region | None:
    """The largest rectangle of which at least so great a share are such blocks."""
    sums = np.zeros((ROWS + 1, COLUMNS + 1), int)
    sums[1:, 1:] = blocks.cumsum(axis=0).cumsum(axis=1)
    best: tuple[int, int, int, int, int] | None = None
    for top in range(ROWS):
        for bottom in range(top + 1, ROWS + 1):
            across = sums[bottom] - sums[top]
            inside = across[None, :] - across[:, None]  # from column to column
            wide = np.arange(COLUMNS + 1)[None, :] - np.arange(COLUMNS + 1)[:, None]
            count = np.where((wide > 0) & (inside >= purity * wide * (bottom - top)), inside, 0)
            place = int(count.argmax())
            left, right = divmod(place, COLUMNS + 1)
            if best is None or count[left, right] > best[0]:
                best = int(count[left, right]), left, top, right, bottom
    if best is None or best[0] < LEAST_BLOCKS:
        return None
    _, left, top, right, bottom = best
    return left / COLUMNS, top / ROWS, (right - left) / COLUMNS, (bottom - top) / ROWS
