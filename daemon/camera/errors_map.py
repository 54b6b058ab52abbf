"""The one border where the camera library's errors become ours, and where errors cross the pipe.

The library tells a number and hardly more: -1 stands for a dropped link, a full card and a lens that would not focus
alike. Where the camera itself answered, its PTP response code (ISO 15740) is known as well and decides first.

    code of the library     what it means here
    -1 -2 -3 -4 -8 -10 ...  CameraSilent   nobody knows what the link is worth now: start afresh
    -5 -7 -31 ... -105      CameraAbsent   nobody is there
    -53 -60                 CameraHeld     somebody else has it
    -110                    CameraBusy
    -115                    CardFull
    -6 -20 -103 ... -113    CameraError    the camera cannot do that, or has no such file
"""

from __future__ import annotations

from typing import Any

from daemon import errors
from daemon.errors import (
    BatteryLow,
    BindingRefused,
    CameraAbsent,
    CameraBusy,
    CameraError,
    CameraHeld,
    CameraSilent,
    CardFull,
    SettingRefused,
    StopwrightError,
)

BUSY = -110
NOT_SUPPORTED = -6
BAD_PARAMETERS = -2

# code: (our error, what happened in words)
LIBRARY: dict[int, tuple[type[CameraError], str]] = {
    -1: (CameraSilent, "the camera or its link failed without saying why"),
    -2: (CameraSilent, "the camera did not take the request, or did not answer it"),
    -3: (CameraSilent, "the camera library ran out of memory"),
    -4: (CameraSilent, "the camera library failed inside"),
    -5: (CameraAbsent, "there is no such port"),
    -6: (CameraError, "this camera does not offer that"),
    -7: (CameraAbsent, "the link to the camera broke, or nothing answers there"),
    -8: (CameraSilent, "a limit inside the camera library was passed"),
    -10: (CameraSilent, "the camera did not answer in time"),
    -20: (CameraError, "serial ports are not supported here"),
    -21: (CameraError, "USB is not supported here"),
    -31: (CameraAbsent, "the port could not be prepared"),
    -34: (CameraAbsent, "reading from the port failed"),
    -35: (CameraAbsent, "writing to the port failed"),
    -37: (CameraAbsent, "changing the port's settings failed"),
    -41: (CameraError, "the port's speed could not be set"),
    -51: (CameraAbsent, "the USB connection is stuck"),
    -52: (CameraAbsent, "the USB device is gone"),
    -53: (CameraHeld, "another program holds the USB device"),
    -60: (CameraHeld, "another program holds the port"),
    -70: (CameraError, "the system's hardware service failed"),
    -102: (CameraSilent, "what the camera sent was damaged"),
    -103: (CameraError, "a file of that name is on the card already"),
    -105: (CameraAbsent, "no camera that the library knows is there"),
    -107: (CameraError, "there is no such folder on the card"),
    -108: (CameraError, "there is no such file on the card"),
    -109: (CameraError, "a folder of that name is on the card already"),
    -110: (CameraBusy, "the camera is busy"),
    -111: (CameraError, "a folder name on the card must be absolute"),
    -112: (CameraSilent, "the request was broken off"),
    -113: (CameraError, "the camera reports a fault of its own"),
    -114: (CameraSilent, "the operating system refused the camera library something"),
    -115: (CardFull, "the card is full"),
}

# Response codes of PTP (0x02xx: the library's own, for its side of the link). Source: ISO 15740 (from memory); 0x2002,
# 0x2005, 0x200C, 0x200F, 0x2019, 0x201C and the library's two were measured.
RESPONSES: dict[int, tuple[type[CameraError], str]] = {
    0x02FA: (CameraSilent, "the camera did not answer in time"),
    0x02FF: (CameraSilent, "the link to the camera broke in mid-request"),
    0x2002: (CameraSilent, "the camera refuses without saying why, or the link to it broke"),
    0x2005: (CameraError, "this camera does not offer that operation"),
    0x2009: (CameraError, "there is no such file on the card"),
    0x200C: (CardFull, "the card is full"),
    0x200D: (CameraError, "the file is write-protected"),
    0x200E: (CameraError, "the card is write-protected: move its lock switch"),
    0x200F: (CameraError, "the camera denies access; its dial or menu must allow it"),
    0x2013: (CameraError, "the card is missing or not ready: put a card in and close its door"),
    0x201C: (CameraError, "the camera does not take that value"),
    0x2019: (CameraBusy, "the camera is busy"),
    0xA002: (CameraError, "the lens found no focus: set it to manual focus"),
}

_CLASSES: dict[str, type[StopwrightError]] = {
    name: getattr(errors, name) for name in errors.__all__ if name != "Complaint"
}


class LinkFault(Exception):
    """The camera library returned an error.

    Attributes
    ----------
    code
        The library's number, below zero.
    doing
        What was being done, in words.
    response
        The PTP response code the camera gave, if it gave one.
    untold
        The camera has the setting and did not tell it. The library says no more than that: the camera may be busy, or
        refuse.
    """

    def __init__(self, code: int, doing: str, response: int | None = None, untold: bool = False):
        self.code, self.doing, self.response, self.untold = code, doing, response, untold
        super().__init__(f"{doing}: error {code} of the camera library")

    @property
    def busy(self) -> bool:
        """Whether asking again shortly makes sense."""
        return self.code == BUSY or self.response == 0x2019 or self.untold


def as_ours(fault: LinkFault) -> CameraError:
    """The error of ours that a fault of the library stands for; exactly one for every number."""
    kind, meaning = LIBRARY.get(fault.code, (CameraSilent, "the camera library gave an unknown error"))
    if fault.untold:
        kind, meaning = CameraError, "the camera has this setting and does not tell it"
    if fault.response in RESPONSES:
        kind, meaning = RESPONSES[fault.response]
    told = f"error {fault.code} of the camera library"
    if fault.response is not None:
        told += f", answer 0x{fault.response:04x} of the camera"
    return kind(f"While {fault.doing}: {meaning} ({told}).")


def to_wire(error: StopwrightError) -> dict[str, Any]:
    """An error as plain data for the pipe."""
    data: dict[str, Any] = {"kind": type(error).__name__, "message": str(error)}
    if isinstance(error, SettingRefused):
        data["setting"] = [error.setting, error.asked, error.found, error.offered, error.advice]
    if isinstance(error, BindingRefused):
        data["differences"] = error.differences
    return data


def from_wire(data: dict[str, Any]) -> StopwrightError:
    """The error that `to_wire` wrote; a kind that is not known becomes a `CameraSilent`."""
    kind, message = str(data.get("kind")), str(data.get("message", "no reason given"))
    if kind == "SettingRefused" and "setting" in data:
        setting, asked, found, offered, advice = data["setting"]
        return SettingRefused(setting, asked, found, offered, advice)
    if kind == "BindingRefused" and "differences" in data:
        return BindingRefused(data["differences"])
    found_class = _CLASSES.get(kind)
    if (
        found_class is None
        or found_class in (SettingRefused, BindingRefused)
        or kind in ("BriefError", "PlanUnreachable")
    ):
        return CameraSilent(message)
    return found_class(message)


def breaks_link(error: StopwrightError) -> bool:
    """Whether the connection is worth nothing after this error, so that the camera process must be replaced."""
    return isinstance(error, CameraSilent | CameraAbsent | CameraHeld)


__all__ = [
    "BAD_PARAMETERS",
    "BUSY",
    "LIBRARY",
    "NOT_SUPPORTED",
    "RESPONSES",
    "BatteryLow",
    "LinkFault",
    "as_ours",
    "breaks_link",
    "from_wire",
    "to_wire",
]
