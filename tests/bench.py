"""Benchmark figures as JSON: ``make bench``. Nothing here is asserted; ratios are against a baseline in the same run.

- ``compile``: the demo brief, warm and first.
- ``twelve_goals``: a brief of twelve goals on a full body, beside a naive search (`tests.bench_compile`).
- ``run``: wall time of whole runs over the physical floor (`floor_of`) of every frame taken, metering and check frames
  included, with the bare decoding of those (`decoding_s`), on the instant and on the typical simulated camera; what of
  it lies before the first frame, after the last and between. The plan is compiled before the clock starts.
- ``link``, ``renderer``, ``service``, ``web``, ``film``, ``judge``, ``lesson``: the modules of those names.
- ``plain``: the very frames of that run by `tests.plain_loop` on the same kind of camera, with and without fsync: the
  control, which shows that the floor is no figure that every program comes close to.
"""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise
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
from PIL import Image
from support_run import rig

from daemon.camera.supervisor import CameraProcess
from daemon.camera.verbs import CardFile
from hardware_mocks.hands import Hands
from hardware_mocks.server import Simulator, start
from hardware_mocks.timing import TIMINGS
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


class Noting(CameraProcess):
    """A camera process that notes what each frame was taken at, and when."""

    def __init__(self, *arguments: Any, **named: Any):
        super().__init__(*arguments, **named)
        self.frames: list[dict[str, str]] = []
        self.first_shutter_s = self.last_file_s = 0.0
        self._labels: dict[str, str] = {}

    def apply(self, labels: Mapping[str, str]) -> dict[str, str]:
        self._labels = dict(labels)
        return super().apply(labels)

    def expose(self, exposure_s: float) -> list[CardFile]:
        self.first_shutter_s = self.first_shutter_s or time.monotonic()
        self.frames.append(self._labels)
        return super().expose(exposure_s)

    def fetch(self, file: CardFile, into: Path) -> int:
        size = super().fetch(file, into)
        self.last_file_s = time.monotonic()
        return size


def floor_of(state: dict[str, Any], timing: str, frames: Sequence[Mapping[str, str]]) -> float:
    """The physical floor of these frames. [s]

    What the camera itself takes: the lag of its shutter, exposure, readout and writing, and sending the files; and what
    it takes to set each setting once where it differs from the frame before. No library, no computer, no disk; nothing
    that a program could leave out. ``state`` is the camera's own account, ``frames`` what each was taken at.
    """
    slow = TIMINGS[timing]
    changes = sum(before.get(name) != label for before, frame in pairwise(frames) for name, label in frame.items())
    own = state["exposure_s"] + state["readout_s"] + state["transfer_s"]
    return float(own + len(frames) * slow.lag_s + changes * slow.set_s)


def decoding_s(folder: Path) -> float:
    """What the image library alone takes to decode the control frames below a folder, each the best of three. [s]

    No program goes on from a control frame without having read it.
    """

    def decode(path: Path) -> None:
        with Image.open(path) as picture:
            picture.load()

    return sum(min(seconds(lambda: decode(path)) for _ in range(3)) for path in folder.rglob("control/*.jpg"))  # noqa: B023


def bench_run(timing: str) -> dict[str, Any]:
    """One run of the demo's plan, start to end, the record included; ``taken`` is what its frames were taken at."""
    with tempfile.TemporaryDirectory() as folder, simulator(timing) as running:
        noting = Noting(running.camera, Path(folder) / "camera")
        with rig(Path(folder), running, camera=noting) as bench:
            shown = bench.camera.state()  # the connection is made; the plain loop's clock starts there too
            plan = fountain_plan()  # as the plain loop has its frames; `bench_compile` tells what it takes
            began = time.monotonic()
            bench.runner.start(plan)
            ended = time.monotonic()
            state, count = bench.hands.state(), len(noting.frames)
            if state["exposures"] != count:
                raise RuntimeError(f"{count} exposures were asked for, {state['exposures']} were made")
            decoding = decoding_s(Path(folder) / "store")
            floor = floor_of(state, timing, noting.frames) + decoding
            ends = (noting.first_shutter_s - began) + (ended - noting.last_file_s)
            between = ended - began - ends - floor
            widgets = {name: found.widget for name, found in shown.settings.items()}
            return {
                "wall_s": ended - began,
                "floor_s": floor,
                "of_it_decoding_control_frames_ms": 1000 * decoding,
                "ratio": (ended - began) / floor,
                "frames": count,
                "before_the_first_frame_ms": 1000 * (noting.first_shutter_s - began),
                "after_the_last_frame_ms": 1000 * (ended - noting.last_file_s),
                "between_ms_a_frame": 1000 * between / count,
                "overhead_ms_a_frame": 1000 * (ended - began - floor) / count,
                "taken": [{widgets[name]: label for name, label in frame.items()} for frame in noting.frames],
            }


def bench_plain(timing: str, fsync: bool, frames: list[dict[str, str]]) -> dict[str, Any]:
    """The plain loop over the very frames of a run: the library's names of settings, this camera's labels."""
    with tempfile.TemporaryDirectory() as folder, simulator(timing) as camera:
        host = camera.camera.removeprefix("ptpip:")
        port = f"ptpip:{host}:{host.rpartition(':')[2]}"
        words = [sys.executable, "-m", "tests.plain_loop", port, folder, "1" if fsync else "0", json.dumps(frames)]
        environment = os.environ | {"LC_ALL": "C", "XDG_CONFIG_HOME": folder, "HOME": folder}
        done = subprocess.run(words, capture_output=True, text=True, check=True, env=environment)
        wall, floor = json.loads(done.stdout)["wall_s"], floor_of(Hands(camera.hands).state(), timing, frames)
        return {
            "wall_s": wall,
            "floor_s": floor,
            "ratio": wall / floor,
            "overhead_ms_a_frame": 1000 * (wall - floor) / len(frames),
        }


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
        taken = figures["run"][timing].pop("taken")
        for fsync in (False, True):
            name = f"{timing}{', fsync' if fsync else ''}"
            figures["plain"][name] = median_of([bench_plain(timing, fsync, taken) for _ in range(rounds)])
    figures["run_over_plain_with_fsync"] = {
        timing: figures["run"][timing]["wall_s"] / figures["plain"][f"{timing}, fsync"]["wall_s"]
        for timing in ("instant", "typical")
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
