"""The real camera library drives the simulated camera over the loopback address."""

from __future__ import annotations

import io
import math
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from support_simulator import SMALL, Library, LibraryFault, simulated_camera

from hardware_mocks.hands import Hands
from hardware_mocks.inprocess import InProcessCamera
from hardware_mocks.server import Simulator

FOLDER = "/store_00010001/DCIM/100GARDN"
BUSY, REFUSED, BAD_PARAMETERS = -110, -1, -2  # codes of libgphoto2: I/O in progress, unspecified, bad parameters

APERTURES = (
    "f/1.8 f/2 f/2.2 f/2.5 f/2.8 f/3.2 f/3.5 f/4 f/4.5 f/5 f/5.6 f/6.3 f/7.1 f/8 f/9 f/10 f/11 f/13 f/14 f/16 f/18 f/20"
    " f/22"
)
TIMES = (
    "1/8000 1/6400 1/5000 1/4000 1/3200 1/2500 1/2000 1/1600 1/1250 1/1000 1/800 1/640 1/500 1/400 1/320 1/250 1/200"
    " 1/160 1/125 1/100 1/80 1/60 1/50 1/40 1/30 1/25 1/20 1/15 1/13 1/10 1/8 1/6 1/5 1/4 1/3 10/25 1/2 10/16 10/13 1"
    " 13/10 16/10 2 25/10 32/10 4 5 6 8 10 13 15 20 25 30 Bulb"
)
ISOS = (
    "100 125 160 200 250 320 400 500 640 800 1000 1250 1600 2000 2500 3200 4000 5000 6400 8000 10000 12800 16000 20000"
    " 25600"
)


@pytest.fixture(scope="module")
def simulator() -> Iterator[Simulator]:
    """One camera for the tests that leave it as they found it."""
    with simulated_camera() as camera:
        yield camera


@pytest.fixture(scope="module")
def process(simulator: Simulator) -> Iterator[Library]:
    """The library's process, not connected."""
    driver = Library(simulator.camera)
    yield driver
    driver.kill()


@pytest.fixture
def library(process: Library, simulator: Simulator) -> Iterator[Library]:
    """The library, connected; the camera's script is empty afterwards and its dial on M."""
    process.ask("init")
    yield process
    simulator.worked().calm()
    simulator.worked().dial("M")
    process.ask("exit")


@pytest.fixture
def hands(simulator: Simulator) -> Hands:
    """Hands at the camera."""
    return simulator.worked()


@pytest.mark.parametrize(
    ("widget", "labels"), [("f-number", APERTURES), ("shutterspeed2", TIMES), ("iso", ISOS)], ids=["f", "time", "iso"]
)
def test_every_mark_is_offered_and_reads_back_as_it_was_set(library: Library, widget: str, labels: str) -> None:
    assert library.ask("describe", widget)["choices"] == labels.split()
    assert library.ask("set_all", widget) == labels.split()


def test_the_camera_in_process_shows_the_same_labels_as_the_library(library: Library) -> None:
    direct = InProcessCamera(size=SMALL)
    try:
        settings = direct.state().settings
    finally:
        direct.close()
    on_the_wire = {name: state for name, state in settings.items() if name != "stabiliser"}
    assert len(on_the_wire) == 18
    for state in on_the_wire.values():
        seen = library.ask("describe", state.widget)
        assert (tuple(seen["choices"]), seen["writable"]) == (state.labels, state.writable)


def test_the_stabiliser_is_told_by_number_and_set_through_the_library_and_hands_are_heard(
    library: Library, hands: Hands
) -> None:
    assert library.ask("describe", "d138") == {"choices": ["1", "0"], "writable": True}
    assert library.ask("set", "d138", "1") == "1" and hands.state()["settings"]["stabiliser"] == 1
    hands.menu("stabiliser", "Off")
    library.ask("events", 0.2)  # a change at the body is announced
    assert library.ask("get", "d138") == "0"


