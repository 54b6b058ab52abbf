"""A whole sunset of 1,000 frames of 1.5 megapixels through the real camera library: ``python -m tests.soak_sunset``.

Shot twice, with ideal times and with an uneven shutter. Prints each bar with what was found, and fails when one is
missed. ``--only ideal`` or ``--only uneven`` shoots once; ``--frames 200`` is a shorter one.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import sys
import tempfile
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent))

from support_sunset import (
    MOST_CLIPPED,
    Sunset,
    as_taken,
    film_flicker,
    largest_error,
    shoot_sunset,
    steps_only,
    without_pictures,
)

from daemon.pictures.film.frames import SIZES, Look

JITTER = 0.015  # stops; an assumption
LOOK = Look(size=SIZES["720p"])
ON_TIME_MS = 20.0

Row = tuple[str, str, float | str, bool]


def judged(sunset: Sunset, frames: int, jitter: float, folder: Path) -> list[Row]:
    """Each bar in words, its limit, what was found, and whether it is kept."""
    late = sorted(1000 * row.late_s for row in sunset.rows if row.late_s is not None)
    missed = sum(row.late_s is None for row in sunset.rows)
    flicker = {
        name: film_flicker(sunset, folder / f"{name}.mp4", look)
        for name, look in (("whole", LOOK), ("steps", steps_only(LOOK)), ("taken", as_taken(LOOK)))
    }
    files, hashes = sunset.counts["files"], sunset.counts["distinct_hashes"]
    clipped, error = sunset.most_clipped(), largest_error(sunset)
    worst = late[-1] if late else float("inf")

    def under(name: str, found: float, limit: float, unit: str, digits: int = 4) -> Row:
        return name, f"<= {limit:g} {unit}", round(found, digits), found <= limit

    return [
        ("frames in the logbook", f"= {frames}", len(sunset.rows), len(sunset.rows) == frames),
        ("frames missed", "= 0", missed, missed == 0),
        ("pictures at home", f"= {frames}", len(sunset.film), len(sunset.film) == frames),
        ("files, hashes, exposures", "alike", f"{files}, {hashes}, {sunset.exposures}",
         files == hashes == sunset.exposures),
        under("clipped in the worst frame", 100 * clipped, 100 * MOST_CLIPPED, "%"),
        under("idea of the light, worst error", error, 0.4, "stop", 3),
        under("flicker, steps smoothed", flicker["steps"], 0.020 if jitter else 0.010, "stop"),
        under("flicker, smoothed and steadied", flicker["whole"], 0.010, "stop"),
        ("flicker, as taken (must fail)", "> 0.030 stop", round(flicker["taken"], 4), flicker["taken"] > 0.030),
        under("shutter asked for late, worst", worst, ON_TIME_MS, "ms", 2),
    ]  # fmt: skip


def figures(sunset: Sunset) -> dict[str, Any]:
    """What is told beside the bars."""
    late = sorted(1000 * row.late_s for row in sunset.rows if row.late_s is not None)
    latency = [1000 * row.latency_s for row in sunset.rows if row.latency_s is not None]
    return {
        "flicker_of_light_and_steps_alone": round(without_pictures(sunset), 4),
        "median_late_ms": round(statistics.median(late), 2),
        "late_beyond_20_ms": [
            {"frame": row.frame, "late_ms": round(1000 * row.late_s, 1), "why": row.why}
            for row in sunset.rows
            if row.late_s is not None and 1000 * row.late_s > ON_TIME_MS
        ],
        "median_latency_ms": round(statistics.median(latency), 1),
        "rungs": [sunset.rows[0].rung, sunset.rows[-1].rung],
        "unread_at_most": max((row.thought or {}).get("unread", 0) for row in sunset.rows),
        "wall_s": round(sunset.wall_s, 1),
        "load": [round(one, 1) for one in os.getloadavg()],
    }


def main() -> int:
    """Shoot and tell; 1 when a bar is missed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=1000)
    parser.add_argument("--size", default="1500x1000")
    parser.add_argument("--only", choices=("ideal", "uneven"))
    parser.add_argument("--seed", type=int, default=1, help="of the uneven shutter")
    options = parser.parse_args()
    width, height = (int(side) for side in options.size.split("x"))
    missed = 0
    for name, jitter in (("ideal", 0.0), ("uneven", JITTER)):
        if options.only not in (None, name):
            continue
        with tempfile.TemporaryDirectory(prefix="sunset-") as folder:
            sunset = shoot_sunset(
                Path(folder), options.frames, (width, height), jitter, seed=options.seed, in_haste=False
            )
            rows = judged(sunset, options.frames, jitter, Path(folder))
        print(f"{name} times: {options.frames} frames of {width} x {height}; {sunset.outcome}")
        for bar, limit, found, kept in rows:
            print(f"  {bar:36} {limit:>16} {found!s:>16}  {'kept' if kept else 'MISSED'}")
        print(json.dumps(figures(sunset), indent=2), flush=True)
        missed += sum(not kept for *_, kept in rows)
    return 1 if missed else 0


if __name__ == "__main__":
    raise SystemExit(main())
