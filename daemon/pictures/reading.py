"""Reading a frame: its brightness in stops, against mid-grey and against another frame of the same framing.

The frame is cut into a grid of blocks. Of each block the mean *linear* luminance is taken, and frames are compared
block by block: the median of the blocks' ratios does not care that water, leaves or a passer-by moved in fewer than
half of them, where the ratio of two whole-frame means would.

How it is measured
    Every pixel of the full picture is decoded; a decoder's reduced scale is up to 0.17 stop off. Block means come from
    the histograms of the three channels, which is exact, because luminance is a weighted sum of the linear channels:
    Y = 0.2126 R + 0.7152 G + 0.0722 B, each decoded by the sRGB curve (IEC 61966-2-1).
What is left out
    In a comparison, blocks of which more than 1 % is clipped in either frame. The clipped share of a block is that of
    its worst channel, counting values of 254 and more and of 1 and less.
Where
    ``level`` and ``against reference``: the middle third of width and of height, where a lens shades least. The four
    corners, a sixth of width and height each, are given apart, so that shading by the aperture is seen as such. Where
    too much of the middle is clipped, as in a frame that is meant to be far over, the whole frame is compared, and that
    is said: shading by another aperture is then in the difference.
Not regarded
    The Exif orientation: frames are compared as the sensor wrote them. Colour profiles: pictures are taken as sRGB.
    The camera's tone curve, where it was not measured: it is in the JPEG, so differences far from mid-grey are the
    picture's, not the light's.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from pydantic import BaseModel, ConfigDict

from daemon.pictures.opening import opened_jpeg

METHOD: Final[dict[str, Any]] = {"name": "block medians", "version": 2}

MID_GREY = 0.18
LONG_SIDE_BLOCKS, SHORT_SIDE_BLOCKS = 24, 18
CLIPPED_HIGH, CLIPPED_LOW = 254, 1
MOST_CLIPPED = 0.01
BRIGHT_SHARE = 0.1  # of the central blocks are the brightest part
TONE_ENDS = (-4.5, 2.3)  # stops against mid grey, within which tone curves are measured
TOP_SHARE = 0.1  # of a block's pixels lie above its lights: glints, which may burn out; own choice
LEAST_BLOCKS_SHARE = 0.25  # fewer blocks left than this share of a region: no comparison
ASPECT_SLACK = 0.01

_LUMINANCE = np.array([0.2126, 0.7152, 0.0722])


def srgb_to_linear(encoded: NDArray[np.float64]) -> NDArray[np.float64]:
    """sRGB values [0..1] decoded to linear light [0..1]. Source: IEC 61966-2-1."""
    return np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)


_LINEAR_OF_CODE = srgb_to_linear(np.arange(256) / 255)
_DARKEST = float(_LINEAR_OF_CODE[1])  # a block without any light reads as code 1: log2 of nothing is no number


@dataclass(frozen=True, eq=False)
class FrameMeasure:
    """What was measured on one frame, before any comparison.

    Attributes
    ----------
    width, height
        Size of the picture as stored. [px]
    luminance
        Mean linear luminance of each block, shape (rows, columns). [0..1]
    clipped
        Share of each block that is clipped in its worst channel, shape (rows, columns). [0..1]
    clipped_high, clipped_low
        Share of the whole frame at 254 and more, and at 1 and less, for red, green, blue. [0..1]
    lights
        Linear value that a tenth of a block's pixels exceed, in its brightest channel, shape (rows, columns). [0..1]
    """

    width: int
    height: int
    luminance: NDArray[np.float64]
    clipped: NDArray[np.float64]
    clipped_high: tuple[float, float, float]
    clipped_low: tuple[float, float, float]
    lights: NDArray[np.float64]


class _Shape(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Channels(_Shape):
    """Shares of the frame, a channel each. [0..1]"""

    red: float
    green: float
    blue: float


class Corners(_Shape):
    """Brightness against the reference in the four corners; None where too few blocks were left. [stops]"""

    top_left: float | None = None
    top_right: float | None = None
    bottom_left: float | None = None
    bottom_right: float | None = None


class Reading(_Shape):
    """The reading of one frame, as it is kept.

    ``level_stops``: the central blocks' median against 18 % grey. ``against_reference_stops``: the central blocks'
    median difference to the reference; ``spread_stops``: the median distance of those blocks from it. Both are None
    without a reference, or when the frames cannot be compared, and then ``why_none`` says why. [stops]
    ``bright_stops``: where the brightest tenth of the central blocks lies against 18 % grey, ``bright_top_stops`` where
    the lights in it do, ``bright_clipped`` whether more than 1 % of it is clipped. [stops]
    ``blocks_used`` of ``blocks_asked`` blocks took part in the comparison, of the middle or, with ``whole_frame``, of
    all.
    """

    method: str
    method_version: int
    width: int
    height: int
    level_stops: float
    against_reference_stops: float | None = None
    spread_stops: float | None = None
    corners_stops: Corners = Corners()
    blocks_used: int = 0
    blocks_asked: int = 0
    whole_frame: bool = False
    clipped_high: Channels
    clipped_low: Channels
    why_none: str | None = None
    bright_stops: float | None = None
    bright_top_stops: float | None = None
    bright_clipped: bool = False


def read_frame(path: Path, reference: FrameMeasure | None = None) -> Reading:
    """Measure the frame at ``path`` and compare it with ``reference``, if there is one.

    Raises
    ------
    PictureUnreadable
        If ``path`` is no whole JPEG of a size that can be decoded.
    """
    return compare(measure_frame(path), reference)


def measure_frame(path: Path) -> FrameMeasure:
    """Decode the frame at ``path`` in full and measure its blocks.

    Raises
    ------
    PictureUnreadable
        If ``path`` is no whole JPEG of a size that can be decoded.
    """
    with opened_jpeg(path) as jpeg:
        jpeg.load()
        return measure_picture(jpeg if jpeg.mode in ("L", "RGB") else jpeg.convert("RGB"))


def measure_picture(picture: Image.Image) -> FrameMeasure:
    """Measure the blocks of a decoded picture, grey or RGB."""
    width, height = picture.size
    columns, rows = (LONG_SIDE_BLOCKS, SHORT_SIDE_BLOCKS) if width >= height else (SHORT_SIDE_BLOCKS, LONG_SIDE_BLOCKS)
    columns, rows = min(columns, width), min(rows, height)
    lefts = [column * width // columns for column in range(columns + 1)]
    tops = [row * height // rows for row in range(rows + 1)]
    counts = np.empty((rows, columns, 3, 256), np.int32)
    for row in range(rows):
        for column in range(columns):
            block = picture.crop((lefts[column], tops[row], lefts[column + 1], tops[row + 1]))
            # A grey picture has one histogram, which then stands for all three channels. An array of C's numbers is
            # filled from a list of Python's faster than numpy's own.
            counts[row, column] = np.frombuffer(array("i", block.histogram()), np.int32).reshape(-1, 256)
    below = counts.cumsum(axis=-1, dtype=np.int32)
    pixels = below[:, :, 0, -1]
    linear = counts @ _LINEAR_OF_CODE / pixels[..., None]
    high, low = pixels[..., None] - below[..., CLIPPED_HIGH - 1], below[..., CLIPPED_LOW]
    lights = _LINEAR_OF_CODE[np.argmax(below >= (1 - TOP_SHARE) * pixels[..., None, None], axis=-1)].max(axis=-1)
    shares_high = [float(share) for share in high.sum(axis=(0, 1)) / pixels.sum()]
    shares_low = [float(share) for share in low.sum(axis=(0, 1)) / pixels.sum()]
    return FrameMeasure(
        width=width,
        height=height,
        luminance=linear @ _LUMINANCE,
        clipped=((high + low) / pixels[..., None]).max(axis=-1),
        clipped_high=(shares_high[0], shares_high[1], shares_high[2]),
        clipped_low=(shares_low[0], shares_low[1], shares_low[2]),
        lights=lights,
    )


def grey_stops(luminance: NDArray[np.float64]) -> NDArray[np.float64]:
    """A linear luminance [0..1] against 18 % grey. [stops]"""
    return _stops(luminance) - math.log2(MID_GREY)


def straighten(levels: NDArray[np.float64], tone: Sequence[float]) -> NDArray[np.float64]:
    """The light that made levels, both in stops against mid grey, by a measured tone curve.

    ``tone``: coefficients of a polynomial without constant, lowest power first; none: the levels as they are. Beyond
    where curves are measured it goes on straight.
    """
    if not tone:
        return levels
    curve = np.polynomial.Polynomial([0.0, *tone])
    inside = np.clip(levels, *TONE_ENDS)
    return np.asarray(curve(inside) + np.maximum(curve.deriv()(inside), 0.1) * (levels - inside))


def compare(frame: FrameMeasure, reference: FrameMeasure | None = None, tone: Sequence[float] = ()) -> Reading:
    """The reading of a measured frame, against a measured reference if there is one.

    ``tone``: the body's tone curve, as `straighten` takes it.
    """
    rows, columns = frame.luminance.shape
    centre = (_middle(rows), _middle(columns))
    facts: dict[str, Any] = {
        "method": METHOD["name"],
        "method_version": METHOD["version"],
        "width": frame.width,
        "height": frame.height,
        "level_stops": float(np.median(straighten(grey_stops(frame.luminance[centre]), tone))),
        "clipped_high": Channels(**dict(zip(Channels.model_fields, frame.clipped_high, strict=True))),
        "clipped_low": Channels(**dict(zip(Channels.model_fields, frame.clipped_low, strict=True))),
    } | _brightest(frame, centre)
    if reference is None:
        return Reading(**facts)
    if reference.luminance.shape != frame.luminance.shape or not math.isclose(
        frame.width / frame.height, reference.width / reference.height, rel_tol=ASPECT_SLACK
    ):
        why = f"the reference is {reference.width} x {reference.height}, this frame {frame.width} x {frame.height}"
        return Reading(**facts, why_none=why)

    ratios = straighten(grey_stops(frame.luminance), tone) - straighten(grey_stops(reference.luminance), tone)
    usable = (frame.clipped <= MOST_CLIPPED) & (reference.clipped <= MOST_CLIPPED)
    central = ratios[centre][usable[centre]]
    asked = ratios[centre].size
    difference = _median(central, asked)
    top, left = slice(0, max(rows // 6, 1)), slice(0, max(columns // 6, 1))
    bottom, right = slice(-max(rows // 6, 1), None), slice(-max(columns // 6, 1), None)
    regions = {
        "top_left": (top, left),
        "top_right": (top, right),
        "bottom_left": (bottom, left),
        "bottom_right": (bottom, right),
    }
    why_none = f"only {central.size} of {asked} central blocks are free of clipping in both frames"
    whole = difference is None
    if whole:
        central, asked = ratios[usable], ratios.size
        difference = _median(central, asked)
    return Reading(
        **facts,
        against_reference_stops=difference,
        spread_stops=None if difference is None else float(np.median(np.abs(central - difference))),
        corners_stops=Corners(
            **{name: _median(ratios[area][usable[area]], ratios[area].size) for name, area in regions.items()}
        ),
        blocks_used=int(central.size),
        blocks_asked=int(asked),
        whole_frame=whole and difference is not None,
        why_none=why_none if difference is None else None,
    )


def _brightest(frame: FrameMeasure, centre: tuple[slice, slice]) -> dict[str, Any]:
    """The figures of the brightest tenth of the central blocks."""
    luminance = frame.luminance[centre].ravel()
    chosen = np.argsort(luminance)[-max(1, round(BRIGHT_SHARE * luminance.size)) :]
    grey = math.log2(MID_GREY)
    return {
        "bright_stops": float(np.median(_stops(luminance[chosen])) - grey),
        "bright_top_stops": float(np.median(_stops(frame.lights[centre].ravel()[chosen])) - grey),
        "bright_clipped": bool(np.median(frame.clipped[centre].ravel()[chosen]) > MOST_CLIPPED),
    }


def _stops(luminance: NDArray[np.float64]) -> NDArray[np.float64]:
    """log2 of a linear luminance, with a floor at code 1."""
    return np.log2(np.maximum(luminance, _DARKEST))


def _middle(blocks: int) -> slice:
    return slice(blocks // 3, blocks - blocks // 3)


def _median(values: NDArray[np.float64], asked: int) -> float | None:
    """The median, or None when too few of the blocks asked for are left."""
    return float(np.median(values)) if values.size >= max(1, LEAST_BLOCKS_SHARE * asked) else None
