"""Time-lapses by the commands and the service, in processes of their own, on a turned clock."""

from __future__ import annotations

import io
import subprocess
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from support_hurry import hurried
from support_run import COMMAND, environment, json_of, kill, small_brief, wait_for_exposures
from support_service import served
from support_simulator import simulated_camera

from daemon import clock, schedule_clock
from daemon.pictures.film.strip import WIDTH
from daemon.store import open_store
from hardware_mocks.hands import Hands

GOALS = "goals:\n  - timelapse: {interval: 20 s, frames: FRAMES, focus: heron}\n"


def started(folder: Path, more: dict[str, str], *words: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [*COMMAND, *words],
        env=environment(folder) | more,
        cwd=folder,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


@pytest.mark.timeout(150)
def test_a_time_lapse_killed_in_mid_run_goes_on_with_a_gap_and_becomes_a_film(tmp_path: Path) -> None:
    (tmp_path / "brief.yaml").write_text(small_brief(GOALS.replace("FRAMES", "16")))
    store = tmp_path / "store"
    with hurried(tmp_path) as variables, simulated_camera(environment=variables) as simulator:
        hands = Hands(simulator.hands)
        options = ["--store", str(store), "--camera", simulator.camera]
        process = started(tmp_path, variables, "shoot", "brief.yaml", "--composed", "--no-rig-check", *options)
        wait_for_exposures(hands, 14, process)  # the metering frame and those of the bracket come first
        kill(process)
        schedule_clock.turn(tmp_path / "clock", 45.0)  # two intervals and more, so that frames are missed
        resumed = started(tmp_path, variables, "resume", "last", "--json", *options)
        told, said = resumed.communicate(timeout=100)
        assert resumed.returncode == 0, said
        exposures = hands.state()["exposures"]
    with open_store(store) as opened:
        logbook = opened.logbook
        run = logbook.run("last")
        (step,) = (row for row in logbook.steps(run.id) if row.kind == "timelapse")
        rows = logbook.lapse_frames(step.id)
        home = {frame.attempt_id for frame in logbook.frames(run.id)}
        counts = logbook.counts(run.id)
    assert run.state == "done" and step.outcome == "kept"
    assert [row.frame for row in rows] == list(range(16))
    assert all(row.attempt_id in home or row.why for row in rows), rows
    assert [row.why for row in rows].count("nothing ran between") >= 1
    assert rows[-1].attempt_id in home
    assert counts["files"] == counts["distinct_hashes"] == exposures  # none lost, none doubled
    done = json_of(subprocess.CompletedProcess([], 0, told, ""))
    assert "of 16 frames" in done["timelapses"][0]["text"]
    said = " ".join(said.split())  # the console wraps
    assert "missed: nothing ran between" in said and "goes on with frame" in said
    film = started(tmp_path, {}, "film", "last", "--size", "720p", "--json", "--store", str(store))
    told, said = film.communicate(timeout=60)
    assert film.returncode == 0, said
    made = json_of(subprocess.CompletedProcess([], 0, told, ""))
    assert made["frames"] == sum(row.attempt_id in home for row in rows)
    assert Path(made["film"]).is_file()


@pytest.mark.timeout(120)
def test_the_service_tells_how_a_time_lapse_stands_and_takes_its_commands(tmp_path: Path) -> None:
    with (
        hurried(tmp_path) as variables,
        simulated_camera(environment=variables) as simulator,
        served(tmp_path, "--camera", simulator.camera, more=variables) as service,
    ):
        run = service.shoot(goals=GOALS.replace("FRAMES", "200"), composed=True, operator="nobody")
        view = _until(service, run, lambda one: one["taken"] >= 2)
        assert view["frames"] == 200 and view["light"]["ev100"] == pytest.approx(13, abs=0.3)
        assert view["settings"]["iso"]["mark"] == "100" and view["thinks"]["limit"] is None
        assert {"frame", "due_s", "late_s", "latency_s", "why", "level_ev100"} <= set(view["newest"][0])
        pictures = service.get(f"/api/runs/{run}/frames?role=picture")["frames"]
        assert pictures[0]["settings"] == view["newest"][0]["settings"] and pictures[0]["step"] == view["step"]
        for verb, data in (("interval", {"seconds": 40}), ("look", {"darker": 1.0})):
            answer = service.post(f"/api/runs/{run}/commands", {"id": verb, "verb": verb, "data": data})
            assert answer, answer
        view = _until(service, run, lambda one: one["interval_s"] == 40 and one["look"]["depth"] == 1.0)
        assert view["frames"] < 120
        assert service.client.get("/api/runs/99/timelapse").status_code == 404
        film = _until(service, run, lambda one: one["film"]["frames"])["film"]
        strip = service.client.get(film["address"])
        assert strip.status_code == 200 and strip.headers["content-type"] == "image/jpeg"
        with Image.open(io.BytesIO(strip.content)) as picture:
            assert picture.width == film["columns"] * WIDTH
        assert service.client.get("/api/runs/99/timelapse/film").status_code == 404
        service.post(f"/api/runs/{run}/commands", {"id": "end", "verb": "stop", "data": {}})
        service.until(lambda state: state["job"] is None)
        assert service.end() == 0


def _until(service: Any, run: int, condition: Any) -> Any:
    end = clock.monotonic() + 60
    while True:
        view = service.get(f"/api/runs/{run}/timelapse")
        if view["start"] is not None and condition(view):
            return view
        assert clock.monotonic() < end, view
        clock.sleep(0.2)
