"""One frame on its way into a film: opened, cropped, scaled, measured; later its tone, its caption.

`prepare` and `finished` are plain functions of plain data, so that threads or processes may carry them out alike. The
decoder reads at the smallest scale that still has every pixel of the film.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from daemon.pictures.film.tone import gain_table
from daemon.pictures.opening import PictureUnreadable, opened_jpeg
from daemon.pictures.tones import RGB
from daemon.pictures.typeface import font_file

Shares = tuple[float, float, float, float]
BLOCKS = (32, 18)
_ORIENTATION = 274  # Exif, CIPA DC-008
_TURNS = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_270,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_90,
}


@dataclass(frozen=True)
class Prepared:
    """A picture of the film's size: ``pixels`` are RGB bytes, ``blocks`` the mean codes of its green channel."""

    size: tuple[int, int]
    pixels: bytes
    blocks: bytes


def frame_size(path: Path) -> tuple[int, int]:
    """Width and height of a picture as it is looked at. [px] PictureUnreadable if it is none."""
    with opened_jpeg(path) as image:
        width, height = image.size
        return (height, width) if image.getexif().get(_ORIENTATION) in (5, 6, 7, 8) else (width, height)


def decoded(path: Path, of: tuple[int, int], shares: Shares, size: tuple[int, int]) -> Image.Image:
    """The part ``shares`` (left, top, right, bottom, each 0 to 1) of a picture, scaled to ``size`` [px], RGB.

    Raises
    ------
    PictureUnreadable
        If it cannot be opened or decoded, or is not ``of`` the size of the series. [px]
    """
    if (found := frame_size(path)) != of:
        raise PictureUnreadable(
            path,
            f"one of {found[0]} x {found[1]} pixels in a series of {of[0]} x {of[1]}",
            "All frames of a film have one size; leave this one out",
        )
    with opened_jpeg(path) as image:
        turn = _TURNS.get(image.getexif().get(_ORIENTATION, 1))
        least = round(size[0] / (shares[2] - shares[0])), round(size[1] / (shares[3] - shares[1]))
        image.draft("RGB", least if turn is None else (max(least), max(least)))
        whole: Image.Image = image.convert("RGB") if image.mode != "RGB" else image
        whole.load()
        if turn is not None:
            whole = whole.transpose(turn)
        width, height = whole.size
        box = (shares[0] * width, shares[1] * height, shares[2] * width, shares[3] * height)
        return whole.resize(size, Image.Resampling.BICUBIC, box=box, reducing_gap=2.0)


def prepare(path: Path, of: tuple[int, int], shares: Shares, size: tuple[int, int]) -> Prepared:
    """Decode, crop, scale and measure one frame; see `decoded`."""
    image = decoded(path, of, shares, size)
    blocks = image.getchannel("G").resize(BLOCKS, Image.Resampling.BOX)
    return Prepared(size, image.tobytes(), blocks.tobytes())


def finished(prepared: Prepared, gain_stops: float, caption: str) -> bytes:
    """The RGB bytes of a film's frame, ``gain_stops`` brighter and with its caption, if any."""
    if not gain_stops and not caption:
        return prepared.pixels
    width, height = prepared.size
    # One table serves all three channels, so the bytes need not be taken apart into pixels.
    row = Image.frombuffer("L", (3 * width, height), prepared.pixels, "raw", "L", 0, 1)
    pixels = row.point(gain_table(gain_stops)).tobytes()
    if not caption:
        return pixels
    image = Image.frombytes("RGB", prepared.size, pixels)
    write_caption(image, caption)
    return image.tobytes()


def block_codes(prepared: Prepared) -> np.ndarray:
    """The mean codes of a frame's blocks, shape (blocks,)."""
    return np.frombuffer(prepared.blocks, np.uint8)


def write_caption(image: Image.Image, caption: str) -> None:
    """Write one line at the lower left, dark on a light strip, so that it can be read on any picture."""
    height = image.size[1]
    letters = _letters(max(10, height // 40))
    margin = height // 60
    left, top, right, bottom = letters.getbbox(caption)
    draw = ImageDraw.Draw(image)
    foot = height - 2 * margin
    draw.rectangle((margin, foot - (bottom - top) - margin, 3 * margin + right - left, height - margin), RGB["paper"])
    draw.text((2 * margin - left, foot - bottom + margin // 3), caption, RGB["ink"], letters)


@lru_cache(maxsize=8)
def _letters(size: int) -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(str(font_file("plain")), size)
