"""Dialects of the simulated camera under the daemon's own session, and those that the wire can show."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from support_camera import simulator

from daemon.camera.dialects import camera_readings, is_manual_focus, is_manual_mode
from daemon.camera.supervisor import CameraProcess
from daemon.errors import SettingRefused
from hardware_mocks.flat import FlatRenderer
from hardware_mocks.speaking import DialectCamera

Make = Callable[..., DialectCamera]


@pytest.fixture
def speak() -> Iterator[Make]:
    """Makes cameras that speak a dialect, and closes them."""
    made: list[DialectCamera] = []

    def build(dialect: str) -> DialectCamera:
        made.append(DialectCamera(dialect, renderer=FlatRenderer(), size=(96, 64)))
        return made[-1]

    yield build
    for camera in made:
        camera.close()


@pytest.mark.parametrize(
    ("dialect", "aperture", "time"),
    [
        ("fractions", "f/5.6", "16/10"),
        ("bare", "5.6", "1.6"),
        ("tenfold", "f/5.6", "16/10"),
        ("tenths", "f/5.6", "1.6000s"),
        ("halves", "5.6", "15/10"),
        ("full", "f/5.6", "2"),
        ("translated", "f/5,6", "16/10"),
    ],
)
def test_the_same_mark_is_named_as_each_make_names_it(speak: Make, dialect: str, aperture: str, time: str) -> None:
    settings = speak(dialect).state().settings
    assert aperture in settings["aperture"].labels and time in settings["time"].labels


@pytest.mark.parametrize(
    ("dialect", "series", "label", "exact"),
    # Half-stop and third-stop marks: 2^(15/4) and 2^(22/6), common practice, no source.
    [("fractions", "thirds", "f/13", 12.6992), ("bare", "thirds", "13", 12.6992), ("halves", "halves", "13", 13.4543)],
)
def test_thirteen_means_what_the_camera_s_own_steps_make_of_it(
    speak: Make, dialect: str, series: str, label: str, exact: float
) -> None:
    reading = camera_readings(speak(dialect).state())["aperture"]
    [mark] = [mark for mark, own in reading.labels.items() if own == label]
    assert reading.scale.series == series and mark.exact == pytest.approx(exact, abs=1e-3)


def test_every_mark_that_the_daemon_reads_lies_where_the_camera_s_shutter_does(speak: Make) -> None:
    for dialect in ("fractions", "bare", "tenfold", "halves", "full", "tenths"):
        camera = speak(dialect)
        core = camera.core
        truth = {
            camera.dialect.label("time", mark.raw, mark.label): mark.exact for mark in core._dials.scales.marks("time")
        }
        reading = camera_readings(camera.state())["time"]
        assert len(reading.labels) > 15
        for mark, label in reading.labels.items():
            assert mark.exact == pytest.approx(truth[label], rel=1e-6), (dialect, label)


def test_a_body_that_walks_mark_by_mark_is_waited_for(speak: Make) -> None:
    camera = speak("tenfold")
    before = camera.core.get("time")
    assert camera.apply({"time": "16/10"}) == {"time": "16/10"}
    assert camera.core.get("time") == 16 << 16 | 10 != before


def test_a_number_that_the_body_takes_for_a_place_is_sent_again_as_the_place(speak: Make) -> None:
    camera = speak("places")
    assert camera.apply({"iso": "1600"}) == {"iso": "1600"}
    assert camera.core.get("iso") == 1600


def test_a_value_that_snaps_to_another_is_refused_and_the_old_one_put_back(speak: Make) -> None:
    camera = speak("snapping")
    standing = camera.state().settings["aperture"].current
    with pytest.raises(SettingRefused) as refusal:
        camera.apply({"aperture": "f/6.3"})
    assert (refusal.value.asked, refusal.value.found) == ("f/6.3", "f/5.6")
    assert camera.state().settings["aperture"].current == standing == "f/8"
    assert camera.apply({"aperture": "f/4"}) == {"aperture": "f/4"}, "a full stop is taken"


def test_a_dial_on_the_wrong_letter_is_named_in_every_dialect(speak: Make) -> None:
    for dialect in ("bare", "tenths", "translated"):
        camera = speak(dialect)
        camera.hands({"do": "dial", "to": "A"})
        time = camera.state().settings["time"]
        assert not time.writable
        with pytest.raises(SettingRefused, match="Turn the mode dial to M"):
            camera.apply({"time": next(label for label in time.labels if label != time.current)})


def test_the_code_decides_where_the_word_is_in_another_language(speak: Make) -> None:
    camera = speak("translated")
    settings = camera.state().settings
    assert settings["focus_mode"].current == "Manuell" and is_manual_focus(settings["focus_mode"]) is True
    assert is_manual_mode(settings["mode"]) is True
    camera.hands({"do": "menu", "setting": "focus_mode", "to": "Automatic"})
    focus = camera.state().settings["focus_mode"]
    assert focus.current == "Automatisch" and is_manual_focus(focus) is False


def test_over_the_wire_times_in_tenths_of_a_millisecond_are_cut_and_the_shared_label_is_left_out(
    tmp_path: Path,
) -> None:
    with simulator(dialect="tenths") as running, CameraProcess(running.camera, tmp_path / "work") as camera:
        time = camera.state().settings["time"]
        assert time.widget == "shutterspeed" and "0.0015s" in time.labels and time.labels.count("0.0001s") == 1
        labels = camera_readings(camera.state())["time"].labels.values()
        assert "0.0001s" not in labels, "1/8000 and 1/6400 are both written so"
        assert camera.apply({"time": "0.0015s"}) == {"time": "0.0015s"}
        assert running.worked().state()["settings"]["time"] == "1/640"
