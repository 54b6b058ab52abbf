"""One frame's place on a sheet: the picture in its grey surround, and the words that go with it."""

from __future__ import annotations

from dataclasses import replace

from daemon.pictures.geometry import (
    Area,
    Block,
    Box,
    Face,
    Item,
    Line,
    Measure,
    Place,
    Text,
    Tone,
    cut,
    fit,
    line_height,
    set_lines,
    wrap,
)
from daemon.pictures.words import Cell

SETTINGS_SIZE, FACTS_SIZE, CAPTION_SIZE, NUMBER_SIZE = 8.5, 7.0, 7.5, 8.5
LEAST_SIZE = 4.5
LEAST_PICTURE_WIDTH = 4.0

_MAT = 1.6  # of grey around the picture [mm]
# Width of the column for the number, over its type size, for one figure and for two. [mm a point]
_NUMBER_WIDTH, _WIDE_NUMBER_WIDTH = 0.66, 0.82
_CAPTION_LINES = 5  # that room is kept for
_PARAGRAPH_GAP = 0.8


def picture_block(cell: Cell, box: Box, group: int, frame: int, outlined: bool, measure: Measure) -> Block:
    """The grey surround with the picture, or with a word on why there is none; as wide in ``box`` as it has to be."""
    if cell.aspect is not None and (box.w - 2 * _MAT) / (box.h - 2 * _MAT) > cell.aspect:
        box = replace(box, w=max((box.h - 2 * _MAT) * cell.aspect, LEAST_PICTURE_WIDTH) + 2 * _MAT)
    outline = 0.7 if outlined else 0.0
    items: list[Item] = [Area(box, "mat", outline)]
    inner = Box(box.x + _MAT, box.y + _MAT, box.w - 2 * _MAT, box.h - 2 * _MAT)
    if cell.aspect is not None:
        items.append(Place(_within(inner, cell.aspect), group, frame))
        return Block("picture", box, tuple(items))
    items.append(Area(inner, "paper", 0.25))
    items.append(Line(inner.x, inner.y, inner.right, inner.bottom, 0.15, "hairline"))
    items.append(Line(inner.x, inner.bottom, inner.right, inner.y, 0.15, "hairline"))
    lines, size = fit(cell.missing, inner.w - 2, inner.h - 2, "bold", (10, 8, 6, LEAST_SIZE), measure)
    y = inner.y + (inner.h - len(lines) * line_height(size)) / 2
    for line in lines:
        width = measure(line, "bold", size)
        x = inner.x + (inner.w - width) / 2
        items.append(Area(Box(x - 1, y, width + 2, line_height(size)), "paper"))
        placed, y = set_lines([line], x, y, "bold", size, measure)
        items += placed
    return Block("picture", box, tuple(items))


def least_text_height(cell: Cell, width: float, scale: float, measure: Measure) -> float:
    """The height that a cell's words want at a type scale, a long caption not counted in full. [mm]"""
    inner = width - _number_width(cell.number, scale)
    settings = len(wrap(cell.settings, inner, "bold", SETTINGS_SIZE * scale, measure))
    facts = sum(len(wrap(fact, inner, "plain", FACTS_SIZE * scale, measure)) for fact in cell.facts)
    caption = len(wrap(cell.caption, inner, "italic", CAPTION_SIZE * scale, measure))
    return (
        settings * line_height(SETTINGS_SIZE * scale)
        + facts * line_height(FACTS_SIZE * scale)
        + min(caption, _CAPTION_LINES) * line_height(CAPTION_SIZE * scale)
        + 2 * _PARAGRAPH_GAP
        + 0.05
    )


def text_block(cell: Cell, box: Box, scale: float, measure: Measure) -> Block:
    """Number, settings, caption and facts within ``box``; what does not fit is set smaller, then cut with …

    The block ends where its words end.
    """
    number_width = _number_width(cell.number, scale)
    size = NUMBER_SIZE * scale
    number = str(cell.number)
    items: list[Text] = []
    placed, _ = set_lines([number], box.x, box.y, "bold", size, measure)
    if box.h >= line_height(size):
        items += placed
    x, inner = box.x + number_width, box.w - number_width
    y = box.y

    def room(wanted: float) -> float:
        return max(min(wanted, box.bottom - y), 0.0)

    def paragraph(text: str, face: Face, points: float, height: float, tone: Tone = "ink") -> None:
        nonlocal y
        sizes = [max(points * shrink, LEAST_SIZE) for shrink in (1.0, 0.9, 0.8)]
        lines, chosen = fit(text, inner, height, face, sizes, measure)
        more, y = set_lines(lines, x, y, face, chosen, measure, tone)
        items.extend(more)

    paragraph(cell.settings, "bold", SETTINGS_SIZE * scale, room(box.h))
    y += _PARAGRAPH_GAP
    facts = [line for fact in cell.facts for line in wrap(fact, inner, "plain", FACTS_SIZE * scale, measure)]
    facts_height = len(facts) * line_height(FACTS_SIZE * scale)
    # The figures are what the sheet is for: the caption has what they leave, but a line at least.
    keep = line_height(CAPTION_SIZE * scale)
    paragraph(cell.caption, "italic", CAPTION_SIZE * scale, room(max(box.bottom - y - facts_height - 0.8, keep)))
    y += _PARAGRAPH_GAP
    most = int((box.bottom - y + 1e-9) / line_height(FACTS_SIZE * scale))
    shown = cut(facts, most, inner, "plain", FACTS_SIZE * scale, measure)
    more, y = set_lines(shown, x, y, "plain", FACTS_SIZE * scale, measure)
    items += more
    end = min(max([y, *(item.box.bottom for item in items)]), box.bottom)
    return Block("text", Box(box.x, box.y, box.w, end - box.y), tuple(items))


def _number_width(number: int, scale: float) -> float:
    return NUMBER_SIZE * scale * (_NUMBER_WIDTH if number < 10 else _WIDE_NUMBER_WIDTH)


def _within(box: Box, aspect: float) -> Box:
    """The largest box of an aspect in the middle of another."""
    width = min(box.w, box.h * aspect)
    height = width / aspect
    return Box(box.x + (box.w - width) / 2, box.y + (box.h - height) / 2, width, height)
