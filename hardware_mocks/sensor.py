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

from hardware_mocks.script import Sensor

_STEPS = 1 << 14
MID_GREY = 0.18
RAW_BLACK, RAW_WHITE = 4096, 65_535 - 1024  # of the raw file: room below and above for noise

Plane = NDArray[np.float32]


def well_e(iso: float, sensor: Sensor | None = None) -> float:
    """Electrons that fill the scale at an ISO speed. [electrons]"""
    return (sensor or Sensor()).full_well_e * 100 / iso


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


@lru_cache(maxsize=4)
def _curve(slope: float) -> NDArray[np.uint8]:
    linear = np.arange(_STEPS + 1) / _STEPS
    return np.round(srgb_encode(np.clip(MID_GREY * (linear / MID_GREY) ** slope, 0, 1)) * 255).astype(np.uint8)


@lru_cache(maxsize=2)
def _noise_bank(seed: int) -> Plane:
    return np.random.default_rng(seed).standard_normal(1 << 23, dtype=np.float32)


def _noise(shape: tuple[int, ...], seed: int, number: int, part: int) -> Plane:
    """Normal deviates for a part of a frame: a stretch of a bank that begins at a place of its own."""
    count = int(np.prod(shape))
    bank = _noise_bank(seed)
    key = (seed, number, part) if part else (seed, number)
    start = int(np.random.default_rng(key).integers(max(1, bank.size - count)))
    if start + count <= bank.size:
        return bank[start : start + count].reshape(shape)
    repeats = -(-(start + count) // bank.size)
    return np.tile(bank, repeats)[start : start + count].reshape(shape)


def add_noise(light: Plane, iso: float, seed: int, number: int, sensor: Sensor | None = None, part: int = 0) -> None:
    """Give linear light its noise, in place: photons by the square root of their number, and reading out.

    ``light`` is height x width x 3, 1 at saturation; ``part`` tells the parts of one frame apart.
    """
    sensor = sensor or Sensor()
    well = well_e(iso, sensor)
    read = sensor.read_before_e**2 + (sensor.read_behind_e * 100 / iso) ** 2
    sigma = np.multiply(light, np.float32(1 / well))
    sigma += np.float32(read / well**2)
    np.sqrt(sigma, out=sigma)
    sigma *= _noise(light.shape, seed, number, part)
    light += sigma


def develop(light: Plane, slope: float = 1.0) -> NDArray[np.uint8]:
    """Display values of linear light, which is overwritten: clipped, toned, encoded. height x width x 3, 0..255"""
    light *= np.float32(_STEPS)
    light += np.float32(0.5)
    np.clip(light, 0, _STEPS, out=light)
    return _curve(slope)[light.astype(np.uint16)]


def mosaic(light: Plane) -> NDArray[np.uint16]:
    """Raw numbers behind a mosaic of red, green, green and blue filters, of linear light. height x width

    Black lies at ``RAW_BLACK``, saturation at ``RAW_WHITE``; more light than that gives no larger number.
    """
    seen = light[..., 1].copy()
    seen[0::2, 0::2] = light[0::2, 0::2, 0]
    seen[1::2, 1::2] = light[1::2, 1::2, 2]
    numbers = np.clip(np.round(RAW_BLACK + seen * (RAW_WHITE - RAW_BLACK)), 0, RAW_WHITE)
    return np.asarray(numbers, np.uint16)


def expose(
    light: Plane, iso: float, seed: int, number: int, sensor: Sensor | None = None, part: int = 0
) -> NDArray[np.uint8]:
    """The picture that the sensor makes of ``light``.

    Parameters
    ----------
    light
        Linear light, height x width x 3, 1 at saturation; overwritten. [unitless]
    iso
        True ISO speed. [unitless]
    seed, number, part
        Seed of the camera, number of the frame and part of it: together they fix the noise.

    Returns
    -------
    Display values, height x width x 3, 0..255.
    """
    add_noise(light, iso, seed, number, sensor, part)
    return develop(light, (sensor or Sensor()).tone_slope)
