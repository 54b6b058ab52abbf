"""Curves over a series of frames: the light, the settings, the brightness as taken and as shown, and what was done.

Drawn like the sheets: ink on paper, told apart by dots, thick and thin lines and words, never by colour.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from daemon.files import wording
from daemon.pictures.film.frames import FilmFrame
from daemon.pictures.film.making import Shown
from daemon.pictures.reading import MID_GREY
from daemon.pictures.tones import RGB
from daemon.pictures.typeface import font_file

SIZE = (1600, 1280)
_LEFT, _RIGHT, _TOP, _PANEL, _GAP = 110, 40, 120, 220, 60
Curve = tuple[NDArray[np.float64], str]
"""Values over the frames, and how they are drawn: ``dots``, ``thick`` or ``thin``."""


def draw_plots(frames: Sequence[FilmFrame], shown: Shown, title: str, out: Path) -> None:
    """Draw the four curves of a series as PNG at ``out``. StoreError if the disk refuses."""
    image = Image.new("RGB", SIZE, RGB["paper"])
    draw = ImageDraw.Draw(image)
    draw.text((_LEFT, 24), title[:90], RGB["ink"], _letters("bold", 26))
    taken = shown.level - math.log2(MID_GREY)
    panels: list[tuple[str, str, list[Curve]]] = [
        (
            "Light, EV at ISO 100",
            "dots: told from the pictures and their exact settings",
            [(taken - shown.given, "dots")],
        ),
        (
            "Light given by the settings, stops",
            "thin: as set, in steps; thick: smoothed, as shown",
            [(shown.given, "thin"), (shown.given + shown.step, "thick")],
        ),
        (
            "Brightness against mid grey, stops",
            "dots: as taken; thick: as shown",
            [(taken, "dots"), (taken + shown.gain, "thick")],
        ),
        (
            "How much brighter each frame is shown, stops",
            "thin: for the steps of the settings; dots: for what remained",
            [(shown.step, "thin"), (shown.steady, "dots")],
        ),
    ]
    numbers = np.array([frame.number for frame in frames], dtype=float)
    for place, (name, legend, curves) in enumerate(panels):
        top = _TOP + place * (_PANEL + _GAP)
        _panel(draw, top, name, legend, numbers, curves, place == len(panels) - 1)
    passing = out.with_name(f".{out.name}.new")
    with wording("write", out, out.parent):
        image.save(passing, "PNG", optimize=False)
        passing.replace(out)


def _panel(
    draw: ImageDraw.ImageDraw,
    top: int,
    name: str,
    legend: str,
    numbers: NDArray[np.float64],
    curves: Sequence[Curve],
    last: bool,
) -> None:
    bottom, right = top + _PANEL, SIZE[0] - _RIGHT
    draw.text((_LEFT, top - 24), name, RGB["ink"], _letters("bold", 17))
    draw.text((right, top - 24), legend, RGB["soft"], _letters("plain", 15), anchor="ra")
    values = np.concatenate([curve for curve, _ in curves])
    known = values[np.isfinite(values)]
    if not len(known):
        draw.text((_LEFT + 20, top + _PANEL // 2), "nothing could be measured", RGB["soft"], _letters("plain", 17))
        return
    step = _step(float(known.max() - known.min()), 5)
    low, high = math.floor(known.min() / step) * step, math.ceil(known.max() / step) * step
    high = high if high > low else low + step

    def x_of(number: float) -> float:
        return float(_LEFT + (right - _LEFT) * (number - numbers[0]) / max(1.0, numbers[-1] - numbers[0]))

    def y_of(value: float) -> float:
        return float(bottom - _PANEL * (value - low) / (high - low))

    for count in range(round((high - low) / step) + 1):
        value = low + count * step
        draw.line((_LEFT, y_of(value), right, y_of(value)), RGB["hairline"])
        draw.text((_LEFT - 12, y_of(value)), f"{value:.3g}", RGB["ink"], _letters("plain", 15), anchor="rm")
    apart = max(1, round(_step(float(numbers[-1] - numbers[0]), 10)))
    for number in range(math.ceil(numbers[0] / apart) * apart, int(numbers[-1]) + 1, apart):
        draw.line((x_of(number), bottom, x_of(number), bottom + 6), RGB["ink"])
        draw.text((x_of(number), bottom + 9), str(number), RGB["ink"], _letters("plain", 15), anchor="ma")
    draw.line((_LEFT, bottom, right, bottom), RGB["ink"])
    if last:
        draw.text((right, bottom + 32), "frame", RGB["ink"], _letters("plain", 15), anchor="ra")
    for curve, kind in curves:
        points = [(x_of(n), y_of(v)) if math.isfinite(v) else None for n, v in zip(numbers, curve, strict=True)]
        _draw(draw, points, kind)


def _draw(draw: ImageDraw.ImageDraw, points: Sequence[tuple[float, float] | None], kind: str) -> None:
    if kind == "dots":
        for point in points:
            if point is not None:
                draw.ellipse((point[0] - 2, point[1] - 2, point[0] + 2, point[1] + 2), RGB["ink"])
        return
    for one, other in pairwise(points):
        if one is not None and other is not None:
            draw.line((*one, *other), RGB["ink"], 3 if kind == "thick" else 1)


def _step(span: float, most: int) -> float:
    """A step of 1, 2 or 5 times a power of ten that divides ``span`` into at most ``most`` parts."""
    if span <= 0:
        return 1.0
    power = 10.0 ** math.floor(math.log10(span / most))
    return next(power * factor for factor in (1, 2, 5, 10) if span / (power * factor) <= most)


def _letters(face: str, size: int) -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(str(font_file("bold" if face == "bold" else "plain")), size)
