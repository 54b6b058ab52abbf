"""The comparison sheet: groups of frames as teaching material, as PNG pages and as one PDF.

What is said is made in ``words``, where it goes in ``layout``, how it looks in ``draw_png`` and ``draw_pdf``.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from PIL import Image, ImageOps

from daemon.errors import StopwrightError, StoreError
from daemon.pictures.draw_pdf import draw_pdf
from daemon.pictures.draw_png import draw_page
from daemon.pictures.geometry import Page
from daemon.pictures.layout import lay_out
from daemon.pictures.opening import opened_jpeg
from daemon.pictures.shapes import SheetFiles, SheetFrame, SheetGroup
from daemon.pictures.stopbar import Segment, StopBar, stop_bar_segments
from daemon.pictures.typeface import REPLACEMENT, Cleaner, text_width
from daemon.pictures.words import group_text
from daemon.pictures.writing import png_bytes, replace_file

__all__ = ["Segment", "SheetFiles", "SheetFrame", "SheetGroup", "StopBar", "make_sheet", "stop_bar_segments"]

FEW_FRAMES = 3
_LONG_SIDE, _LONG_SIDE_OF_FEW = 1000, 1800  # of a picture as kept for drawing [px]


def make_sheet(groups: Sequence[SheetGroup], title: str, subtitle: str, out_dir: Path) -> SheetFiles:
    """Make the sheet of ``groups`` in ``out_dir``: sheet.pdf, sheet-1.png and so on, and sheet.png, the first page.

    A sheet made there before is replaced; each file is whole or as it was. A picture that is missing or cannot be read
    leaves an empty frame that says so. Pictures are shown upright as their Exif says.

    Raises
    ------
    StoreError
        If ``out_dir`` cannot be made or written to.
    """
    pages, pictures, title = sheet_pages(groups, title, subtitle)
    images = [draw_page(page, pictures) for page in pages]
    encoded = [png_bytes(image) for image in images]
    names = [f"sheet-{number}.png" for number in range(1, len(pages) + 1)]
    try:
        out_dir.mkdir(parents=True, exist_ok=True)
        for name, data in zip(names, encoded, strict=True):
            replace_file(out_dir / name, data)
        replace_file(out_dir / "sheet.png", encoded[0])
        replace_file(out_dir / "sheet.pdf", draw_pdf(pages, pictures, title))
        _drop_older_pages(out_dir, len(pages))
    except OSError as error:
        raise StoreError(
            f"The sheet could not be written: asked for files in {out_dir}, found {error.strerror or error}; "
            "the pictures are untouched. Name a folder that can be written to and has room"
        ) from error
    return SheetFiles(
        png=tuple(out_dir / name for name in names), first=out_dir / "sheet.png", pdf=out_dir / "sheet.pdf"
    )


Pictures = dict[tuple[int, int], Image.Image]


def sheet_pages(groups: Sequence[SheetGroup], title: str, subtitle: str) -> tuple[list[Page], Pictures, str]:
    """The pages of a sheet, laid out and not yet drawn, the pictures on them, and the title as it can be set."""
    pictures: Pictures = {}
    for group_number, group in enumerate(groups):
        long_side = _LONG_SIDE_OF_FEW if len(group.frames) <= FEW_FRAMES else _LONG_SIDE
        for frame_number, frame in enumerate(group.frames):
            picture = _picture(frame.picture, long_side)
            if picture is not None:
                pictures[group_number, frame_number] = picture

    clean = Cleaner()
    steps = [frame.step for group in groups for frame in group.frames]
    texts = []
    for group_number, group in enumerate(groups):
        shown = [pictures.get((group_number, n)) for n in range(len(group.frames))]
        aspects = [None if picture is None else picture.width / picture.height for picture in shown]
        texts.append(group_text(group, aspects, steps, clean))
    title, subtitle = clean(title) or "Comparison sheet", clean(subtitle)
    note = f"{REPLACEMENT} stands for a letter that this typeface lacks." if clean.replaced else ""
    pages = lay_out(texts, title, subtitle, note, text_width)
    return pages, pictures, title


def _picture(path: Path | None, long_side: int) -> Image.Image | None:
    """The picture at ``path``, upright and small enough to draw; None when there is none or it cannot be read."""
    if path is None:
        return None
    try:
        with opened_jpeg(path) as jpeg:
            jpeg.draft("RGB", (long_side, long_side))
            picture = jpeg.convert("RGB")
            picture.thumbnail((long_side, long_side), Image.Resampling.LANCZOS)
    except StopwrightError:
        return None
    try:
        return ImageOps.exif_transpose(picture)
    except Exception:  # broken Exif: shown as it lies
        return picture


def _drop_older_pages(folder: Path, pages: int) -> None:
    """Pages of an earlier, longer sheet would pass for pages of this one."""
    for path in folder.glob("sheet-*.png"):
        number = re.fullmatch(r"sheet-([1-9][0-9]{0,3})\.png", path.name)
        if number and int(number[1]) > pages:
            path.unlink()
