"""The pocket card as files: a PDF of A6 pages, or a PNG a page."""

from __future__ import annotations

from pathlib import Path

from daemon.pictures.card_layout import lay_out_card
from daemon.pictures.draw_pdf import draw_pdf
from daemon.pictures.draw_png import draw_page
from daemon.pictures.geometry import Page
from daemon.pictures.tones import PLAIN
from daemon.pictures.typeface import REPLACEMENT, Cleaner, text_width
from daemon.pictures.writing import png_bytes, replace_file
from plans.pocket_card import Card, CardBlock, CardLine

ENDINGS = (".pdf", ".png")


def make_card(card: Card, out: Path) -> tuple[Path, ...]:
    """Draw a card to ``out``, whose ending says how; the files made, in the order of pages.

    A PNG of more than one page becomes several files, ``card-1.png`` and so on beside ``out``. Files of that name are
    replaced, each whole or as it was.

    Raises
    ------
    ValueError
        If the ending is none of `ENDINGS`.
    OSError
        If a file cannot be written.
    """
    ending = out.suffix.lower()
    if ending not in ENDINGS:
        raise ValueError(f"a card is drawn as {' or '.join(ENDINGS)}, found {out.name!r}")
    clean = Cleaner()
    pages = lay_out_card(card, text_width, clean)
    if clean.replaced:
        told = CardLine("note", f"{REPLACEMENT} stands for a letter that this typeface lacks.")
        longer = Card(card.title, card.reminder, (*card.blocks, CardBlock((told,))))
        pages = lay_out_card(longer, text_width, clean)
    made = _encoded(pages, ending, clean(card.title) or "Pocket card")
    paths = [out] if len(made) == 1 else [out.with_stem(f"{out.stem}-{n}") for n in range(1, len(made) + 1)]
    for path, data in zip(paths, made, strict=True):
        replace_file(path, data)
    return tuple(paths)


def _encoded(pages: list[Page], ending: str, title: str) -> list[bytes]:
    if ending == ".pdf":
        return [draw_pdf(pages, {}, title, "Pocket card", PLAIN)]
    return [png_bytes(draw_page(page, {}, PLAIN)) for page in pages]
