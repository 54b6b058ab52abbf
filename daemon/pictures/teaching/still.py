"""Stills with a caption, 1920 x 1080 and 3840 x 2160, and the caption alone on nothing, for a video editor.

The caption stands where a caption may stand on any screen: inside the title-safe area. The picture is above it, whole.
Laid over a moving picture of the same size, the caption alone falls on the same place.
"""

from __future__ import annotations

from PIL import Image

from daemon.pictures.teaching.canvas import HEIGHT, INK, LEAST, PAPER, SAFE, USUAL, WIDTH, Canvas, Colour, fitted
from daemon.pictures.teaching.shapes import LessonFrame, short_caption, whole_line
from daemon.pictures.words import NOT_READABLE, NOT_TAKEN

_PAD, _BAR, _GAP, _MOST_LINES = 20, 46, 22, 2
_NOTHING: Colour = (0, 0, 0, 0)


def draw_still(frame: LessonFrame, picture: Image.Image | None, scale: int = 1) -> Image.Image:
    """The picture above its caption, 1920 x 1080 times ``scale``; a missing picture leaves a word on why."""
    canvas = Canvas(scale)
    top = _caption(canvas, frame)
    room = top - _GAP
    if picture is None:
        why = NOT_TAKEN if frame.source is None else NOT_READABLE
        wide = canvas.width(why, "bold", USUAL * HEIGHT)
        canvas.write(why, (WIDTH - wide) / 2, room / 2, "bold", USUAL * HEIGHT)
        return canvas.image
    shown = fitted(picture, WIDTH, room, scale)
    canvas.paste(shown, (WIDTH - shown.width / scale) / 2, (room - shown.height / scale) / 2)
    return canvas.image


def draw_caption(frame: LessonFrame, scale: int = 1) -> Image.Image:
    """The caption alone, with alpha, in a picture of the same size and at the same place."""
    canvas = Canvas(scale, _NOTHING)
    _caption(canvas, frame)
    return canvas.image


def _caption(canvas: Canvas, frame: LessonFrame) -> float:
    """Draw the caption at the foot; the y of its top. [px of 1920]"""
    left, width = SAFE * WIDTH, (1 - 2 * SAFE) * WIDTH
    usual, least = USUAL * HEIGHT, LEAST * HEIGHT
    inner = width - 2 * _PAD
    told = short_caption(frame) if frame.verdict is None else f"{frame.verdict}. {short_caption(frame)}"
    lines = canvas.lines(told, inner, "plain", least, _MOST_LINES)
    height = _PAD + usual * 1.22 + len(lines) * least * 1.22 + 8 + _BAR + _PAD
    top = (1 - SAFE) * HEIGHT - height
    opaque = canvas.image.mode == "RGBA"
    paper: Colour = (*PAPER, 255) if opaque else PAPER
    ink: Colour = (*INK, 255) if opaque else INK
    canvas.plate(left, top, width, height, paper)
    y = canvas.write(
        canvas.cut(whole_line(frame.step.settings), inner, "bold", usual),
        left + _PAD,
        top + _PAD - 6,
        "bold",
        usual,
        ink,
    )
    for line in lines:
        y = canvas.write(line, left + _PAD, y, "plain", least, ink)
    canvas.bars([frame.bar], [""], (left + _PAD, y + 12, inner), _BAR, 0)
    return top
