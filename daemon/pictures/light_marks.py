"""Fillings and small drawings of the light page: told apart by pattern, so that a grey copy loses nothing. [mm]"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator

from daemon.pictures.geometry import Area, Box, Dot, Item, Line, Tone
from plans.light import Phase

_OUTLINE = 0.25
# Distance and width of the strokes of a twilight; night is solid, day is bare.
_TWILIGHTS: dict[Phase, tuple[float, float]] = {
    "civil twilight": (3.6, 0.35),
    "nautical twilight": (2.0, 0.5),
    "astronomical twilight": (1.3, 0.7),
}
_POSSIBLE_PITCH, _POSSIBLE_DOT = 2.2, 0.38
_EXPECTED_PITCH, _EXPECTED_STROKE = 1.8, 0.45
_SUN = 1.2


def phase_filling(phase: Phase, box: Box) -> Iterator[Item]:
    """A part of the strip of night, twilights and day."""
    if phase == "night":
        yield Area(box, "slate")
        return
    yield Area(box, "paper")
    if phase in _TWILIGHTS:
        yield from slanting(box, *_TWILIGHTS[phase])


def sureness_filling(word: str, box: Box) -> Iterator[Item]:
    """A goal's window: sure is solid, expected has slanting strokes, possible has dots."""
    yield Area(box, "slate" if word == "sure" else "paper", _OUTLINE)
    if word == "expected":
        yield from slanting(box, _EXPECTED_PITCH, _EXPECTED_STROKE)
    elif word == "possible":
        columns, rows = max(round(box.w / _POSSIBLE_PITCH), 1), max(round(box.h / _POSSIBLE_PITCH), 1)
        radius = min(_POSSIBLE_DOT, box.w / 4)
        for column in range(columns):
            for row in range(rows):
                x, y = box.x + (column + 0.5) * box.w / columns, box.y + (row + 0.5) * box.h / rows
                yield Dot(x, y, radius)


def slanting(box: Box, pitch: float, stroke: float, tone: Tone = "ink") -> Iterator[Line]:
    """Strokes rising to the right, in step with those of every other box."""
    first = math.ceil((box.x + box.y) / pitch)
    last = math.floor((box.right + box.bottom) / pitch)
    for number in range(first, last + 1):
        total = number * pitch  # x + y is the same all along a stroke
        x1, x2 = max(box.x, total - box.bottom), min(box.right, total - box.y)
        if x2 > x1:
            yield Line(x1, total - x1, x2, total - x2, stroke, tone)


def dashed(x: float, top: float, bottom: float, stroke: float, tone: Tone = "ink") -> Iterator[Line]:
    """A broken line straight down."""
    y = top
    while y < bottom:
        yield Line(x, y, x, min(y + 1.6, bottom), stroke, tone)
        y += 2.8


def dial(
    x: float, y: float, radius: float, sun_azimuth_deg: float, shadow: float | None, facing_deg: float | None
) -> Iterator[Item]:
    """A compass seen from above, north up: the sun as a disc at the rim, the shadow of an upright from the middle.

    ``shadow`` is its length over the radius, drawn to the rim at most; None: there is none. ``facing_deg`` draws
    whither the camera looks.
    """
    corners = [_on_rim(x, y, radius, turn) for turn in range(0, 361, 10)]
    for (x1, y1), (x2, y2) in itertools.pairwise(corners):
        yield Line(x1, y1, x2, y2, 0.2, "soft")
    yield Line(x, y - radius, x, y - radius * 0.72, 0.35, "soft")
    if facing_deg is not None:
        for turn in (-20.0, 20.0):
            yield Line(x, y, *_on_rim(x, y, radius * 0.92, facing_deg + turn), 0.25, "soft")
    if shadow is not None:
        yield Line(x, y, *_on_rim(x, y, radius * min(shadow, 1.0), sun_azimuth_deg + 180), 0.9)
    yield Dot(x, y, 0.6)
    yield Dot(*_on_rim(x, y, radius - _SUN, sun_azimuth_deg), _SUN)


def _on_rim(x: float, y: float, radius: float, azimuth_deg: float) -> tuple[float, float]:
    turn = math.radians(azimuth_deg)
    return x + radius * math.sin(turn), y - radius * math.cos(turn)
