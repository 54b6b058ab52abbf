"""The shapes that a page is made of, and text cut into lines. Pure: no file, no drawing library.

All lengths in millimetres from the page's upper left corner, x to the right and y down; type sizes in points.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

Face = Literal["plain", "bold", "italic"]
Tone = Literal["ink", "soft", "hairline", "paper", "mat", "slate"]
Role = Literal["head", "foot", "group head", "picture", "text", "bars"]

Measure = Callable[[str, Face, float], float]
"""Width of a line of text, from text, face and size in points. [mm]"""

MM_A_POINT = 25.4 / 72
LEADING = 1.28  # distance of lines over type size
_ASCENT = 0.93  # height of the tallest letters over the baseline, over type size; the fonts say 0.76 for capitals
CUT = "…"
NO_BREAK = "\N{NO-BREAK SPACE}"
_UNIT = re.compile(r"(?<=\d) (?=(?:mm|cm|m|s|min|px|%|stops?)\b|%)")  # between a number and its unit


@dataclass(frozen=True)
class Box:
    """A rectangle. [mm]"""

    x: float
    y: float
    w: float
    h: float

    @property
    def right(self) -> float:
        return self.x + self.w

    @property
    def bottom(self) -> float:
        return self.y + self.h

    def overlaps(self, other: Box, slack: float = 1e-6) -> bool:
        """Whether the two share more than an edge."""
        return (
            self.x < other.right - slack
            and other.x < self.right - slack
            and self.y < other.bottom - slack
            and other.y < self.bottom - slack
        )

    def holds(self, other: Box, slack: float = 1e-6) -> bool:
        """Whether the other lies wholly inside."""
        return (
            other.x >= self.x - slack
            and other.y >= self.y - slack
            and other.right <= self.right + slack
            and other.bottom <= self.bottom + slack
        )


@dataclass(frozen=True)
class Text:
    """One line of text; ``y`` is its baseline, ``w`` its measured width. [mm]"""

    x: float
    y: float
    w: float
    text: str
    face: Face
    size: float
    tone: Tone = "ink"

    @property
    def box(self) -> Box:
        """From the top of the tallest letter to the foot of the line."""
        em = self.size * MM_A_POINT
        return Box(self.x, self.y - _ASCENT * em, self.w, LEADING * em)


@dataclass(frozen=True)
class Line:
    """A straight stroke ``width`` wide. [mm]"""

    x1: float
    y1: float
    x2: float
    y2: float
    width: float
    tone: Tone = "ink"

    @property
    def box(self) -> Box:
        return Box(min(self.x1, self.x2), min(self.y1, self.y2), abs(self.x2 - self.x1), abs(self.y2 - self.y1))


@dataclass(frozen=True)
class Area:
    """A filled rectangle, with an outline ``stroke`` wide if that is above nought. [mm]"""

    box: Box
    fill: Tone
    stroke: float = 0.0


@dataclass(frozen=True)
class Dot:
    """A filled disc. [mm]"""

    x: float
    y: float
    radius: float
    tone: Tone = "ink"

    @property
    def box(self) -> Box:
        return Box(self.x - self.radius, self.y - self.radius, 2 * self.radius, 2 * self.radius)


@dataclass(frozen=True)
class Place:
    """Where a picture goes: ``group`` and ``frame`` count from 0 in the order the sheet was given them."""

    box: Box
    group: int
    frame: int


Item = Text | Line | Area | Dot | Place


@dataclass(frozen=True)
class Block:
    """Things that belong together, all inside ``box``. Blocks of a page never overlap."""

    role: Role
    box: Box
    items: tuple[Item, ...]


@dataclass(frozen=True)
class Page:
    """One page. [mm]"""

    width: float
    height: float
    blocks: tuple[Block, ...]


def line_height(size: float) -> float:
    """Distance of two lines. [mm] ``size`` in points."""
    return size * LEADING * MM_A_POINT


def wrap(text: str, width: float, face: Face, size: float, measure: Measure) -> list[str]:
    """``text`` in lines no wider than ``width`` [mm]; a word wider than that is broken.

    Words tied by a no-break space stay together, and so do numbers and their units; in the lines it is an ordinary
    space, so that they can be searched.
    """
    lines: list[str] = []
    line = ""
    for tied in _UNIT.sub(NO_BREAK, text).split(" "):
        word = tied.replace(NO_BREAK, " ")
        trial = f"{line} {word}" if line else word
        if measure(trial, face, size) <= width:
            line = trial
            continue
        if line:
            lines.append(line)
        while measure(word, face, size) > width and len(word) > 1:
            head = _longest_head(word, width, face, size, measure)
            lines.append(word[:head])
            word = word[head:]
        line = word
    return [*lines, line] if line else lines


def _longest_head(word: str, width: float, face: Face, size: float, measure: Measure) -> int:
    """How many letters of a word go into ``width``; one at least, and one less than all at most."""
    low, high = 1, len(word) - 1
    while low < high:
        middle = (low + high + 1) // 2
        if measure(word[:middle], face, size) <= width:
            low = middle
        else:
            high = middle - 1
    return low


def cut(lines: Sequence[str], most: int, width: float, face: Face, size: float, measure: Measure) -> list[str]:
    """The first ``most`` lines; where some are left away, the last one kept ends in …"""
    if len(lines) <= most:
        return list(lines)
    if most <= 0:
        return []
    last = lines[most - 1]
    while last and measure(last + CUT, face, size) > width:
        last = last[:-1].rstrip()
    return [*lines[: most - 1], last.rstrip(" ,;:·.") + CUT]


def fit(
    text: str, width: float, height: float, face: Face, sizes: Sequence[float], measure: Measure
) -> tuple[list[str], float]:
    """``text`` wrapped into ``width`` x ``height`` [mm] at the first size [pt] that holds it, and that size.

    Where none does it is set in the last size and cut.
    """
    for size in sizes:
        lines = wrap(text, width, face, size, measure)
        if len(lines) * line_height(size) <= height + 1e-9:
            return lines, size
    most = int((height + 1e-9) / line_height(sizes[-1]))
    return cut(lines, most, width, face, size, measure), size


def set_lines(
    lines: Sequence[str], x: float, y: float, face: Face, size: float, measure: Measure, tone: Tone = "ink"
) -> tuple[list[Text], float]:
    """Lines set from the top ``y`` down, and the y below the last. [mm]"""
    placed = []
    for line in lines:
        placed.append(Text(x, y + _ASCENT * size * MM_A_POINT, measure(line, face, size), line, face, size, tone))
        y += line_height(size)
    return placed, y
