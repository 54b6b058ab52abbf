"""The simulated camera without wire: verbs, fault script, card."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from daemon.camera.verbs import Camera
from daemon.errors import (
    BatteryLow,
    CameraAbsent,
    CameraBusy,
    CameraError,
    CameraSilent,
    CardFull,
    SettingRefused,
    StopwrightError,
)
from hardware_mocks import inprocess
from hardware_mocks.card import Card
from hardware_mocks.faults import ScriptError, check_line
from hardware_mocks.flat import FlatRenderer
from hardware_mocks.inprocess import InProcessCamera

QUICK = {"time": "1/640"}


@pytest.fixture
def make(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., InProcessCamera]]:
    """Makes small quick cameras that count as silent after half a second, and closes them."""
    monkeypatch.setattr(inprocess, "MARGIN_S", 0.5)
    made: list[InProcessCamera] = []

    def build(*faults: dict[str, Any], **options: Any) -> InProcessCamera:
        made.append(InProcessCamera(renderer=FlatRenderer(), size=(96, 64), faults=list(faults), **options))
        return made[-1]

    yield build
    for camera in made:
        camera.close()


Make = Callable[..., InProcessCamera]


def test_it_takes_and_hands_over_a_frame(make: Make, tmp_path: Path) -> None:
    camera: Camera = make()
    assert camera.apply({"aperture": "f/5.6", "time": "1/640", "iso": "800"}) == {
        "aperture": "f/5.6",
        "time": "1/640",
        "iso": "800",
    }
    (file,) = camera.expose(1 / 645)
    assert (file.name, camera.card()) == ("GRDN0001.JPG", [file])
    assert camera.fetch(file, tmp_path / "a") == file.size == (tmp_path / "a").stat().st_size
    with pytest.raises(StopwrightError):
        camera.fetch(file, tmp_path / "a")  # never over another file


def test_a_label_that_is_not_offered_is_refused_with_those_that_are(make: Make) -> None:
    camera = make()
    with pytest.raises(SettingRefused) as refused:
        camera.apply({"aperture": "f/1.2"})
    assert "f/1.8" in refused.value.offered
    camera.hands({"do": "dial", "to": "A"})
    with pytest.raises(SettingRefused, match="Turn the mode dial to M"):
        camera.apply({"time": "1/640"})


def test_on_aperture_priority_the_meter_sets_the_time_and_follows_light_and_compensation(make: Make) -> None:
    camera = make()
    camera.apply({"aperture": "f/8"})
    camera.hands({"do": "dial", "to": "A"})
    assert camera.state().settings["time"].current == "1/125"  # f/8 in EV 13 wants 1/128 s
    camera.hands({"do": "light", "ev100": 10})
    assert camera.state().settings["time"].current == "1/15"
    camera.apply({"exposure_bias": "1"})
    assert camera.state().settings["time"].current == "1/8"
    camera.hands({"do": "filters", "stops": [3]})
    assert camera.state().settings["time"].current == "1"


def test_a_stale_or_lost_announcement_does_not_mislead_the_verb(make: Make) -> None:
    camera = make(
        {"fault": "event", "which": "ObjectAdded", "how": "lost", "frame": 1},
        {"fault": "event", "which": "ObjectAdded", "how": "stale", "frame": 2},
        {"fault": "event", "which": "ObjectAdded", "how": "doubled", "frame": 3},
    )
    camera.apply(QUICK)
    assert [[file.name for file in camera.expose(0.002)] for _ in range(3)] == [
        ["GRDN0001.JPG"],
        ["GRDN0002.JPG"],
        ["GRDN0003.JPG"],
    ]
    assert camera.core.faults.report()["unused"] == []


FAULTS: list[tuple[dict[str, Any], type[CameraError]]] = [
    ({"fault": "busy", "verb": "capture"}, CameraBusy),
    ({"fault": "refuse", "verb": "capture"}, CameraError),
    ({"fault": "silent", "verb": "capture"}, CameraSilent),
    ({"fault": "hang", "frame": 1}, CameraSilent),
    ({"fault": "event", "which": "CaptureComplete", "how": "lost"}, CameraSilent),
    ({"fault": "card_full", "frame": 1}, CardFull),
    ({"fault": "drop", "frame": 1, "phase": "before"}, CameraAbsent),
    ({"fault": "drop", "frame": 1, "phase": "during"}, CameraAbsent),
    ({"fault": "drop", "frame": 1, "phase": "after"}, CameraAbsent),
]


@pytest.mark.parametrize(("line", "error"), FAULTS, ids=lambda value: str(value) if isinstance(value, dict) else "")
def test_a_fault_line_reaches_its_code_once(make: Make, line: dict[str, Any], error: type[CameraError]) -> None:
    camera = make(line)
    camera.apply(QUICK)
    with pytest.raises(error) as raised:
        camera.expose(0.002)
    assert type(raised.value) is error
    assert camera.core.faults.report()["unused"] == []
    assert camera.core.wait_idle(5)
    assert len(camera.expose(0.002)) == 1


def test_setting_faults_are_found_out_by_reading_back(make: Make) -> None:
    camera = make(
        {"fault": "change", "setting": "iso", "to": "200"},
        {"fault": "refuse", "verb": "set", "setting": "aperture"},
        {"fault": "busy", "verb": "set", "setting": "time", "after": 1, "times": 2},
    )
    with pytest.raises(SettingRefused) as slipped:
        camera.apply({"iso": "800"})
    assert slipped.value.found == "200"
    with pytest.raises(SettingRefused):
        camera.apply({"aperture": "f/4"})
    camera.apply({"time": "1/640"})
    for _ in range(2):
        with pytest.raises(CameraBusy):
            camera.apply({"time": "1/320"})
    camera.apply({"time": "1/320"})
    assert camera.core.faults.report()["unused"] == []


def test_the_battery_falls_when_told_and_an_empty_one_makes_no_frame(make: Make) -> None:
    camera = make({"fault": "battery", "frame": 1, "percent": 2})
    camera.apply(QUICK)
    camera.expose(0.002)
    assert camera.state().battery == 2
    with pytest.raises(BatteryLow):
        camera.expose(0.002)


def test_a_camera_out_of_reach_comes_back_after_its_time(make: Make, tmp_path: Path) -> None:
    camera = make({"fault": "drop", "frame": 1, "phase": "download", "away_s": 0.2})
    camera.apply(QUICK)
    (file,) = camera.expose(0.002)
    with pytest.raises(CameraAbsent):
        camera.fetch(file, tmp_path / "a")
    with pytest.raises(CameraAbsent):
        camera.state()
    time.sleep(0.25)
    assert camera.fetch(file, tmp_path / "a") == file.size


def test_errors_of_iris_and_shutter_add_up_and_name_their_marks(make: Make) -> None:
    faults = make(
        {"fault": "aperture_error", "stops": {"f/8": -0.5}},
        {"fault": "aperture_error", "stops": {"all": 0.125}},
        {"fault": "shutter_error", "stops": {"1/125": 0.25}},
    ).core.faults
    assert faults.error_stops("aperture_error", "f/8") == -0.375
    assert faults.error_stops("aperture_error", "f/4") == 0.125
    assert faults.error_stops("shutter_error", "1/60") == 0
    assert faults.report()["unused"] == [{"fault": "shutter_error", "stops": {"1/125": 0.25}}]


@pytest.mark.parametrize(
    "line",
    [
        None,
        {},
        {"fault": "gremlins"},
        {"fault": "busy"},
        {"fault": "busy", "verb": "sing"},
        {"fault": "busy", "verb": "set", "times": 0},
        {"fault": "busy", "verb": "set", "after": True},
        {"fault": "drop", "frame": -1, "phase": "during"},
        {"fault": "drop", "frame": 1, "phase": "later"},
        {"fault": "drop", "frame": 1, "phase": "during", "away_s": -1},
        {"fault": "truncate", "frame": 1, "keep": 1.5},
        {"fault": "aperture_error", "stops": {}},
        {"fault": "aperture_error", "stops": {"all": "half"}},
        {"fault": "aperture_error", "stops": {"all": float("nan")}},
        {"fault": "hang", "frame": 1, "loudly": True},
    ],
)
def test_a_script_line_that_cannot_be_played_is_refused(line: Any) -> None:
    with pytest.raises(ScriptError, match=r"found|needs"):
        check_line(line)


def test_a_frame_by_a_finger_on_the_button_is_counted_apart(make: Make) -> None:
    camera = make()
    camera.apply(QUICK)
    camera.hands({"do": "press"})
    assert camera.core.wait_idle(5)
    report = camera.hands({"ask": "state"})["state"]
    assert (report["exposures"], report["presses"], report["deletes"], len(report["card"])) == (1, 1, 0, 1)


def test_timing_is_spent_and_counted_apart(make: Make, tmp_path: Path) -> None:
    camera = make(timing="typical")
    camera.apply({"time": "1/8"})
    begun = time.monotonic()
    (file,) = camera.expose(0.125)
    spent = time.monotonic() - begun
    size = camera.fetch(file, tmp_path / "a")
    report = camera.core.report()
    assert spent >= 0.05 + 0.125 + 0.25
    assert report["exposure_s"] == 0.125 and 0.25 <= report["readout_s"] < spent
    assert report["transfer_s"] == pytest.approx(size / 20e6, abs=1e-6)


def test_a_card_keeps_whole_files_only_and_its_clock_has_no_zone(tmp_path: Path) -> None:
    (tmp_path / ".incoming").mkdir()
    (tmp_path / ".incoming" / "GRDN0001.JPG").write_bytes(b"half")
    card = Card(tmp_path)
    assert card.entries() == [] and not list((tmp_path / ".incoming").iterdir())
    [entry] = card.store({"JPG": b"whole"}, datetime(2026, 10, 20, 15, 30, 1))  # noqa: DTZ001
    assert card.taken(entry) == datetime(2026, 10, 20, 15, 30, 1)  # noqa: DTZ001
    assert [found.name for found in Card(tmp_path).entries()] == ["GRDN0001.JPG"]


def test_a_card_without_room_refuses_before_the_exposure(make: Make) -> None:
    camera = make()
    camera.apply(QUICK)
    camera.core.card.capacity = 3_000_000
    with pytest.raises(CardFull):
        camera.expose(0.002)
    assert camera.core.report()["exposures"] == 0


def test_a_closed_camera_is_absent_and_closing_twice_is_harmless(make: Make) -> None:
    camera = make()
    camera.close()
    camera.close()
    with pytest.raises(CameraAbsent):
        camera.state()
