"""The simulated body: what menu, battery, clock and hands do, measured in its pictures and times."""

from __future__ import annotations

import io
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rawpy
from PIL import Image
from support_camera import simulator

from daemon import schedule_clock
from daemon.camera.supervisor import CameraProcess
from daemon.errors import BatteryLow, CameraAbsent, CameraBusy
from hardware_mocks.flat import FlatRenderer
from hardware_mocks.inprocess import InProcessCamera
from hardware_mocks.scales import STEPS, Scales

Make = Callable[..., InProcessCamera]


@pytest.fixture
def make() -> Iterator[Make]:
    """Makes small cameras, and closes them."""
    made: list[InProcessCamera] = []

    def build(*faults: dict[str, Any], **options: Any) -> InProcessCamera:
        made.append(
            InProcessCamera(**({"renderer": FlatRenderer(), "size": (192, 128), "faults": list(faults)} | options))
        )
        return made[-1]

    yield build
    for camera in made:
        camera.close()


def pixels(camera: InProcessCamera, exposure_s: float, folder: Path) -> np.ndarray[Any, Any]:
    """The picture of one exposure, as floats."""
    [file] = [file for file in camera.expose(exposure_s) if file.name.endswith("JPG")]
    into = folder / f"{time.monotonic_ns()}.jpg"
    camera.fetch(file, into)
    return np.asarray(Image.open(io.BytesIO(into.read_bytes()))).astype(float)


@pytest.mark.parametrize("step", STEPS)
def test_marks_stand_a_whole_half_or_third_of_a_stop_apart(step: str) -> None:
    scales = Scales(step)  # type: ignore[arg-type]
    width = {"thirds": 1 / 3, "halves": 1 / 2, "full": 1.0}[step]
    for setting, power in (("aperture", 2.0), ("time", 1.0), ("iso", 1.0)):
        exact = np.array([mark.exact for mark in scales.marks(setting)])
        assert np.diff(np.log2(exact)) * power == pytest.approx(width)
        for mark in scales.marks(setting):  # print and value agree as far as marks are rounded
            printed = mark.nominal[0] / mark.nominal[1]
            assert printed == pytest.approx(mark.exact, rel=0.14)  # a half-stop dial prints 1/20 for 1/22.6


def test_the_dark_frame_after_a_long_exposure_doubles_its_time(make: Make) -> None:
    camera = make()
    camera.apply({"time": "1", "long_exposure_reduction": "On"})
    began = time.monotonic()
    camera.expose(1.0)
    assert time.monotonic() - began >= 2.0
    camera.apply({"time": "1/2"})
    began = time.monotonic()
    camera.expose(0.5)
    assert time.monotonic() - began < 0.95, "short ones are not doubled"


def test_auto_iso_follows_the_light_on_m_and_the_focus_goes_where_the_camera_likes(make: Make) -> None:
    camera = make()
    camera.apply({"aperture": "f/8", "time": "1/125", "iso": "100"})
    camera.hands({"do": "light", "ev100": 10})
    assert camera.state().settings["iso"].current == "100"
    camera.apply({"iso_auto": "On"})
    assert camera.state().settings["iso"].current == "800"  # three stops less light than f/8 and 1/128 s want
    camera.hands({"do": "focus", "distance_m": 2.0})
    camera.apply({"iso_auto": "Off", "focus_mode": "Automatic"})
    camera.expose(1 / 128)
    assert camera.core.report()["focus_m"] != 2.0


def test_a_picture_size_is_the_size_of_the_picture_and_a_raw_file_is_one_to_a_raw_reader(
    make: Make, tmp_path: Path
) -> None:
    camera = make()
    camera.apply({"image_size": "96x64", "image_format": "NEF+Fine", "time": "1/500"})
    files = camera.expose(1 / 512)
    assert [file.name for file in files] == ["GRDN0001.JPG", "GRDN0001.DNG"]
    for file in files:
        camera.fetch(file, tmp_path / file.name)
    with Image.open(tmp_path / "GRDN0001.JPG") as picture:
        assert picture.size == (96, 64)
    with rawpy.imread(str(tmp_path / "GRDN0001.DNG")) as raw:
        assert raw.postprocess().shape == (64, 96, 3)


