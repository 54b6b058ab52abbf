"""Benchmark figures as JSON: ``make bench``. Nothing here is asserted; ratios are against a baseline in the same run.

- ``compile``: the demo brief, warm and first.
- ``twelve_goals``: a brief of twelve goals on a full body, beside a naive search (`tests.bench_compile`).
- ``run``: wall time of whole runs over the physical floor (exposures, readout and transfer of every frame taken,
  the metering frame included), on the instant and on the typical simulated camera.
- ``link``, ``renderer``, ``service``, ``web``, ``film``, ``judge``, ``lesson``: the modules of those names.
- ``plain``: the same frames by `tests.plain_loop` on the same kind of camera, with and without fsync.
"""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

import bench_film
import bench_judge
import bench_lesson
import bench_link
import bench_render
import bench_service
import bench_web
from bench_compile import figures as bench_compile_figures
from support_run import rig

from daemon.camera.binding import bind
from daemon.camera.supervisor import CameraProcess
from hardware_mocks.hands import Hands
from hardware_mocks.server import Simulator, start
from plans.compiler import compile_brief
from plans.plan import Plan
from plans.reading import demo_brief_text, read_brief

ROUNDS = 3


def seconds(act: Callable[[], Any]) -> float:
    """Wall time of one call. [s]"""
    began = time.monotonic()
    act()
    return time.monotonic() - began


def bench_compile() -> dict[str, float]:
    """Reading and compiling the demo brief. [s]"""
    text = demo_brief_text()
    first = seconds(lambda: compile_brief(read_brief(text, "demo")))
    brief = read_brief(text, "demo")
    return {
        "first_read_and_compile_s": first,
        "read_warm_s": statistics.median(seconds(lambda: read_brief(text, "demo")) for _ in range(20)),
        "compile_warm_s": statistics.median(seconds(lambda: compile_brief(brief)) for _ in range(20)),
    }


def fountain_plan() -> Plan:
    """The demo's plan."""
    return compile_brief(read_brief(demo_brief_text(), "demo"))


def simulator(timing: str) -> Simulator:
    """A simulated camera with cheap pictures, so that rendering does not hide the overhead."""
    return start(timing=timing, render="flat")


def floor_of(state: dict[str, Any]) -> float:
    """What the camera itself needed. [s]"""
    return float(state["exposure_s"] + state["readout_s"] + state["transfer_s"])


def bench_run(timing: str) -> dict[str, Any]:
    """One run of the demo's plan, start to end, the record included."""
    with tempfile.TemporaryDirectory() as folder, simulator(timing) as camera, rig(Path(folder), camera) as bench:
        bench.camera.state()  # the connection is made; the plain loop's clock starts there too
        wall = seconds(lambda: bench.runner.start(fountain_plan()))
        state = bench.hands.state()
        floor = floor_of(state)
        frames = state["exposures"]
        return {
            "wall_s": wall,
            "floor_s": floor,
            "ratio": wall / floor,
            "frames": frames,
            "overhead_ms_a_frame": 1000 * (wall - floor) / frames,
        }


def bench_plain(timing: str, fsync: bool) -> dict[str, Any]:
    """The plain loop over the same settings, one metering frame included."""
    with tempfile.TemporaryDirectory() as folder, simulator(timing) as camera:
        frames = labels_for(fountain_plan(), camera.camera, Path(folder))
        host = camera.camera.removeprefix("ptpip:")
        port = f"ptpip:{host}:{host.rpartition(':')[2]}"
        words = [sys.executable, "-m", "tests.plain_loop", port, folder, "1" if fsync else "0", json.dumps(frames)]
        environment = os.environ | {"LC_ALL": "C", "XDG_CONFIG_HOME": folder, "HOME": folder}
        done = subprocess.run(words, capture_output=True, text=True, check=True, env=environment)
        wall, floor = json.loads(done.stdout)["wall_s"], floor_of(Hands(camera.hands).state())
        return {
            "wall_s": wall,
            "floor_s": floor,
            "ratio": wall / floor,
            "overhead_ms_a_frame": 1000 * (wall - floor) / len(frames),
        }


def labels_for(plan: Plan, port: str, folder: Path) -> list[dict[str, str]]:
    """What the plain loop has to set for each frame: the library's names of settings, this camera's own labels."""
    camera = CameraProcess(port, folder)
    state = camera.state()
    camera.close()
    binding = bind(plan, state)
    frames = [step.settings for step in plan.steps if step.kind != "operator"]
    return [
        {state.settings[name].widget: label for name, label in binding.labels(settings).items()} for settings in frames
    ]


def median_of(rounds: list[dict[str, Any]]) -> dict[str, Any]:
    """The round with the median wall time, with all wall times beside it."""
    chosen = sorted(rounds, key=lambda found: found["wall_s"])[len(rounds) // 2]
    return chosen | {"walls_s": [found["wall_s"] for found in rounds]}


def main() -> dict[str, Any]:
    """All figures."""
    figures: dict[str, Any] = {
        "compile": bench_compile(),
        "twelve_goals": bench_compile_figures(),
        "run": {},
        "plain": {},
    }
    for timing in ("instant", "typical"):
        rounds = ROUNDS if timing == "instant" else 1
        figures["run"][timing] = median_of([bench_run(timing) for _ in range(rounds)])
        for fsync in (False, True):
            name = f"{timing}{', fsync' if fsync else ''}"
            figures["plain"][name] = median_of([bench_plain(timing, fsync) for _ in range(rounds)])
    mine, plain = figures["run"]["instant"], figures["plain"]["instant, fsync"]
    figures["run_over_plain_with_fsync"] = {
        "wall": mine["wall_s"] / plain["wall_s"],
        "overhead_a_frame": mine["overhead_ms_a_frame"] / plain["overhead_ms_a_frame"],
    }
    figures["link"] = bench_link.figures()
    figures["renderer"] = bench_render.figures()
    figures["service"] = bench_service.figures()
    figures["web"] = bench_web.measure()
    figures["film"] = bench_film.figures()
    figures["judge"] = bench_judge.bench_judge()
    figures["lesson"] = bench_lesson.measure()
    return figures


if __name__ == "__main__":
    print(json.dumps(main(), indent=2))
