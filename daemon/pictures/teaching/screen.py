"""Screen sheets: two pictures, three at most, for a projector; and which sheets a group gives.

From top to bottom: the title, the pictures with the same telling patch of each, what changes at 8 % of the height, what
else was set at 5 %, and the stop bars with one common end line. Mid-grey everywhere, so that no brightness is
flattered. Nothing else is said: long captions, residuals and names of files belong to the teacher's notes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from PIL import Image

from daemon.pictures.teaching.canvas import BIG, HEIGHT, LEAST, MAT, PAPER, USUAL, WIDTH, Canvas, fitted
from daemon.pictures.teaching.patches import cut_patch, telling_point, whole_times
from daemon.pictures.teaching.shapes import LessonFrame, LessonGroup, Told, others, told_apart_by, value
from daemon.pictures.words import NOT_READABLE, NOT_TAKEN, signed

_SIDE, _TOP, _FOOT, _GUTTER, _GAP = 48, 26, 26, 40, 14
_BAR, _BAR_GAP = 50, 10
_LEAST_PATCH, _PATCH_HEIGHT = 230, 190  # px: width of a patch beside a picture, height of one below it


@dataclass(frozen=True)
class ScreenSheet:
    """One sheet to draw: its frames in class order."""

    title: str
    told: Told
    frames: tuple[LessonFrame, ...]


def screen_sheets(group: LessonGroup) -> list[ScreenSheet]:
    """The sheets of a group: the two ends, and where there are more the ends with the middle.

    Mistakes stand each beside the right picture.
    """
    frames = group.frames
    if group.faults:
        right = next((frame for frame in frames if frame.step.reference == frame.step.id), frames[0])
        told = [(frame, told_apart_by([right.step, frame.step])) for frame in frames if frame is not right]
        return [ScreenSheet(frame.step.goal.capitalize(), name, (right, frame)) for frame, name in told]
    if len(frames) <= 2:
        return [ScreenSheet(group.title, group.told, frames)] if frames else []
    middle = frames[len(frames) // 2]
    return [
        ScreenSheet(group.title, group.told, (frames[0], frames[-1])),
        ScreenSheet(group.title, group.told, (frames[0], middle, frames[-1])),
    ]


def draw_screen_sheet(sheet: ScreenSheet, pictures: Sequence[Image.Image | None], scale: int = 1) -> Image.Image:
    """The sheet, 1920 x 1080 times ``scale``.

    ``pictures``: one for each frame, at the size they were recorded; None: there is none, and the sheet says so.

    Raises
    ------
    ValueError
        If there are no frames, or more than three.
    """
    count = len(sheet.frames)
    if not 1 <= count <= 3 or len(pictures) != count:
        raise ValueError(f"a screen sheet shows one to three pictures, found {count}")
    canvas = Canvas(scale)
    cell = (WIDTH - 2 * _SIDE - (count - 1) * _GUTTER) / count
    usual, big, least = USUAL * HEIGHT, BIG * HEIGHT, LEAST * HEIGHT
    title = canvas.cut(sheet.title, WIDTH - 2 * _SIDE, "bold", least)
    top = canvas.write(title, _SIDE, _TOP, "bold", least) + 10

    bars_height = count * _BAR + (count - 1) * _BAR_GAP
    told = [_told(canvas, sheet.told, frame, cell, big) for frame in sheet.frames]
    rest = [_rest(canvas, sheet.told, frame, cell, usual) for frame in sheet.frames]
    words_height = max(len(lines) for lines in told) * big * 1.22 + max(len(lines) for lines in rest) * usual * 1.22
    words_top = HEIGHT - _FOOT - bars_height - 22 - words_height
    area = words_top - 12 - top

    aspects = [picture.width / picture.height for picture in pictures if picture is not None] or [1.5]
    aspect = sorted(aspects)[len(aspects) // 2]
    below, size, patch = _arrange(cell, area, aspect)
    times = max((whole_times(picture, _px(patch, scale)) for picture in pictures if picture is not None), default=1)
    known = [picture for picture in pictures if picture is not None]
    shares = (
        (patch[0] * scale / times / known[0].width, patch[1] * scale / times / known[0].height) if known else (1, 1)
    )
    point = telling_point(known, shares, sheet.told in ("aperture", "focus"))
    for column, (frame, picture) in enumerate(zip(sheet.frames, pictures, strict=True)):
        x = _SIDE + column * (cell + _GUTTER)
        if picture is None:
            _missing(canvas, NOT_TAKEN if frame.source is None else NOT_READABLE, x, top, size)
        else:
            canvas.paste(fitted(picture, *size, scale), x, top)
            cut = cut_patch(picture, point, _px(patch, scale), times)
            canvas.paste(cut, *((x, top + size[1] + _GAP) if below else (x + size[0] + _GAP, top)))
        y = words_top
        for line in told[column]:
            y = canvas.write(line, x, y, "bold", big)
        for line in rest[column]:
            y = canvas.write(line, x, y, "plain", usual)
    bars_top = HEIGHT - _FOOT - bars_height
    names = [str(frame.number) for frame in sheet.frames]
    canvas.bars([frame.bar for frame in sheet.frames], names, (_SIDE, bars_top, WIDTH - 2 * _SIDE), _BAR, _BAR_GAP)
    return canvas.image


def _px(size: tuple[float, float], scale: int) -> tuple[int, int]:
    return max(round(size[0] * scale), 1), max(round(size[1] * scale), 1)


def _arrange(cell: float, area: float, aspect: float) -> tuple[bool, tuple[float, float], tuple[float, float]]:
    """Patch below or beside the picture, whichever leaves the picture larger; both sizes. [px]"""
    high = min(area - _GAP - _PATCH_HEIGHT, cell / aspect)
    below = (high * aspect, high)
    wide = min(cell - _GAP - _LEAST_PATCH, area * aspect)
    beside = (wide, wide / aspect)
    if below[0] * below[1] >= beside[0] * beside[1]:
        return True, below, (below[0], min(area - _GAP - below[1], 1.2 * _PATCH_HEIGHT))
    return False, beside, (min(cell - _GAP - beside[0], beside[1]), beside[1])


def _told(canvas: Canvas, told: Told, frame: LessonFrame, cell: float, size: float) -> list[str]:
    return canvas.lines(value(told, frame.step.settings), cell, "bold", size, 2)


def _rest(canvas: Canvas, told: Told, frame: LessonFrame, cell: float, size: float) -> list[str]:
    """The other settings, broken between two of them where they do not fit on a line; then what was meant."""
    parts = list(others(told, frame.step.settings))
    if told not in ("focus", "filters") and frame.step.intended_offset:
        offset = frame.step.intended_offset
        parts.append(f"{signed(offset).removesuffix('.00')} stop{'' if abs(offset) == 1 else 's'}")
    lines: list[str] = []
    for part in parts:
        trial = f"{lines[-1]} · {part}" if lines else part
        if lines and canvas.width(trial, "plain", size) <= cell:
            lines[-1] = trial
        else:
            lines.append(canvas.cut(part, cell, "plain", size))
    return lines[:3]


def _missing(canvas: Canvas, why: str, x: float, y: float, size: tuple[float, float]) -> None:
    canvas.plate(x, y, size[0], size[1], MAT, PAPER)
    type_size = USUAL * HEIGHT
    wide = canvas.width(why, "bold", type_size)
    canvas.write(why, x + (size[0] - wide) / 2, y + size[1] / 2 - type_size / 2, "bold", type_size)