def test_a_time_the_dial_does_not_leave_free_cannot_be_set(library: Library, hands: Hands) -> None:
    library.ask("set", "shutterspeed2", "1/125")
    hands.dial("A")
    library.ask("events", 0.2)  # a change at the body is announced
    assert library.ask("get", "expprogram") == "A"
    assert library.ask("describe", "shutterspeed2")["writable"] is False
    with pytest.raises(LibraryFault):
        library.ask("set", "shutterspeed2", "1/640")
    hands.dial("M")
    deadline = time.monotonic() + 5  # the library trusts a description for up to 2 s
    while not library.ask("describe", "shutterspeed2")["writable"] and time.monotonic() < deadline:
        time.sleep(0.1)
    assert library.ask("set", "shutterspeed2", "1/640") == "1/640"


def test_a_picture_carries_the_state_it_was_taken_in(library: Library, tmp_path: Path) -> None:
    for widget, label in (("f-number", "f/5.6"), ("shutterspeed2", "10/25"), ("iso", "800")):
        library.ask("set", widget, label)
    folder, name = library.ask("capture")
    size = library.ask("fetch", folder, name, str(tmp_path / "picture.jpg"))
    assert (folder, size) == (FOLDER, library.ask("info", folder, name)["size"])
    with Image.open(tmp_path / "picture.jpg") as picture:
        picture.load()
        exif, detail = picture.getexif(), picture.getexif().get_ifd(0x8769)
    assert (exif[271], exif[272]) == ("Stopwright", "Garden simulator")
    assert (detail[40962], detail[40963]) == picture.size == (600, 400)
    assert Fraction(detail[33434].numerator, detail[33434].denominator) == Fraction(10, 25)
    assert (float(detail[33437]), detail[34855], detail[34850], float(detail[37386])) == (5.6, 800, 1, 50.0)
    # Exif 2.3: ShutterSpeedValue = -log2(t), ApertureValue = 2 log2(N), here of the exact 2^(-4/3) s and f/5.657.
    assert float(detail[37377]) == pytest.approx(4 / 3, abs=1e-5)
    assert float(detail[37378]) == pytest.approx(5.0, abs=1e-5)
    assert 37382 not in detail  # the body knows nothing of the distance


def test_an_exposure_takes_its_exact_time(library: Library, hands: Hands) -> None:
    library.ask("set", "shutterspeed2", "1/4")
    before, begun = hands.state(), time.monotonic()
    library.ask("capture")
    spent, after = time.monotonic() - begun, hands.state()
    assert after["exposure_s"] - before["exposure_s"] == pytest.approx(0.25, abs=1e-5)
    assert 0.25 <= spent < 1.5


def test_a_camera_at_work_says_busy_and_its_frame_comes_all_the_same(library: Library, hands: Hands) -> None:
    library.ask("set", "shutterspeed2", "1/2")
    library.ask("trigger")
    with pytest.raises(LibraryFault) as capture:
        library.ask("capture")
    with pytest.raises(LibraryFault) as setting:
        library.ask("set", "iso", "400")
    assert (capture.value.code, setting.value.code) == (BUSY, BAD_PARAMETERS)
    last = hands.state()["exposures"]
    heard = library.ask("events", 5)
    assert heard[-1] == "complete" and heard[0].startswith("GRDN") and hands.state()["exposures"] == last


def test_a_client_killed_in_mid_exposure_finds_the_frame_when_it_comes_back() -> None:
    with simulated_camera() as camera:
        first, second = Library(camera.camera), Library(camera.camera)
        first.ask("init")
        with pytest.raises(LibraryFault):
            second.ask("init")  # it is up by now, and turned away
        first.ask("set", "shutterspeed2", "13/10")
        first.tell("capture")
        deadline = time.monotonic() + 5
        while not camera.worked().state()["busy"] and time.monotonic() < deadline:
            time.sleep(0.02)
        first.kill()
        with second:
            with pytest.raises(LibraryFault) as busy:
                second.ask("capture")
            assert busy.value.code == BUSY
            heard = second.ask("events", 5)
            assert heard == ["GRDN0001.JPG", "complete"]
            assert second.ask("files", FOLDER) == ["GRDN0001.JPG"]


