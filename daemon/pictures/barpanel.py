"""The stop bars of a group, set under one another so that their ends can be compared.

The four settings are told apart by their filling and their letter: aperture solid, time slanting lines, ISO dots,
filter level lines. No colour is needed, and a grey copy loses nothing.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

from daemon.pictures.geometry import (
    MM_A_POINT,
    Area,
    Block,
    Box,
    Dot,
    Face,
    Item,
    Line,
    Measure,
    Text,
    fit,
    line_height,
    set_lines,
)
from daemon.pictures.stopbar import BAR_KINDS, LETTERS, BarKind, Segment
from daemon.pictures.words import Cell, signed

TITLE = "Stop bars: one division is one stop"
LEAST_PITCH, MOST_PITCH = 4.6, 12.0

_NUMBER_WIDTH, _OFF_WIDTH = 7.0, 12.0
_THICKNESS, _THICKEST = 0.66, 7.0  # of a bar: over the pitch of bars, and at most [mm]
_OUTLINE, _END_LINE, _GRID_LINE = 0.18, 0.3, 0.12
_PLATE_EDGE = 0.4
_SLANT_PITCH, _LEVEL_PITCH, _DOT_PITCH, _DOT_RADIUS, _STROKE = 1.15, 0.8, 1.05, 0.2, 0.16
_MEANINGS = {
    "aperture": "aperture, wider is longer",
    "time": "time, longer is longer",
    "iso": "ISO, higher is longer",
    "filters": "filter, weaker is longer",
}


def least_height(bars: int) -> float:
    """The least height that a panel of so many bars needs. [mm]"""
    return line_height(7) + 1.5 + bars * LEAST_PITCH + 1.0


def good_height(bars: int) -> float:
    """The height at which a panel of so many bars looks best. [mm]"""
    return line_height(8) + 1.5 + bars * max(LEAST_PITCH, 9.5 - 0.4 * bars) + 1.0


def least_width(stops: float) -> float:
    """The least width at which a panel's segments of one stop have room for their letter. [mm]"""
    return _NUMBER_WIDTH + _OFF_WIDTH + 3.0 * stops


def scale_length(cells: Sequence[Cell]) -> float:
    """Stops that a panel must have room for: the longest bar, or the line where all fall short of it. [stops]"""
    return max((max(cell.bar.total, cell.bar.line) for cell in cells), default=1.0)


def bar_panel(cells: Sequence[Cell], box: Box, stops: float, measure: Measure) -> Block:
    """The panel of the cells' bars, drawn to a scale on which ``stops`` fill the width of ``box``."""
    title, size = fit(TITLE, box.w, line_height(8), "plain", (8, 7.5, 7, 6.5, 6, 5.5), measure)
    texts, top = set_lines(title, box.x, box.y, "plain", size, measure, "soft")
    items: list[Item] = [*texts]
    top += 1.5
    pitch = min(MOST_PITCH, (box.bottom - top - 1.0) / max(len(cells), 1))
    bottom = top + pitch * len(cells)
    left = box.x + _NUMBER_WIDTH
    unit = (box.w - _NUMBER_WIDTH - _OFF_WIDTH) / stops
    for division in range(math.floor(stops + 1e-9) + 1):
        x = left + division * unit
        items.append(Line(x, top, x, bottom, _GRID_LINE, "hairline"))
    for row, cell in enumerate(cells):
        middle = top + (row + 0.5) * pitch
        thick = min(pitch * _THICKNESS, _THICKEST)
        letters = min(7.0, thick / MM_A_POINT * 0.8)
        for segment in cell.bar.segments:
            place = Box(left + segment.start * unit, middle - thick / 2, segment.length * unit, thick)
            items += filled(segment.kind, place)
            items += _label(segment, place, letters, measure)
        face: Face = "bold" if cell.is_reference else "plain"
        baseline = middle + 0.36 * letters * MM_A_POINT
        number = str(cell.number)
        items.append(Text(box.x, baseline, measure(number, face, letters), number, face, letters))
        off = signed(cell.bar.beyond)
        width = measure(off, "plain", letters)
        items.append(Text(box.right - width, baseline, width, off, "plain", letters))
    line = left + min(max(cells[0].bar.line, 0.0), stops) * unit if cells else left
    items.append(Line(line, top - 1.0, line, bottom + 1.0, _END_LINE))
    return Block("bars", box, tuple(items))


