"""Papers for a class set from the top down: black on white, a page after another.

At the head of every page stands a thin bar of the four fillings that tell settings apart; it is the papers' own mark
and their legend. Nothing depends on colour, so that any printer and any copier will do.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from PIL import Image

from daemon.pictures.barpanel import filled
from daemon.pictures.draw_pdf import draw_pdf
from daemon.pictures.geometry import (
    Area,
    Block,
    Box,
    Face,
    Item,
    Line,
    Measure,
    Page,
    Place,
    Role,
    Text,
    cut,
    line_height,
    set_lines,
    wrap,
)
from daemon.pictures.stopbar import BAR_KINDS, LETTERS
from daemon.pictures.tones import PLAIN
from daemon.pictures.typeface import Cleaner, text_width

PaperName = Literal["A4", "Letter", "A3", "A6"]

SIZES: dict[PaperName, tuple[float, float]] = {
    "A4": (210.0, 297.0),
    "Letter": (215.9, 279.4),
    "A3": (420.0, 297.0),
    "A6": (148.0, 105.0),
}
"""Width and height of the sheets, A3 and A6 lying. [mm] ISO 216; Letter as ANSI/ASME Y14.1 has it."""

_FOOT = 7.0
_DOTS = 300 / 25.4  # of pictures in print [1/mm]
_SHARES = (0.34, 0.34, 0.16, 0.16)  # of the mark's four parts
_MEANING = {"aperture": "aperture", "time": "time", "iso": "ISO", "filters": "filter"}

Build = Callable[[float, float], Iterable[Item]]
"""Items of a thing whose upper left corner is given. [mm]"""


@dataclass(frozen=True)
class Cell:
    """A cell of a table; ``tall`` is the least height of its row [mm], for a hand to write in."""

    text: str
    face: Face = "plain"
    tall: float = 0.0


class Flow:
    """Pages being filled from the top down."""

    def __init__(self, paper: PaperName, title: str, subtitle: str = "", margin: float = 14.0):
        self.width, self.height = SIZES[paper]
        self.margin, self.clean = margin, Cleaner()
        self.title, self.subtitle = self.clean(title), self.clean(subtitle)
        self.measure: Measure = text_width
        self.pictures: dict[tuple[int, int], Image.Image] = {}
        self._pages: list[list[Block]] = []
        self.y = 0.0
        self.new_page()

    @property
    def inner(self) -> float:
        """Width between the margins. [mm]"""
        return self.width - 2 * self.margin

    @property
    def bottom(self) -> float:
        """Where the foot begins. [mm]"""
        return self.height - self.margin - _FOOT + 3.0

    @property
    def room(self) -> float:
        """Height left on this page. [mm]"""
        return self.bottom - self.y

    def new_page(self) -> None:
        """Begin another page with its head."""
        x, y = self.margin, self.margin - 3.0
        items: list[Item] = []
        for kind, share in zip(BAR_KINDS, _SHARES, strict=True):
            box = Box(x, y, self.inner * share, 3.4)
            items += filled(kind, box)
            told = f"{LETTERS[kind]} {_MEANING[kind]}"
            wide = text_width(told, "bold", 6.0)
            items.append(Area(Box(box.x + 2.0, box.y + 0.35, wide + 1.6, 2.7), "paper"))
            items.append(Text(box.x + 2.8, box.y + 2.45, wide, told, "bold", 6.0))
            x = box.right
        y += 5.2
        size, more = (15.0, 8.5) if not self._pages else (9.5, 7.5)
        lines = cut(wrap(self.title, self.inner, "bold", size, text_width), 2, self.inner, "bold", size, text_width)
        texts, y = set_lines(lines, self.margin, y, "bold", size, text_width)
        items += texts
        if self.subtitle and not self._pages:
            lines = cut(
                wrap(self.subtitle, self.inner, "plain", more, text_width), 2, self.inner, "plain", more, text_width
            )
            texts, y = set_lines(lines, self.margin, y, "plain", more, text_width, "soft")
            items += texts
        y += 1.2
        items.append(Line(self.margin, y, self.margin + self.inner, y, 0.35))
        top = self.margin - 3.0
        self._pages.append([Block("head", Box(self.margin, top, self.inner, y + 0.3 - top), tuple(items))])
        self.y = y + 4.0

    def need(self, height: float) -> None:
        """Go to a new page where less than so much is left. [mm]"""
        if height > self.room + 1e-6 and len(self._pages[-1]) > 1:
            self.new_page()

    def put(self, height: float, build: Build, after: float = 2.0, role: Role = "text") -> None:
        """A thing as wide as the page and so high, never parted."""
        self.need(height)
        items = tuple(build(self.margin, self.y))
        self._pages[-1].append(Block(role, Box(self.margin, self.y, self.inner, height), items))
        self.y += height + after

    def text(
        self, text: str, size: float = 10.0, face: Face = "plain", indent: float = 0.0, after: float = 1.6
    ) -> None:
        """A paragraph; it is parted between lines where a page ends."""
        lines = wrap(self.clean(text), self.inner - indent, face, size, text_width)
        step = line_height(size)
        while lines:
            self.need(min(len(lines), 2) * step)
            fits = max(int((self.room + 1e-6) / step), 1)
            some, lines = lines[:fits], lines[fits:]

            def build(x: float, y: float, some: Sequence[str] = some) -> list[Text]:
                return set_lines(some, x + indent, y, face, size, text_width)[0]

            self.put(len(some) * step, build, 0.0)
        self.y += after

    def head(self, text: str, size: float = 12.0, keep: float = 20.0) -> None:
        """A heading that is not left alone at a page's foot."""
        self.need(keep)
        self.text(text, size, "bold", after=1.2)

    def picture(self, picture: Image.Image) -> int:
        """Keep a picture to be drawn; its number for `place`."""
        number = len(self.pictures)
        self.pictures[0, number] = picture
        return number

    def place(self, picture: Image.Image, box: Box) -> Place:
        """The picture whole in the middle of ``box``; no more of its pixels are kept than print."""
        factor = min(box.w / picture.width, box.h / picture.height)
        w, h = picture.width * factor, picture.height * factor
        dots = (max(round(w * _DOTS), 1), max(round(h * _DOTS), 1))
        if dots[0] < picture.width:
            picture = picture.resize(dots, Image.Resampling.LANCZOS, reducing_gap=2.0)
        number = self.picture(picture)
        return Place(Box(box.x + (box.w - w) / 2, box.y + (box.h - h) / 2, w, h), 0, number)

    def table(
        self, header: Sequence[str], rows: Sequence[Sequence[Cell]], shares: Sequence[float], size: float = 9.0
    ) -> None:
        """A ruled table; its header comes again on each page. ``shares`` of the width, together 1."""
        widths = [share * self.inner for share in shares]
        heads = [Cell(text, "bold") for text in header]
        drawn = False
        for cells in rows:
            height = self._row_height(cells, widths, size)
            top = 0.0 if drawn else self._row_height(heads, widths, size)
            if top + height > self.room + 1e-6 and len(self._pages[-1]) > 1:
                self.new_page()
                drawn = False
            if not drawn and header:
                self._row(heads, widths, size, 0.5)
                drawn = True
            self._row(cells, widths, size, 0.15)
        self.y += 3.0

    def pages(self, foot: str = "") -> list[Page]:
        """The pages, each with its foot."""
        made = []
        for number, blocks in enumerate(self._pages, 1):
            y = self.height - self.margin + 1.5
            told = f"{number} of {len(self._pages)}" if len(self._pages) > 1 else ""
            wide = text_width(told, "plain", 7.0)
            left = cut([self.clean(foot)], 1, self.inner - wide - 4, "plain", 7.0, text_width)[0] if foot else ""
            items = [Text(self.margin, y, text_width(left, "plain", 7.0), left, "plain", 7.0)]
            items.append(Text(self.width - self.margin - wide, y, wide, told, "plain", 7.0))
            box = Box(self.margin, y - 3.2, self.inner, 5.0)
            made.append(Page(self.width, self.height, (*blocks, Block("foot", box, tuple(items)))))
        return made

    def pdf(self, foot: str = "", subject: str = "Class paper") -> bytes:
        """The pages as a PDF file: the same content gives the same bytes."""
        return draw_pdf(self.pages(foot), self.pictures, self.title, subject, PLAIN)

    def _row_height(self, cells: Sequence[Cell], widths: Sequence[float], size: float) -> float:
        lines = (
            len(wrap(self.clean(cell.text), width - 2.0, cell.face, size, text_width))
            for cell, width in zip(cells, widths, strict=True)
        )
        return max(max(lines, default=1) * line_height(size) + 1.8, *(cell.tall for cell in cells))

    def _row(self, cells: Sequence[Cell], widths: Sequence[float], size: float, rule: float) -> None:
        height = self._row_height(cells, widths, size)

        def build(x: float, y: float) -> list[Item]:
            items: list[Item] = []
            for place, (cell, width) in enumerate(zip(cells, widths, strict=True)):
                lines = wrap(self.clean(cell.text), width - 2.0, cell.face, size, text_width)
                items += set_lines(lines, x + 1.0, y + 0.9, cell.face, size, text_width)[0]
                if place:
                    items.append(Line(x, y, x, y + height, 0.1))
                x += width
            items.append(Line(self.margin, y + height, self.margin + self.inner, y + height, rule))
            return items

        self.put(height, build, 0.0)


def within(box: Box, edge: float) -> Box:
    """``box`` less an edge on all sides. [mm]"""
    return replace(box, x=box.x + edge, y=box.y + edge, w=box.w - 2 * edge, h=box.h - 2 * edge)