def test_a_frame_nobody_waited_for_is_announced_and_taken_for_the_next_one(library: Library, hands: Hands) -> None:
    library.ask("set", "shutterspeed2", "1/2")
    pressed = hands.press()
    _wait_idle(hands)
    begun = time.monotonic()
    _, name = library.ask("capture")
    # The trap that callers must drain: the answer is the old frame, long before the new one is exposed.
    assert hands.state()["exposures"] == pressed + 1
    assert hands.state()["card"][-1].endswith(name) and time.monotonic() - begun < 0.45
    assert library.ask("events", 5)[-1] == "complete"


def test_what_was_announced_while_nobody_was_there_reaches_the_next_client(process: Library, hands: Hands) -> None:
    hands.press()
    _wait_idle(hands)
    process.ask("init")
    assert process.ask("events", 5)[-1] == "complete"
    process.ask("exit")


def _wait_idle(hands: Hands) -> None:
    deadline = time.monotonic() + 5
    while hands.state()["busy"] and time.monotonic() < deadline:
        time.sleep(0.02)


def test_a_second_client_is_turned_away_while_the_first_is_there(library: Library, simulator: Simulator) -> None:
    other = Library(simulator.camera)
    try:
        with pytest.raises(LibraryFault) as refused:
            other.ask("init")
        assert refused.value.code == REFUSED
    finally:
        other.kill()


def test_pictures_outlive_the_camera_and_numbers_go_on_in_the_next_folder(tmp_path: Path) -> None:
    with simulated_camera(card=tmp_path) as camera, Library(camera.camera) as library:
        library.ask("capture")
    made = tmp_path / "DCIM" / "100GARDN" / "GRDN0001.JPG"
    made.rename(made.with_name("GRDN9999.JPG"))
    with simulated_camera(card=tmp_path) as camera, Library(camera.camera) as library:
        assert library.ask("files", FOLDER) == ["GRDN9999.JPG"]
        assert library.ask("capture") == ["/store_00010001/DCIM/101GARDN", "GRDN0001.JPG"]
        assert library.ask("folders", "/store_00010001/DCIM") == ["100GARDN", "101GARDN"]
        assert camera.worked().state()["deletes"] == 0


def test_a_thumbnail_and_the_room_on_the_card_are_told(library: Library, tmp_path: Path) -> None:
    library.ask("set", "shutterspeed2", "1/640")
    folder, name = library.ask("capture")
    library.ask("fetch", folder, name, str(tmp_path / "thumb"), "thumb")
    with Image.open(io.BytesIO((tmp_path / "thumb").read_bytes())) as small:
        assert small.size == (160, 107)
    assert 31_000_000 < library.ask("free_kb") < 32_000_000


def test_scripted_refusals_reach_the_library_with_their_codes(library: Library, hands: Hands) -> None:
    hands.fault(fault="busy", verb="capture")
    hands.fault(fault="refuse", verb="set", setting="iso")
    hands.fault(fault="change", setting="aperture", to="f/16")
    hands.fault(fault="card_full", frame=hands.state()["exposures"] + 1)
    hands.fault(fault="hang", frame=9999)
    with pytest.raises(LibraryFault) as busy:
        library.ask("capture")
    with pytest.raises(LibraryFault) as full:
        library.ask("capture")
    with pytest.raises(LibraryFault):
        library.ask("set", "iso", "200")
    library.ask("set", "f-number", "f/4")
    assert hands.state()["settings"]["aperture"] == "f/16"
    assert (busy.value.code, full.value.code) == (BUSY, REFUSED)
    assert hands.faults()["unused"] == [{"fault": "hang", "frame": 9999}]


def test_a_hang_never_ends_and_a_lost_or_doubled_announcement_shows(library: Library, hands: Hands) -> None:
    library.ask("set", "shutterspeed2", "1/640")
    frame = hands.state()["exposures"] + 1
    hands.fault(fault="event", which="ObjectAdded", how="lost", frame=frame)
    hands.fault(fault="event", which="ObjectAdded", how="doubled", frame=frame + 1)
    hands.fault(fault="hang", frame=frame + 2)
    library.ask("trigger")
    assert library.ask("events", 5) == ["complete"]
    library.ask("trigger")
    twice = library.ask("events", 5)
    assert twice[0] == twice[1] and twice[2] == "complete"
    library.ask("trigger")
    assert len(library.ask("events", 0.5)) == 1
    assert hands.faults()["unused"] == []


