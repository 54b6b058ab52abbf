"""The scripted world through the real camera library, a run and its readings: one chain, measured at its end.

Expected brightness is worked out here from N^2/t = 2^EV * S/100 (ISO 2720:1974, reflected light, as commonly quoted)
and (1 + m)^2 of the thin lens, with the plan's marks alone.
"""

from __future__ import annotations

import math
import time
from pathlib import Path

import numpy as np
import pytest
import rawpy
from support_run import rig, small_plan
from support_simulator import simulated_camera

from daemon.pictures.exif import read_exif
from daemon.pictures.reading import measure_frame
from hardware_mocks import command
from hardware_mocks.camera import GardenCamera
from hardware_mocks.card import Card
from hardware_mocks.flat import FlatRenderer
from hardware_mocks.inprocess import InProcessCamera
from hardware_mocks.scene import GardenRenderer
from hardware_mocks.script import Distances, Glass, Leaves, SceneScript
from hardware_mocks.sensor import RAW_BLACK, RAW_WHITE
from hardware_mocks.server import Options
from plans.plan import ExposeStep

DEMO_LIKE = """goals:
  - compare: [{freeze: spout}, {silk: spout}]
    hold: [aperture, focus]
  - ladder: {change: aperture, by: 1, from: f/4, to: f/16, balance: time, focus: heron}
  - ladder: {change: aperture, by: 1, from: f/4, to: f/8, hold: time, balance: iso, focus: heron}
  - bracket: {change: time, by: 1, count: 3, focus: heron}
limits: {iso_at_most: 6400, spread: 1/6}
"""
TWO = "goals:\n  - ladder: {change: aperture, by: 1, from: f/5.6, to: f/8, balance: time, focus: heron}\n"
FOCAL_M = 0.05


def light_stops(step: ExposeStep) -> float:
    """Brightness that a step's settings give, up to what all steps share. [stops]"""
    settings = step.settings
    magnification = FOCAL_M / (settings.focus.distance_m - FOCAL_M)
    return (
        math.log2(settings.time.exact * settings.iso.exact / settings.aperture.exact**2)
        - sum(item.stops for item in settings.filters)
        - 2 * math.log2(1 + magnification)
    )


def residuals(found) -> dict[str, float]:
    """Measured differences to each group's reference, less those of the settings. [stops]"""
    steps = {frame.step.id: frame.step for frame in found.frames}
    return {
        frame.step.id: frame.measured_stops - (light_stops(frame.step) - light_stops(steps[frame.step.reference]))
        for frame in found.frames
        if frame.step.id != frame.step.reference
    }


def test_brightness_of_a_whole_shoot_over_the_wire_follows_settings_within_three_hundredths(tmp_path: Path) -> None:
    plan = small_plan(DEMO_LIKE)
    with simulated_camera(render="scene", size=(900, 600)) as simulator, rig(tmp_path, simulator) as bench:
        found = bench.shoot(plan)
    off = residuals(found)
    assert len(off) >= 8 and all(abs(value) <= 0.03 for value in off.values()), off
    assert {frame.checked for frame in found.frames} == {"as planned"}
    spread = [light_stops(frame.step) for frame in found.frames]
    assert max(spread) - min(spread) > 1.9  # the bracket's: not all frames are meant to be alike


def test_a_tenth_of_a_stop_of_shutter_error_fails_that_bar(tmp_path: Path) -> None:
    plan = small_plan(TWO)
    with simulated_camera(render="scene") as simulator, rig(tmp_path, simulator) as bench:
        last = plan.exposing[-1]
        bench.hands.fault(fault="shutter_error", stops={last.settings.time.mark: 0.1})
        off = residuals(bench.shoot(plan))
    assert off[last.id] == pytest.approx(0.1, abs=0.03)


