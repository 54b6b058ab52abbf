"""Where everything goes on a drawn pocket card: A6 pages, upright. Pure geometry and text; nothing is drawn here.

Type is large: the letters of a picture's line are 3 mm tall, which is read from 0.6 m, an arm's length (letter height
over distance of 1/200; common practice, no source).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

from daemon.pictures.geometry import (
    MM_A_POINT,
    Area,
    Block,
    Box,
    Face,
    Item,
    Line,
    Measure,
    Page,
    Text,
    fit,
    line_height,
    set_lines,
    wrap,
)
from plans.pocket_card import Card, CardLine, tied

WIDTH, HEIGHT, MARGIN = 105.0, 148.0, 6.0
FRAME_SIZES = (12.5, 12.0, 11.0, 10.0, 9.0, 8.0)  # type of a picture's line [pt]: the first that fits

_FOOT_HEIGHT, _BLOCK_GAP, _ROW_GAP = 8.0, 2.6, 0.7
_BOX_SIDE, _BOX_STROKE, _INDENT, _BAR = 4.2, 0.4, 6.6, 1.2
_COLUMN_GAP, _WIDEST_CELL = 2.8, 31.0
_SIZES: dict[str, tuple[float, Face]] = {
    "title": (15.0, "bold"),
    "head": (11.5, "bold"),
    "do": (10.5, "plain"),
    "note": (9.5, "plain"),
    "caution": (9.5, "bold"),
}

Clean = Callable[[str], str]


@dataclass(frozen=True)
class _Row:
    """Things on one or more lines that no page may part; their places count from the row's own top. [mm]"""

    height: float
    items: tuple[Item, ...]


def lay_out_card(card: Card, measure: Measure, clean: Clean = str) -> list[Page]:
    """The pages of a card.

    A block goes to the next page when it fits there and not on this one; one longer than a page is parted between its
    lines. ``clean`` is put over every text, so that only letters the typeface has are left.
    """
    body = Box(MARGIN, MARGIN, WIDTH - 2 * MARGIN, HEIGHT - 2 * MARGIN - _FOOT_HEIGHT)
    columns = _columns(card, measure, clean)
    pages: list[list[Block]] = [[]]
    y = body.y
    for block in card.blocks:
        rows = [row for line in block.lines for row in _rows(line, body.w, columns, measure, clean)]
        whole = sum(row.height for row in rows)
        if pages[-1] and y + whole > body.bottom and whole <= body.h:
            pages.append([])
            y = body.y
        while rows:
            taken, top = 0, y
            items: list[Item] = []
            while taken < len(rows) and (y + rows[taken].height <= body.bottom or y == body.y):
                items += [_moved(item, body.x, y) for item in rows[taken].items]
                y += rows[taken].height
                taken += 1
            if taken:
                pages[-1].append(Block("text", Box(body.x, top, body.w, y - top), tuple(items)))
            rows = rows[taken:]
            if rows:
                pages.append([])
                y = body.y
        y += _BLOCK_GAP
    return [
        Page(WIDTH, HEIGHT, (*blocks, _foot(card, number, len(pages), measure, clean)))
        for number, blocks in enumerate(pages, 1)
    ]


@dataclass(frozen=True)
class _Columns:
    """Size of the type of picture lines [pt] and where their columns begin [mm]; ``end`` is where the last one does."""

    size: float
    starts: tuple[float, float, float, float]
    end: float


def _columns(card: Card, measure: Measure, clean: Clean) -> _Columns:
    frames = [line for block in card.blocks for line in block.lines if line.kind == "frame"]
    found = _Columns(FRAME_SIZES[0], (0.0, 0.0, 0.0, 0.0), 0.0)
    for size in FRAME_SIZES:
        starts, x = [], _INDENT
        for column in range(4):
            starts.append(x)
            widths = [measure(clean(line.cells[column]), "bold", size) for line in frames]
            x += max((width for width in widths if width <= _WIDEST_CELL), default=0.0) + _COLUMN_GAP
        found = _Columns(size, (starts[0], starts[1], starts[2], starts[3]), x)
        if x - _COLUMN_GAP <= WIDTH - 2 * MARGIN:
            break
    return found


