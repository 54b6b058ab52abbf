"""How fast the simulated camera makes pictures, on one core: ``python -m tests.bench_render`` prints the figures.

Times are processor seconds of one process whose libraries use one thread, so that other work on the machine does not
count. A cold frame is the first one with a lens setting; a warm one has only the moving water to work out anew. The
large frame runs in a process of its own, whose greatest memory is told too: everything in it, the drawing included.
"""

from __future__ import annotations

import json
import resource
import statistics
import subprocess
import sys
import time
from pathlib import Path

_TESTS = Path(__file__).resolve().parent


def _frame(large: bool) -> dict[str, float]:
    from support_scene import shot

    from hardware_mocks.scene import GardenRenderer

    renderer = GardenRenderer()
    size = (6000, 4000) if large else (1500, 1000)
    began = time.process_time()
    first = shot(size=size)
    renderer.garden(first.optics)
    figures = {"drawing_once_s": time.process_time() - began}
    if large:
        began = time.process_time()
        renderer.render(shot(16.0, 1 / 32, size=size))
        figures["frame_24mp_s"] = time.process_time() - began
        figures["memory_24mp_mb"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        return figures
    renderer.render(first)  # what is worked out once for all frames: curves, grain, the bank of noise
    cold = {}
    for name, f_number, time_s, focus_m in (
        ("freeze", 5.657, 2.0**-11, 3.0),
        ("isolate", 2 ** (5 / 6), 2.0**-11, 2.0),
        ("deep", 16.0, 2.0**-5, 3.0),
    ):
        began = time.process_time()
        renderer.render(shot(f_number, time_s, focus_m=focus_m, size=size))
        cold[name] = time.process_time() - began
    warm = []
    for number in range(5):
        taken = shot(16.0, (2.0**-11, 2.0**-5, 0.25)[number % 3], focus_m=3.0, size=size, start_s=1.0 + number)
        began = time.process_time()
        renderer.render(taken)
        warm.append(time.process_time() - began)
    return figures | {f"cold_{name}_s": value for name, value in cold.items()} | {"warm_s": statistics.median(warm)}


def figures() -> dict[str, dict[str, float]]:
    """Figures of the small frame (1500 x 1000) and of the large one (6000 x 4000). [s, MB]"""
    found = {}
    for name in ("small", "large"):
        code = (
            f"import sys; sys.path.insert(0, {str(_TESTS)!r}); import json, bench_render;"
            f" print(json.dumps(bench_render._frame({name == 'large'})))"
        )
        done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=_TESTS.parent)
        found[name] = {key: round(value, 3) for key, value in json.loads(done.stdout).items()}
    return found


if __name__ == "__main__":
    print(json.dumps(figures(), indent=2))
