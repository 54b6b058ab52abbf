"""Faults of the simulated camera that come by script, and the code of the daemon that each is meant for.

The real library drives the simulated camera. Every line of a script must have acted when its test ends. What is about
links, busy bodies, refusals and announcements of one frame stands in ``test_deaths``.
"""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from support_camera import RecordingLog, fault, impatient, in_background, names, next_frame, simulator

from daemon import schedule_clock
from daemon.camera.supervisor import CameraProcess
from daemon.errors import BatteryLow, CameraAbsent, CameraError, CameraSilent, SettingRefused
from daemon.pictures.opening import PictureUnreadable, opened_jpeg
from hardware_mocks.server import Simulator

Ask = Callable[[dict[str, Any]], dict[str, Any]]
QUICK = {"time": "1/500"}
PAIR = {"image_format": "NEF+Fine"}


@pytest.fixture(scope="module")
def running() -> Iterator[Simulator]:
    with simulator() as started:
        yield started


@pytest.fixture
def hands(running: Simulator) -> Iterator[Ask]:
    """Hands at the camera; a script line that never acted fails the test."""
    ask = running.worked().ask
    yield ask
    unused = ask({"ask": "faults"})["unused"]
    for deed in ({"do": "calm"}, {"do": "battery", "percent": 80}, {"do": "dial", "to": "M"}):
        ask(deed)
    ask({"do": "menu", "setting": "power_off", "to": "30 minutes"})
    assert unused == []


@pytest.fixture
def log() -> RecordingLog:
    return RecordingLog()


@pytest.fixture
def camera(running: Simulator, hands: Ask, log: RecordingLog, tmp_path: Path) -> Iterator[CameraProcess]:
    with CameraProcess(
        running.camera, tmp_path / "work", log, deadlines=impatient(busy_s=2.0, readout_s=4.0)
    ) as opened:
        opened.apply(QUICK | {"image_format": "JPEG Fine"})
        yield opened


def state(hands: Ask) -> dict[str, Any]:
    return dict(hands({"ask": "state"})["state"])


def until(met: Callable[[], bool], within_s: float = 8.0) -> None:
    limit = time.monotonic() + within_s
    while not met():
        assert time.monotonic() < limit
        time.sleep(0.02)


# -- the shutter that is held open ------------------------------------------------------------------------------------


def test_a_shutter_left_open_by_a_process_that_died_is_closed_by_the_next(camera: CameraProcess, hands: Ask) -> None:
    before = state(hands)["exposure_s"]
    thread, told = in_background(lambda: camera.bulb(30))
    until(lambda: bool(state(hands)["open"]))
    assert camera.pid is not None
    os.kill(camera.pid, signal.SIGKILL)
    thread.join()
    assert isinstance(told[0], CameraSilent)
    assert state(hands)["open"], "nobody has closed it yet"
    files = camera.card()
    assert not state(hands)["open"]
    assert 0 < state(hands)["exposure_s"] - before < 15
    assert files[-1].name == state(hands)["card"][-1].rpartition("/")[2]
    assert camera.expose(1 / 512) if camera.apply(QUICK) else False


def test_a_link_that_breaks_while_the_shutter_is_open_is_absent_or_silent_and_the_shutter_is_closed_after(
    camera: CameraProcess, hands: Ask
) -> None:
    fault(hands, fault="drop", frame="next", phase="during")
    with pytest.raises((CameraAbsent, CameraSilent)):
        camera.bulb(5)
    camera.state()
    until(lambda: not state(hands)["busy"])
    assert state(hands)["card"][-1].rpartition("/")[2] in names(camera.card())


@pytest.mark.parametrize(
    ("line", "error"),
    [({"fault": "busy", "verb": "bulb"}, None), ({"fault": "refuse", "verb": "bulb"}, CameraError)],
    ids=["busy once", "denied"],
)
def test_a_shutter_that_does_not_open_is_asked_again_when_busy_and_given_up_when_denied(
    camera: CameraProcess, hands: Ask, line: dict[str, Any], error: type[CameraError] | None
) -> None:
    hands({"do": "fault", "line": line})
    if error is None:
        assert len(camera.bulb(0.05).files) == 1
    else:
        with pytest.raises(error):
            camera.bulb(0.05)
        assert not state(hands)["busy"]


def test_bulb_with_the_dial_elsewhere_names_the_dial(camera: CameraProcess, hands: Ask) -> None:
    hands({"do": "dial", "to": "A"})
    camera.state()
    with pytest.raises(SettingRefused, match="Turn the mode dial to M"):
        camera.bulb(0.1)


def test_the_deadline_of_a_held_shutter_follows_its_time_and_a_camera_that_hangs_is_found_out(
    camera: CameraProcess, hands: Ask
) -> None:
    hands({"do": "fault", "line": {"fault": "silent", "verb": "bulb"}})
    began = time.monotonic()
    with pytest.raises(CameraError):
        camera.bulb(0.2)
    assert time.monotonic() - began < 12
    assert camera.state().battery == 80


