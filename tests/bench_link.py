"""What the link costs beyond the simulated camera's own times: ``python -m tests.bench_link``."""

from __future__ import annotations

import json
import statistics
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

from support_camera import simulator

from daemon.camera.supervisor import CameraProcess


def figures(frames: int = 20, size: tuple[int, int] = (1500, 1000)) -> dict[str, Any]:
    """One frame over PTP/IP, settings, exposure and download, less what the camera itself says it took. [ms]

    ``frame_ms`` is the daemon's whole way (camera process, library, wire) for an aperture, a time, an exposure and its
    file; ``camera_ms`` what of it the simulated camera spent exposing, reading out (encoding a picture of the full
    size is part of it on the instant profile) and transferring; ``overhead_ms`` the difference. Medians.
    """
    spent, own = [], []
    with (
        tempfile.TemporaryDirectory() as folder,
        simulator(size=size) as running,
        CameraProcess(running.camera, Path(folder) / "work") as camera,
    ):
        hands = running.worked()
        camera.state()
        for number in range(frames + 2):
            before = hands.state()
            began = time.monotonic()
            camera.apply({"aperture": ("f/8", "f/5.6")[number % 2], "time": ("1/125", "1/250")[number % 2]})
            [file] = camera.expose((1 / 128, 1 / 256)[number % 2])
            camera.fetch(file, Path(folder) / f"{number}.jpg")
            took = time.monotonic() - began
            after = hands.state()
            if number >= 2:  # the first ones warm up
                spent.append(took)
                own.append(sum(after[key] - before[key] for key in ("exposure_s", "readout_s", "transfer_s")))
    overhead = [all_of_it - camera_s for all_of_it, camera_s in zip(spent, own, strict=True)]
    return {
        "frames": frames,
        "frame_ms": round(1000 * statistics.median(spent), 2),
        "camera_ms": round(1000 * statistics.median(own), 2),
        "overhead_ms": round(1000 * statistics.median(overhead), 2),
        "overhead_best_ms": round(1000 * min(overhead), 2),
    }


if __name__ == "__main__":
    print(json.dumps(figures(), indent=2))
