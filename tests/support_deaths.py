"""Runs that are killed at random moments and resumed: the daemon's process, or the camera's, by SIGKILL."""

from __future__ import annotations

import os
import random
import signal
import threading
from pathlib import Path

from support_run import (
    Rig,
    assert_nothing_lost_nothing_twice,
    begin,
    command,
    kill,
    rig,
    small_brief,
    small_plan,
    wait_for_exposures,
)
from support_simulator import simulated_camera

from daemon import clock
from daemon.report import report
from daemon.store import open_store
from hardware_mocks.hands import Hands

# Long enough exposures that deaths fall into them as well as between them.
GOALS = """goals:
  - ladder: {change: aperture, by: 1, from: f/8, to: f/22, balance: time, focus: heron}
  - bracket: {change: time, by: 1, count: 3, focus: heron}
limits: {iso_at_most: 100}
"""


def kill_the_daemon(folder: Path, seed: int, most: int = 3) -> int:
    """Shoot a small brief by the command, killed up to ``most`` times; how often it was killed before it was done.

    Asserts that the run completes and that record, disk and camera agree: no frame lost, none doubled.
    """
    chance = random.Random(seed)
    (folder / "brief.yaml").write_text(small_brief(GOALS, light=8.0))
    store = folder / "store"
    with simulated_camera(light=8.0, timing="instant") as simulator:
        options = ["--store", str(store), "--camera", simulator.camera, "--operator", f"simulated:{simulator.hands}"]
        process = begin("shoot", "brief.yaml", *options, home=folder)
        wait_for_exposures(Hands(simulator.hands), chance.randint(1, 5), process)
        clock.sleep(chance.uniform(0.0, 0.35))
        kill(process)
        deaths = 1
        for _ in range(most - 1):
            process = begin("resume", "last", *options, home=folder)
            clock.sleep(chance.uniform(0.6, 2.0))
            if process.poll() is not None:
                process.communicate()
                break
            kill(process)
            deaths += 1
        with open_store(store) as opened:
            state = opened.logbook.run("last").state
        if state != "done":
            done = command("resume", "last", *options, home=folder)
            assert done.returncode == 0, done.stderr
        with open_store(store) as opened:
            assert_nothing_lost_nothing_twice(report(opened, "last"), Hands(simulator.hands))
    return deaths


def kill_the_camera_process(folder: Path, seed: int, most: int = 3) -> int:
    """Shoot the same plan in this process while its camera process is killed up to ``most`` times; how often it was.

    Asserts the same as `kill_the_daemon`; the run goes on by itself.
    """
    chance = random.Random(seed)
    with simulated_camera(light=8.0) as simulator, rig(folder, simulator) as bench:
        killed, over = [], threading.Event()
        thread = threading.Thread(target=lambda: _kill_at_random(bench, chance, most, killed, over))
        thread.start()
        try:
            found = bench.shoot(small_plan(GOALS, light=8.0))
        finally:
            over.set()
            thread.join()
        assert killed, "the run was over before the first blow"
        assert_nothing_lost_nothing_twice(found, bench.hands)
    return len(killed)


def _kill_at_random(bench: Rig, chance: random.Random, most: int, killed: list[int], over: threading.Event) -> None:
    while len(killed) < most and not over.wait(chance.uniform(0.05, 0.8)):
        pid = bench.camera.pid
        if pid is not None and bench.store.logbook.list_runs():
            os.kill(pid, signal.SIGKILL)
            killed.append(pid)
