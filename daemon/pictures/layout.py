"""Where everything on a comparison sheet goes: A4 pages, landscape. Pure geometry and text; nothing is drawn here.

A group has a page of its own; two single pictures in a row share one. A group of more than eight is spread evenly over
pages, so that a pair is never parted and no picture is left alone. Within a page the arrangement of columns, rows and
stop bars is the one that leaves the pictures the largest.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from daemon.pictures.barpanel import bar_panel, good_height, least_height, least_width, legend, scale_length
from daemon.pictures.cells import least_text_height, picture_block, text_block
from daemon.pictures.geometry import Block, Box, Item, Line, Measure, Page, Text, fit, line_height, set_lines
from daemon.pictures.words import Cell, GroupText

PAGE_WIDTH, PAGE_HEIGHT, MARGIN = 297.0, 210.0, 11.0
MOST_ON_A_PAGE = 8

_HEAD_HEIGHT, _FOOT_HEIGHT, _GAP = 13.0, 8.5, 3.5
_COLUMN_GAP, _ROW_GAP = 5.0, 3.5
_LEAST_PICTURE = 16.0
_SIDE_PANELS = (62.0, 74.0, 88.0)
_TEXT_SCALES, _SMALL_SCALES = (1.25, 1.15, 1.05, 0.95, 0.85), (0.75, 0.65)
_LONE_PICTURE_SHARE = 0.62  # of the width, at most
_TALLEST, _WIDEST = 0.66, 1.8


@dataclass(frozen=True)
class Part:
    """The frames of one group that share a page; ``first`` is the place of its first cell within the group."""

    group: int
    first: int
    title: str
    lines: tuple[str, ...]
    cells: tuple[Cell, ...]
    stops: float


@dataclass(frozen=True)
class _Grid:
    columns: int
    rows: int
    picture: Box  # of the first cell, relative to the area
    text_height: float
    panel: Box  # relative to the area
    scale: float


def lay_out(groups: Sequence[GroupText], title: str, subtitle: str, note: str, measure: Measure) -> list[Page]:
    """The pages of a sheet. ``note`` goes to the foot of each page; empty for none."""
    pages_of_parts = list(_paged(groups)) or [[]]
    body = Box(
        MARGIN,
        MARGIN + _HEAD_HEIGHT + _GAP,
        PAGE_WIDTH - 2 * MARGIN,
        PAGE_HEIGHT - 2 * MARGIN - _HEAD_HEIGHT - _FOOT_HEIGHT - 2 * _GAP,
    )
    pages = []
    for number, parts in enumerate(pages_of_parts, 1):
        blocks = [_head(title, subtitle, measure)]
        if not parts:
            text, _ = set_lines(["There is nothing to show: no groups."], body.x, body.y, "plain", 11, measure)
            blocks.append(Block("group head", Box(body.x, body.y, body.w, line_height(11)), tuple(text)))
        height = (body.h - _GAP * (len(parts) - 1)) / max(len(parts), 1)
        for row, part in enumerate(parts):
            blocks += _place_part(part, Box(body.x, body.y + row * (height + _GAP), body.w, height), measure)
        blocks.append(_foot(number, len(pages_of_parts), note, measure))
        pages.append(Page(PAGE_WIDTH, PAGE_HEIGHT, tuple(blocks)))
    return pages


def even_parts(count: int, most: int) -> list[int]:
    """``count`` cut into the fewest parts of at most ``most``, which differ by one at most."""
    parts = max(1, math.ceil(count / most))
    return [count // parts + (1 if n < count % parts else 0) for n in range(parts)]


def _paged(groups: Sequence[GroupText]) -> Iterator[list[Part]]:
    """Parts, a list a page."""
    waiting: list[Part] = []
    for number, group in enumerate(groups):
        sizes = even_parts(len(group.cells), MOST_ON_A_PAGE)
        first = 0
        for index, size in enumerate(sizes, 1):
            title = group.title if len(sizes) == 1 else f"{group.title} ({index} of {len(sizes)})"
            cells = group.cells[first : first + size]
            part = Part(number, first, title, group.lines, cells, scale_length(group.cells))
            first += size
            if len(group.cells) == 1:
                waiting.append(part)
                if len(waiting) == 2:
                    yield waiting
                    waiting = []
                continue
            if waiting:
                yield waiting
                waiting = []
            yield [part]
    if waiting:
        yield waiting


def _head(title: str, subtitle: str, measure: Measure) -> Block:
    box = Box(MARGIN, MARGIN, PAGE_WIDTH - 2 * MARGIN, _HEAD_HEIGHT)
    lines, size = fit(title, box.w, 7.4, "bold", (15, 13, 11, 9, 8), measure)
    texts, y = set_lines(lines, box.x, box.y, "bold", size, measure)
    lines, size = fit(subtitle, box.w, box.bottom - 0.8 - y, "plain", (8.5, 8, 7, 6), measure)
    more, _ = set_lines(lines, box.x, y, "plain", size, measure, "soft")
    rule = Line(box.x, box.bottom - 0.2, box.right, box.bottom - 0.2, 0.35)
    return Block("head", box, (*texts, *more, rule))


def _foot(number: int, pages: int, note: str, measure: Measure) -> Block:
    box = Box(MARGIN, PAGE_HEIGHT - MARGIN - _FOOT_HEIGHT, PAGE_WIDTH - 2 * MARGIN, _FOOT_HEIGHT)
    size = 6.5
    items: list[Item] = [Line(box.x, box.y + 0.2, box.right, box.y + 0.2, 0.2, "hairline")]
    items += legend(box.x, box.y + 4.0, size, measure)
    page = f"page {number} of {pages}"
    width = measure(page, "plain", size)
    items.append(Text(box.right - width, box.y + 4.0, width, page, "plain", size, "soft"))
    words = "Bars that end at one line give one brightness; the number is how far a bar ends from it, in stops."
    lines, small = fit(f"{words} {note}", box.w, 3.6, "plain", (size, 6, 5.5, 5), measure)
    texts, _ = set_lines(lines, box.x, box.y + 5.0, "plain", small, measure, "soft")
    return Block("foot", box, (*items, *texts))


def _place_part(part: Part, area: Box, measure: Measure) -> list[Block]:
    """A part's blocks inside ``area``."""
    head = _group_head(part, area, measure)
    rest = Box(area.x, head.box.bottom + 2.0, area.w, area.bottom - head.box.bottom - 2.0)
    if not part.cells:
        return [head]
    if len(part.cells) == 1:
        return [head, *_place_lone(part, rest, measure)]
    return [head, *_place_grid(part, rest, measure)]


