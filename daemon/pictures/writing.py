"""Drawn pages as bytes, and bytes as files that are whole or as they were."""

from __future__ import annotations

import io
from pathlib import Path

from PIL import Image

from daemon.pictures.draw_png import DPI


def png_bytes(image: Image.Image) -> bytes:
    """A drawn page as a PNG file of its own size on paper."""
    out = io.BytesIO()
    image.save(out, "PNG", dpi=(DPI, DPI))
    return out.getvalue()


def replace_file(path: Path, data: bytes) -> None:
    """Write a file; one of that name is replaced, and is whole or as it was.

    Raises
    ------
    OSError
        If it cannot be written; nothing is left of the attempt.
    """
    part = path.with_name(path.name + ".part")
    try:
        part.write_bytes(data)
        part.replace(path)
    except OSError:
        part.unlink(missing_ok=True)
        raise
