"""Judging against the bare decoding of the same file, on one core: 24 megapixels. Nothing here is asserted."""

from __future__ import annotations

import io
import json
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

import numpy as np
from PIL import Image
from support_scene import shot

from daemon.pictures.judging.flow import flow
from daemon.pictures.judging.framing import framing
from daemon.pictures.judging.noise import dark_noise
from daemon.pictures.judging.pixels import Pixels, open_pixels
from daemon.pictures.judging.spread import disc
from daemon.pictures.reading import compare, srgb_to_linear
from hardware_mocks.scene import GardenRenderer

SIZE = (6000, 4000)
ROUNDS = 7
TIMES = (1 / 128, 1 / 32, 1 / 512)
HEDGE, WATER = (0.72, 0.25, 0.25, 0.37), (0.589, 0.25, 0.056, 0.40)


def _frame(renderer: GardenRenderer, path: Path, f_number: float, time_s: float, number: int) -> Path:
    """A drawn frame enlarged to 24 megapixels, with grain of its own, as a camera's JPEG."""
    small = Image.fromarray(renderer.render(shot(f_number, time_s, size=(1500, 1000), number=number, start_s=number)))
    large = np.asarray(small.resize(SIZE, Image.Resampling.BICUBIC))
    grain = np.random.default_rng(number).integers(-6, 7, (500, *SIZE[:1]), np.int16)
    picture = np.clip(large + np.tile(grain, (8, 1))[..., None], 0, 255).astype(np.uint8)
    Image.fromarray(picture).save(path, "JPEG", quality=92, subsampling=2)
    return path


def _plain(path: Path) -> float:
    """The plain way: every pixel made linear and weighed."""
    with Image.open(path) as picture:
        quarter = np.asarray(picture.convert("RGB"))[::2, ::2]  # for memory's sake; counted four times
    linear = srgb_to_linear(quarter / 255)
    return float((linear @ np.array([0.2126, 0.7152, 0.0722])).mean())


def _bare(data: bytes) -> None:
    with Image.open(io.BytesIO(data)) as picture:
        picture.load()


def _least(*ways: Callable[[], Any]) -> list[float]:
    """Seconds of one core that each way takes: the least of several rounds of processor time, the ways in turn.

    In turn, since the same decoding takes half as long again in some minutes as in others.
    """
    took: list[list[float]] = [[] for _ in ways]
    for _ in range(ROUNDS):
        for way, times in zip(ways, took, strict=True):
            start = time.process_time()
            way()
            times.append(time.process_time() - start)
    return [min(times) for times in took]


def bench_judge() -> dict[str, Any]:
    """Seconds for one frame against its reference, and ratios to the bare decode."""
    renderer = GardenRenderer()
    with tempfile.TemporaryDirectory() as folder:
        paths = [
            _frame(renderer, Path(folder) / f"{number}.jpg", f_number, time_s, number)
            for number, (f_number, time_s) in enumerate(zip((8.0, 8.0, 4.0), TIMES, strict=True))
        ]
        data = paths[0].read_bytes()
        references = [open_pixels(path) for path in paths]
        for one in references:
            one.measure, one.small_grey  # noqa: B018 - a reference is measured once for its whole group

        def quick() -> Pixels:
            frame = open_pixels(paths[0])
            compare(frame.measure, references[1].measure)
            framing(frame, references[1])
            return frame

        def everything() -> None:
            frame = quick()
            dark_noise(frame, 4)
            disc(references[2], frame, frame.box(HEDGE), share=0.5)
            flow([(one, time_s, one.box(WATER)) for one, time_s in zip(references, TIMES, strict=True)])

        bare, fast, whole, quarter = _least(lambda: _bare(data), quick, everything, lambda: _plain(paths[0]))
        plain = 4 * quarter
    return {
        "megapixels": SIZE[0] * SIZE[1] / 1e6,
        "bare_decode_s": round(bare, 3),
        "brightness_clipping_shift_s": round(fast, 3),
        "everything_s": round(whole, 3),
        "brightness_clipping_shift_ratio": round(fast / bare, 2),
        "everything_ratio": round(whole / bare, 2),
        "plain_per_pixel_ratio": round(plain / bare, 2),
    }


if __name__ == "__main__":
    print(json.dumps(bench_judge(), indent=2))
