"""A film so far, small: frames of a series as tiles of one JPEG, row by row, for a page to play.

It costs little, however long the series is: a tile is decoded once at the smallest scale and remembered, and there are
never more than `MOST`. Its steps of brightness are smoothed like a film's.
"""

from __future__ import annotations

import io
from collections import OrderedDict
from collections.abc import Sequence
from pathlib import Path
from threading import Lock

import numpy as np
from PIL import Image

from daemon.errors import UsageError
from daemon.pictures.film.frames import FilmFrame
from daemon.pictures.film.picture import decoded, frame_size
from daemon.pictures.film.tone import gain_table
from daemon.pictures.opening import PictureUnreadable
from plans.smoothing import STEP_SIGMA, step_gains

MOST, COLUMNS, WIDTH = 96, 12, 160  # tiles, tiles in a row, pixels
LEAST_SIGMA = 1.5  # tiles; a step of the settings is spread at least so far
QUALITY = 80
_WHOLE = (0.0, 0.0, 1.0, 1.0)


class Tiles:
    """Small pictures by file, the latest ``kept`` of them: 50 kB each. Usable from several threads."""

    def __init__(self, kept: int = 2 * MOST):
        self._kept, self._lock = kept, Lock()
        self._tiles: OrderedDict[Path, Image.Image] = OrderedDict()
        self.decoded = 0

    def tile(self, path: Path, of: tuple[int, int]) -> Image.Image:
        """A picture at `WIDTH` pixels. PictureUnreadable if it cannot be decoded, or is not ``of`` that size. [px]"""
        with self._lock:
            if (known := self._tiles.get(path)) is not None:
                self._tiles.move_to_end(path)
                return known
        made = decoded(path, of, _WHOLE, (WIDTH, max(1, round(WIDTH * of[1] / of[0]))))
        with self._lock:
            self.decoded += 1
            self._tiles[path] = made
            while len(self._tiles) > self._kept:
                self._tiles.popitem(last=False)
        return made

    def __len__(self) -> int:
        return len(self._tiles)


def strip(frames: Sequence[FilmFrame], tiles: Tiles) -> bytes:
    """The frames as one JPEG, at most `MOST`, in rows of `COLUMNS`; a frame that cannot be read leaves its place grey.

    Raises
    ------
    UsageError
        If there is no frame, or there are too many.
    PictureUnreadable
        If the first one cannot be read.
    """
    if not 0 < len(frames) <= MOST:
        raise UsageError(f"film so far: found {len(frames)} frames; allowed: 1 to {MOST}")
    size = frame_size(frames[0].path)
    every = max(1.0, (frames[-1].number - frames[0].number) / max(1, len(frames) - 1))
    gains = step_gains(np.array([one.settings.given for one in frames]), max(LEAST_SIGMA, STEP_SIGMA / every))
    height = tiles.tile(frames[0].path, size).height
    whole = Image.new("RGB", (COLUMNS * WIDTH, -(-len(frames) // COLUMNS) * height), (118, 118, 118))
    for place, (frame, gain) in enumerate(zip(frames, gains, strict=True)):
        try:
            tile = tiles.tile(frame.path, size)
        except PictureUnreadable:
            continue
        shown = tile.point(gain_table(float(gain)) * 3)
        whole.paste(shown, (place % COLUMNS * WIDTH, place // COLUMNS * height))
    sink = io.BytesIO()
    whole.save(sink, "JPEG", quality=QUALITY)
    return sink.getvalue()
