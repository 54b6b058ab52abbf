"""The drawn light page as a file, PNG or PDF."""

from __future__ import annotations

from pathlib import Path

from daemon.pictures.draw_pdf import draw_pdf
from daemon.pictures.draw_png import draw_page
from daemon.pictures.geometry import Page
from daemon.pictures.light_layout import lay_out_light
from daemon.pictures.typeface import Cleaner, text_width
from daemon.pictures.writing import png_bytes, replace_file
from plans.light_brief import BriefLight

ENDINGS = (".png", ".pdf")


def light_page(light: BriefLight) -> Page:
    """The page, its words such as the typeface can show."""
    return lay_out_light(light.title, light.day, light.goals, text_width, light.mark, light.cautions, Cleaner())


def make_light_sheet(light: BriefLight, path: Path) -> None:
    """Draw the page into ``path``, whose ending says how; a file there is replaced, and is whole or as it was.

    Raises
    ------
    ValueError
        If the ending is neither .png nor .pdf.
    OSError
        If the file cannot be written.
    """
    ending = path.suffix.lower()
    if ending not in ENDINGS:
        raise ValueError(f"a light page is drawn as .png or .pdf, found {path.name!r}")
    page = light_page(light)
    drawn = ending == ".png"
    data = png_bytes(draw_page(page, {})) if drawn else draw_pdf([page], {}, light.title, f"Light on {light.day.date}")
    replace_file(path, data)
