"""A made sunset for films: a scene of known light, shot in thirds of a stop, with a shutter that is not quite exact."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PIL import Image

from daemon.pictures.film.frames import ExactSettings, FilmFrame


@dataclass
class Sunset:
    """Made frames, and the truth about them. ``light`` [EV at ISO 100], ``given`` by the exact settings [stops]."""

    frames: list[FilmFrame]
    light: np.ndarray
    given: np.ndarray


def scene(width: int, height: int, seed: int = 7) -> np.ndarray:
    """A fountain garden in linear light around mid grey: bright sky, dark hedge, texture everywhere."""
    chance = np.random.default_rng(seed)
    rows, columns = np.mgrid[0:height, 0:width]
    stops = 1.4 - 3.4 * rows / height + 0.5 * np.sin(columns / width * 9.0)
    coarse = chance.normal(0, 0.35, (height // 8 + 2, width // 8 + 2))
    texture = np.asarray(Image.fromarray(coarse.astype(np.float32)).resize((width, height), Image.Resampling.BICUBIC))
    return 0.18 * 2.0 ** (stops + texture)


def encoded(linear: np.ndarray) -> np.ndarray:
    """Linear light as sRGB codes, written here from IEC 61966-2-1 apart from the project's own."""
    clipped = np.clip(linear, 0, 1)
    return np.rint(255 * np.where(clipped <= 0.0031308, 12.92 * clipped, 1.055 * clipped ** (1 / 2.4) - 0.055))


def linear_of(codes: np.ndarray) -> np.ndarray:
    """sRGB codes as linear light, likewise."""
    shares = codes / 255
    return np.where(shares <= 0.04045, shares / 12.92, ((shares + 0.055) / 1.055) ** 2.4)


def sunset(
    folder: Path,
    count: int = 60,
    size: tuple[int, int] = (480, 320),
    jitter: float = 0.0,
    cloud: tuple[int, int, float] | None = None,
    bright_sky: bool = False,
    fall: float = 0.045,
    noise: float = 0.02,
) -> Sunset:
    """``count`` frames of light that falls by ``fall`` stops a frame, shot by a dial in thirds of a stop.

    ``jitter``: how inexact the shutter is [stops]; ``cloud``: first frame, how many, how many stops darker;
    ``noise``: of each pixel, as a share.
    """
    chance = np.random.default_rng(count)
    light = 10.0 - fall * np.arange(count) - 0.15 * np.sin(np.arange(count) / 17)
    if cloud is not None:
        light[cloud[0] : cloud[0] + cloud[1]] -= cloud[2]
    steady = 10.0 - fall * np.arange(count)
    base = scene(*size)
    if bright_sky:
        base[: size[1] // 6] = 3.0  # far beyond white
    frames, given = [], []
    position = round(3 * steady[0])
    for number in range(count):
        if abs(3 * steady[number] - position) > 0.7:  # a dial with some play
            position = round(3 * steady[number])
        # f/4 at ISO 100: mid grey at light == ev when t = N^2 / 2^ev.
        settings = ExactSettings(4.0, 16.0 / 2.0 ** (position / 3), 100.0)
        off = light[number] - position / 3 + jitter * chance.normal()
        noisy = base * 2.0**off * (1 + noise * chance.normal(size=base.shape))
        codes = encoded(noisy).astype(np.uint8)
        path = folder / f"{number:05d}.jpg"
        Image.fromarray(codes).convert("RGB").save(path, quality=92)
        frames.append(FilmFrame(path, number + 1, settings, None, f"f/4  {settings.exposure_s:.4g} s  ISO 100"))
        given.append(settings.given)
    return Sunset(frames, light, np.array(given))


def film_levels(path: Path) -> np.ndarray:
    """The film decoded again: each frame's blocks in stops of linear light, shape (frames, blocks)."""
    import av

    levels = []
    with av.open(str(path)) as film:
        for frame in film.decode(video=0):
            # The luma plane as it is coded, 16 to 235 (ITU-R BT.709): another conversion would round once more.
            luma = frame.to_ndarray(format="yuv420p")[: frame.height].astype(float)
            codes = np.clip((luma - 16) * 255 / 219, 0, 255)
            height, width = (side // 10 * 10 for side in codes.shape)
            blocks = linear_of(codes[:height, :width]).reshape(10, height // 10, 10, width // 10).mean(axis=(1, 3))
            levels.append(np.log2(np.maximum(blocks, 1e-5)).ravel())
    return np.array(levels)


def flicker(levels: np.ndarray, blocks: slice = slice(30, 90), sigma: float = 8.0) -> float:
    """RMS over time of what differs from a zero-phase Gaussian of ``sigma`` frames, ends left out. [stops]

    Of the middle rows of blocks, which are clipped in no frame.
    """
    series = np.median(levels[:, blocks], axis=1)
    side = int(2.5 * sigma)
    weights = np.exp(-0.5 * (np.arange(-side, side + 1) / sigma) ** 2)
    smooth = np.convolve(series, weights / weights.sum(), "valid")
    rest = series[side:-side] - smooth
    # A curve that bends is not flicker: its bend is taken from a parabola through what is left.
    at = np.arange(len(rest))
    rest = rest - np.polyval(np.polyfit(at, rest, 2), at)
    return float(np.sqrt(np.mean(rest**2)))
