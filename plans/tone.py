"""Linear readings from a JPEG: the contrast of its tone curve, fitted from a bracket taken at the start of a run.

A camera JPEG's brightness, decoded as sRGB, rises by more or less than a stop for each stop of light near mid grey.
A controller that believes it is too eager or too slow; so eight frames at known steps tell the slope, in an order in
which light that drifts meanwhile does not look like contrast.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

# Offsets of the bracket's frames against the settled exposure. [stops] Drift and slope are told apart by this order.
BRACKET: tuple[float, ...] = (0.0, -1.0, 1.0, -2.0, 2.0, -1.5, 1.5, 0.0)
MID_GREY = 0.18
_DARK, _BRIGHT = 2.5, 253.5  # codes at the ends of an 8-bit scale tell bounds only
_LEAST, _MOST = 0.3, 3.0
_FEWEST = 4


@dataclass(frozen=True)
class Tone:
    """``slope``: decoded stops for each stop of light near mid grey. [unitless] ``residual``: RMS. [stops]"""

    slope: float = 1.0
    residual: float = 0.0

    def stops(self, decoded: float) -> float:
        """Stops of light against mid grey from stops as decoded by sRGB."""
        return decoded / self.slope


def decoded_stops(code: float) -> float:
    """An 8-bit sRGB code as stops against mid grey: IEC 61966-2-1, mid grey 18 %. The code is held above zero."""
    v = min(max(code, 0.5), 255.0) / 255
    linear = v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4
    return math.log2(linear / MID_GREY)


def code_of(stops: float) -> float:
    """The 8-bit sRGB code of a level against mid grey, 0 to 255: the other way round from `decoded_stops`. [stops]"""
    linear: float = min(MID_GREY * 2.0**stops, 1.0)
    return 255 * (12.92 * linear if linear <= 0.0031308 else 1.055 * linear ** (1 / 2.4) - 0.055)


def at_end(code: float) -> tuple[bool, bool]:
    """Whether a code stands at the bright end of the scale, and whether at the dark one."""
    return code >= _BRIGHT, code <= _DARK


def fit_tone(offsets: Sequence[float], codes: Sequence[float]) -> Tone:
    """The slope from a bracket: least squares on offset, place in the order (drift) and a constant.

    Parameters
    ----------
    offsets
        Exact steps of the frames in the order taken; marks are not exact steps. [stops]
    codes
        Mean codes of the frames, 0 to 255; those at an end are left out.

    Raises
    ------
    ValueError
        If fewer than four frames tell anything, they do not differ, or the slope is none that a camera has (0.3 to 3).
    """
    if len(offsets) != len(codes):
        raise ValueError(f"a bracket of {len(offsets)} frames needs as many readings, found {len(codes)}")
    told = [(n, x, decoded_stops(y)) for n, (x, y) in enumerate(zip(offsets, codes, strict=True)) if not any(at_end(y))]
    if len(told) < _FEWEST or max(x for _, x, _ in told) - min(x for _, x, _ in told) < 1:
        raise ValueError(
            f"only {len(told)} of {len(codes)} frames of the bracket tell anything: {_FEWEST} are needed, a stop apart"
        )
    places, x, y = (np.array(column) for column in zip(*told, strict=True))
    design = np.stack([x, places, np.ones(len(told))], axis=1)
    found, *_ = np.linalg.lstsq(design, y, rcond=None)
    slope = float(found[0])
    if not _LEAST <= slope <= _MOST:
        raise ValueError(f"the bracket's tone curve has a slope of {slope:.2f}; cameras have {_LEAST:g} to {_MOST:g}")
    return Tone(slope, float(np.sqrt(np.mean((design @ found - y) ** 2))) / slope)