def test_a_capture_whose_end_is_never_announced_does_not_return(simulator: Simulator, hands: Hands) -> None:
    hands.fault(fault="hang", frame=hands.state()["exposures"] + 1)
    with Library(simulator.camera) as blocked, pytest.raises(TimeoutError):
        blocked.ask("capture", within_s=1.0)
    hands.calm()


def test_a_download_can_be_cut_short_though_the_card_has_it_whole(
    library: Library, hands: Hands, tmp_path: Path
) -> None:
    hands.fault(fault="truncate", frame=hands.state()["exposures"] + 1, keep=0.5)
    folder, name = library.ask("capture")
    size = library.ask("info", folder, name)["size"]
    assert library.ask("fetch", folder, name, str(tmp_path / "a")) == size // 2
    assert library.ask("fetch", folder, name, str(tmp_path / "b")) == size


@pytest.mark.parametrize("phase", ["before", "during", "after", "download"])
def test_a_link_that_breaks_can_be_taken_up_again_and_no_frame_is_lost(
    library: Library, hands: Hands, tmp_path: Path, phase: str
) -> None:
    before = hands.state()["exposures"]
    hands.fault(fault="drop", frame=before + 1, phase=phase)
    library.ask("set", "shutterspeed2", "1/8")
    with pytest.raises(LibraryFault):
        folder, name = library.ask("capture")
        library.ask("fetch", folder, name, str(tmp_path / "a"))
    library.ask("exit")
    library.ask("init")
    _wait_idle(hands)
    library.ask("events", 0.3)
    made = hands.state()
    assert made["exposures"] == before + (phase != "before")
    folder, name = library.ask("capture")
    assert library.ask("fetch", folder, name, str(tmp_path / "b")) > 1000
    assert len(hands.state()["card"]) == len(made["card"]) + 1
    assert hands.faults()["unused"] == []


def test_a_wrong_iris_and_a_filter_show_in_the_pictures_as_large_as_they_are(tmp_path: Path) -> None:
    def brightness(library: Library) -> float:
        library.ask("fetch", *library.ask("capture"), str(tmp_path / "picture"))
        with Image.open(tmp_path / "picture") as picture:
            value = np.asarray(picture)[133:266, 200:266] / 255.0  # hedge, in the middle third
        light = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)  # IEC 61966-2-1
        return float(light.mean())

    with simulated_camera(render="scene") as camera, Library(camera.camera) as library:
        right, again = brightness(library), brightness(library)
        camera.worked().fault(fault="aperture_error", stops={"f/8": -0.5})
        wrong = brightness(library)
        camera.worked().calm()
        camera.worked().filters([3.0], ["ND 8"])
        filtered = brightness(library)
    assert math.log2(again / right) == pytest.approx(0, abs=0.02)
    assert math.log2(wrong / right) == pytest.approx(-0.5, abs=0.03)
    assert math.log2(filtered / right) == pytest.approx(-3, abs=0.05)


def test_it_ends_on_sigterm_and_when_its_parent_is_killed() -> None:
    with simulated_camera() as camera:
        camera.process.send_signal(signal.SIGTERM)
        assert camera.process.wait(10) == 0
    code = "from hardware_mocks.server import start; s = start(render='flat'); print(s.hands, flush=True); input()"
    parent = subprocess.Popen([sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert parent.stdout is not None and parent.stdin is not None
    orphan = Hands(parent.stdout.readline().strip())
    assert orphan.state()["exposures"] == 0
    parent.kill()
    parent.wait()
    parent.stdin.close()
    parent.stdout.close()
    deadline = time.monotonic() + 10
    alive = True
    while alive and time.monotonic() < deadline:
        time.sleep(0.05)
        try:
            orphan.state()
        except Exception:
            alive = False
    assert not alive