def legend(x: float, y: float, size: float, measure: Measure) -> list[Item]:
    """One line that says what each filling means, from ``x`` on, on the baseline ``y``."""
    items: list[Item] = []
    height = size * MM_A_POINT
    for kind in BAR_KINDS:
        swatch = Box(x, y - height * 0.86, height * 2.2, height * 1.05)
        items += filled(kind, swatch)
        text = f"{LETTERS[kind]} {_MEANINGS[kind]}"
        width = measure(text, "plain", size)
        items.append(Text(swatch.right + 1.2, y, width, text, "plain", size, "soft"))
        x = swatch.right + 1.2 + width + 4.5
    return items


def filled(kind: BarKind, box: Box) -> Iterator[Item]:
    """A rectangle filled in the way of one kind of setting."""
    yield Area(box, "slate" if kind == "aperture" else "paper", _OUTLINE)
    if kind == "time":
        yield from _slanting(box)
    elif kind == "iso":
        yield from _dotted(box)
    elif kind == "filters":
        rows = max(int(box.h / _LEVEL_PITCH), 1)
        for row in range(1, rows):
            y = box.y + row * box.h / rows
            yield Line(box.x, y, box.right, y, _STROKE)


def _slanting(box: Box) -> Iterator[Line]:
    """Strokes rising to the right, in step with those of every other bar."""
    first = math.ceil((box.x + box.y) / _SLANT_PITCH)
    last = math.floor((box.right + box.bottom) / _SLANT_PITCH)
    for number in range(first, last + 1):
        total = number * _SLANT_PITCH  # x + y is the same all along a stroke
        x1, x2 = max(box.x, total - box.bottom), min(box.right, total - box.y)
        if x2 > x1:
            yield Line(x1, total - x1, x2, total - x2, _STROKE)


def _dotted(box: Box) -> Iterator[Dot]:
    columns, rows = max(round(box.w / _DOT_PITCH), 1), max(round(box.h / _DOT_PITCH), 1)
    radius = min(_DOT_RADIUS, box.w / 4, box.h / 4)
    for row in range(rows):
        for column in range(columns):
            yield Dot(box.x + (column + 0.5) * box.w / columns, box.y + (row + 0.5) * box.h / rows, radius)


def _label(segment: Segment, box: Box, size: float, measure: Measure) -> Iterator[Item]:
    """The letter, with the mark where there is room, on a plain plate in the middle of a segment."""
    # A mark needs room for its filling to be seen on both sides; a small letter shows it above and below.
    options = (
        (f"{segment.letter} {segment.mark}", size, 2.2),
        (segment.letter, size, 1.4),
        (segment.letter, 0.7 * size, 0.0),
    )
    for text, points, seen in options:
        width = measure(text, "bold", points)
        if width + 2 * _PLATE_EDGE + seen <= box.w:
            height = min(0.84 * box.h, 1.5 * points * MM_A_POINT)
            plate = Box(box.x + (box.w - width) / 2 - _PLATE_EDGE, box.y + (box.h - height) / 2, width, height)
            yield Area(replace(plate, w=width + 2 * _PLATE_EDGE), "paper")
            baseline = box.y + box.h / 2 + 0.36 * points * MM_A_POINT
            yield Text(plate.x + _PLATE_EDGE, baseline, width, text, "bold", points)
            return
    # Too narrow for any letter: the filling alone tells.
