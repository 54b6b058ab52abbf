"""How a camera is named, and which of those connected is meant."""

from __future__ import annotations

import pytest

from daemon.camera.ports import choose_port, normal_port
from daemon.errors import CameraAbsent, UsageError

TWO = [("Body A", "usb:001,004"), ("Body B", "usb:002,007")]


@pytest.mark.parametrize(
    ("text", "port"),
    [
        ("usb:1,4", "usb:001,004"),
        ("usb:001,004", "usb:001,004"),
        ("ptpip:192.168.1.7", "ptpip:192.168.1.7:15740:15740"),
        ("ptpip:127.0.0.1:5000", "ptpip:127.0.0.1:5000:5000"),
        ("ptpip:127.0.0.1:5000:5001", "ptpip:127.0.0.1:5000:5001"),
    ],
)
def test_a_port_is_brought_into_the_librarys_form_and_stays_there(text: str, port: str) -> None:
    assert normal_port(text) == port
    assert normal_port(port) == port


@pytest.mark.parametrize(
    "text",
    [
        "",
        "usb:",
        "usb:one,two",
        "usb:1,4; rm -rf",
        "ptpip:camera.local",
        "ptpip:256.1.1.1",
        "ptpip:1.2.3",
        "ptpip:127.0.0.1:0",
        "ptpip:127.0.0.1:65536",
        "ptpip:::1",
        "ptpip:١٢٧.0.0.1",
        "serial:/dev/ttyS0",
        "disk:/",
    ],
)
def test_anything_else_is_refused_with_what_is_allowed(text: str) -> None:
    with pytest.raises(UsageError, match="ptpip:IP:PORT with a numeric IPv4 address") as refusal:
        normal_port(text)
    assert repr(text) in str(refusal.value)


def test_the_only_camera_is_taken_when_none_is_named() -> None:
    assert choose_port(TWO[:1], None, None) == "usb:001,004"


def test_several_cameras_are_listed_when_none_is_named() -> None:
    with pytest.raises(UsageError, match="Body A at usb:001,004; Body B at usb:002,007"):
        choose_port(TWO, None, None)


def test_a_camera_that_was_plugged_in_again_is_found_under_its_new_number() -> None:
    assert choose_port(TWO, "usb:001,003", "Body A") == "usb:001,004"
    with pytest.raises(CameraAbsent, match=r"usb:001,003; found: Body A at"):
        choose_port(TWO, "usb:001,003", "Body C")
    with pytest.raises(CameraAbsent):
        choose_port(TWO, "usb:001,003", None)


def test_a_network_port_is_taken_as_it_is() -> None:
    assert choose_port([], "ptpip:127.0.0.1:5000:5000", None) == "ptpip:127.0.0.1:5000:5000"
