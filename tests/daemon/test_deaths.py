"""Sudden death of the daemon's and of the camera's process, for real, at seeded random moments."""

from __future__ import annotations

import os
import random
import signal
import threading
from contextlib import ExitStack
from pathlib import Path

import pytest
from support_run import (
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
from daemon.context import Manners
from daemon.errors import CameraAbsent, RunPaused
from daemon.feed import Command, Event
from daemon.report import report
from daemon.store import open_store
from hardware_mocks.hands import Hands

SEEDS = range(4)
# Long enough exposures that deaths fall into them as well as between them.
GOALS = """goals:
  - ladder: {change: aperture, by: 1, from: f/8, to: f/22, balance: time, focus: heron}
  - bracket: {change: time, by: 1, count: 3, focus: heron}
limits: {iso_at_most: 100}
"""


@pytest.mark.parametrize("seed", SEEDS)
def test_a_killed_daemon_resumes_with_no_frame_lost_and_none_twice(tmp_path: Path, seed: int) -> None:
    chance = random.Random(seed)
    (tmp_path / "brief.yaml").write_text(small_brief(GOALS, light=8.0))
    store = tmp_path / "store"
    with simulated_camera(light=8.0, timing="instant") as simulator:
        options = ["--store", str(store), "--camera", simulator.camera, "--operator", f"simulated:{simulator.hands}"]
        process = begin("shoot", "brief.yaml", *options, home=tmp_path)
        wait_for_exposures(Hands(simulator.hands), chance.randint(1, 5), process)
        clock.sleep(chance.uniform(0.0, 0.35))
        kill(process)
        deaths = 1
        for _ in range(2):
            process = begin("resume", "last", *options, home=tmp_path)
            clock.sleep(chance.uniform(0.6, 2.0))
            if process.poll() is not None:
                process.communicate()
                break
            kill(process)
            deaths += 1
        with open_store(store) as opened:
            state = opened.logbook.run("last").state
        if state != "done":
            done = command("resume", "last", *options, home=tmp_path)
            assert done.returncode == 0, done.stderr
        with open_store(store) as opened:
            assert_nothing_lost_nothing_twice(report(opened, "last"), Hands(simulator.hands))
        print(f"seed {seed}: {deaths} deaths")


@pytest.mark.parametrize("verb", ["start", "resume"])
def test_a_camera_that_is_switched_off_when_a_run_begins_is_waited_for(tmp_path: Path, verb: str) -> None:
    with simulated_camera() as simulator, rig(tmp_path, simulator) as bench:
        ports = [int(text.rpartition(":")[2]) for text in (simulator.camera, simulator.hands)]
        if verb == "resume":
            bench.commands.send(Command("one", "stop"))
            with pytest.raises(RunPaused):
                bench.runner.start(small_plan())
    with ExitStack() as later, rig(tmp_path, simulator, manners=Manners(patience_s=20.0)) as bench:

        def switch_on(event: Event) -> None:
            if event.kind == "camera-lost":
                later.enter_context(simulated_camera(port=ports[0], hands_port=ports[1]))
                bench.hands.focus(2.0)

        bench.on_event = switch_on
        number = bench.runner.start(small_plan()) if verb == "start" else bench.runner.resume("last")
        assert bench.kinds()[:2] == ["camera-lost", "camera-back"]
        assert_nothing_lost_nothing_twice(report(bench.store, number), bench.hands)


def test_a_camera_that_stays_switched_off_is_waited_for_no_longer_than_told(tmp_path: Path) -> None:
    with simulated_camera() as simulator:
        pass
    with rig(tmp_path, simulator, manners=Manners(patience_s=1.0)) as bench:
        began = clock.monotonic()
        with pytest.raises(CameraAbsent):
            bench.runner.start(small_plan())
        assert 1.0 <= clock.monotonic() - began < 8.0
        assert bench.kinds() == ["camera-lost"]
        bench.commands.send(Command("one", "stop"))
        with pytest.raises(RunPaused, match="Nothing was begun"):
            bench.runner.start(small_plan())
        assert bench.store.logbook.list_runs() == []


@pytest.mark.parametrize("seed", SEEDS)
def test_a_killed_camera_process_is_replaced_and_nothing_is_lost(tmp_path: Path, seed: int) -> None:
    chance = random.Random(seed)
    killed = []
    with simulated_camera(light=8.0) as simulator, rig(tmp_path, simulator) as bench:
        over = threading.Event()

        def killer() -> None:
            while len(killed) < 3 and not over.wait(chance.uniform(0.05, 0.8)):
                pid = bench.camera.pid
                if pid is not None and bench.store.logbook.list_runs():
                    os.kill(pid, signal.SIGKILL)
                    killed.append(pid)

        thread = threading.Thread(target=killer)
        thread.start()
        try:
            found = bench.shoot(small_plan(GOALS, light=8.0))
        finally:
            over.set()
            thread.join()
        assert killed, "the run was over before the first blow"
        assert_nothing_lost_nothing_twice(found, bench.hands)
