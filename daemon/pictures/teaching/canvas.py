"""Drawing for the screen: lengths in pixels of a 1920 x 1080 picture, drawn at any whole multiple of it.

The paper's own shapes (`daemon.pictures.geometry`) are in millimetres and points; here a letter's height is a share of
the picture's height, since a class sits at a distance that goes with the screen.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

from PIL import Image, ImageDraw, ImageFont

from daemon.pictures.barpanel import filled
from daemon.pictures.geometry import CUT, Area, Box, Dot, Face, Line
from daemon.pictures.stopbar import Segment, StopBar
from daemon.pictures.tones import RGB
from daemon.pictures.typeface import font_file

Colour = tuple[int, int, int] | tuple[int, int, int, int]

WIDTH, HEIGHT = 1920, 1080
BIG, USUAL, LEAST = 0.08, 0.05, 0.0335
"""Type sizes as shares of the picture's height: what changes, what else matters, the smallest there is."""
SAFE = 0.05
"""Of width and height on each side kept free of words: the 90 % title-safe area of SMPTE ST 2046-1 and EBU R 95."""

INK, PAPER, MAT, SLATE = RGB["ink"], RGB["paper"], RGB["mat"], RGB["slate"]

_FINE = 3  # bars are drawn so many times larger and reduced, for smooth strokes
_PX_A_MM = 7.0  # the bars' fillings are in millimetres


@cache
def _font(face: Face, size: int) -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(str(font_file(face)), size, layout_engine=ImageFont.Layout.BASIC)


