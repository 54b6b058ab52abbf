"""What goes wrong while a camera is worked: processes that die or hang, links that break, cameras that say no.

The real library drives the simulated camera; the child processes are real and really killed.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import FrameType
from typing import Any

import pytest
from support_camera import (
    RecordingLog,
    fault,
    impatient,
    in_background,
    mark,
    names,
    plan_of,
    simulator,
)

from daemon.camera.binding import bind
from daemon.camera.supervisor import CameraProcess, Deadlines
from daemon.errors import (
    BatteryLow,
    CameraAbsent,
    CameraBusy,
    CameraError,
    CameraHeld,
    CameraSilent,
    CardFull,
    SettingRefused,
    StoreError,
)
from hardware_mocks.server import Simulator

SHORT = {"time": "1/500"}
ONE_SECOND = {"time": "1"}
ISO_100 = mark("iso", "thirds", "100")


@pytest.fixture(scope="module")
def running() -> Iterator[Simulator]:
    with simulator() as started:
        yield started


@pytest.fixture
def hands(running: Simulator) -> Iterator[Callable[[dict[str, Any]], dict[str, Any]]]:
    ask = running.worked().ask
    ask({"do": "calm"})
    ask({"do": "dial", "to": "M"})
    ask({"do": "battery", "percent": 80})
    yield ask
    ask({"do": "calm"})


@pytest.fixture
def log() -> RecordingLog:
    return RecordingLog()


@pytest.fixture
def camera(running: Simulator, hands: object, log: RecordingLog, tmp_path: Path) -> Iterator[CameraProcess]:
    with CameraProcess(running.camera, tmp_path / "work", log, deadlines=impatient()) as opened:
        opened.apply(SHORT)
        yield opened


def is_gone(pid: int, within_s: float = 3.0) -> bool:
    limit = time.monotonic() + within_s
    while time.monotonic() < limit:
        try:
            os.kill(pid, 0)
        except ProcessLookupError:
            return True
        time.sleep(0.02)
    return False


# -- the child dies or hangs ------------------------------------------------------------------------------------------


def test_a_child_killed_in_mid_exposure_is_reported_and_its_frame_is_on_the_card_afterwards(
    camera: CameraProcess, hands: Any
) -> None:
    camera.apply(ONE_SECOND)
    before = names(camera.card())
    pid = camera.pid
    assert pid is not None
    thread, told = in_background(lambda: camera.expose(1.0))
    time.sleep(0.4)
    os.kill(pid, signal.SIGKILL)
    thread.join(10)
    assert isinstance(told[0], CameraSilent)
    assert "SIGKILL" in str(told[0])
    assert camera.pid is None
    lost = names(camera.card()) - before
    assert len(lost) == 1, "the card is not looked at before the frame in flight has reached it"
    assert camera.pid not in (None, pid)
    camera.apply(SHORT)
    made = names(camera.expose(1 / 500))
    assert len(made) == 1
    assert not made & (lost | before), "the frame that was in flight does not pass for the next one"


def test_a_child_that_crashes_is_reported_by_the_name_of_its_signal_and_replaced(camera: CameraProcess) -> None:
    pid = camera.pid
    assert pid is not None
    os.kill(pid, signal.SIGSEGV)
    with pytest.raises(CameraSilent, match="SIGSEGV"):
        camera.state()
    assert camera.state().model
    assert camera.pid != pid


def test_a_child_that_hangs_is_killed_at_its_deadline(
    running: Simulator, hands: Any, log: RecordingLog, tmp_path: Path
) -> None:
    with CameraProcess(running.camera, tmp_path / "work", log, deadlines=impatient(answer_s=0.5)) as camera:
        camera.open()
        pid = camera.pid
        assert pid is not None
        os.kill(pid, signal.SIGSTOP)
        began = time.monotonic()
        with pytest.raises(CameraSilent, match=r"within 0\.5 s"):
            camera.state()
        assert 0.45 < time.monotonic() - began < 1.5
        assert is_gone(pid)
        assert "camera process killed" in log.events()
        assert camera.state().model


def test_the_deadline_of_an_exposure_follows_its_length(running: Simulator, hands: Any, tmp_path: Path) -> None:
    # Twice the exposure, readout, busy, margin: 2 x 0.5 + 0.4 + 0.2 + 0.1 s.
    shortest = Deadlines(readout_s=0.4, busy_s=0.2, margin_s=0.1)
    with CameraProcess(running.camera, tmp_path / "work", deadlines=shortest) as camera:
        camera.apply({"time": "1/2"})
        assert camera.pid is not None
        os.kill(camera.pid, signal.SIGSTOP)
        began = time.monotonic()
        with pytest.raises(CameraSilent, match=r"within 1\.7 s"):
            camera.expose(0.5)
        assert 1.6 < time.monotonic() - began < 2.7


def test_ctrl_c_on_the_terminal_does_not_reach_the_child(camera: CameraProcess) -> None:
    pid = camera.pid
    assert pid is not None
    assert os.getsid(pid) != os.getsid(0)
    os.kill(pid, signal.SIGINT)
    assert camera.state().model
    assert camera.pid == pid


def test_an_interrupted_wait_loses_neither_the_frame_nor_the_thread_of_the_talk(camera: CameraProcess) -> None:
    camera.apply(ONE_SECOND)
    before = names(camera.card())
    pid = camera.pid

    def interrupt(number: int, frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    old = signal.signal(signal.SIGALRM, interrupt)
    try:
        signal.setitimer(signal.ITIMER_REAL, 0.3)
        with pytest.raises(KeyboardInterrupt):
            camera.expose(1.0)
    finally:
        signal.signal(signal.SIGALRM, old)
    assert len(names(camera.card()) - before) == 1
    assert camera.pid == pid, "the child went on and answered late"


def test_a_child_outlives_the_thread_that_opened_it(running: Simulator, hands: Any, tmp_path: Path) -> None:
    with CameraProcess(running.camera, tmp_path / "work") as camera:
        thread, _ = in_background(camera.open)
        thread.join(10)
        time.sleep(0.2)
        pid = camera.pid
        assert camera.state().model
        assert camera.pid == pid


def test_no_child_outlives_a_parent_that_is_killed(running: Simulator, hands: Any, tmp_path: Path) -> None:
    program = (
        "import sys, time; from pathlib import Path; from daemon.camera.supervisor import CameraProcess\n"
        "camera = CameraProcess(sys.argv[1], Path(sys.argv[2])); camera.open(); print(camera.pid, flush=True)\n"
        "time.sleep(60)\n"
    )
    command = [sys.executable, "-c", program, running.camera, str(tmp_path / "work")]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=Path(__file__).parents[2]) as parent:
        assert parent.stdout is not None
        child = int(parent.stdout.readline())
        os.kill(child, signal.SIGSTOP)  # one that hangs cannot notice by itself that its parent is gone
        parent.kill()
        parent.wait()
    assert is_gone(child)


def test_thirty_openings_leave_no_process_and_no_open_file_behind(
    running: Simulator, hands: Any, tmp_path: Path
) -> None:
    def once() -> int:
        with CameraProcess(running.camera, tmp_path / "work") as camera:
            camera.open()
            assert camera.pid is not None
            return camera.pid

    once()
    files = len(os.listdir("/proc/self/fd"))
    threads = threading.active_count()
    pids = [once() for _ in range(30)]
    assert len(os.listdir("/proc/self/fd")) == files
    assert threading.active_count() == threads
    assert all(is_gone(pid, 0.5) for pid in pids), "not even a zombie"


# -- the link breaks --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("phase", ["before", "during"])
def test_a_link_that_breaks_at_an_exposure_is_reported_and_comes_back(
    camera: CameraProcess, hands: Any, phase: str
) -> None:
    camera.apply({"time": "1/2"})
    before = names(camera.card())
    fault(hands, fault="drop", frame="next", phase=phase)
    with pytest.raises((CameraAbsent, CameraSilent)):
        camera.expose(0.5)
    assert len(names(camera.card()) - before) == {"before": 0, "during": 1}[phase]
    camera.apply(SHORT)
    assert camera.expose(1 / 500)


def test_a_link_that_breaks_in_a_download_leaves_no_half_file(
    camera: CameraProcess, hands: Any, tmp_path: Path
) -> None:
    fault(hands, fault="drop", frame="next", phase="download")
    [file] = camera.expose(1 / 500)
    into = tmp_path / "picture.jpg"
    with pytest.raises((CameraAbsent, CameraSilent)):
        camera.fetch(file, into)
    assert not into.exists()
    assert camera.fetch(file, into) == file.size


def test_a_download_that_stops_short_is_noticed_and_thrown_away(
    camera: CameraProcess, hands: Any, tmp_path: Path
) -> None:
    fault(hands, fault="truncate", frame="next")
    [file] = camera.expose(1 / 500)
    into = tmp_path / "picture.jpg"
    with pytest.raises(CameraSilent, match=f"{file.size} bytes on the card"):
        camera.fetch(file, into)
    assert not into.exists()
    assert camera.fetch(file, into) == file.size


def test_a_camera_that_never_answers_a_request_is_silent_and_asked_anew(camera: CameraProcess, hands: Any) -> None:
    fault(hands, fault="silent", verb="set")
    with pytest.raises(CameraSilent):
        camera.apply({"aperture": "f/4"})
    assert camera.apply({"aperture": "f/4"}) == {"aperture": "f/4"}


def test_nobody_at_the_address_is_absent_and_says_where(tmp_path: Path) -> None:
    with CameraProcess("ptpip:127.0.0.1:9", tmp_path) as camera:
        with pytest.raises(CameraAbsent, match=r"ptpip:127\.0\.0\.1:9"):
            camera.open()
        assert camera.pid is None


def test_no_camera_on_usb_is_absent_and_says_what_to_do(tmp_path: Path) -> None:
    camera = CameraProcess(None, tmp_path, environment={"IOLIBS": str(tmp_path)})
    with camera, pytest.raises(CameraAbsent, match="--camera ptpip:IP"):
        camera.open()


def test_a_camera_that_somebody_else_has_is_held(camera: CameraProcess, running: Simulator, tmp_path: Path) -> None:
    second = CameraProcess(running.camera, tmp_path / "second")
    with second, pytest.raises(CameraHeld, match="turns the connection away"):
        second.open()
    assert camera.state().model


# -- the camera's announcements go wrong ------------------------------------------------------------------------------


def test_a_frame_whose_end_is_never_announced_is_taken_all_the_same(camera: CameraProcess, hands: Any) -> None:
    pid = camera.pid
    fault(hands, fault="hang", frame="next")
    assert len(camera.expose(1 / 500)) == 1
    assert camera.pid == pid


def test_a_frame_that_is_never_announced_is_found_on_the_card(
    running: Simulator, camera: CameraProcess, hands: Any
) -> None:
    before = names(camera.card())
    fault(hands, fault="event", which="ObjectAdded", how="lost")
    with pytest.raises(CameraSilent, match="may be on its card"):
        camera.expose(1 / 500)
    assert len(names(camera.card()) - before) == 1


@pytest.mark.parametrize("how", ["stale", "doubled"])
def test_an_announcement_that_is_stale_or_doubled_gives_the_new_frame_once(
    camera: CameraProcess, hands: Any, how: str
) -> None:
    seen = names(camera.expose(1 / 500))
    fault(hands, fault="event", which="ObjectAdded", how=how)
    for _ in range(2):
        made = camera.expose(1 / 500)
        assert len(made) == 1
        assert not names(made) & seen
        seen |= names(made)


# -- the camera says no -----------------------------------------------------------------------------------------------


def test_a_busy_camera_is_asked_again_for_a_setting_and_for_a_frame(camera: CameraProcess, hands: Any) -> None:
    fault(hands, fault="busy", verb="set", times=2)
    assert camera.apply({"aperture": "f/11"}) == {"aperture": "f/11"}
    fault(hands, fault="busy", verb="capture", times=3)
    assert len(camera.expose(1 / 500)) == 1
    assert not hands({"ask": "faults"})["unused"]


def test_a_camera_that_stays_busy_is_given_up_after_a_while(camera: CameraProcess, hands: Any) -> None:
    fault(hands, fault="busy", verb="capture", times=1000)
    began = time.monotonic()
    with pytest.raises(CameraBusy):
        camera.expose(1 / 500)
    assert time.monotonic() - began < 4
    hands({"do": "calm"})
    assert camera.expose(1 / 500)


@pytest.mark.parametrize("line", [{"fault": "refuse", "verb": "describe"}, {"fault": "busy", "verb": "any"}])
def test_a_setting_refused_for_a_moment_is_asked_for_again(
    camera: CameraProcess, hands: Any, line: dict[str, Any]
) -> None:
    pid = camera.pid
    camera.apply({"aperture": "f/8"})
    fault(hands, **line, times=4)
    assert camera.apply({"aperture": "f/11", "time": "1/250"}) == {"aperture": "f/11", "time": "1/250"}
    assert hands({"ask": "faults"})["lines"][0]["acted"] > 1
    time.sleep(2.1)  # the library remembers what it was told for two seconds
    hands({"do": "calm"})
    fault(hands, **line, times=4)
    state = camera.state()
    assert state.settings["aperture"].current == "f/11"
    assert state.untold == ()
    assert hands({"ask": "faults"})["lines"][0]["acted"] > 1
    assert camera.pid == pid


def test_a_setting_refused_for_good_is_told_so_and_not_called_none_such(camera: CameraProcess, hands: Any) -> None:
    before = camera.state()
    camera.apply({"aperture": "f/8"})
    fault(hands, fault="refuse", verb="describe", times=100_000)
    with pytest.raises(CameraError, match="refuses to tell") as refusal:
        camera.apply({"aperture": "f/11"})
    assert type(refusal.value) is CameraError
    time.sleep(2.1)
    state = camera.state()
    assert set(state.untold) == set(before.settings) - {"capture_target"}
    with pytest.raises(CameraError, match="has a setting for its aperture and time and iso"):
        bind(plan_of((mark("aperture", "thirds", "f/8"), mark("time", "thirds", "1/250"), ISO_100)), state)
    hands({"do": "calm"})
    assert camera.state().untold == ()
    assert camera.apply({"aperture": "f/11"}) == {"aperture": "f/11"}


def test_a_camera_that_tells_nothing_when_it_is_connected_is_not_said_to_lack_a_setting(
    camera: CameraProcess, hands: Any
) -> None:
    camera.apply({"aperture": "f/8"})
    camera.close()
    fault(hands, fault="refuse", verb="describe", times=100_000)
    with pytest.raises(CameraError, match="refuses to tell") as refusal:
        camera.apply({"aperture": "f/11"})
    assert type(refusal.value) is CameraError


@pytest.mark.parametrize("line", [{"fault": "busy", "verb": "list"}, {"fault": "refuse", "verb": "list"}])
def test_a_card_that_could_not_be_listed_is_not_called_empty(
    camera: CameraProcess, running: Simulator, hands: Any, line: dict[str, Any], tmp_path: Path
) -> None:
    camera.expose(1 / 500)
    whole = camera.card(fresh=True)
    assert whole
    camera.close()
    fault(hands, **line, after=1)
    assert camera.card() == whole
    assert not hands({"ask": "faults"})["unused"]
    fault(hands, **line, times=1000)
    began = time.monotonic()
    with pytest.raises((CameraBusy, CameraSilent)):
        camera.card(fresh=True)
    assert time.monotonic() - began < 5


def test_a_full_card_is_told_from_a_broken_link(camera: CameraProcess, hands: Any) -> None:
    pid = camera.pid
    fault(hands, fault="card_full", frame="next")
    with pytest.raises(CardFull):
        camera.expose(1 / 500)
    assert camera.pid == pid


def test_an_empty_battery_is_told_from_a_broken_link(camera: CameraProcess, hands: Any) -> None:
    hands({"do": "battery", "percent": 1})
    with pytest.raises(BatteryLow, match="1 %"):
        camera.expose(1 / 500)


def test_a_setting_that_the_dial_does_not_allow_names_the_dial(camera: CameraProcess, hands: Any) -> None:
    hands({"do": "dial", "to": "S"})
    shown = camera.state().settings["aperture"]
    other = next(label for label in shown.labels if label != shown.current)
    with pytest.raises(SettingRefused, match="mode dial to M") as refusal:
        camera.apply({"aperture": other})
    assert refusal.value.asked == other
    assert refusal.value.offered == list(shown.labels)


def test_a_value_that_changes_to_another_behind_our_back_is_refused(camera: CameraProcess, hands: Any) -> None:
    camera.apply({"aperture": "f/8"})
    fault(hands, fault="change", setting="aperture", to="f/4")
    with pytest.raises(SettingRefused) as refusal:
        camera.apply({"aperture": "f/5.6"})
    assert (refusal.value.asked, refusal.value.found) == ("f/5.6", "f/4")
    assert camera.apply({"aperture": "f/5.6"}) == {"aperture": "f/5.6"}


def test_a_folder_that_cannot_be_written_is_the_stores_matter_not_the_cameras(
    camera: CameraProcess, tmp_path: Path
) -> None:
    pid = camera.pid
    [file] = camera.expose(1 / 500)
    with pytest.raises(StoreError, match="No such file"):
        camera.fetch(file, tmp_path / "no such folder" / "picture.jpg")
    assert camera.pid == pid


def test_a_spare_process_takes_over_at_a_fresh_list_and_none_is_left_behind(running: Simulator, tmp_path: Path) -> None:
    camera = CameraProcess(running.camera, tmp_path / "work")
    camera.open()
    first = camera.pid
    camera.get_spare()
    camera.get_spare()  # one is enough
    spare = camera._spare
    assert spare is not None and spare.is_there and camera.pid == first
    camera.card(fresh=True)
    assert camera.pid == spare.pid
    camera.get_spare()
    unused = camera._spare
    assert unused is not None
    camera.close()
    assert not unused.is_there and not spare.is_there
