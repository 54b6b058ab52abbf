"""A whole sunset of 1,000 frames of 1.5 megapixels through the real camera library: ``python -m tests.soak_sunset``.

Asserts what the suite's sunset of 100 small frames does, and prints the figures as JSON.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

from support_sunset import as_taken, film_flicker, largest_error, shoot_sunset


def main() -> None:
    """Shoot it and tell."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=1000)
    parser.add_argument("--size", default="1500x1000")
    options = parser.parse_args()
    width, height = (int(side) for side in options.size.split("x"))
    with tempfile.TemporaryDirectory(prefix="sunset-") as folder:
        sunset = shoot_sunset(Path(folder), options.frames, (width, height))
        late = sorted(row.late_s for row in sunset.rows if row.late_s is not None)
        latency = sorted(row.latency_s for row in sunset.rows if row.latency_s is not None)
        figures = {
            "frames": options.frames,
            "in_the_record": len(sunset.rows),
            "at_home": len(sunset.film),
            "brightest_code": sunset.brightest(),
            "largest_error_stops": round(largest_error(sunset), 3),
            "flicker_stops": round(film_flicker(sunset, Path(folder) / "film.mp4"), 4),
            "flicker_as_taken_stops": round(film_flicker(sunset, Path(folder) / "as-taken.mp4", as_taken()), 4),
            "median_late_ms": round(1000 * late[len(late) // 2], 2),
            "worst_late_ms": round(1000 * late[-1], 2),
            "median_latency_ms": round(1000 * latency[len(latency) // 2], 1),
            "wall_s": round(sunset.wall_s, 1),
        }
        print(json.dumps(figures, indent=2))
        assert figures["in_the_record"] == options.frames
        assert sunset.counts["files"] == sunset.counts["distinct_hashes"] == sunset.exposures
        assert len(sunset.film) == sunset.counts["frames"]["picture"]
        assert figures["brightest_code"] < 254
        assert figures["flicker_stops"] <= 0.010 < figures["flicker_as_taken_stops"]


if __name__ == "__main__":
    main()
