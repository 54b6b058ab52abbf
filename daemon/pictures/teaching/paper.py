"""Comparison sheets for paper, upright, two by four with a crop strip each; and the A3 pair for a wall.

Black on white with thin outlines, so that a black-and-white copy loses nothing but the pictures' colour.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from PIL import Image

from daemon.pictures.barpanel import filled
from daemon.pictures.geometry import Area, Box, Item, Line, Place, Text, cut, fit, line_height, set_lines, wrap
from daemon.pictures.layout import even_parts
from daemon.pictures.stopbar import StopBar
from daemon.pictures.teaching.flow import Flow, PaperName, within
from daemon.pictures.teaching.patches import cut_patch, telling_point
from daemon.pictures.teaching.shapes import Lesson, LessonFrame, LessonGroup, short_caption, whole_line
from daemon.pictures.typeface import text_width
from daemon.pictures.words import NOT_READABLE, NOT_TAKEN, signed

COLUMNS, ROWS = 2, 4
_GUTTER, _ROW_GAP = 6.0, 3.0
_STRIP_SHARE = 0.27  # of a cell's width
_BAR, _CAPTION_LINES = 4.6, 3
_PATCH_LONG_SIDE = 900  # px, of a picture that patches are cut from

Pictures = Mapping[int, Image.Image]
"""Upright pictures by number of their frame."""


def paper_sheets(lesson: Lesson, pictures: Pictures, paper: PaperName) -> bytes:
    """All groups of a lesson as one PDF, eight pictures a page at most; a group begins on a page of its own."""
    flow = Flow(paper, lesson.title, f"{lesson.day}; {lesson.light}", margin=12.0)
    first = True
    for group in lesson.groups:
        done = 0
        sizes = even_parts(len(group.frames), COLUMNS * ROWS)
        for part, size in enumerate(sizes, 1):
            if not first:
                flow.new_page()
            first = False
            more = "" if len(sizes) == 1 else f" ({part} of {len(sizes)})"
            flow.text(group.title + more, 11.0, "bold", after=1.5)
            _page(flow, group, group.frames[done : done + size], pictures)
            done += size
    return flow.pdf("Bars that end at the line give one brightness; longer gives more light.", "Comparison sheet")


def print_pair(frames: Sequence[LessonFrame], title: str, pictures: Pictures) -> bytes:
    """Two pictures for a wall: an A3 page each, alike laid, so that they hang beside each other."""
    flow = Flow("A3", title, margin=16.0)
    length = max((max(frame.bar.total, frame.bar.line) for frame in frames), default=1.0)
    for place, frame in enumerate(frames):
        if place:
            flow.new_page()
        _print(flow, frame, pictures, length)
    return flow.pdf("", "Print pair")


def _print(flow: Flow, frame: LessonFrame, pictures: Pictures, length: float) -> None:
    box = Box(flow.margin, flow.y, flow.inner, flow.room - 34.0)
    flow.put(box.h, lambda x, y: _picture(flow, box, frame, pictures, 14.0), 3.0, "picture")
    flow.text(whole_line(frame.step.settings), 24.0, "bold", after=1.0)
    lines, size = fit(flow.clean(_told(frame)), flow.inner, 7.0, "plain", (13.0, 11.0, 9.0), text_width)
    flow.text(" ".join(lines), size, after=1.5)
    flow.put(7.5, lambda x, y: bar_items(frame.bar, Box(x, y + 0.8, flow.inner, 6.0), length, 9.0), 0.0, "bars")


def bar_items(bar: StopBar, box: Box, length: float, size: float) -> Iterator[Item]:
    """One stop bar in ``box``, to a scale on which ``length`` stops fill it, with its line. ``size`` of letters [pt]"""
    unit = (box.w - 1.0) / length
    for segment in bar.segments:
        part = Box(box.x + segment.start * unit, box.y, segment.length * unit, box.h)
        yield from filled(segment.kind, part)
        for text in (f"{segment.letter} {segment.mark}", segment.letter):
            wide = text_width(text, "bold", size)
            if wide + 1.6 <= part.w:
                x = part.x + (part.w - wide) / 2
                yield Area(Box(x - 0.5, part.y + 0.5, wide + 1.0, part.h - 1.0), "paper")
                yield Text(x, part.y + part.h / 2 + 0.127 * size, wide, text, "bold", size)
                break
    line = box.x + min(max(bar.line, 0.0), length) * unit
    yield Line(line, box.y - 0.8, line, box.bottom + 0.8, 0.6)


def _page(flow: Flow, group: LessonGroup, frames: Sequence[LessonFrame], pictures: Pictures) -> None:
    cell_width = (flow.inner - _GUTTER) / COLUMNS
    cell_height = (flow.room - (ROWS - 1) * _ROW_GAP) / ROWS
    if len(frames) <= COLUMNS:  # a pair gets the page's width, one under the other
        cell_width, cell_height = flow.inner, (flow.room - _ROW_GAP) / 2
    columns = 1 if len(frames) <= COLUMNS else COLUMNS
    known = {frame.number: pictures[frame.number] for frame in frames if frame.number in pictures}
    small = {number: _reduced(picture) for number, picture in known.items()}
    point = telling_point(list(small.values()), (0.16, 0.36), group.told in ("aperture", "focus"))
    length = max((max(frame.bar.total, frame.bar.line) for frame in group.frames), default=1.0)
    top = flow.y
    for place in range(0, len(frames), columns):
        row = place // columns
        y = top + row * (cell_height + _ROW_GAP)

        def build(x: float, _: float, place: int = place, y: float = y) -> list[Item]:
            items: list[Item] = []
            for column, frame in enumerate(frames[place : place + columns]):
                box = Box(x + column * (cell_width + _GUTTER), y, cell_width, cell_height)
                items += _cell(flow, box, frame, known, point, length)
            return items

        flow.y = y
        flow.put(cell_height, build, _ROW_GAP, "picture")


def _cell(
    flow: Flow, box: Box, frame: LessonFrame, pictures: Pictures, point: tuple[float, float], length: float
) -> list[Item]:
    """Picture and crop strip, settings, caption, bar."""
    wide = box.w > 120
    settings_size, caption_size = (13.0, 9.0) if wide else (9.5, 7.0)
    lines = wrap(flow.clean(_told(frame)), box.w, "plain", caption_size, text_width)
    lines = cut(lines, _CAPTION_LINES, box.w, "plain", caption_size, text_width)
    words = line_height(settings_size) + len(lines) * line_height(caption_size) + _BAR + 3.6
    area = Box(box.x, box.y, box.w, box.h - words)
    picture = pictures.get(frame.number)
    strip = area.w * _STRIP_SHARE
    shown = Box(area.x, area.y, area.w - strip - 2.0, area.h)
    items: list[Item] = []
    if picture is None:
        items += _empty(flow, shown, frame)
    else:
        placed = flow.place(picture, shown)
        placed = Place(Box(shown.x, area.y, placed.box.w, placed.box.h), placed.group, placed.frame)
        # The strip is as high as the picture, so that both end on one line.
        crop = Box(placed.box.right + 2.0, area.y, min(strip, area.right - placed.box.right - 2.0), placed.box.h)
        pixels = (round(picture.width * 0.16), round(picture.width * 0.16 * crop.h / crop.w))
        items += [placed, flow.place(cut_patch(picture, point, pixels, 1), crop)]
        items.append(Area(Box(area.x, area.y, 5.6, 4.6), "paper"))
    number = str(frame.number)
    items.append(Text(area.x + 1.0, area.y + 3.5, text_width(number, "bold", 9.0), number, "bold", 9.0))
    y = box.bottom - words + 1.2
    head, used = fit(
        flow.clean(whole_line(frame.step.settings)),
        box.w,
        line_height(settings_size),
        "bold",
        (settings_size, 8.5, 7.5, 6.5),
        text_width,
    )
    texts, y = set_lines(head, box.x, y, "bold", used, text_width)
    items += texts
    texts, y = set_lines(lines, box.x, y, "plain", caption_size, text_width)
    items += texts
    off = signed(frame.bar.beyond)
    end = text_width(off, "plain", 7.0)
    bar = Box(box.x, box.bottom - _BAR - 0.8, box.w - end - 2.0, _BAR)
    items += bar_items(frame.bar, bar, length, 6.5)
    items.append(Text(box.right - end, bar.y + 3.2, end, off, "plain", 7.0))
    return items


def _picture(flow: Flow, box: Box, frame: LessonFrame, pictures: Pictures, size: float) -> list[Item]:
    picture = pictures.get(frame.number)
    if picture is None:
        return list(_empty(flow, box, frame, size))
    return [flow.place(picture, box)]


def _empty(flow: Flow, box: Box, frame: LessonFrame, size: float = 10.0) -> Iterator[Item]:
    why = NOT_TAKEN if frame.source is None else NOT_READABLE
    yield Area(box, "paper", 0.3)
    inner = within(box, 2.0)
    yield Line(inner.x, inner.bottom, inner.right, inner.y, 0.15)
    wide = text_width(why, "bold", size)
    yield Area(Box(box.x + (box.w - wide) / 2 - 2, box.y + box.h / 2 - 4, wide + 4, 7), "paper")
    yield Text(box.x + (box.w - wide) / 2, box.y + box.h / 2 + 1.0, wide, why, "bold", size)


def _told(frame: LessonFrame) -> str:
    return short_caption(frame) if frame.verdict is None else f"{frame.verdict}. {short_caption(frame)}"


def _reduced(picture: Image.Image) -> Image.Image:
    small = picture.copy()
    small.thumbnail((_PATCH_LONG_SIDE, _PATCH_LONG_SIDE), Image.Resampling.BOX)
    return small
