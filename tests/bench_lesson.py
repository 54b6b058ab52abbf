"""The lesson pack of twenty frames: seconds, bytes, and what each part of it costs. Nothing here is asserted."""

from __future__ import annotations

import json
import os
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

from PIL import Image
from support_pictures import encode, scene
from support_teaching import lesson_plan, made_report

from daemon.lesson import make_lesson
from daemon.pictures.teaching.pack import PARTS

GOALS = """goals:
  - ladder: {change: aperture, by: 1, balance: time, focus: heron}
  - ladder: {change: aperture, by: 1, hold: time, balance: iso, focus: heron}
  - bracket: {change: time, by: 1, count: 5, focus: heron}
limits: {iso_at_most: 6400, spread: 1/6}
"""
FRAMES = 20
SIZES = {"1.5 megapixels": (1500, 1000), "24 megapixels": (6000, 4000)}


def measure(sizes: dict[str, tuple[int, int]] = SIZES, parts: bool = True) -> dict[str, Any]:
    """Wall and processor seconds of a whole pack of twenty frames, by size of the frames, and by part for the first."""
    told: dict[str, Any] = {"frames": FRAMES, "cores": os.cpu_count()}
    with tempfile.TemporaryDirectory() as folder:
        found = made_report(Path(folder), lesson_plan(GOALS))
        for name, (width, height) in sizes.items():
            for frame in found.frames:
                assert frame.path is not None
            one = Image.fromarray(encode(scene(1000, 1500))).resize((width, height))
            for frame in found.frames:
                one.save(frame.path, "JPEG", quality=90)  # type: ignore[arg-type]
            told[name] = _timed(lambda name=name: make_lesson(found, Path(folder) / name))  # type: ignore[misc]
            files = [path.stat().st_size for path in (Path(folder) / name).rglob("*") if path.is_file()]
            told[name] |= {"pictures": len(found.frames), "files": len(files), "megabytes": round(sum(files) / 1e6, 1)}
            if parts and name == next(iter(sizes)):
                told["parts of it"] = {
                    part: _timed(lambda part=part: make_lesson(found, Path(folder) / "part", (part,)))["seconds"]  # type: ignore[misc]
                    for part in PARTS
                    if part != "students"
                }
    return told


def _timed(act: Any) -> dict[str, float]:
    wall, used = time.perf_counter(), time.process_time()
    act()
    return {
        "seconds": round(time.perf_counter() - wall, 2),
        "processor seconds": round(time.process_time() - used, 2),
    }


if __name__ == "__main__":
    print(json.dumps(measure(), indent=2))
