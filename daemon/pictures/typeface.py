"""The sheet's typeface: Bitstream Vera, which comes with reportlab; PNG and PDF have the same letters and widths."""

from __future__ import annotations

import unicodedata
from functools import cache, lru_cache
from pathlib import Path

import reportlab
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

from daemon.pictures.geometry import MM_A_POINT, NO_BREAK, Face

FACES: dict[Face, str] = {"plain": "Vera", "bold": "VeraBd", "italic": "VeraIt"}
REPLACEMENT = "\N{LOZENGE}"

_LAST_OF_PLANE = 0xFFFF  # the fonts list it, but it is no character


def font_file(face: Face) -> Path:
    """Where the font of a face lies."""
    return Path(reportlab.__file__).parent / "fonts" / f"{FACES[face]}.ttf"


@cache
def font(face: Face) -> TTFont:
    """The font of a face, registered with reportlab under its own name."""
    made = TTFont(FACES[face], str(font_file(face)))
    pdfmetrics.registerFont(made)
    return made


@lru_cache(maxsize=50_000)  # the layout tries many arrangements of the same words
def text_width(text: str, face: Face, size: float) -> float:
    """Width of a line of text. [mm] ``size`` in points."""
    return float(font(face).stringWidth(text, size)) * MM_A_POINT


@cache
def _letters() -> frozenset[int]:
    sets = [set(font(face).face.charToGlyph) for face in FACES]
    return frozenset(set.intersection(*sets) - {_LAST_OF_PLANE})


class Cleaner:
    """Puts a visible sign for each letter that the typeface lacks; ``replaced`` counts them."""

    def __init__(self) -> None:
        self.replaced = 0

    def __call__(self, text: str) -> str:
        """``text`` on one line, composed, without control and format characters, every letter one that can be drawn."""
        out = []
        for char in unicodedata.normalize("NFC", text):
            if char == NO_BREAK:
                out.append(char)
            elif char.isspace() or unicodedata.category(char) == "Cc":
                out.append(" ")
            elif unicodedata.category(char) == "Cf":
                continue
            elif ord(char) in _letters():
                out.append(char)
            else:
                self.replaced += 1
                out.append(REPLACEMENT)
        return " ".join(word for word in "".join(out).split(" ") if word)