def _rows(line: CardLine, width: float, columns: _Columns, measure: Measure, clean: Clean) -> Iterator[_Row]:
    if line.kind == "frame":
        yield _frame(line, width, columns, measure, clean)
        return
    size, face = _SIZES[line.kind]
    indent = _INDENT if line.kind in ("do", "note") else 3.0 if line.kind == "caution" else 0.0
    lines = wrap(clean(tied(line.text)), width - indent, face, size, measure)
    texts, bottom = set_lines(lines, indent, 0.0, face, size, measure)
    items: list[Item] = [*texts]
    if line.kind == "do":
        items.append(_box(line_height(size)))
    elif line.kind == "caution":
        items.append(Line(_BAR / 2, 0.3, _BAR / 2, bottom, _BAR))
        bottom += 1.0
    elif line.kind == "head":
        items = [Line(0.0, 0.2, width, 0.2, 0.4), *(_moved(item, 0.0, 0.9) for item in items)]
        bottom += 0.9
    if bottom + _ROW_GAP <= HEIGHT - 2 * MARGIN - _FOOT_HEIGHT:
        yield _Row(bottom + _ROW_GAP, tuple(items))
        return
    for text in texts:  # longer than a page: line by line
        yield _Row(line_height(size), (replace(text, y=texts[0].y),))


def _frame(line: CardLine, width: float, columns: _Columns, measure: Measure, clean: Clean) -> _Row:
    """One picture: a box, number, aperture, time and ISO in columns; what else is to be set beside or below them.

    A mark too long for any column is never cut: such a picture's line is set as text.
    """
    size = columns.size
    cells = [clean(cell) for cell in line.cells]
    wide = [measure(cell, "bold", size) for cell in cells]
    height = max(line_height(size), _BOX_SIDE) + 0.8
    items: list[Item] = [_box(height)]
    ends = [x + w for x, w in zip(columns.starts, wide, strict=False)]
    if max(wide[:4]) > _WIDEST_CELL or max(ends) > width:
        lines = wrap(" ".join(cell for cell in cells if cell), width - _INDENT, "bold", size, measure)
        texts, height = set_lines(lines, _INDENT, 0.4, "bold", size, measure)
    else:
        baseline = (height + 0.73 * size * MM_A_POINT) / 2
        starts = [columns.starts[1] - _COLUMN_GAP - wide[0], *columns.starts[1:]]  # numbers end together
        texts = [
            Text(x, baseline, w, cell, "bold", size) for x, w, cell in zip(starts, wide, cells, strict=False) if cell
        ]
        used = max((text.box.right for text in texts), default=0.0)
        start = min(columns.end, width - wide[4])  # in its column, else at the end of the line where there is room
        if cells[4] and start >= used + _COLUMN_GAP:
            texts.append(Text(start, baseline, wide[4], cells[4], "bold", size))
        elif cells[4]:
            lines = wrap(cells[4], width - columns.starts[1], "bold", size, measure)
            more, height = set_lines(lines, columns.starts[1], height - 0.4, "bold", size, measure)
            texts += more
    return _Row(height + 0.3, (*items, *texts, Line(_INDENT, height, width, height, 0.12, "hairline")))


def _box(height: float) -> Area:
    """A box to tick, in the middle of a line."""
    return Area(Box(0.2, max((height - _BOX_SIDE) / 2, 0.0), _BOX_SIDE, _BOX_SIDE), "paper", _BOX_STROKE)


def _moved(item: Item, x: float, y: float) -> Item:
    if isinstance(item, Line):
        return replace(item, x1=item.x1 + x, x2=item.x2 + x, y1=item.y1 + y, y2=item.y2 + y)
    if isinstance(item, Area):
        return replace(item, box=replace(item.box, x=item.box.x + x, y=item.box.y + y))
    if isinstance(item, Text):
        return replace(item, x=item.x + x, y=item.y + y)
    raise TypeError(f"a card holds no {type(item).__name__}")


def _foot(card: Card, number: int, pages: int, measure: Measure, clean: Clean) -> Block:
    """Page and title, and the reminder that belongs to each page."""
    box = Box(MARGIN, HEIGHT - MARGIN - _FOOT_HEIGHT, WIDTH - 2 * MARGIN, _FOOT_HEIGHT)
    items: list[Item] = [Line(box.x, box.y + 0.2, box.right, box.y + 0.2, 0.2)]
    page = f"{number} of {pages}"
    wide = measure(page, "bold", 9.0)
    items.append(Text(box.right - wide, box.y + 4.4, wide, page, "bold", 9.0))
    lines: Sequence[str]
    face: Face = "bold" if card.reminder else "plain"
    text = clean(card.reminder.upper() if card.reminder else card.title)
    lines, size = fit(text, box.w - wide - 3.0, box.h - 0.6, face, (9.0, 8.0, 7.0), measure)
    texts, _ = set_lines(lines, box.x, box.y + 0.9, face, size, measure)
    return Block("foot", box, (*items, *texts))
