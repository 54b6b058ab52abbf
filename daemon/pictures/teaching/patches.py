"""The telling patch: where the pictures of a group differ most in what the eye can see, cut alike from all of them.

Pictures are taken to one brightness and contrast first, so that a bracket is told apart by its detail. Detail is the
difference of neighbouring pixels; the patch is where, over a window of the patch's own size, the pictures' detail
differs most. It is cut at a whole-number magnification of the picture's own pixels: what is shown is what was recorded,
no pixel is made up.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from PIL import Image

Floats = NDArray[np.float64]

_SEARCH_LONG_SIDE = 600  # px; the search is done on reduced pictures
_COARSE = 8  # px of the search; an aperture changes little of what is coarser
_MOVES = 4.0  # times the usual change between pictures
_EDGE = 0.03  # of the frame, on each side, that no patch is centred beyond


def telling_point(
    pictures: Sequence[Image.Image], share: tuple[float, float], still: bool = False
) -> tuple[float, float]:
    """The centre of the patch as shares of width and height [0..1].

    ``share``: the patch's own width and height as shares of the frame. ``still``: what moves does not count, as where
    pictures are to show depth: water differs from picture to picture whatever was changed. One picture alone: where it
    has most detail.
    Pictures of different shape cannot be laid over each other: the middle.
    """
    known = [picture for picture in pictures if picture is not None]
    ratios = {round(picture.width / picture.height, 2) for picture in known}
    if not known or len(ratios) > 1:
        return 0.5, 0.5
    size = _search_size(known[0])
    maps = [_detail(picture, size) for picture in known]
    field = maps[0] if len(maps) == 1 else np.max(maps, axis=0) - np.min(maps, axis=0)
    if still and len(known) > 1:
        field = field * ~_moving(known, size)
    wide, high = (max(int(size[n] * min(share[n], 1.0)), 3) for n in (0, 1))
    summed = _windows(field, wide, high)
    row, column = np.unravel_index(int(np.argmax(summed)), summed.shape)
    x = (int(column) + wide / 2) / size[0]
    y = (int(row) + high / 2) / size[1]
    return min(max(x, _EDGE), 1 - _EDGE), min(max(y, _EDGE), 1 - _EDGE)


def cut_patch(picture: Image.Image, point: tuple[float, float], size: tuple[int, int], times: int) -> Image.Image:
    """The patch around ``point``, ``size`` px large, each pixel of the picture ``times`` by ``times`` px.

    A picture smaller than the patch leaves a mid-grey rim.
    """
    wide, high = size[0] // times, size[1] // times
    left = min(max(round(point[0] * picture.width - wide / 2), 0), max(picture.width - wide, 0))
    top = min(max(round(point[1] * picture.height - high / 2), 0), max(picture.height - high, 0))
    box = (left, top, min(left + wide, picture.width), min(top + high, picture.height))
    part = picture.crop(box)
    part = part.resize((part.width * times, part.height * times), Image.Resampling.NEAREST)
    if part.size == size:
        return part
    framed = Image.new("RGB", size, (118, 118, 118))
    framed.paste(part, ((size[0] - part.width) // 2, (size[1] - part.height) // 2))
    return framed


def whole_times(picture: Image.Image, size: tuple[int, int]) -> int:
    """The magnification of a patch: so that it shows between a ninth and a third of the frame's width, 1 to 4."""
    for times in (1, 2, 3):
        if size[0] / times <= picture.width / 3:
            return times
    return 4


def _search_size(picture: Image.Image) -> tuple[int, int]:
    factor = min(_SEARCH_LONG_SIDE / max(picture.size), 1.0)
    return max(round(picture.width * factor), 8), max(round(picture.height * factor), 8)


def _detail(picture: Image.Image, size: tuple[int, int]) -> Floats:
    """Difference of neighbouring pixels after taking the picture to one brightness and contrast, shape (h, w)."""
    grey = np.asarray(picture.resize(size, Image.Resampling.BOX).convert("L"), dtype=np.float64)
    grey = (grey - grey.mean()) / max(float(grey.std()), 4.0)
    across = np.abs(np.diff(grey, axis=1, append=grey[:, -1:]))
    down = np.abs(np.diff(grey, axis=0, append=grey[-1:, :]))
    return np.asarray(np.minimum(across + down, 2.0), dtype=np.float64)


def _moving(pictures: Sequence[Image.Image], size: tuple[int, int]) -> NDArray[np.bool_]:
    """Where something moves: coarse parts, which another aperture leaves alike, differ by far more than is usual."""
    small = max(size[0] // _COARSE, 2), max(size[1] // _COARSE, 2)
    coarse = np.stack(
        [np.asarray(one.resize(small, Image.Resampling.BOX).convert("L"), np.float64) for one in pictures]
    )
    coarse -= np.median(coarse, axis=(1, 2), keepdims=True)
    change = coarse.std(axis=0)
    moves = change > _MOVES * max(float(np.median(change)), 0.5)
    return np.asarray(Image.fromarray(moves).resize(size, Image.Resampling.NEAREST), bool)


def _windows(field: Floats, wide: int, high: int) -> Floats:
    """Sums over every window, shape (h - high + 1, w - wide + 1)."""
    table = np.pad(field.cumsum(axis=0).cumsum(axis=1), ((1, 0), (1, 0)))
    high, wide = min(high, field.shape[0]), min(wide, field.shape[1])
    return np.asarray(table[high:, wide:] - table[:-high, wide:] - table[high:, :-wide] + table[:-high, :-wide])
