"""Pictures for a class: upright, in sRGB, of a size that travels, and with nothing in them but pixels.

Every picture is decoded and encoded anew, and the new file gets no block of the old one: no Exif (serial numbers,
owners, positions, thumbnails), no XMP, no comment, no maker's note. What a class should know stands in the sidecar.
"""

from __future__ import annotations

import io
from pathlib import Path

from PIL import Image, ImageCms, ImageOps

from daemon.errors import StopwrightError
from daemon.pictures.opening import opened_jpeg

CLASS_LONG_SIDE = 1920  # px, of a picture for a class
QUALITY = 88


def upright(path: Path | None, long_side: int | None = None) -> Image.Image | None:
    """The picture in sRGB, upright as its Exif says, with no metadata; None if there is none or it cannot be read.

    ``long_side`` [px]: reduced to it; None, or a smaller picture: as it is. Nothing is enlarged.
    """
    if path is None:
        return None
    try:
        with opened_jpeg(path) as jpeg:
            profile = jpeg.info.get("icc_profile")
            if long_side is not None:
                jpeg.draft("RGB", (long_side, long_side))
            picture = jpeg.convert("RGB")
    except StopwrightError:
        return None
    try:
        ImageOps.exif_transpose(picture, in_place=True)
    except Exception:  # broken Exif: shown as it lies
        picture.info.clear()
    if long_side is not None:
        picture.thumbnail((long_side, long_side), Image.Resampling.LANCZOS)
    return bare(_in_srgb(picture, profile))


def bare(picture: Image.Image) -> Image.Image:
    """The picture without what a decoder keeps beside the pixels, which would be written again with them."""
    picture.info.clear()
    return picture


def jpeg_bytes(picture: Image.Image, quality: int = QUALITY, fine: bool = True) -> bytes:
    """A picture as a JPEG file. ``fine``: colour at full resolution."""
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=quality, subsampling=0 if fine else 2)
    return out.getvalue()


def _in_srgb(picture: Image.Image, profile: object) -> Image.Image:
    """``picture`` seen through its own profile, where it has one that can be used."""
    if not isinstance(profile, bytes) or not profile:
        return picture
    try:
        source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        made = ImageCms.profileToProfile(picture, source, ImageCms.createProfile("sRGB"), outputMode="RGB")
    except (ImageCms.PyCMSError, OSError, ValueError, TypeError):
        return picture
    return picture if made is None else made
