"""Pages drawn as PNG pictures by Pillow."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

from PIL import Image, ImageDraw, ImageFont

from daemon.pictures.geometry import Area, Dot, Face, Line, Page, Place, Text, Tone
from daemon.pictures.tones import RGB
from daemon.pictures.typeface import font_file, text_width

DPI = 150
_OVER = 2  # drawn so many times larger and reduced: smooth strokes, and letters at their true distances


@cache
def _font(face: Face, pixels: float) -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(str(font_file(face)), pixels, layout_engine=ImageFont.Layout.BASIC)


def draw_page(
    page: Page,
    pictures: Mapping[tuple[int, int], Image.Image],
    tones: Mapping[Tone, tuple[int, int, int]] = RGB,
) -> Image.Image:
    """One page at 150 dots an inch. ``pictures`` are those of its places, by group and frame."""
    unit = DPI * _OVER / 25.4
    canvas = Image.new("RGB", (round(page.width * unit), round(page.height * unit)), tones["paper"])
    pen = ImageDraw.Draw(canvas)
    for block in page.blocks:
        for item in block.items:
            if isinstance(item, Text):
                _text(pen, item, unit, tones[item.tone])
            elif isinstance(item, Line):
                ends = (item.x1 * unit, item.y1 * unit, item.x2 * unit, item.y2 * unit)
                pen.line(ends, fill=tones[item.tone], width=max(round(item.width * unit), 1))
            elif isinstance(item, Dot):
                pen.circle((item.x * unit, item.y * unit), item.radius * unit, fill=tones[item.tone])
            elif isinstance(item, Area):
                corners = (item.box.x * unit, item.box.y * unit, item.box.right * unit, item.box.bottom * unit)
                stroke = max(round(item.stroke * unit), 1) if item.stroke else 0
                pen.rectangle(corners, fill=tones[item.fill], outline=tones["ink"] if stroke else None, width=stroke)
            else:
                _picture(canvas, item, pictures[item.group, item.frame], unit)
    return canvas.reduce(_OVER)


def _text(pen: ImageDraw.ImageDraw, item: Text, unit: float, fill: tuple[int, int, int]) -> None:
    """Word by word, each where the typeface's own widths put it: widths in whole pixels would add up along a line."""
    letters = _font(item.face, item.size / 72 * DPI * _OVER)
    said = ""
    for word in item.text.split(" "):
        x = item.x + text_width(said, item.face, item.size)
        pen.text((x * unit, item.y * unit), word, font=letters, fill=fill, anchor="ls")
        said += word + " "


def _picture(canvas: Image.Image, item: Place, picture: Image.Image, unit: float) -> None:
    size = (max(round(item.box.w * unit), 1), max(round(item.box.h * unit), 1))
    canvas.paste(
        picture.resize(size, Image.Resampling.LANCZOS, reducing_gap=3.0),
        (round(item.box.x * unit), round(item.box.y * unit)),
    )