def _group_head(part: Part, area: Box, measure: Measure) -> Block:
    lines, size = fit(part.title, area.w, 10.0, "bold", (12, 11, 10, 9, 8), measure)
    texts, y = set_lines(lines, area.x, area.y, "bold", size, measure)
    most = area.y + 0.3 * area.h  # pictures come first
    for line in part.lines:
        lines, size = fit(line, area.w, max(most - y, line_height(6)), "plain", (8, 7.5, 7, 6), measure)
        if y + len(lines) * line_height(size) > most + 1e-9:
            break
        more, y = set_lines(lines, area.x, y, "plain", size, measure)
        texts += more
    return Block("group head", Box(area.x, area.y, area.w, y - area.y), tuple(texts))


def _place_lone(part: Part, area: Box, measure: Measure) -> list[Block]:
    """One picture: it stands on the left, its words on the right with its stop bar under them."""
    cell = part.cells[0]
    width = min(area.h * _aspect(part.cells), area.w * _LONE_PICTURE_SHARE)
    picture = Box(area.x, area.y, width, width / _aspect(part.cells))
    panel_height = good_height(1)
    side = Box(picture.right + _COLUMN_GAP, area.y, area.right - picture.right - _COLUMN_GAP, area.h)
    words = Box(side.x, side.y, side.w, side.h - panel_height - _ROW_GAP)
    scale = next((s for s in _TEXT_SCALES if least_text_height(cell, side.w, s, measure) <= words.h), _SMALL_SCALES[0])
    text = text_block(cell, words, scale, measure)
    panel = Box(side.x, text.box.bottom + _ROW_GAP, side.w, panel_height)
    return [
        picture_block(cell, picture, part.group, part.first, False, measure),
        text,
        bar_panel(part.cells, panel, part.stops, measure),
    ]


