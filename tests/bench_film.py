"""Films against bare decoding and encoding of the same files: wall time and memory. Nothing here is asserted.

The bare way reads each file at the same reduced scale, crops and scales it to the same size, and gives it to the same
encoder with the same settings, on as many threads; it neither measures nor changes a pixel.
"""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections import deque
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

from support_film import Sunset, sunset

from daemon.pictures.film.encoder import encoding
from daemon.pictures.film.frames import SIZES, FilmFrame, Look, box_at
from daemon.pictures.film.making import make_film
from daemon.pictures.film.picture import decoded, frame_size

FRAME = (1500, 1000)  # px; with little noise, since what is slow to encode hides what the rest takes
ROUNDS = 3


def bare(frames: list[FilmFrame], out: Path, look: Look) -> None:
    """The same files through the same decoder, scaling and encoder, and nothing else."""
    size = frame_size(frames[0].path)
    left, top, right, bottom = box_at(look.start, size, look.size)
    shares = left / size[0], top / size[1], right / size[0], bottom / size[1]

    def read(path: Path) -> bytes:
        return decoded(path, size, shares, look.size).tobytes()

    cores = len(os.sched_getaffinity(0))
    with encoding(out, look.size, look.rate, look.codec) as sink, ThreadPoolExecutor(cores) as pool:
        coming: deque[Any] = deque()
        for frame in frames:
            coming.append(pool.submit(read, frame.path))
            if len(coming) > cores:
                sink.write(coming.popleft().result())
        while coming:
            sink.write(coming.popleft().result())


def repeated(made: Sunset, count: int) -> list[FilmFrame]:
    """A longer series out of the same files, forward and back."""
    there_and_back = made.frames + made.frames[::-1]
    return [there_and_back[number % len(there_and_back)] for number in range(count)]


def peak_of(count: int, folder: Path, size: str) -> float:
    """The largest memory of a process that makes a film of ``count`` frames. [MB]"""
    done = subprocess.run(
        [sys.executable, __file__, "peak", str(count), str(folder), size], capture_output=True, text=True, check=True
    )
    return float(done.stdout)


WAYS = (("720p", "h264"), ("1080p", "h264"), ("1080p", "av1"), ("4k", "h264"))


def figures(
    count: int = 60, peaks: tuple[int, ...] = (200, 1000), ways: tuple[tuple[str, str], ...] = WAYS
) -> dict[str, Any]:
    """Wall time over the bare way for each size and codec, median of rounds taken in turn, and memory by length."""
    told: dict[str, Any] = {}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "frames").mkdir()
        made = sunset(folder / "frames", 40, FRAME, jitter=0.015, noise=0.004)
        for size, codec in ways:
            look = Look(size=SIZES[size], codec="av1" if codec == "av1" else "h264")
            frames = repeated(made, count if size != "4k" else count // 3)
            ours, plain = [], []
            for _ in range(ROUNDS):
                ours.append(_seconds(lambda: make_film(frames, folder / "film.mp4", look)))  # noqa: B023
                plain.append(_seconds(lambda: bare(frames, folder / "film.mp4", look)))  # noqa: B023
            film_s, film_cpu_s = (statistics.median(part) for part in zip(*ours, strict=True))
            bare_s, bare_cpu_s = (statistics.median(part) for part in zip(*plain, strict=True))
            told[f"{size}_{codec}"] = {
                "frames": len(frames),
                "film_s": round(film_s, 2),
                "bare_s": round(bare_s, 2),
                "ratio": round(film_s / bare_s, 3),
                "cpu_ratio": round(film_cpu_s / bare_cpu_s, 3),
                "frames_per_s": round(len(frames) / film_s, 1),
            }
        told["peak_mb_720p"] = {length: peak_of(length, folder / "frames", "720p") for length in peaks}
    return told


def _seconds(act: Any) -> tuple[float, float]:
    """Wall time and processor time of one call. [s]"""
    began, worked = time.monotonic(), time.process_time()
    act()
    return time.monotonic() - began, time.process_time() - worked


def _peak(count: int, folder: Path, size: str) -> None:
    files = [FilmFrame(path, 1, sunset_settings(number)) for number, path in enumerate(sorted(folder.glob("*.jpg")))]
    frames = repeated(Sunset(files, None, None), count)  # type: ignore[arg-type]
    make_film(frames, folder.parent / "peak.mp4", Look(size=SIZES[size]))
    # Of this program alone; ru_maxrss is inherited from the process that started it.
    status = Path("/proc/self/status").read_text()
    print(int(next(line.split()[1] for line in status.splitlines() if line.startswith("VmHWM"))) / 1024)


def sunset_settings(number: int) -> Any:
    """Settings in thirds of a stop, as good as any for a figure of memory."""
    from daemon.pictures.film.frames import ExactSettings

    return ExactSettings(4.0, 2.0 ** (-6 + number // 7 / 3), 100.0)


if __name__ == "__main__":
    if sys.argv[1:2] == ["peak"]:
        _peak(int(sys.argv[2]), Path(sys.argv[3]), sys.argv[4])
    else:
        print(json.dumps(figures(), indent=2))
