"""The raw file beside a JPEG: sixteen bits a channel, linear in light, as an open DNG.

A renderer that knows the sensor's own numbers (its method ``raw``) gives those (`hardware_mocks.dng`). Without them, or
when hands displaced what the finished picture shows, the picture is brought back to linear light, which holds no more
than the JPEG does.
"""

from __future__ import annotations

import io
from typing import Any

import numpy as np
import tifffile
from numpy.typing import NDArray

from hardware_mocks import dng
from hardware_mocks.jpeg import MAKE, MODEL
from hardware_mocks.shot import Shot

_LINEAR_RAW = 34892  # photometric interpretation; this and the tags: Digital Negative Specification 1.4 (Adobe)
_VERSION, _BACKWARD, _UNIQUE_MODEL, _BLACK, _WHITE = 50706, 50707, 50708, 50714, 50717
_MATRIX, _NEUTRAL, _ILLUMINANT = 50721, 50728, 50778
# XYZ to linear sRGB under D65, IEC 61966-2-1, in ten-thousandths.
_XYZ_TO_SRGB = (32406, -15372, -4986, -9689, 18758, 415, 557, -2040, 10570)


def raw_file(renderer: Any, picture: NDArray[np.uint8], shot: Shot, displaced: bool = False) -> bytes:
    """The DNG of one frame.

    ``picture`` is height x width x 3, 0..255; ``displaced``: it shows something else than the renderer has.
    """
    own = getattr(renderer, "raw", None)
    if own is not None and not displaced:
        return dng.encode(own(shot), shot)
    value = picture.astype(np.float32) / 255
    linear = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)  # IEC 61966-2-1
    stamp = shot.taken.strftime("%Y:%m:%d %H:%M:%S")
    matrix = tuple(number for entry in _XYZ_TO_SRGB for number in (entry, 10_000))
    sink = io.BytesIO()
    tifffile.imwrite(
        sink,
        np.rint(linear * 65535).astype(np.uint16),
        photometric=_LINEAR_RAW,
        metadata=None,
        extratags=[
            (271, "s", 0, MAKE, True),
            (272, "s", 0, MODEL, True),
            (306, "s", 0, stamp, True),
            (_VERSION, "B", 4, (1, 4, 0, 0), True),
            (_BACKWARD, "B", 4, (1, 4, 0, 0), True),
            (_UNIQUE_MODEL, "s", 0, f"{MAKE} {MODEL}", True),
            (_BLACK, "H", 3, (0, 0, 0), True),
            (_WHITE, "H", 3, (65535, 65535, 65535), True),
            (_MATRIX, "2i", 9, matrix, True),
            (_NEUTRAL, "2I", 3, (1, 1, 1, 1, 1, 1), True),
            (_ILLUMINANT, "H", 1, 21, True),
        ],
    )
    return sink.getvalue()
