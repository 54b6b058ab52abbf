"""A frame decoded once for everything that is measured on it: JPEG, and RAW where rawpy is installed.

A RAW file is developed to sRGB (IEC 61966-2-1) without any brightening, so that the same measures hold for both; its
pixels are counted before they are decoded, as a JPEG's are.
"""

from __future__ import annotations

import importlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from daemon.pictures.likeness import log_spectrum
from daemon.pictures.opening import MAX_PIXELS, PictureUnreadable, opened_jpeg
from daemon.pictures.reading import FrameMeasure, measure_picture, srgb_to_linear

Plane = NDArray[np.float32]
Box = tuple[int, int, int, int]  # left, top, right, bottom [px]

ENOUGH = 3_000_000  # pixels that tell the brightness of all blocks
SMALL = 700  # long side of the picture that a first look is taken at [px]
JPEG_ENDINGS = {".jpg", ".jpeg"}
_LINEAR = srgb_to_linear(np.arange(256) / 255)
LOGS = np.log1p(np.arange(256)).astype(np.float32)
"""Logarithm of one and a grey code, by code: looked up, since reckoning it for every pixel takes as long as an FFT."""
_SHARES = tuple((share * _LINEAR).astype(np.float32) for share in (0.2126, 0.7152, 0.0722))


@dataclass(frozen=True, eq=False)
class Pixels:
    """One decoded frame. ``picture`` is grey or RGB, sRGB-encoded, 8 bits a channel.

    ``kept``: spectra of places (left, top, side) that others were held against; a few MB.
    """

    picture: Image.Image
    kept: dict[tuple[int, int, int], NDArray[np.complexfloating]] = field(default_factory=dict, repr=False)

    @staticmethod
    def of(array: NDArray[np.uint8]) -> Pixels:
        """Pixels of an array, height x width x 3 or height x width, 0..255."""
        return Pixels(Image.fromarray(array))

    @property
    def width(self) -> int:
        """Columns. [px]"""
        return int(self.picture.width)

    @property
    def height(self) -> int:
        """Rows. [px]"""
        return int(self.picture.height)

    @cached_property
    def sampled(self) -> Image.Image:
        """The picture, or of a large one every second or third pixel either way, unchanged."""
        step = max(1, round((self.width * self.height / ENOUGH) ** 0.5))
        if step == 1:
            return self.picture
        return self.picture.resize((self.width // step, self.height // step), Image.Resampling.NEAREST)

    @cached_property
    def measure(self) -> FrameMeasure:
        """Block brightness and clipping, of the sampled pixels."""
        return replace(measure_picture(self.sampled), width=self.width, height=self.height)

    @cached_property
    def small_grey(self) -> NDArray[np.uint8]:
        """The whole picture in grey, small, 0..255."""
        grey = self.sampled.convert("L")
        by = max(1, round(max(grey.size) / SMALL))
        return np.asarray(grey.reduce(by) if by > 1 else grey)

    @cached_property
    def small_spectrum(self) -> NDArray[np.complexfloating]:
        """The spectrum of `small_grey`, by which a first shift is found."""
        return log_spectrum(LOGS[self.small_grey])

    def grey(self, box: Box) -> NDArray[np.uint8]:
        """Encoded grey within a box, height x width, 0..255."""
        return np.asarray(self.picture.crop(box).convert("L"))

    def linear(self, box: Box) -> Plane:
        """Linear luminance within a box, height x width. [0..1]"""
        part = np.asarray(self.picture.crop(box))
        if part.ndim == 2:
            return np.asarray(_LINEAR.astype(np.float32)[part])
        return np.asarray(_SHARES[0][part[..., 0]] + _SHARES[1][part[..., 1]] + _SHARES[2][part[..., 2]])

    def box(self, region: tuple[float, float, float, float]) -> Box:
        """A region given as shares of the frame (left, top, width, height), in pixels of this frame."""
        left, top, wide, high = region
        x0, y0 = round(left * self.width), round(top * self.height)
        x1, y1 = round((left + wide) * self.width), round((top + high) * self.height)
        return max(0, x0), max(0, y0), min(self.width, max(x1, x0 + 1)), min(self.height, max(y1, y0 + 1))


def open_pixels(path: Path) -> Pixels:
    """Decode the frame at ``path`` in full.

    Raises
    ------
    PictureUnreadable
        If it is neither a whole JPEG nor a RAW file that can be developed, or has too many pixels.
    """
    if path.suffix.lower() not in JPEG_ENDINGS and path.is_file() and _head(path) != b"\xff\xd8":
        return Pixels(_developed(path))
    with opened_jpeg(path) as jpeg:
        jpeg.load()
        return Pixels(jpeg if jpeg.mode in ("L", "RGB") else jpeg.convert("RGB"))


def _head(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            return file.read(2)
    except OSError as error:
        raise PictureUnreadable(path, f"a file that cannot be read ({error.strerror})") from error


def _developed(path: Path) -> Image.Image:
    try:
        rawpy: Any = importlib.import_module("rawpy")
    except ImportError:
        raise PictureUnreadable(
            path, "a file that is no JPEG", "RAW files are read where the extra named raw is installed"
        ) from None
    with _foreign(path, rawpy), rawpy.imread(str(path)) as raw:
        width, height = raw.sizes.width, raw.sizes.height
        if width * height > MAX_PIXELS:
            raise PictureUnreadable(path, f"{width} x {height} pixels", "It was not decoded, lest it fill the memory")
        developed = raw.postprocess(
            gamma=(2.4, 12.92),
            no_auto_bright=True,
            adjust_maximum_thr=0.0,  # else white would be what the brightest pixel of each frame happens to be
            output_bps=8,
            use_camera_wb=True,
            user_flip=0,
        )
    return Image.fromarray(developed)


@contextmanager
def _foreign(path: Path, rawpy: Any) -> Iterator[None]:
    try:
        yield
    except rawpy.LibRawError as error:
        told = error.args[0] if error.args else error
        told = told.decode("utf-8", "replace") if isinstance(told, bytes) else told
        raise PictureUnreadable(path, f"a file that is neither a JPEG nor a whole RAW file ({told})") from error
    except MemoryError as error:
        raise PictureUnreadable(path, "a RAW file too large for the free memory") from error
