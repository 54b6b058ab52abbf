"""Lamps on the mains: how uneven an exposure comes out under their flicker.

A lamp's power goes with the square of the mains' voltage, so that it flickers at nu = 2 x mains: 100 or 120 times a
second. Take the worst case, light that swings from nothing to twice its mean, 1 + cos(2 pi nu u + phi). Over an
exposure from 0 to t it adds up to

    t + [sin(2 pi nu t + phi) - sin(phi)] / (2 pi nu) = t [1 + r cos(pi nu t + phi)],   r = sin(pi nu t) / (pi nu t)

so the brightness differs from the mean by at most |r|, by where in the flicker the exposure began. Frames of a series
differ by it; where the shutter runs over the sensor as a slit, or line by line, so do the parts of one frame, as bands.
Whole numbers of flickers, t = n / nu, leave nothing. Lamps that flicker less than fully scale it down: filament lamps
swing by a tenth or so, cheap LED lamps fully (from memory).
"""

from __future__ import annotations

import math

UNEVEN = 0.05  # more than this shows, 0.07 stop; common practice, no source [unitless]


def ripple(time_s: float, mains_hz: float) -> float:
    """Largest deviation from the mean brightness under lamps that flicker fully: |sin(pi nu t)| / (pi nu t). [unitless]

    Parameters
    ----------
    time_s
        Exact exposure time. [s]
    mains_hz
        Frequency of the mains; the lamps flicker at twice that. [Hz]

    Raises
    ------
    ValueError
        If either is not above zero.

    References
    ----------
    Derived above. Whole flickers, 1/100 s at 50 Hz and 1/120 s at 60 Hz, are common practice.
    """
    if not (time_s > 0 and mains_hz > 0):
        raise ValueError(f"time and mains must be above zero, found {time_s!r} s and {mains_hz!r} Hz")
    turns = math.pi * 2 * mains_hz * time_s
    return abs(math.sin(turns)) / turns


def is_steady(time_s: float, mains_hz: float) -> bool:
    """Whether an exposure comes out even enough: within `UNEVEN`."""
    return ripple(time_s, mains_hz) <= UNEVEN


def steady_from_s(mains_hz: float) -> float:
    """From this time on every exposure is even enough, since |sin| is at most 1: 1 / (pi nu UNEVEN). [s]"""
    return 1 / (math.pi * 2 * mains_hz * UNEVEN)
