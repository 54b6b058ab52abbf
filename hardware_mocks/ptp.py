"""Numbers and data sets of the Picture Transfer Protocol (PIMA 15740:2000) that the simulated camera uses.

Little endian throughout; strings are counted UTF-16 with a final zero. The exposure time travels as the vendor
property 0xD100 under vendor extension 10, numerator and denominator in one number, because the standard property
0x500D counts tenths of a millisecond and cannot tell 1/6400 from 1/8000. A body in the dialect ``tenths`` has that one.

Live view and a shutter held open have no operations in the standard that the camera library uses for pictures; the
ones here are those that it sends to bodies of vendor extension 10 (measured on the library, not on a body).
"""

from __future__ import annotations

import struct
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

# Operations.
GET_DEVICE_INFO, OPEN_SESSION, CLOSE_SESSION, GET_STORAGE_IDS, GET_STORAGE_INFO = 0x1001, 0x1002, 0x1003, 0x1004, 0x1005
GET_NUM_OBJECTS, GET_OBJECT_HANDLES, GET_OBJECT_INFO, GET_OBJECT, GET_THUMB = 0x1006, 0x1007, 0x1008, 0x1009, 0x100A
DELETE_OBJECT, INITIATE_CAPTURE = 0x100B, 0x100E
GET_PROP_DESC, GET_PROP_VALUE, SET_PROP_VALUE, GET_PARTIAL_OBJECT = 0x1014, 0x1015, 0x1016, 0x101B
START_LIVE_VIEW, END_LIVE_VIEW, GET_LIVE_VIEW, DEVICE_READY = 0x9201, 0x9202, 0x9203, 0x90C8
# The host takes the dial over; the shutter opens; it closes. The library sends the second without looking for it.
HOST_CONTROLS, OPEN_SHUTTER, CLOSE_SHUTTER = 0x90C2, 0x9207, 0x920C
OPERATIONS = (
    GET_DEVICE_INFO,
    OPEN_SESSION,
    CLOSE_SESSION,
    GET_STORAGE_IDS,
    GET_STORAGE_INFO,
    GET_NUM_OBJECTS,
    GET_OBJECT_HANDLES,
    GET_OBJECT_INFO,
    GET_OBJECT,
    GET_THUMB,
    DELETE_OBJECT,
    INITIATE_CAPTURE,
    GET_PROP_DESC,
    GET_PROP_VALUE,
    SET_PROP_VALUE,
    GET_PARTIAL_OBJECT,
    START_LIVE_VIEW,
    END_LIVE_VIEW,
    GET_LIVE_VIEW,
    DEVICE_READY,
    HOST_CONTROLS,
    CLOSE_SHUTTER,
)

# Answers.
OK, GENERAL_ERROR, SESSION_NOT_OPEN, OPERATION_NOT_SUPPORTED = 0x2001, 0x2002, 0x2003, 0x2005
INVALID_STORAGE, INVALID_HANDLE, PROP_NOT_SUPPORTED, STORE_FULL = 0x2008, 0x2009, 0x200A, 0x200C
ACCESS_DENIED, DEVICE_BUSY, INVALID_VALUE, INVALID_PARAMETER, SESSION_OPEN = 0x200F, 0x2019, 0x201C, 0x201D, 0x201E

# Events.
OBJECT_ADDED, PROP_CHANGED, CAPTURE_COMPLETE = 0x4002, 0x4006, 0x400D

FORMAT_UNDEFINED, FORMAT_FOLDER, FORMAT_JPEG = 0x3000, 0x3001, 0x3801
STORAGE = 0x00010001
UINT8, INT16, UINT16, UINT32, STRING = 0x0002, 0x0003, 0x0004, 0x0006, 0xFFFF
_PACK = {UINT8: "<B", INT16: "<h", UINT16: "<H", UINT32: "<I"}


@dataclass(frozen=True)
class Property:
    """How one setting travels: its number, the type of its values, and whether it is a switch (0 or 1)."""

    code: int
    kind: int
    switch: bool = False


PROPERTIES: dict[str, Property] = {
    "battery": Property(0x5001, UINT8),
    "image_size": Property(0x5003, STRING),
    "image_format": Property(0x5004, UINT8),
    "white_balance": Property(0x5005, UINT16),
    "aperture": Property(0x5007, UINT16),
    "focus_mode": Property(0x500A, UINT16),
    "mode": Property(0x500E, UINT16),
    "iso": Property(0x500F, UINT16),
    "bias": Property(0x5010, INT16),
    "clock": Property(0x5011, STRING),
    "iso_auto": Property(0xD054, UINT8, True),
    "power_off": Property(0xD062, UINT8),
    "shutter_delay": Property(0xD06A, UINT8, True),
    "long_exposure_reduction": Property(0xD06B, UINT8, True),
    "noise_reduction": Property(0xD070, UINT8),
    "vignette_correction": Property(0xD0F7, UINT8),
    "lens_correction": Property(0xD0F8, UINT8, True),
    "time": Property(0xD100, UINT32),
    "picture_style": Property(0xD140, UINT8),
    "stabiliser": Property(0xD138, UINT8),
    "brightness_aid": Property(0xD14E, UINT8),
    "live_view": Property(0xD1A2, UINT8, True),
}
# The standard's own exposure time, in units of 0.1 ms: for the dialect that has no other, and for bulb, which the
# library asks for through it on every body.
TENTHS = 0x500D
NAMES = {prop.code: name for name, prop in PROPERTIES.items()}


