"""Every error of the camera library becomes exactly one of ours, and ours cross the pipe unharmed."""

from __future__ import annotations

import gphoto2
import pytest

from daemon import errors
from daemon.camera.errors_map import LIBRARY, RESPONSES, LinkFault, as_ours, breaks_link, from_wire, to_wire
from daemon.errors import CameraError, CameraSilent, SettingRefused, StopwrightError

CODES = {name: getattr(gphoto2, name) for name in dir(gphoto2) if name.startswith("GP_ERROR")}


def test_the_map_knows_every_error_of_the_library_and_no_other() -> None:
    assert len(CODES) > 30
    assert set(CODES.values()) == set(LIBRARY)


@pytest.mark.parametrize("name", sorted(CODES))
def test_an_error_of_the_library_becomes_one_of_ours_in_words(name: str) -> None:
    error = as_ours(LinkFault(CODES[name], "testing"))
    assert isinstance(error, CameraError)
    assert type(error) is LIBRARY[CODES[name]][0]
    assert "testing" in str(error)
    assert str(CODES[name]) in str(error)


def test_an_error_that_a_later_library_may_bring_is_silent() -> None:
    assert type(as_ours(LinkFault(-999, "testing"))) is CameraSilent


def test_what_the_camera_answered_decides_before_the_librarys_number() -> None:
    for response, (kind, _) in RESPONSES.items():
        assert type(as_ours(LinkFault(-1, "testing", response))) is kind
    assert LinkFault(-2, "testing", 0x2019).busy
    assert not LinkFault(-2, "testing", 0x201C).busy


@pytest.mark.parametrize("name", [name for name in errors.__all__ if name.startswith("Camera") or "Full" in name])
def test_a_camera_error_crosses_the_pipe_as_itself(name: str) -> None:
    error = getattr(errors, name)("why")
    back = from_wire(to_wire(error))
    assert type(back) is type(error)
    assert str(back) == "why"


def test_a_refused_setting_crosses_the_pipe_with_all_that_it_names() -> None:
    back = from_wire(to_wire(SettingRefused("iso", "150", "100", ["100", "200"], "Ask for one of these")))
    assert isinstance(back, SettingRefused)
    assert back.as_json() == SettingRefused("iso", "150", "100", ["100", "200"], "Ask for one of these").as_json()
    assert back.advice == "Ask for one of these"


def test_a_refusal_says_how_many_marks_it_does_not_name() -> None:
    marks = [f"1/{number}" for number in range(1, 57)]
    text = str(SettingRefused("time", "1/3", "1/4", marks))
    assert text.endswith("1/39, 1/40 and 16 more")
    assert SettingRefused("time", "1/3", "1/4", marks).as_json()["offered"] == marks
    assert "more" not in str(SettingRefused("time", "1/3", "1/4", marks[:40]))


def test_nonsense_on_the_pipe_is_silent_and_not_a_crash() -> None:
    for nonsense in ({}, {"kind": "SystemExit", "message": "0"}, {"kind": "PlanUnreachable", "message": "x"}):
        assert type(from_wire(nonsense)) is CameraSilent


def test_the_camera_process_is_replaced_after_errors_of_the_link_only() -> None:
    kinds = {getattr(errors, name) for name in errors.__all__} - {errors.Complaint, StopwrightError}
    breaking = {kind for kind in kinds if breaks_link(kind.__new__(kind))}
    assert breaking == {errors.CameraSilent, errors.CameraAbsent, errors.CameraHeld}
