"""A film from frames, as a stream: at most a few pictures are in memory however long the series is.

Pictures are prepared by workers ahead of the encoder. A frame is finished as soon as the few frames behind it are
measured, since what remains of flicker is told from the neighbours on both sides.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from daemon.errors import UsageError
from daemon.pictures.film.encoder import encoding
from daemon.pictures.film.frames import FilmFrame, Look, box_at, crop_at
from daemon.pictures.film.picture import BLOCKS, Prepared, block_codes, finished, frame_size, prepare
from daemon.pictures.film.tone import block_stops
from plans.smoothing import RESIDUE_SIGMA, reach, residue, step_gains

Progress = Callable[[int, int], None]
"""Told how many frames are in the film, and of how many."""

_SMALL = (320, 180)  # px; enough to measure blocks
ROOM = 600_000_000  # bytes of pictures that may wait in memory at once


@dataclass(frozen=True)
class Shown:
    """What was done to each frame, in stops: ``given`` by its settings, ``step`` and ``steady`` gains, and the level.

    ``level`` is the median over its blocks as the camera took it; NaN where all are clipped. Shape (frames,) each.
    """

    given: NDArray[np.float64]
    step: NDArray[np.float64]
    steady: NDArray[np.float64]
    level: NDArray[np.float64]

    @property
    def gain(self) -> NDArray[np.float64]:
        """How much brighter each frame is shown. [stops]"""
        return self.step + self.steady


def workers(size: tuple[int, int], lookahead: int) -> int:
    """How many pictures are prepared at once: as many as there are cores, and as fit into memory beside the others."""
    a_picture = 3 * size[0] * size[1]
    cores = len(os.sched_getaffinity(0))
    return max(1, min(cores, ROOM // a_picture - lookahead))


def make_film(
    frames: Sequence[FilmFrame],
    out: Path,
    look: Look,
    progress: Progress | None = None,
    executor: Executor | None = None,
) -> Shown:
    """Make a film of ``frames`` at ``out``, an MP4 file.

    ``executor`` carries out the work on pictures; left out: as many threads as there are cores (the decoder lets the
    interpreter go, and no picture is copied to another process).

    Raises
    ------
    UsageError
        If there are fewer than two frames, or the extra ``film`` is missing.
    PictureUnreadable
        If a frame cannot be decoded, or is not of the size of the first.
    StoreError
        If the disk refuses.
    """
    if len(frames) < 2:
        raise UsageError(f"film: found {len(frames)} frames; a film has at least 2")
    with encoding(out, look.size, look.rate, look.codec, look.quality) as sink:
        own = executor is None
        pool = executor or ThreadPoolExecutor(max_workers=len(os.sched_getaffinity(0)), thread_name_prefix="film")
        try:
            stream = _Stream(frames, look, pool)
            for number, pixels in enumerate(stream.pictures(), 1):
                sink.write(pixels)
                if progress:
                    progress(number, len(frames))
        finally:
            if own:
                pool.shutdown(wait=True, cancel_futures=True)
    return stream.shown()


def measure_series(frames: Sequence[FilmFrame], progress: Progress | None = None) -> Shown:
    """What a film would do to each frame, without making one. PictureUnreadable as in `make_film`."""
    with ThreadPoolExecutor(max_workers=len(os.sched_getaffinity(0)), thread_name_prefix="film") as pool:
        stream = _Stream(frames, Look(size=_SMALL), pool)
        for number, _ in enumerate(stream.pictures(), 1):
            if progress:
                progress(number, len(frames))
        return stream.shown()


class _Stream:
    def __init__(self, frames: Sequence[FilmFrame], look: Look, pool: Executor):
        self._frames, self._look, self._pool = frames, look, pool
        self._size = frame_size(frames[0].path)
        self._given = np.array([frame.settings.given for frame in frames])
        self._step = step_gains(self._given) if look.smooth else np.zeros(len(frames))
        self._steady = np.zeros(len(frames))
        self._level = np.full(len(frames), np.nan)
        self._side = reach(RESIDUE_SIGMA) if look.steady else 0

    def shown(self) -> Shown:
        return Shown(self._given, self._step, self._steady, self._level)

    def pictures(self) -> Iterator[bytes]:
        """The finished pictures in order."""
        side, count = self._side, len(self._frames)
        ahead = workers(self._look.size, side)
        coming: deque[Future[Prepared]] = deque()
        waiting: deque[Prepared] = deque()  # measured, not yet finished
        finishing: deque[Future[bytes]] = deque()
        none = np.full(BLOCKS[0] * BLOCKS[1], np.nan)
        window: deque[NDArray[np.float64]] = deque([none] * side, maxlen=2 * side + 1)
        begun = 0
        for number in range(count + side):
            while begun < count and len(coming) < ahead:
                path, shares = self._frames[begun].path, self._shares(begun)
                coming.append(self._pool.submit(prepare, path, self._size, shares, self._look.size))
                begun += 1
            levels = none
            if number < count:
                prepared = coming.popleft().result()
                waiting.append(prepared)
                seen = block_stops(block_codes(prepared))
                self._level[number] = np.median(seen[np.isfinite(seen)]) if np.isfinite(seen).any() else np.nan
                levels = seen + self._step[number]
            window.append(levels)
            if number >= side:
                this = number - side
                if side:
                    self._steady[this] = -residue(np.stack(window))
                gain = float(self._step[this] + self._steady[this])
                finishing.append(self._pool.submit(finished, waiting.popleft(), gain, self._caption(this)))
            if len(finishing) > 1:
                yield finishing.popleft().result()
        while finishing:
            yield finishing.popleft().result()

    def _shares(self, number: int) -> tuple[float, float, float, float]:
        width, height = self._size
        share = number / max(1, len(self._frames) - 1)
        left, top, right, bottom = box_at(crop_at(self._look, share), self._size, self._look.size)
        return left / width, top / height, right / width, bottom / height

    def _caption(self, number: int) -> str:
        frame = self._frames[number]
        return f"{frame.number}   {frame.caption}".strip() if self._look.caption else ""
