"""SIGKILL at random moments, for real: ``python -m tests.soak_kills [--kills 200] [--seed 0]``.

Runs by the command, killed and resumed, and runs whose camera process is killed, in turn, until there were so many
kills. After each run the record, the disk and the simulated camera's own count must agree: no frame lost, none doubled,
every run completes. The seed of each run is printed; one seed is repeated with ``--seed N --kills 1``.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

from support_deaths import kill_the_camera_process, kill_the_daemon

from daemon import clock


def soak(kills: int, first_seed: int, say: Callable[[str], None]) -> dict[str, Any]:
    """Runs until there were so many kills; the figures. AssertionError at the first loss, its seed told before."""
    done = {"daemon": 0, "camera": 0}
    runs, seed, began = 0, first_seed, clock.monotonic()
    while sum(done.values()) < kills:
        for whom, campaign in (("daemon", kill_the_daemon), ("camera", kill_the_camera_process)):
            say(f"seed {seed}, {whom}")
            with tempfile.TemporaryDirectory() as folder:
                deaths = campaign(Path(folder), seed)
            done[whom] += deaths
            runs += 1
            say(f"  {deaths} kills, complete; {sum(done.values())} so far")
        seed += 1
    return {
        "kills": sum(done.values()),
        "by_process": done,
        "runs": runs,
        "seeds": [first_seed, seed - 1],
        "frames_lost": 0,
        "frames_doubled": 0,
        "wall_s": round(clock.monotonic() - began, 1),
    }


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=0)
    asked = parser.parse_args()
    print(json.dumps(soak(asked.kills, asked.seed, lambda text: print(text, flush=True)), indent=2))