def test_a_knock_smears_the_frame_that_was_open_and_a_kick_displaces_those_after(make: Make, tmp_path: Path) -> None:
    camera = make()
    camera.apply({"time": "1/8", "iso": "100", "aperture": "f/22"})
    still = pixels(camera, 1 / 8, tmp_path)
    again = pixels(camera, 1 / 8, tmp_path)

    def contrast(picture: np.ndarray[Any, Any]) -> float:
        return float(np.abs(np.diff(picture.mean(axis=(0, 2)))).max())

    assert contrast(again) == pytest.approx(contrast(still), rel=0.1)
    camera.hands({"do": "shake"})
    assert contrast(pixels(camera, 1 / 8, tmp_path)) < 0.8 * contrast(still)
    assert contrast(pixels(camera, 1 / 8, tmp_path)) == pytest.approx(contrast(still), rel=0.1)
    camera.hands({"do": "kick", "across": 8 / 192})  # half a period of the bars

    def line(picture: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
        middle = picture.mean(axis=(0, 2))[16:-16]
        return np.asarray(middle - middle.mean())

    kicked = line(pixels(camera, 1 / 8, tmp_path))
    assert np.dot(line(still), line(again)) > 0 > np.dot(line(still), kicked)


def test_a_battery_drains_by_frames_and_by_open_shutters_until_it_makes_no_more(make: Make) -> None:
    camera = make(step="thirds")
    camera.core._power._thirst = 100.0  # ten per cent a frame
    camera.apply({"time": "1/500"})
    shown = [camera.state().battery]
    for _ in range(7):
        camera.expose(1 / 512)
        shown.append(camera.state().battery)
    assert shown == [80, 70, 60, 50, 40, 30, 20, 10]
    camera.expose(1 / 512)
    with pytest.raises((BatteryLow, CameraAbsent)):
        camera.expose(1 / 512)
    camera.hands({"do": "battery", "percent": 60})
    assert camera.state().battery == 60
    camera.bulb(0.5)
    assert camera.state().battery == 50  # a frame, and half a second open, rounded up


def test_a_live_picture_is_as_bright_as_the_exposure_and_none_comes_while_the_shutter_is_open(
    make: Make, tmp_path: Path
) -> None:
    camera = make()
    camera.apply({"time": "1/4", "aperture": "f/8", "iso": "100"})
    camera.hands({"do": "light", "ev100": 8})
    frame = pixels(camera, 0.25, tmp_path)
    camera.preview(tmp_path / "live.jpg")
    live = np.asarray(Image.open(tmp_path / "live.jpg")).astype(float)
    assert live.mean() == pytest.approx(frame.mean(), abs=6)
    assert len(camera.card()) == 1
    camera.hands({"do": "press"})
    with pytest.raises(CameraBusy):
        camera.preview(tmp_path / "other.jpg")


def test_chance_is_drawn_with_the_seed_and_a_line_sleeps_until_its_time(make: Make) -> None:
    def busy_at(seed: int) -> list[int]:
        camera = make({"fault": "busy", "verb": "capture", "chance": 0.4, "times": 99}, seed=seed)
        camera.apply({"time": "1/500"})
        found = []
        for number in range(12):
            try:
                camera.expose(1 / 512)
            except CameraBusy:
                found.append(number)
        return found

    assert busy_at(3) == busy_at(3) != busy_at(4)
    later = make({"fault": "busy", "verb": "capture", "from_s": 3600})
    later.apply({"time": "1/500"})
    later.expose(1 / 512)
    assert len(later.core.faults.report()["unused"]) == 1


def test_a_clock_turned_here_is_turned_in_the_camera_process_and_in_the_camera(tmp_path: Path) -> None:
    turned = schedule_clock.make(tmp_path / "clock")
    with (
        simulator(environment=turned) as running,
        CameraProcess(running.camera, tmp_path / "work", environment=turned) as camera,
    ):
        camera.apply({"long_exposure_reduction": "On"})
        began = time.monotonic()
        told: list[Any] = []
        thread = threading.Thread(target=lambda: told.append(camera.bulb(600.0)))
        thread.start()
        while not running.worked().state()["open"]:
            assert time.monotonic() - began < 15
            time.sleep(0.02)
        schedule_clock.turn(tmp_path / "clock", 600.5)
        while running.worked().state()["open"]:
            assert time.monotonic() - began < 20
            time.sleep(0.02)
        schedule_clock.turn(tmp_path / "clock", 601.0)  # the dark frame
        thread.join(20)
        assert time.monotonic() - began < 30, "ten minutes and a dark frame of ten more"
        [made] = told
        assert made.held_s == pytest.approx(running.worked().state()["exposure_s"], abs=made.within_s + 0.05)
        assert 600 <= made.held_s < 602 and len(made.files) == 1
    with pytest.raises(ValueError, match="allowed"):
        schedule_clock.turn(tmp_path / "clock", -1)
