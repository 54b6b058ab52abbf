"""Smoothed stills: each frame whole, brighter or darker as the film would show it, with a sidecar, to go on elsewhere.

The originals are only read. A still has no Exif, which could hold serial numbers and places; what is known of it is in
its sidecar.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Sequence
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from pathlib import Path

from PIL import Image

from daemon.errors import UsageError
from daemon.files import wording
from daemon.pictures.film.frames import FilmFrame
from daemon.pictures.film.making import Progress, Shown
from daemon.pictures.film.picture import decoded, frame_size
from daemon.pictures.film.tone import gain_table
from daemon.xmp import sidecar

_QUALITY = 95
_WHOLE = (0.0, 0.0, 1.0, 1.0)


def make_stills(
    frames: Sequence[FilmFrame],
    shown: Shown,
    folder: Path,
    progress: Progress | None = None,
    executor: Executor | None = None,
) -> list[Path]:
    """Write the smoothed stills of a series into the new or empty ``folder``; their paths.

    ``executor`` carries out the work; left out: as many threads as there are cores.

    Raises
    ------
    UsageError
        If ``folder`` has something in it.
    PictureUnreadable
        If a frame cannot be decoded.
    StoreError
        If the disk refuses.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise UsageError(f"stills to {folder}: found something there already. Name a new or an empty folder")
    with wording("make", folder, folder.parent):
        folder.mkdir(parents=True, exist_ok=True)
    places = [folder / f"{number:05d}.jpg" for number in range(1, len(frames) + 1)]
    cores = len(os.sched_getaffinity(0))
    pool = executor or ThreadPoolExecutor(max_workers=cores, thread_name_prefix="stills")
    try:
        coming: deque[Future[None]] = deque()
        for number, (frame, place) in enumerate(zip(frames, places, strict=True)):
            coming.append(pool.submit(write_still, frame, float(shown.gain[number]), place))
            if len(coming) > 2 * cores:
                coming.popleft().result()
            if progress:
                progress(number + 1, len(frames))
        while coming:
            coming.popleft().result()
    finally:
        if executor is None:
            pool.shutdown(wait=True, cancel_futures=True)
    return places


def write_still(frame: FilmFrame, gain_stops: float, place: Path) -> None:
    """Write one still and its sidecar."""
    size = frame_size(frame.path)
    image = decoded(frame.path, size, _WHOLE, size).point(gain_table(gain_stops) * 3)
    exact = frame.settings
    facts = {
        "exposure_s": exact.exposure_s,
        "f_number": exact.f_number,
        "iso": exact.iso,
        "width": size[0],
        "height": size[1],
    }
    told = f"frame {frame.number}: {frame.caption}; shown {gain_stops:+.3f} stop brighter than taken"
    with wording("write", place, place.parent):
        _save(image, place)
        place.with_suffix(".xmp").write_text(sidecar(frame.path.name, told, "image/jpeg", facts), encoding="utf-8")


def _save(image: Image.Image, place: Path) -> None:
    passing = place.with_name(f".{place.name}.new")
    image.save(passing, "JPEG", quality=_QUALITY, subsampling=0)
    passing.replace(place)
