"""How a camera is named, and which of those connected is meant."""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Sequence

from daemon.errors import CameraAbsent, UsageError

PTPIP_PORT = 15740  # Source: CIPA DC-005


def normal_port(text: str) -> str:
    """A port as the camera library wants it, from ``usb:BUS,DEVICE`` or ``ptpip:IP[:PORT]``.

    Only numeric IPv4 addresses: the library takes no names. Its own form, with a port for the events after the other,
    is taken as well, so that what it told can be given back.

    Raises
    ------
    UsageError
        If the text is neither.
    """
    usb = re.fullmatch(r"usb:(\d{1,3}),(\d{1,3})", text)
    if usb:
        return f"usb:{int(usb[1]):03d},{int(usb[2]):03d}"
    net = re.fullmatch(r"ptpip:([0-9.]{7,15})(?::(\d{1,5}))?(?::(\d{1,5}))?", text, re.ASCII)
    try:
        if net is None:
            raise ValueError(text)
        address = ipaddress.IPv4Address(net[1])
        port = int(net[2] or PTPIP_PORT)
        events = int(net[3] or port)
        if not (0 < port < 65536 and 0 < events < 65536):
            raise ValueError(text)
    except ValueError:
        raise UsageError(
            f"camera port: found {text!r}; allowed: usb:BUS,DEVICE as `stopwright cameras` lists it, "
            "ptpip:IP or ptpip:IP:PORT with a numeric IPv4 address, or nothing for the only camera there is"
        ) from None
    return f"ptpip:{address}:{port}:{events}"


def port_for_people(text: str) -> str:
    """A port as a person writes it: the network port once."""
    net = re.fullmatch(r"(ptpip:[0-9.]+:(\d+)):(\d+)", text)
    return net[1] if net and net[2] == net[3] else text


def choose_port(found: Sequence[tuple[str, str]], port: str | None, model: str | None) -> str:
    """Which port to open, of the ``found`` cameras on USB as (model, port).

    A USB device gets a new number whenever it is plugged in; when the asked one is gone and exactly one camera of the
    same model (as known from before) is there, that is the one.

    Raises
    ------
    CameraAbsent
        If there is none.
    UsageError
        If several could be meant.
    """
    if port is not None and (not port.startswith("usb:") or port in [place for _, place in found]):
        return port
    shown = "; ".join(f"{name} at {place}" for name, place in found) or "none"
    if port is not None:
        same = [place for name, place in found if name == model]
        if len(same) == 1:
            return same[0]
        raise CameraAbsent(
            f"No camera at {port}; found: {shown}. Is it switched on and awake, and is the cable in? After it was "
            "unplugged it has another number: leave --camera out, or give the new one."
        )
    if not found:
        raise CameraAbsent(
            "No camera is connected by USB. Switch it on, plug the cable in, and in its USB menu choose PTP or remote "
            "control, not mass storage. A camera on the network must be named: --camera ptpip:IP."
        )
    if len(found) > 1:
        raise UsageError(f"Several cameras are connected: {shown}. Name one with --camera PORT.")
    return found[0][1]