def pack_value(kind: int, value: int) -> bytes:
    """A number as it travels."""
    return struct.pack(_PACK[kind], value)


def unpack_value(kind: int, data: bytes) -> int:
    """A number from what travelled; ValueError when it is too short."""
    size = struct.calcsize(_PACK[kind])
    if len(data) < size:
        raise ValueError(f"{len(data)} bytes where {size} are needed")
    return int(struct.unpack(_PACK[kind], data[:size])[0])


def pack_string(text: str) -> bytes:
    """A counted string; the empty one is a single zero byte."""
    if not text:
        return b"\0"
    return bytes([len(text) + 1]) + (text + "\0").encode("utf-16-le")


def unpack_string(data: bytes) -> str:
    """A counted string from what travelled."""
    count = data[0] if data else 0
    return data[1 : 1 + 2 * count].decode("utf-16-le", errors="replace").rstrip("\0")


def pack_array(letter: str, values: Iterable[int]) -> bytes:
    """A counted array; ``letter`` is the struct letter of its elements."""
    numbers = list(values)
    return struct.pack(f"<I{len(numbers)}{letter}", len(numbers), *numbers)


def stamp(moment: datetime) -> str:
    """A time as the protocol writes it, without a zone."""
    return moment.strftime("%Y%m%dT%H%M%S")


def device_info(model: str, version: str, tenths: bool = False) -> bytes:
    """The data set that says what the camera is and can do. ``tenths``: its times are the standard's own property."""
    codes = [TENTHS if tenths and code == PROPERTIES["time"].code else code for code in NAMES]
    return b"".join(
        [
            struct.pack("<HIH", 100, 0x0A, 100),
            pack_string(""),
            struct.pack("<H", 0),
            pack_array("H", OPERATIONS),
            pack_array("H", (OBJECT_ADDED, PROP_CHANGED, CAPTURE_COMPLETE)),
            pack_array("H", codes),
            pack_array("H", (FORMAT_JPEG,)),
            pack_array("H", (FORMAT_JPEG, FORMAT_UNDEFINED)),
            pack_string("Stopwright"),
            pack_string(model),
            pack_string(version),
            pack_string("0001"),
        ]
    )


def storage_info(capacity: int, free: int, frames_left: int) -> bytes:
    """The data set that says how big and how full the card is. [bytes]"""
    head = struct.pack("<HHHQQI", 4, 3, 0, capacity, free, frames_left)
    return head + pack_string("Card") + pack_string("GARDEN")


def object_info(
    *, name: str, format_code: int, size: int, parent: int, taken: str, pixels: tuple[int, int] = (0, 0)
) -> bytes:
    """The data set of one folder or picture. ``size`` in bytes."""
    folder = format_code == FORMAT_FOLDER
    thumb = (0, 0, 0, 0) if folder else (FORMAT_JPEG, 4000, 160, 107)
    head = struct.pack(
        "<IHHIHIIIIIIIHII",
        STORAGE,
        format_code,
        0,
        size,
        *thumb,
        *pixels,
        0 if folder else 24,
        parent,
        1 if folder else 0,
        0,
        0,
    )
    return head + pack_string(name) + pack_string(taken) + pack_string(taken) + pack_string("")


def property_description(
    name: str, *, writable: bool, factory: int | str, current: int | str, choices: Iterable[int | str] | None
) -> bytes:
    """The data set that describes a property: type, whether it can be set, value, and the values it can take.

    Without ``choices`` a number ranges from 0 to 100 and a string has no form; a switch ranges from 0 to 1.
    """
    prop = PROPERTIES[name]

    def packed(value: int | str) -> bytes:
        return pack_string(str(value)) if prop.kind == STRING else pack_value(prop.kind, int(value))

    head = struct.pack("<HHB", prop.code, prop.kind, int(writable)) + packed(factory) + packed(current)
    if prop.switch:
        return head + b"\1" + b"".join(packed(n) for n in (0, 1, 1))
    if choices is not None:
        listed = list(choices)
        return head + b"\2" + struct.pack("<H", len(listed)) + b"".join(packed(n) for n in listed)
    return head + (b"\0" if prop.kind == STRING else b"\1" + b"".join(packed(n) for n in (0, 100, 1)))


def tenths_description(*, writable: bool, current: int, choices: Iterable[int]) -> bytes:
    """The data set of the standard's own exposure time. [0.1 ms]"""
    listed = list(choices)
    head = struct.pack("<HHBII", TENTHS, UINT32, int(writable), listed[0], current)
    return head + b"\2" + struct.pack(f"<H{len(listed)}I", len(listed), *listed)