def _place_grid(part: Part, area: Box, measure: Measure) -> list[Block]:
    """Several pictures in rows, the words under each, the stop bars below all or on the right."""
    grid = _best_grid(part, area, measure)
    blocks = []
    for place, cell in enumerate(part.cells):
        row, column = divmod(place, grid.columns)
        x = area.x + column * (grid.picture.w + _COLUMN_GAP)
        y = area.y + row * (grid.picture.h + 1.5 + grid.text_height + _ROW_GAP)
        picture = replace(grid.picture, x=x, y=y)
        words = Box(x, picture.bottom + 1.5, picture.w, grid.text_height)
        blocks.append(picture_block(cell, picture, part.group, part.first + place, cell.is_reference, measure))
        blocks.append(text_block(cell, words, grid.scale, measure))
    panel = Box(area.x + grid.panel.x, area.y + grid.panel.y, grid.panel.w, grid.panel.h)
    return [*blocks, bar_panel(part.cells, panel, part.stops, measure)]


def _best_grid(part: Part, area: Box, measure: Measure) -> _Grid:
    """The arrangement that serves pictures and type best; small type only where nothing else fits."""
    for scales in (_TEXT_SCALES, _SMALL_SCALES):
        grids = [grid for scale in scales for grid in _grids(part, area, scale, measure)]
        if grids:
            # A picture twice as tall is worth type a quarter the size: pictures come first.
            return max(grids, key=lambda grid: grid.picture.h * math.sqrt(grid.scale))
    return _last_resort(part, area)


def _grids(part: Part, area: Box, scale: float, measure: Measure) -> Iterator[_Grid]:
    count, aspect = len(part.cells), _aspect(part.cells)
    below = good_height(count)
    panels = [Box(0, area.h - below, area.w, below)]
    least = min(least_width(part.stops), _SIDE_PANELS[-1])
    panels += [Box(area.w - width, 0, width, area.h) for width in _SIDE_PANELS if width >= least]
    for panel in panels:
        beside = panel.x > 0
        width = area.w - panel.w - _COLUMN_GAP * 2 if beside else area.w
        height = area.h if beside else panel.y - _ROW_GAP
        for columns in range(2, count + 1):
            rows = math.ceil(count / columns)
            if count % columns == 1 and count > 2 and columns > 2:
                continue  # a picture alone in the last row
            cell_width = (width - _COLUMN_GAP * (columns - 1)) / columns
            cell_height = (height - _ROW_GAP * (rows - 1)) / rows
            if cell_width < _LEAST_PICTURE:
                continue
            text_height = max(least_text_height(cell, cell_width, scale, measure) for cell in part.cells)
            picture_height = min(cell_height - 1.5 - text_height, cell_width / aspect)
            if picture_height < _LEAST_PICTURE:
                continue
            picture = Box(0, 0, cell_width, picture_height)
            used = rows * (picture_height + 1.5 + text_height + _ROW_GAP) - _ROW_GAP
            if beside:
                tall = min(used, area.h)
                yield _Grid(columns, rows, picture, text_height, replace(panel, h=tall), scale)
            else:
                top = min(used + _ROW_GAP, panel.y)
                yield _Grid(columns, rows, picture, text_height, replace(panel, y=top), scale)


def _last_resort(part: Part, area: Box) -> _Grid:
    """Words too many for any arrangement: pictures at their least, the words cut to what is left."""
    count = len(part.cells)
    columns = min(count, 4)
    rows = math.ceil(count / columns)
    panel = least_height(count)
    cell_height = (area.h - panel - _ROW_GAP * rows) / rows
    cell_width = (area.w - _COLUMN_GAP * (columns - 1)) / columns
    picture_height = min(_LEAST_PICTURE, cell_height / 2)
    return _Grid(
        columns,
        rows,
        Box(0, 0, cell_width, picture_height),
        cell_height - picture_height - 1.5,
        Box(0, area.h - panel, area.w, panel),
        _SMALL_SCALES[-1],
    )


def _aspect(cells: Sequence[Cell]) -> float:
    """Width over height of the places for pictures: the middle one of the pictures' own, within reason."""
    known = sorted(cell.aspect for cell in cells if cell.aspect is not None)
    return min(max(known[len(known) // 2], _TALLEST), _WIDEST) if known else 1.5