class Canvas:
    """A picture being drawn. ``scale``: 1 for 1920 x 1080, 2 for 3840 x 2160."""

    def __init__(self, scale: int = 1, ground: Colour = MAT, size: tuple[int, int] = (WIDTH, HEIGHT)):
        self.scale = scale
        mode = "RGBA" if len(ground) == 4 else "RGB"
        self.image = Image.new(mode, (size[0] * scale, size[1] * scale), ground)
        self._pen = ImageDraw.Draw(self.image)
        self.sizes: set[float] = set()

    def width(self, text: str, face: Face, size: float) -> float:
        """Width of a line of text. [px of 1920]"""
        return float(_font(face, round(size * self.scale)).getlength(text)) / self.scale

    def write(self, text: str, x: float, top: float, face: Face, size: float, tone: Colour = PAPER) -> float:
        """One line of text from its top down; the y below it. [px of 1920]"""
        self.sizes.add(size)
        place = (round(x * self.scale), round((top + 0.93 * size) * self.scale))
        self._pen.text(place, text, font=_font(face, round(size * self.scale)), fill=tone, anchor="ls")
        return top + 1.22 * size

    def cut(self, text: str, room: float, face: Face, size: float) -> str:
        """``text`` as it is where it fits into ``room`` [px of 1920], else its beginning and …"""
        if self.width(text, face, size) <= room:
            return text
        low, high = 0, len(text)
        while low < high:
            middle = (low + high + 1) // 2
            if self.width(text[:middle] + CUT, face, size) <= room:
                low = middle
            else:
                high = middle - 1
        return text[:low].rstrip(" ,;:·.") + CUT

    def lines(self, text: str, room: float, face: Face, size: float, most: int) -> list[str]:
        """``text`` in at most so many lines; the last is cut where it must be."""
        found: list[str] = []
        words = text.split()
        while words and len(found) < most:
            if len(found) == most - 1:
                return [*found, self.cut(" ".join(words), room, face, size)]
            line = words.pop(0)
            while words and self.width(f"{line} {words[0]}", face, size) <= room:
                line += f" {words.pop(0)}"
            found.append(self.cut(line, room, face, size))
        return found

    def plate(self, x: float, y: float, w: float, h: float, tone: Colour, outline: Colour | None = None) -> None:
        """A filled rectangle. [px of 1920]"""
        k = self.scale
        self._pen.rectangle((round(x * k), round(y * k), round((x + w) * k) - 1, round((y + h) * k) - 1), fill=tone)
        if outline is not None:
            self._pen.rectangle(
                (round(x * k), round(y * k), round((x + w) * k) - 1, round((y + h) * k) - 1),
                outline=outline,
                width=2 * k,
            )

    def paste(self, picture: Image.Image, x: float, y: float) -> None:
        """A picture whose size is final already."""
        self.image.paste(picture, (round(x * self.scale), round(y * self.scale)))

    def bars(
        self, bars: Sequence[StopBar], names: Sequence[str], place: tuple[float, float, float], thick: float, gap: float
    ) -> float:
        """Stop bars under one another from ``place`` (x, y, width) down, all to one scale; the y below them.

        ``names`` stand before them. The line is where bars of the right brightness end. Letters are never smaller than
        the smallest type there is; where they have no room the filling tells.
        """
        x, y, w = place
        size = LEAST * HEIGHT
        left = x + max((self.width(name, "bold", size) for name in names), default=0) + (18 if any(names) else 0)
        stops = max((max(bar.total, bar.line) for bar in bars), default=1.0)
        unit = (x + w - 14 - left) / stops
        for bar, name in zip(bars, names, strict=True):
            if name:
                self.write(name, x, y + (thick - size * 1.12) / 2, "bold", size)
            for segment in bar.segments:
                self._segment(segment, Box(left + segment.start * unit, y, segment.length * unit, thick), size)
            y += thick + gap
        line = left + min(max(bars[0].line, 0.0), stops) * unit if bars else left
        top = y - len(bars) * (thick + gap) - 8
        self.plate(line - 6, top, 12, y - gap + 8 - top, PAPER)
        self.plate(line - 3, top, 6, y - gap + 8 - top, INK)
        return y - gap

    def _segment(self, segment: Segment, box: Box, size: float) -> None:
        k = self.scale
        unit = _PX_A_MM * k * _FINE
        mm = Box(0.0, 0.0, box.w / _PX_A_MM, box.h / _PX_A_MM)
        left, right = round(box.x * k), round(box.right * k)
        wanted = (max(right - left, 1), max(round(box.h * k), 1))
        tile = Image.new("RGB", (wanted[0] * _FINE, wanted[1] * _FINE), PAPER)
        pen = ImageDraw.Draw(tile)
        for item in filled(segment.kind, mm):
            if isinstance(item, Area):
                stroke = max(round(item.stroke * unit * 1.6), 1)
                pen.rectangle((0, 0, tile.width - 1, tile.height - 1), RGB[item.fill], INK, stroke)
            elif isinstance(item, Line):
                ends = (item.x1 * unit, item.y1 * unit, item.x2 * unit, item.y2 * unit)
                pen.line(ends, fill=INK, width=max(round(item.width * unit * 1.3), 1))
            elif isinstance(item, Dot):
                pen.circle((item.x * unit, item.y * unit), item.radius * unit * 1.2, fill=INK)
        self.image.paste(tile.resize(wanted, Image.Resampling.BOX), (left, round(box.y * k)))
        for text in (f"{segment.letter} {segment.mark}", segment.letter):
            wide = self.width(text, "bold", size)
            if wide + 26 <= box.w:
                self.plate(box.x + (box.w - wide) / 2 - 6, box.y + 4, wide + 12, box.h - 8, PAPER)
                self.write(text, box.x + (box.w - wide) / 2, box.y + (box.h - size * 1.16) / 2, "bold", size, INK)
                return
            if len(text) == 1 and wide + 6 <= box.w:
                self.plate(box.x + (box.w - wide) / 2 - 3, box.y + 4, wide + 6, box.h - 8, PAPER)
                self.write(text, box.x + (box.w - wide) / 2, box.y + (box.h - size * 1.16) / 2, "bold", size, INK)
                return


def fitted(picture: Image.Image, w: float, h: float, scale: int) -> Image.Image:
    """The picture as large as it goes into ``w`` x ``h`` [px of 1920], whole."""
    factor = min(w * scale / picture.width, h * scale / picture.height)
    size = (max(round(picture.width * factor), 1), max(round(picture.height * factor), 1))
    return picture.resize(size, Image.Resampling.LANCZOS, reducing_gap=3.0)
