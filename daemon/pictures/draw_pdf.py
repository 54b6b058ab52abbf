"""Pages drawn as one PDF by reportlab; text stays text, so that it can be searched and copied."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence

from PIL import Image
from reportlab import rl_config
from reportlab.lib.utils import ImageReader
from reportlab.pdfgen.canvas import Canvas

from daemon.pictures.geometry import Area, Dot, Line, Page, Place, Text, Tone
from daemon.pictures.tones import RGB
from daemon.pictures.typeface import font

# Pictures as bytes instead of as text: a fifth smaller, and a third of the time.
rl_config.useA85 = 0

Tones = Mapping[Tone, tuple[int, int, int]]

_POINTS = 72 / 25.4
_PICTURE_DPI = 300
_PICTURE_QUALITY = 90


def draw_pdf(
    pages: Sequence[Page],
    pictures: Mapping[tuple[int, int], Image.Image],
    title: str,
    subject: str = "Comparison sheet",
    tones: Tones = RGB,
) -> bytes:
    """All pages as a PDF file. The same pages give the same bytes: no date is written."""
    out = io.BytesIO()
    canvas = Canvas(out, pageCompression=1, invariant=1)
    canvas.setTitle(title)
    canvas.setCreator("stopwright")
    canvas.setAuthor("")
    canvas.setSubject(subject)
    for page in pages:
        canvas.setPageSize((page.width * _POINTS, page.height * _POINTS))
        # From here on in millimetres, still with the origin at the foot of the page.
        canvas.scale(_POINTS, _POINTS)
        canvas.setFillColorRGB(*_rgb("paper", tones))
        canvas.rect(0, 0, page.width, page.height, stroke=0, fill=1)
        for block in page.blocks:
            for item in block.items:
                _draw(canvas, item, page.height, pictures, tones)
        canvas.showPage()
    canvas.save()
    return out.getvalue()


def _rgb(tone: Tone, tones: Tones) -> tuple[float, float, float]:
    red, green, blue = tones[tone]
    return red / 255, green / 255, blue / 255


def _draw(
    canvas: Canvas,
    item: Text | Line | Area | Dot | Place,
    height: float,
    pictures: Mapping[tuple[int, int], Image.Image],
    tones: Tones,
) -> None:
    if isinstance(item, Text):
        canvas.setFillColorRGB(*_rgb(item.tone, tones))
        canvas.setFont(font(item.face).fontName, item.size / _POINTS)
        canvas.drawString(item.x, height - item.y, item.text)
    elif isinstance(item, Line):
        canvas.setStrokeColorRGB(*_rgb(item.tone, tones))
        canvas.setLineWidth(item.width)
        canvas.line(item.x1, height - item.y1, item.x2, height - item.y2)
    elif isinstance(item, Dot):
        canvas.setFillColorRGB(*_rgb(item.tone, tones))
        canvas.circle(item.x, height - item.y, item.radius, stroke=0, fill=1)
    elif isinstance(item, Area):
        canvas.setFillColorRGB(*_rgb(item.fill, tones))
        canvas.setStrokeColorRGB(*_rgb("ink", tones))
        canvas.setLineWidth(item.stroke)
        box, edge = item.box, item.stroke / 2  # the outline lies inside, as in the PNG
        lower_left = (box.x + edge, height - box.bottom + edge)
        canvas.rect(*lower_left, box.w - 2 * edge, box.h - 2 * edge, stroke=1 if item.stroke else 0, fill=1)
    else:
        box = item.box
        jpeg = _as_jpeg(pictures[item.group, item.frame], box.w, box.h)
        canvas.drawImage(ImageReader(jpeg), box.x, height - box.bottom, box.w, box.h)


def _as_jpeg(picture: Image.Image, width: float, height: float) -> io.BytesIO:
    """The picture at 300 dots an inch of its place, never enlarged."""
    small = picture.copy()
    dots = _PICTURE_DPI / 25.4
    small.thumbnail((max(round(width * dots), 1), max(round(height * dots), 1)), Image.Resampling.LANCZOS)
    out = io.BytesIO()
    small.save(out, "JPEG", quality=_PICTURE_QUALITY, subsampling=0)
    out.seek(0)
    return out