# -- live view --------------------------------------------------------------------------------------------------------


def test_a_look_through_a_camera_that_refuses_or_hangs_is_an_error_and_leaves_no_file(
    camera: CameraProcess, hands: Ask, tmp_path: Path
) -> None:
    for line in ({"fault": "refuse", "verb": "preview", "times": 9}, {"fault": "silent", "verb": "preview"}):
        hands({"do": "fault", "line": line})
        with pytest.raises(CameraError):
            camera.preview(tmp_path / "live.jpg")
        assert not (tmp_path / "live.jpg").exists()
        if line["fault"] == "refuse":
            assert hands({"ask": "faults"})["unused"] == []
            hands({"do": "calm"})
    assert camera.preview(tmp_path / "live.jpg") > 500


# -- frames -----------------------------------------------------------------------------------------------------------


def test_the_second_file_of_a_pair_that_nobody_announced_is_found_on_the_card(
    camera: CameraProcess, hands: Ask
) -> None:
    camera.apply(PAIR)
    fault(hands, fault="event", which="ObjectAdded", how="lost", frame="next", file=2)
    alone = camera.expose(1 / 512)
    assert [file.name[-3:] for file in alone] == ["JPG"]
    stem = alone[0].name[:-4]
    assert {f"{stem}.JPG", f"{stem}.DNG"} <= names(camera.card(fresh=True))
    both = camera.expose(1 / 512)
    assert sorted(file.name[-3:] for file in both) == ["DNG", "JPG"] and both[0].name[:-4] == both[1].name[:-4]


def test_a_late_announcement_is_waited_for(camera: CameraProcess, hands: Ask) -> None:
    fault(hands, fault="event", which="ObjectAdded", how="late", frame="next", late_s=0.6)
    assert len(camera.expose(1 / 512)) == 1


def test_a_frame_that_nobody_asked_for_is_told_as_late_and_is_not_the_next_one(
    camera: CameraProcess, hands: Ask, log: RecordingLog
) -> None:
    fault(hands, fault="unasked", frame="next")
    asked = camera.expose(1 / 512)
    until(lambda: not state(hands)["busy"] and state(hands)["exposures"] == next_frame(hands) - 1)
    following = camera.expose(1 / 512)
    on_card = names(camera.card())
    unasked = f"GRDN{int(asked[0].name[4:8]) + 1:04d}.JPG"
    assert names(following) == {f"GRDN{int(asked[0].name[4:8]) + 2:04d}.JPG"}
    assert unasked in on_card
    assert unasked in {str(fields.get("file", ""))[-12:] for _, event, fields in log.told if "late" in event}


@pytest.mark.parametrize("how", ["truncated", "format"])
def test_a_bad_file_is_fetched_as_it_is_and_found_unreadable(
    camera: CameraProcess, hands: Ask, tmp_path: Path, how: str
) -> None:
    fault(hands, fault="spoil", frame="next", how=how)
    [file] = camera.expose(1 / 512)
    assert camera.fetch(file, tmp_path / "bad.jpg") == file.size
    with pytest.raises(PictureUnreadable), opened_jpeg(tmp_path / "bad.jpg") as picture:
        picture.load()


def test_an_empty_file_is_fetched_or_refused_but_never_waited_for(
    camera: CameraProcess, hands: Ask, tmp_path: Path
) -> None:
    fault(hands, fault="spoil", frame="next", how="empty")
    [file] = camera.expose(1 / 512)
    assert file.size == 0
    try:
        assert camera.fetch(file, tmp_path / "empty.jpg") == 0
    except CameraError:
        assert not (tmp_path / "empty.jpg").exists()
    assert len(camera.expose(1 / 512)) == 1


def test_numbers_that_wrap_go_on_in_the_next_folder_and_nothing_is_missed(hands: Ask, tmp_path: Path) -> None:
    with (
        simulator(faults=[{"fault": "wrap", "frame": 2}]) as other,
        CameraProcess(other.camera, tmp_path / "other", deadlines=impatient()) as camera,
    ):
        camera.apply(QUICK)
        made = [file for _ in range(3) for file in camera.expose(1 / 512)]
        assert [f"{file.folder[-8:]}/{file.name}" for file in made] == [
            "100GARDN/GRDN0001.JPG",
            "100GARDN/GRDN9999.JPG",
            "101GARDN/GRDN0001.JPG",
        ]
        assert {(file.folder, file.name) for file in camera.card(fresh=True)} == {
            (file.folder, file.name) for file in made
        }
        assert other.worked().faults()["unused"] == []


