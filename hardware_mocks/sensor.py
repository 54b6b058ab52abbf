"""Light in, numbers out: photon and read noise, the full well, the tone curve.

Each output pixel is taken as one site with a small well of 40 000 electrons at ISO 100, so that noise can be seen at
screen size. Amplification by ISO makes the well smaller in proportion. Read noise is the root of the squares of a part
before the amplifier (3 electrons) and a part behind it (12 electrons at ISO 100, less above): common practice.
Noise: variance = signal + read noise squared, in electrons (photon statistics).
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

FULL_WELL_E = 40_000.0
READ_BEFORE_E = 3.0
READ_BEHIND_E = 12.0
_STEPS = 1 << 14

Plane = NDArray[np.float32]


def well_e(iso: float) -> float:
    """Electrons that fill the scale at an ISO speed. [electrons]"""
    return FULL_WELL_E * 100 / iso


def srgb_encode(linear: NDArray[np.floating]) -> NDArray[np.floating]:
    """Display value in 0..1 of a linear value in 0..1 (IEC 61966-2-1)."""
    low = 12.92 * linear
    high = 1.055 * np.power(np.maximum(linear, 0.0031308), 1 / 2.4) - 0.055
    return np.where(linear <= 0.0031308, low, high)


LUMINANCE = np.array([0.2126, 0.7152, 0.0722], np.float32)  # of linear red, green, blue (Rec. 709, IEC 61966-2-1)
_AUTOMATIC = 2
_CASTS = {5: (0.88, 1.0, 1.22), 6: (0.62, 1.0, 1.75), 7: (1.05, 1.0, 0.92)}  # fluorescent, tungsten, flash


def balance(white_balance: int, number: int) -> Plane:
    """Gains of red, green and blue in daylight at a white balance (its wire value); grey keeps its luminance.

    Set to automatic the camera makes up its mind anew for every frame, and never quite the same.
    """
    gains = np.array(_CASTS.get(white_balance, (1.0, 1.0, 1.0)))
    if white_balance == _AUTOMATIC:
        warmer = float(np.random.default_rng((9, number)).normal(0, 0.04))
        gains = np.array([1 + warmer, 1.0, 1 - warmer])
    return np.asarray(gains / (gains @ LUMINANCE), np.float32)


@lru_cache(maxsize=1)
def _curve() -> NDArray[np.uint8]:
    linear = np.arange(_STEPS + 1) / _STEPS
    return np.round(srgb_encode(linear) * 255).astype(np.uint8)


@lru_cache(maxsize=2)
def _noise_bank(seed: int) -> Plane:
    return np.random.default_rng(seed).standard_normal(1 << 23, dtype=np.float32)


def _noise(shape: tuple[int, ...], seed: int, number: int) -> Plane:
    """Normal deviates for a frame: a stretch of a bank that begins at a place of the frame's own."""
    count = int(np.prod(shape))
    bank = _noise_bank(seed)
    start = int(np.random.default_rng((seed, number)).integers(bank.size))
    if start + count <= bank.size:
        return bank[start : start + count].reshape(shape)
    repeats = -(-(start + count) // bank.size)
    return np.tile(bank, repeats)[start : start + count].reshape(shape)


def expose(light: Plane, iso: float, seed: int, number: int) -> NDArray[np.uint8]:
    """The picture that the sensor makes of ``light``.

    Parameters
    ----------
    light
        Linear light, height x width x 3, 1 at saturation; overwritten. [unitless]
    iso
        True ISO speed. [unitless]
    seed, number
        Seed of the camera and number of the frame: together they fix the noise.

    Returns
    -------
    Display values, height x width x 3, 0..255.
    """
    well = well_e(iso)
    read = READ_BEFORE_E**2 + (READ_BEHIND_E * 100 / iso) ** 2
    sigma = np.multiply(light, np.float32(1 / well))
    sigma += np.float32(read / well**2)
    np.sqrt(sigma, out=sigma)
    sigma *= _noise(light.shape, seed, number)
    light += sigma
    light *= np.float32(_STEPS)
    light += np.float32(0.5)
    np.clip(light, 0, _STEPS, out=light)
    return _curve()[light.astype(np.uint16)]
