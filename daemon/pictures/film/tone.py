"""Brighter and darker in linear light, by one table of 256 values, with highlights kept whole.

Below a knee a gain is a plain factor in linear light. Above it the curve bends to end where it began, at white: a
clipped sky stays white when its frame is shown darker instead of turning grey, and nothing is clipped that was not
clipped when its frame is shown brighter. The bend is a monotone rational quadratic (Gregory and Delbourgo, IMA Journal
of Numerical Analysis 2 (1982) 123, from memory). The tone curve is taken as sRGB (IEC 61966-2-1).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from daemon.pictures.reading import srgb_to_linear

KNEE = 0.6  # linear; sRGB code 203

_LINEAR = srgb_to_linear(np.arange(256) / 255)


def gain_table(stops: float) -> list[int]:
    """The new code for each of the 256 codes of a channel, ``stops`` brighter."""
    return np.rint(255 * linear_to_srgb(with_gain(_LINEAR, 2.0**stops))).astype(int).tolist()  # type: ignore[no-any-return]


def with_gain(linear: NDArray[np.float64], gain: float) -> NDArray[np.float64]:
    """Linear values [0..1] times ``gain`` below the knee, bent to white above it. 0 and 1 stay; nothing turns back."""
    knee = KNEE / max(1.0, gain)
    low, slope = gain * knee, (1 - gain * knee) / (1 - knee)
    share = np.clip((linear - knee) / (1 - knee), 0.0, 1.0)
    end = slope * slope / gain
    between = share * (1 - share)
    bent = low + (1 - low) * (slope * share**2 + gain * between) / (slope + (gain + end - 2 * slope) * between)
    return np.where(linear <= knee, gain * linear, bent)


def linear_to_srgb(linear: NDArray[np.float64]) -> NDArray[np.float64]:
    """Linear light [0..1] as sRGB values [0..1]. Source: IEC 61966-2-1."""
    safe = np.maximum(linear, 0.0)
    return np.where(safe <= 0.0031308, 12.92 * safe, 1.055 * safe ** (1 / 2.4) - 0.055)


def block_stops(codes: NDArray[np.uint8]) -> NDArray[np.float64]:
    """Mean codes of blocks as stops of linear light; NaN where a block is too bright or too dark to tell."""
    stops = np.log2(np.maximum(_LINEAR, _LINEAR[1]))[codes]
    return np.where((codes >= 245) | (codes <= 4), np.nan, stops)