def test_a_raw_frame_and_its_jpeg_come_home_as_one_frame_of_two_files(tmp_path: Path) -> None:
    script = SceneScript(stage="bare", ground=0.09, glass=Glass(diffraction=False))
    plan = small_plan(TWO)
    with simulated_camera(render="scene", scene=script) as simulator, rig(tmp_path, simulator) as bench:
        bench.camera.apply({"image_format": "NEF+Fine"})
        found = bench.shoot(plan)
        rows = {frame.id: frame for frame in bench.store.logbook.frames(found.run.id)}
        files = bench.store.logbook.files(found.run.id)
        root = bench.store.path
    of_frame = {number: sorted(file.path[-3:].lower() for file in files if file.frame_id == number) for number in rows}
    assert [frame.role for frame in rows.values()].count("picture") == len(plan.exposing)
    assert set(map(tuple, of_frame.values())) == {("dng", "jpg")}
    light = {}
    for file in files:
        path = root / file.path
        if file.path.lower().endswith("dng"):
            with rawpy.imread(str(path)) as raw:
                numbers = raw.raw_image.astype(float)
                assert numbers.shape == (400, 600) and raw.white_level == RAW_WHITE
            light[file.frame_id, "dng"] = float(np.mean((numbers - RAW_BLACK) / (RAW_WHITE - RAW_BLACK)))
        else:
            light[file.frame_id, "jpg"] = float(measure_frame(path).luminance.mean())
    for number in rows:
        apart = math.log2(light[number, "dng"] / light[number, "jpg"])
        assert abs(apart) < 0.03, (number, apart)


def test_a_scene_script_is_what_the_camera_over_the_wire_sees_and_its_exif_as_asked(tmp_path: Path) -> None:
    seen = []
    for ground in (0.36, 0.09):
        script = SceneScript(stage="bare", ground=ground)
        with simulated_camera(render="scene", scene=script, size=(96, 64), exif_style="exact") as simulator:
            hands = simulator.worked()
            hands.press()
            end = time.monotonic() + 10
            while not (state := hands.state())["card"] and time.monotonic() < end:
                time.sleep(0.02)
            picture = Path(state["card_root"]) / state["card"][0].lstrip("/")
            seen.append((measure_frame(picture).luminance.mean(), read_exif(picture).exposure_s))
    assert math.log2(seen[0][0] / seen[1][0]) == pytest.approx(2.0, abs=0.05)
    assert seen[0][1] == pytest.approx(1 / 128, rel=1e-3)  # the dial shows 1/125


def test_the_command_takes_a_script_from_a_file_and_says_what_is_wrong_with_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    script = SceneScript(seed=7, leaves=Leaves(wind_m_s=4))
    path = tmp_path / "garden.json"
    path.write_text(script.to_json())
    taken: list[Options] = []
    monkeypatch.setattr(command, "run", taken.append)
    for told in (str(path), '{"heron_m": 1.4}'):
        monkeypatch.setattr("sys.argv", ["hardware_mocks", "--scene", told])
        assert command.main() == 0
    assert [one.scene for one in taken] == [script, SceneScript(distances=Distances(heron_m=1.4))]
    path.write_bytes(b"\xff\xfe")
    for told, said in (
        (str(path), "no UTF-8"),
        (str(tmp_path), "cannot be read"),
        (str(tmp_path / "none.json"), "No such file"),
        ('{"wind": 3}', "found wind"),
        ('{"seed": 1.5}', "allowed: a whole number"),
    ):
        monkeypatch.setattr("sys.argv", ["hardware_mocks", "--scene", told])
        with pytest.raises(SystemExit):
            command.main()
        assert said in capsys.readouterr().err


def test_the_widest_aperture_of_the_lens_is_that_of_its_dial(tmp_path: Path) -> None:
    for step, widest in (("thirds", 2 ** (5 / 6)), ("halves", 2.0), ("full", 2.0)):
        camera = GardenCamera(Card(tmp_path / step), FlatRenderer(), step=step)
        assert camera.optics.widest == pytest.approx(widest)
    script = SceneScript(stage="bare", glass=Glass(barrel_stops=1.0))
    shaded = InProcessCamera(renderer=GardenRenderer(script=script), size=(96, 64), step="full")
    shaded.apply({"aperture": "f/2", "time": "1/2000"})
    (file,) = shaded.expose(1 / 2000)
    shaded.fetch(file, tmp_path / "wide.jpg")
    shaded.close()
    luminance = measure_frame(tmp_path / "wide.jpg").luminance
    corner = math.log2(luminance[0, 0] / luminance[luminance.shape[0] // 2, luminance.shape[1] // 2])
    assert corner == pytest.approx(-0.92, abs=0.1)  # a stop in the very corner, the block's mean a little less