def test_a_clock_that_jumps_back_does_not_hide_the_new_frame(camera: CameraProcess, hands: Ask) -> None:
    fault(hands, fault="clock", frame="next", shift_s=-86_400.0)
    first = camera.expose(1 / 512)
    second = camera.expose(1 / 512)
    assert len(second) == 1 and names(second) != names(first)
    assert second[0].taken is not None and first[0].taken is not None and second[0].taken < first[0].taken
    shown = camera.state().clock
    assert shown is not None and shown < first[0].taken
    hands({"do": "clock", "shift_s": 86_400.0})


# -- power ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("phase", ["before", "during", "after"])
def test_a_camera_that_restarts_is_reported_and_comes_back(camera: CameraProcess, hands: Ask, phase: str) -> None:
    camera.apply({"time": "1/4"})
    before = len(state(hands)["card"])
    fault(hands, fault="restart", frame="next", phase=phase, away_s=0.3)
    try:
        camera.expose(0.25)
        assert phase == "after", "the frame may be told before the power goes"
    except (CameraAbsent, CameraSilent):
        pass
    until(lambda: not state(hands)["busy"])
    time.sleep(0.4)
    assert len(camera.card()) == before + (phase == "after"), "what was being exposed is lost with the power"
    camera.apply(QUICK)
    assert len(camera.expose(1 / 512)) == 1


def test_a_battery_gets_low_and_then_dies_and_a_new_one_brings_the_camera_back(
    camera: CameraProcess, hands: Ask
) -> None:
    frame = next_frame(hands)
    hands({"do": "fault", "line": {"fault": "battery", "frame": frame, "percent": 2}})
    assert len(camera.expose(1 / 512)) == 1
    with pytest.raises(BatteryLow):
        camera.expose(1 / 512)
    hands({"do": "battery", "percent": 0})
    with pytest.raises((CameraAbsent, CameraSilent)):
        camera.state()
    with pytest.raises(CameraAbsent):
        camera.state()
    hands({"do": "battery", "percent": 90})
    assert camera.state().battery == 90
    assert len(camera.expose(1 / 512)) == 1


def test_a_camera_that_went_to_sleep_is_absent_until_a_hand_wakes_it(hands: Ask, tmp_path: Path) -> None:
    turned = schedule_clock.make(tmp_path / "clock")
    with (
        simulator(environment=turned) as other,
        CameraProcess(other.camera, tmp_path / "other", deadlines=impatient()) as camera,
    ):
        camera.apply({"power_off": "1 minute"})
        schedule_clock.turn(tmp_path / "clock", 50)
        assert camera.state().settings["power_off"].current == "1 minute"
        schedule_clock.turn(tmp_path / "clock", 61)
        with pytest.raises((CameraAbsent, CameraSilent)):
            camera.expose(1 / 128)  # what it told a moment ago, the library would still know
        other.worked().wake()
        assert camera.state().battery == 80


@pytest.mark.parametrize("verb", ["set", "list", "info", "object", "capture"])
def test_a_camera_that_hangs_in_any_verb_is_found_out_and_works_again(
    camera: CameraProcess, hands: Ask, tmp_path: Path, verb: str
) -> None:
    [known] = camera.expose(1 / 512)

    def work(into: Path) -> None:
        camera.apply({"iso": "200" if camera.state().settings["iso"].current == "100" else "100"})
        camera.card(fresh=True)
        camera.fetch(known, into)
        camera.expose(1 / 512)

    hands({"do": "fault", "line": {"fault": "silent", "verb": verb}})
    try:
        work(tmp_path / "first.jpg")
        assert verb in ("list", "info"), "these two are asked for again by the supervisor and by the library"
    except CameraError as error:
        assert isinstance(error, CameraAbsent | CameraSilent)
    work(tmp_path / "second.jpg")


def test_opening_a_camera_that_never_answers_is_given_up_in_time(
    running: Simulator, hands: Ask, tmp_path: Path
) -> None:
    hands({"do": "fault", "line": {"fault": "silent", "verb": "open", "times": 99}})
    with CameraProcess(running.camera, tmp_path / "work", deadlines=impatient(connect_s=3.0)) as camera:
        with pytest.raises(CameraAbsent, match="does not answer"):
            camera.open()
        assert hands({"ask": "faults"})["unused"] == []
        hands({"do": "calm"})
        assert camera.state().battery == 80


def test_a_camera_process_that_crashes_in_an_exposure_is_named_and_the_frame_is_kept(
    camera: CameraProcess, hands: Ask
) -> None:
    camera.apply({"time": "1"})
    thread, told = in_background(lambda: camera.expose(1.0))
    until(lambda: bool(state(hands)["open"]))
    assert camera.pid is not None
    os.kill(camera.pid, signal.SIGSEGV)
    thread.join()
    assert isinstance(told[0], CameraSilent) and "SIGSEGV" in str(told[0])
    assert state(hands)["card"][-1].rpartition("/")[2] in names(camera.card()) or state(hands)["busy"]
