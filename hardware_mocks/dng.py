"""A frame as a DNG file: the sensor's linear numbers, as true as the simulation knows them.

Tag numbers and layout: Adobe DNG specification 1.4 and TIFF/EP (ISO 12234-2), from memory; that a raw converter reads
back the very numbers is tested. The mosaic is red, green / green, blue; nothing is compressed.
"""

from __future__ import annotations

import io
import struct
from typing import Any

import numpy as np
import tifffile
from numpy.typing import NDArray

from hardware_mocks.jpeg import MAKE, MODEL, exif_of
from hardware_mocks.sensor import RAW_BLACK, RAW_WHITE
from hardware_mocks.shot import Shot

_EXIF_IFD = 34665
_EXIF_PLACE = 34666  # stands in for it: tifffile writes no pointers of others
_SHORT, _LONG, _RATIONAL, _SIGNED_RATIONAL, _BYTE, _ASCII = 3, 4, 5, 10, 1, 2
# XYZ of D65 to linear sRGB (IEC 61966-2-1): the simulated sensor sees in these primaries.
_XYZ_TO_SENSOR = (3.2406, -1.5372, -0.4986, -0.9689, 1.8758, 0.0415, 0.0557, -0.2040, 1.0570)
_D65 = 21
_SIGNED_TAGS = {37377, 37380}


def _exif_directory(shot: Shot, start: int) -> bytes:
    """The Exif directory as it lies ``start`` bytes into a little-endian file."""
    fields: dict[int, Any] = dict(sorted(exif_of(shot).get_ifd(0x8769).items()))
    entries, far = b"", b""
    after = start + 2 + 12 * len(fields) + 4
    for tag, value in fields.items():
        if isinstance(value, str):
            kind, data = _ASCII, value.encode() + b"\0"
            count = len(data)
        elif isinstance(value, bytes):
            kind, data, count = 7, value, len(value)
        elif isinstance(value, int):
            short = value < 65536
            kind, data, count = _SHORT if short else _LONG, struct.pack("<H" if short else "<I", value), 1
        else:
            signed = tag in _SIGNED_TAGS
            kind, count = (_SIGNED_RATIONAL if signed else _RATIONAL), 1
            data = struct.pack("<ii" if signed else "<II", value.numerator, value.denominator)
        if len(data) > 4:
            place = after + len(far)
            far += data + b"\0" * (len(data) % 2)
            data = struct.pack("<I", place)
        entries += struct.pack("<HHI", tag, kind, count) + data.ljust(4, b"\0")
    return struct.pack("<H", len(fields)) + entries + struct.pack("<I", 0) + far


def encode(numbers: NDArray[np.uint16], shot: Shot) -> bytes:
    """The file of one frame. ``numbers`` is height x width, from `GardenRenderer.raw`."""
    if numbers.ndim != 2 or numbers.dtype != np.uint16:
        raise ValueError(
            f"raw numbers: found {numbers.dtype} of shape {numbers.shape}; allowed: uint16, height x width"
        )
    matrix = tuple(part for value in _XYZ_TO_SENSOR for part in (round(value * 10_000), 10_000))
    model = f"{MAKE} {MODEL}"
    tags = [
        (271, _ASCII, 0, MAKE, True),
        (272, _ASCII, 0, MODEL, True),
        (274, _SHORT, 1, 1, True),
        (33421, _SHORT, 2, (2, 2), True),  # CFARepeatPatternDim
        (33422, _BYTE, 4, bytes((0, 1, 1, 2)), True),  # CFAPattern
        (_EXIF_PLACE, _LONG, 1, 0, True),
        (50706, _BYTE, 4, bytes((1, 4, 0, 0)), True),  # DNGVersion
        (50707, _BYTE, 4, bytes((1, 1, 0, 0)), True),  # DNGBackwardVersion
        (50708, _ASCII, 0, model, True),  # UniqueCameraModel
        (50714, _SHORT, 1, RAW_BLACK, True),  # BlackLevel
        (50717, _LONG, 1, RAW_WHITE, True),  # WhiteLevel
        (50721, _SIGNED_RATIONAL, 9, matrix, True),  # ColorMatrix1
        (50728, _RATIONAL, 3, (1, 1, 1, 1, 1, 1), True),  # AsShotNeutral
        (50778, _SHORT, 1, _D65, True),  # CalibrationIlluminant1
    ]
    sink = io.BytesIO()
    tifffile.imwrite(
        sink,
        numbers,
        byteorder="<",
        photometric=32803,  # colour filter array
        planarconfig="contig",
        metadata=None,
        software="garden 1",
        datetime=shot.taken,
        extratags=tags,
    )
    file = bytearray(sink.getvalue())
    if len(file) % 2:
        file += b"\0"
    _point_at_exif(file, len(file))
    return bytes(file) + _exif_directory(shot, len(file))


def _point_at_exif(file: bytearray, place: int) -> None:
    """Turn the stand-in in the file's first directory into the pointer to the Exif directory."""
    (first,) = struct.unpack_from("<I", file, 4)
    (count,) = struct.unpack_from("<H", file, first)
    for entry in range(first + 2, first + 2 + 12 * count, 12):
        if struct.unpack_from("<H", file, entry)[0] == _EXIF_PLACE:
            struct.pack_into("<H", file, entry, _EXIF_IFD)
            struct.pack_into("<I", file, entry + 8, place)
            return
    raise AssertionError("the directory was written with it")
