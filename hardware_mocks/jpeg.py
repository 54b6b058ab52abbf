"""A picture as a JPEG file with Exif and thumbnail, written from what the camera believes of itself.

Focus distance and filters are not in the Exif: the body cannot know them. Cameras differ in what they write for time
and aperture: the marks as printed, or the values behind them; APEX values are exact in both styles.
"""

from __future__ import annotations

import io
import math
import struct

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from hardware_mocks.shot import Shot

MAKE, MODEL = "Stopwright", "Garden simulator"
QUALITY = {0: 70, 1: 84, 2: 92}  # by image format: basic, normal, fine
PROGRAMS = {"M": 1, "P": 2, "A": 3, "S": 4}
_WHITE_BALANCE_AUTO = 2

# Tag numbers: Exif 2.3 (CIPA DC-008).
_MAKE, _MODEL, _ORIENTATION, _SOFTWARE, _DATE_TIME = 271, 272, 274, 305, 306
_EXIF_IFD = 0x8769


def _rational(numerator: int, denominator: int) -> IFDRational:
    return IFDRational(numerator, denominator)


def time_and_aperture(shot: Shot) -> tuple[IFDRational, IFDRational]:
    """Exposure time [s] and f-number as `Shot.exif_style` has them written."""
    if shot.exif_style == "exact":
        long = shot.time.exact >= 1
        time = (round(shot.time.exact * 10_000), 10_000) if long else (10_000, round(10_000 / shot.time.exact))
        return _rational(*time), _rational(round(shot.aperture.exact * 10_000), 10_000)
    return _rational(*shot.time.nominal), _rational(*shot.aperture.nominal)


def exif_of(shot: Shot) -> Image.Exif:
    """The Exif fields of a frame."""
    time, aperture = time_and_aperture(shot)
    stamp = shot.taken.strftime("%Y:%m:%d %H:%M:%S")
    sub_second = f"{shot.taken.microsecond // 10_000:02d}"
    tv = round(-math.log2(shot.time.exact) * 1_000_000)
    av = round(2 * math.log2(shot.aperture.exact) * 1_000_000)
    exif = Image.Exif()
    exif[_MAKE], exif[_MODEL], exif[_ORIENTATION] = MAKE, MODEL, 1
    exif[_SOFTWARE], exif[_DATE_TIME] = "garden 1", stamp
    detail = exif.get_ifd(_EXIF_IFD)
    detail.update(
        {
            33434: time,
            33437: aperture,
            34850: PROGRAMS[shot.mode],
            34855: shot.sensitivity.raw,
            34864: 2,  # recommended exposure index
            36864: b"0230",
            36867: stamp,
            36868: stamp,
            37377: _rational(tv, 1_000_000),
            37378: _rational(av, 1_000_000),
            37380: _rational(shot.bias, 1000),
            37383: 2,  # centre-weighted
            37386: _rational(round(shot.optics.focal_mm * 10), 10),
            37521: sub_second,
            40961: 1,
            40962: shot.optics.size[0],
            40963: shot.optics.size[1],
            41986: 1 if shot.mode == "M" else 0,
            41987: 0 if shot.white_balance == _WHITE_BALANCE_AUTO else 1,
            41989: round(shot.optics.focal_mm * 43.267 / math.hypot(*shot.optics.sensor_mm)),
        }
    )
    return exif


def _with_thumbnail(exif: bytes, thumbnail: bytes) -> bytes:
    """An Exif block with a second directory that holds a thumbnail (Exif 2.3, 4.5.4; baseline TIFF 6.0 directories)."""
    head, tiff = exif[:6], bytearray(exif[6:])
    order = "<" if tiff[:2] == b"II" else ">"
    (first,) = struct.unpack_from(f"{order}I", tiff, 4)
    (count,) = struct.unpack_from(f"{order}H", tiff, first)
    if len(tiff) % 2:
        tiff += b"\0"
    second = len(tiff)
    struct.pack_into(f"{order}I", tiff, first + 2 + 12 * count, second)
    entries = ((259, 3, 6), (513, 4, second + 2 + 3 * 12 + 4), (514, 4, len(thumbnail)))
    tiff += struct.pack(f"{order}H", len(entries))
    for tag, kind, value in entries:
        shown = struct.pack(f"{order}HH", value, 0) if kind == 3 else struct.pack(f"{order}I", value)
        tiff += struct.pack(f"{order}HHI", tag, kind, 1) + shown
    return head + bytes(tiff) + struct.pack(f"{order}I", 0) + thumbnail


def encode(picture: NDArray[np.uint8], shot: Shot) -> bytes:
    """The file of one frame. ``picture`` is height x width x 3, 0..255."""
    image = Image.fromarray(picture)
    step = max(1, min(picture.shape[1] // 320, picture.shape[0] // 240))
    exif = _with_thumbnail(exif_of(shot).tobytes(), _small(Image.fromarray(picture[::step, ::step])))
    sink = io.BytesIO()
    image.save(sink, "JPEG", quality=QUALITY[shot.image_format], subsampling=2, exif=exif)
    return sink.getvalue()


def _small(image: Image.Image) -> bytes:
    image.thumbnail((160, 120))
    sink = io.BytesIO()
    image.save(sink, "JPEG", quality=70)
    return sink.getvalue()


def thumbnail(file: bytes) -> bytes:
    """A picture of 160 x 120 pixels at most, as JPEG, of a JPEG file."""
    with Image.open(io.BytesIO(file)) as image:
        image.draft("RGB", (320, 240))
        image.thumbnail((160, 120))
        sink = io.BytesIO()
        image.save(sink, "JPEG", quality=70)
    return sink.getvalue()
