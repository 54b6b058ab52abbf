"""A picture as a JPEG file with Exif, written from what the camera believes of itself.

Focus distance and filters are not in the Exif: the body cannot know them.
"""

from __future__ import annotations

import io
import math

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


def exif_of(shot: Shot) -> Image.Exif:
    """The Exif fields of a frame: marks as printed, APEX values exact."""
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
            33434: _rational(*shot.time.nominal),
            33437: _rational(*shot.aperture.nominal),
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


def encode(picture: NDArray[np.uint8], shot: Shot) -> bytes:
    """The file of one frame. ``picture`` is height x width x 3, 0..255."""
    sink = io.BytesIO()
    Image.fromarray(picture).save(sink, "JPEG", quality=QUALITY[shot.image_format], subsampling=2, exif=exif_of(shot))
    return sink.getvalue()


def thumbnail(file: bytes) -> bytes:
    """A picture of 160 x 120 pixels at most, as JPEG, of a JPEG file."""
    with Image.open(io.BytesIO(file)) as image:
        image.draft("RGB", (320, 240))
        image.thumbnail((160, 120))
        sink = io.BytesIO()
        image.save(sink, "JPEG", quality=70)
    return sink.getvalue()
