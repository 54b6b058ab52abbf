"""A long run with flat memory: ``python -m tests.soak_long [--frames 10000]``.

The camera is in this process, its pictures are small and kept out of the measure as far as they lie on disk. What is
printed is the memory that this process holds (resident set, from the kernel) after each thousandth frame, the wall time
a frame, and whether every frame is in the record once.
"""

from __future__ import annotations

import argparse
import gc
import json
import sys
import tempfile
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

from support_inprocess import bench
from support_run import small_plan

from daemon import clock
from daemon.feed import Event
from plans.plan import ExposeStep, Plan


def long_plan(frames: int) -> Plan:
    """The small plan, its first ladder told over and over until there are so many pictures."""
    plan = small_plan()
    first = [step for step in plan.steps[:3] if not isinstance(step, ExposeStep)]
    ladder = [step for step in plan.exposing if step.group == plan.exposing[0].group]
    steps: list[Any] = list(first)
    for number in range(frames):
        like = ladder[number % len(ladder)]
        steps.append(like.model_copy(update={"id": f"{number + 1:06d}-expose", "reference": "000001-expose"}))
    names = tuple(step.id for step in steps[len(first) :])
    group = plan.groups[0].model_copy(update={"steps": names})
    return plan.model_copy(update={"steps": tuple(steps), "groups": (group,)})


def resident_mb() -> float:
    """Memory that this process holds. [MB]"""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * 4096 / 1e6


def soak(frames: int, every: int) -> dict[str, Any]:
    """Shoot so many frames; memory and time after each ``every`` of them."""
    seen: dict[int, float] = {}
    times: dict[int, float] = {}
    with tempfile.TemporaryDirectory() as folder, bench(Path(folder)) as made:
        began = clock.monotonic()
        kept = 0

        def look(event: Event) -> None:
            nonlocal kept
            if event.kind != "frame-kept":
                return
            kept += 1
            made.events.clear()
            if kept % every == 0:
                gc.collect()
                seen[kept], times[kept] = round(resident_mb(), 1), round(clock.monotonic() - began, 1)
                print(f"{kept} frames, {seen[kept]} MB, {times[kept]} s", file=sys.stderr, flush=True)

        made.on_event = look
        number = made.runner.start(long_plan(frames))
        counts = made.store.logbook.counts(number)
        assert counts["kept"]["expose"] == frames == kept, counts
        assert counts["files"] == counts["distinct_hashes"] == made.exposures, counts
        return {
            "frames": frames,
            "resident_mb": seen,
            "resident_mb_at_the_end": round(resident_mb(), 1),
            "wall_s": times,
            "readings": counts["readings"],
        }


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--frames", type=int, default=10_000)
    parser.add_argument("--every", type=int, default=1_000)
    asked = parser.parse_args()
    print(json.dumps(soak(asked.frames, asked.every), indent=2))
