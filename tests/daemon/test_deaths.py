"""Sudden death of the daemon's and of the camera's process, for real, at seeded random moments."""

from __future__ import annotations

import threading
from contextlib import ExitStack
from pathlib import Path

import pytest
from support_deaths import kill_the_camera_process, kill_the_daemon
from support_run import assert_nothing_lost_nothing_twice, rig, small_plan
from support_simulator import simulated_camera

from daemon import clock
from daemon.context import Manners
from daemon.errors import CameraAbsent, RunPaused
from daemon.feed import Command, Event
from daemon.report import report

SEEDS = (0,)  # the campaign, `tests.soak_kills`, has hundreds
STOP_NOW = Command("stop it", "stop-now")
LONG = """goals:
  - ladder: {change: aperture, by: 1, from: f/16, to: f/22, balance: time, focus: heron}
limits: {iso_at_most: 100}
"""


@pytest.mark.parametrize("seed", SEEDS)
def test_a_killed_daemon_resumes_with_no_frame_lost_and_none_twice(tmp_path: Path, seed: int) -> None:
    print(f"seed {seed}: {kill_the_daemon(tmp_path, seed)} deaths")


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
    with rig(tmp_path, simulator, manners=Manners(patience_s=4.0)) as bench:
        began = clock.monotonic()
        with pytest.raises(CameraAbsent):
            bench.runner.start(small_plan())
        assert 4.0 <= clock.monotonic() - began < 20.0
        assert bench.kinds() == ["camera-lost"]
        bench.on_event = lambda event: bench.commands.send(Command("one", "stop"))
        with pytest.raises(RunPaused, match="Nothing was begun"):
            bench.runner.start(small_plan())
        assert bench.store.logbook.list_runs() == []


@pytest.mark.parametrize("seed", SEEDS)
def test_a_killed_camera_process_is_replaced_and_nothing_is_lost(tmp_path: Path, seed: int) -> None:
    print(f"seed {seed}: {kill_the_camera_process(tmp_path, seed)} deaths")


def test_stop_now_ends_a_long_exposure_at_once_and_its_picture_is_taken_up(tmp_path: Path) -> None:
    with simulated_camera(light=8.0) as simulator, rig(tmp_path, simulator) as bench:
        sent = []

        def stop(event: Event) -> None:
            if event.kind == "step-started" and event.data.get("settings", {}).get("time", {}).get("exact", 0) > 1.5:
                timer = threading.Timer(0.25, lambda: (sent.append(clock.monotonic()), bench.commands.send(STOP_NOW)))
                timer.start()
                bench.on_event = lambda event: None

        bench.on_event = stop
        with pytest.raises(RunPaused, match="at once"):
            bench.runner.start(small_plan(LONG, light=8.0))
        assert sent and clock.monotonic() - sent[0] < 1.6  # the exposure itself goes on for another 1.75 s
        assert bench.runner.state == "stopped"
        assert len(bench.store.logbook.open_attempts(1)) == 1
        found = report(bench.store, bench.runner.resume("last"))
        assert [frame.recovered for frame in found.frames].count(True) == 1
        assert_nothing_lost_nothing_twice(found, bench.hands)
        # Sent once more, it is known and stops nothing.
        assert [row.verb for row in bench.store.logbook.commands(1)] == ["stop-now"]
