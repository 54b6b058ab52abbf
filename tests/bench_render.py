"""How fast the simulated camera makes pictures, on one core: ``python -m tests.bench_render`` prints the figures.

Times are processor seconds of one process whose libraries use one thread, so that other work on the machine does not
count. A cold frame is the first one with a lens setting; a warm one has only the moving water to work out anew. The
large frame runs in a process of its own, whose greatest memory is told too: everything in it, the drawing included.
"""

from __future__ import annotations

import json
import math
import os
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
        one = os.environ | dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
        done = subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=_TESTS.parent, env=one
        )
        found[name] = {key: round(value, 3) for key, value in json.loads(done.stdout).items()}
    return found


def accountability() -> dict[str, float]:
    """The farthest that any measured case of `tests/mocks/test_accountable.py` lies from what optics says.

    Sizes from 10 px on as a share, below in pixels; brightness in stops; noise, diffraction and bands as a share.
    """
    sys.path[:0] = [str(_TESTS), str(_TESTS / "mocks")]
    import test_accountable as measured

    worst: dict[str, float] = {}

    def note(name: str, error: float) -> None:
        worst[name] = round(max(worst.get(name, 0.0), abs(error)), 4)

    def note_size(name: str, found: float, wanted: float) -> None:
        if wanted >= 10:
            note(f"{name}_from_10_px", found / wanted - 1)
        else:
            note(f"{name}_below_10_px", found - wanted)

    for f_number, focus_m, distance_m in measured.DISCS:
        for size in ((600, 400), (1500, 1000)):
            found, _ = measured.disc_found(f_number, focus_m, distance_m, size)
            note_size("disc", found, measured.disc_wanted(f_number, focus_m, distance_m, size[0]))
    for heading_deg in (0.0, 30.0, 90.0):
        for time_s in (1 / 1024, 1 / 256, 1 / 128, 1 / 64, 1 / 32, 1 / 8, 0.5):
            found, _ = measured.smear_found(0.9, time_s, heading_deg)
            note_size("smear", found, measured.smear_wanted(0.9, time_s, 3.0, 3.0, 600))
    for case in measured.EXPOSURES:
        f_number, time_s, iso, focus_m, filters, ev100 = case
        taken = measured.shot(f_number, time_s, iso, focus_m=focus_m, filter_stops=(filters,), ev100=ev100)
        level = measured.raw_level(measured.bare(ground=0.18), taken)
        note("brightness_stops", math.log2(level / 0.18) - measured.stops_wanted(*case))
    for iso in (100.0, 800.0, 6400.0, 25600.0):
        for level in (0.02, 0.18, 0.6):
            note("noise", measured.noise_found(iso, level) / measured.noise_wanted(iso, level) - 1)
    for step in (24, 25, 26, 27):
        f_number = 2.0 ** (step / 6)
        note("diffraction_mtf50", measured.edge_found(f_number) / measured.half_contrast_wanted(f_number) - 1)
    for mains_hz in (50.0, 60.0):
        note("flicker_period", measured.bands(mains_hz, 1 / 1024)[0] / (400 / (2 * mains_hz) / 0.04) - 1)
    return worst


if __name__ == "__main__":
    print(json.dumps(figures() | {"accountability": accountability()}, indent=2))
