"""One suite over every way of reaching a camera.

Where a camera lacks something, the suite skips by what the camera tells of itself, never by its name. The camera that
is plugged in takes part only when asked for: ``pytest -m real_camera tests/contract`` (STOPWRIGHT_CAMERA names its
port). It leaves its pictures on the card, and its settings as it found them.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, closing
from pathlib import Path

import pytest
from PIL import Image
from support_camera import Rig, dialect_rig, in_process_rig, network_rig, plugged_in_rig, simulator, virtual_usb_rig

from daemon.camera.dialects import camera_readings
from daemon.camera.verbs import Camera, CameraState, CardFile
from daemon.errors import CameraError, SettingRefused, StoreError
from hardware_mocks.server import Simulator
from plans.stops import Kind

RIGS = {"in process": in_process_rig, "virtual usb": virtual_usb_rig, "plugged in": plugged_in_rig}
SHORT_S = 1 / 200


NETWORK = {  # several at once, each at a port of its own
    "over the network": {},
    "over the network, in halves": {"step": "halves"},
    "over the network, times in tenths of a millisecond": {"dialect": "tenths", "step": "full"},
}
SPOKEN = ["bare", "tenfold", "halves", "full", "tenths", "translated"]  # dialects in which every mark can be set


@pytest.fixture(scope="module")
def running() -> Iterator[dict[str, Simulator]]:
    with ExitStack() as stack:
        yield {name: stack.enter_context(simulator(**options)) for name, options in NETWORK.items()}


@pytest.fixture(
    params=[
        "in process",
        *NETWORK,
        *SPOKEN,
        "virtual usb",
        pytest.param("plugged in", marks=pytest.mark.real_camera),
    ]
)
def rig(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Rig]:
    if request.param in NETWORK:
        yield network_rig(request.getfixturevalue("running")[request.param], tmp_path)
        return
    if request.param in SPOKEN:
        with dialect_rig(request.param, tmp_path) as spoken:
            yield spoken
        return
    if request.param == "plugged in" and "real_camera" not in (request.config.getoption("-m") or ""):
        pytest.skip("drives real hardware: asked for with -m real_camera")
    with RIGS[request.param](tmp_path) as found:
        yield found


@pytest.fixture
def camera(rig: Rig) -> Iterator[Camera]:
    with closing(rig.open()) as opened:
        yield opened


def quick(camera: Camera) -> float:
    """Set a short exposure time, if the camera can be told one; the exposure. [s]"""
    readings = camera_readings(camera.state())
    if "time" not in readings:
        return SHORT_S
    mark = readings["time"].scale.nearest(SHORT_S)
    assert mark is not None
    camera.apply({"time": readings["time"].labels[mark]})
    return mark.exact


def settable(state: CameraState) -> list[Kind]:
    return [kind for kind in camera_readings(state) if state.settings[kind].writable]


def place(file: CardFile) -> tuple[str, str]:
    return file.folder, file.name


def test_the_state_names_the_camera_and_lists_what_can_be_set(camera: Camera) -> None:
    state = camera.state()
    assert state.model
    assert state.port
    assert state.can_trigger
    assert settable(state), "a camera on which nothing can be set is of no use to anybody"
    for name, setting in state.settings.items():
        assert setting.name == name
        assert setting.widget
        if setting.labels and setting.current:
            assert setting.current in setting.labels
    assert state.battery is None or 0 <= state.battery <= 100
    assert state.free_bytes is None or state.free_bytes > 0


def test_three_marks_of_every_scale_are_set_and_read_back(camera: Camera) -> None:
    before = camera.state()
    for kind in settable(before):
        reading = camera_readings(before)[kind]
        marks = reading.scale.marks
        for mark in (marks[0], marks[len(marks) // 2], marks[-1]):
            label = reading.labels[mark]
            assert camera.apply({kind: label}) == {kind: label}
            assert camera.state().settings[kind].current == label
        camera.apply({kind: before.settings[kind].current})


def test_settings_are_set_together_and_all_of_them_read_back(camera: Camera) -> None:
    before = camera.state()
    wanted = {}
    for kind in settable(before):
        reading = camera_readings(before)[kind]
        wanted[kind] = reading.labels[reading.scale.marks[1]]
    assert camera.apply(wanted) == wanted
    after = camera.state()
    assert {kind: after.settings[kind].current for kind in wanted} == wanted
    camera.apply({kind: before.settings[kind].current for kind in wanted})


def test_a_label_that_is_not_offered_is_refused_with_those_that_are(camera: Camera) -> None:
    before = camera.state()
    kind = settable(before)[0]
    with pytest.raises(SettingRefused) as refusal:
        camera.apply({kind: "no such mark"})
    assert refusal.value.setting == kind
    assert refusal.value.offered == list(before.settings[kind].labels)
    assert refusal.value.found == before.settings[kind].current
    assert camera.state().settings[kind].current == before.settings[kind].current


def test_a_setting_that_the_camera_lacks_is_refused(camera: Camera) -> None:
    with pytest.raises(SettingRefused, match="no such setting"):
        camera.apply({"self timer": "2 s"})


def test_three_exposures_in_a_row_give_exactly_their_own_new_files(camera: Camera) -> None:
    exposure_s = quick(camera)
    seen = {place(file) for file in camera.card()}
    for _ in range(3):
        files = camera.expose(exposure_s)
        made = {place(file) for file in files}
        assert len(files) == len(made) >= 1
        assert not made & seen, "an exposure gave a file that was there before"
        seen |= made
        assert {place(file) for file in camera.card()} == seen


def test_a_fetched_file_is_the_jpeg_on_the_card_byte_for_byte_in_size(camera: Camera, tmp_path: Path) -> None:
    files = camera.expose(quick(camera))
    jpegs = [file for file in files if file.name.lower().endswith((".jpg", ".jpeg"))]
    if not jpegs:
        pytest.skip("this camera is set to RAW alone")
    into = tmp_path / "fetched.jpg"
    size = camera.fetch(jpegs[0], into)
    content = into.read_bytes()
    assert size == len(content)
    assert jpegs[0].size in (None, size)
    assert content[:3] == b"\xff\xd8\xff"
    assert content.rstrip(b"\0")[-2:] == b"\xff\xd9"


def test_a_shutter_is_held_open_for_as_long_as_asked_and_the_time_told_is_true(
    rig: Rig, camera: Camera, tmp_path: Path
) -> None:
    if not camera.state().can_bulb:
        pytest.skip("this camera's shutter cannot be held open over the cable")
    before = {place(file) for file in camera.card()}
    quick(camera)
    short = camera.state().settings["time"].current
    counted = None if rig.hands is None else rig.hands({"ask": "state"})["state"]["exposure_s"]
    made = camera.bulb(0.4)
    assert {place(file) for file in made.files} == {place(file) for file in camera.card()} - before
    assert len(made.files) >= 1
    assert not made.ended_early
    assert made.held_s >= 0.4 - made.within_s
    if rig.hands is not None:
        truly = rig.hands({"ask": "state"})["state"]["exposure_s"] - counted
        assert abs(truly - made.held_s) <= made.within_s + 0.001, "by the camera's own account"
        assert truly == pytest.approx(0.4, abs=0.15)
    assert camera.fetch(made.files[0], tmp_path / "long.jpg") > 0
    assert camera.apply({"time": short}) == {"time": short}


def test_a_live_picture_is_a_jpeg_and_leaves_nothing_on_the_card(camera: Camera, tmp_path: Path) -> None:
    if not camera.state().can_preview:
        pytest.skip("this camera shows nothing over the cable")
    before = camera.card()
    try:
        size = camera.preview(tmp_path / "live.jpg")
    except CameraError as refusal:
        assert "does not offer" in str(refusal)
        pytest.skip("the library claims live view for this camera, and the camera has none")
    with Image.open(tmp_path / "live.jpg") as picture:
        picture.load()
        assert picture.format == "JPEG"
    assert size == (tmp_path / "live.jpg").stat().st_size
    with pytest.raises(StoreError):
        camera.preview(tmp_path / "live.jpg")
    assert camera.card() == before
    assert camera.expose(quick(camera)), "an exposure after a look is taken as ever"


def test_fetching_never_overwrites(camera: Camera, tmp_path: Path) -> None:
    [file, *_] = camera.expose(quick(camera))
    into = tmp_path / "precious.jpg"
    into.write_bytes(b"the only copy")
    with pytest.raises(StoreError):
        camera.fetch(file, into)
    assert into.read_bytes() == b"the only copy"


def test_a_picture_from_the_button_is_not_taken_for_the_next_exposure(rig: Rig, camera: Camera) -> None:
    if rig.hands is None:
        pytest.skip("nobody can press this camera's button")
    exposure_s = quick(camera)
    before = {place(file) for file in camera.card()}
    rig.hands({"do": "press"})
    rig.wait_idle()
    made = {place(file) for file in camera.expose(exposure_s)}
    after = {place(file) for file in camera.card()}
    assert len(made) == 1
    assert made < after - before, "both pictures are on the card"
    assert len(after - before) == 2
    [pressed] = after - before - made
    assert pressed < next(iter(made)), "the exposure's picture is the later one"


def test_a_picture_from_the_button_is_listed_on_the_card(rig: Rig, camera: Camera) -> None:
    if rig.hands is None:
        pytest.skip("nobody can press this camera's button")
    before = len(camera.card())
    rig.hands({"do": "press"})
    rig.wait_idle()
    assert len(camera.card()) == before + 1


def test_a_fresh_list_of_the_card_is_the_same_list(rig: Rig, camera: Camera) -> None:
    if rig.hands is not None:
        rig.hands({"do": "press"})
        rig.wait_idle()
    listed = camera.card()
    assert listed
    assert camera.card(fresh=True) == listed
    assert camera.expose(quick(camera)), "the camera works on as before"


def test_a_picture_that_nobody_announced_is_on_a_fresh_list(rig: Rig, camera: Camera) -> None:
    if rig.hands is None:
        pytest.skip("nobody can press this camera's button")
    before = {place(file) for file in camera.card()}
    rig.hands({"do": "fault", "line": {"fault": "event", "which": "ObjectAdded", "how": "lost"}})
    rig.hands({"do": "press"})
    rig.wait_idle()
    assert rig.hands({"ask": "faults"})["unused"] == []
    rig.hands({"do": "calm"})
    assert len({place(file) for file in camera.card(fresh=True)} - before) == 1


def test_closing_twice_does_nothing_more_and_a_new_camera_works_after(rig: Rig) -> None:
    first = rig.open()
    first.state()
    first.close()
    first.close()
    with closing(rig.open()) as second:
        assert second.expose(quick(second))


def test_closing_a_camera_that_was_never_used_does_nothing(rig: Rig) -> None:
    rig.open().close()
