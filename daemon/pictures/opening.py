"""The one border where picture files are opened: every way a file can be bad becomes one error of ours.

JPEG only: it is what every tethered camera delivers beside its RAW, and one decoder is a smaller target for broken or
hostile files than forty. The pixel count is looked at before a single pixel is decoded.
"""

from __future__ import annotations

import threading
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from PIL import Image
from PIL.JpegImagePlugin import JpegImageFile

from daemon.errors import StopwrightError

MAX_PIXELS = 200_000_000
"""Largest picture that is decoded: above the largest sensors sold (about 150 megapixels), 0.8 GB once decoded."""

# warnings.catch_warnings changes the state of the whole process, so two threads must not be inside at once.
_warnings_lock = threading.Lock()


class PictureUnreadable(StopwrightError):
    """A file that is no picture that can be measured or shown; the file itself is left as it is."""

    def __init__(self, path: Path, found: str, advice: str = "The file was left as it is; look at it by hand"):
        self.path, self.found, self.advice = path, found, advice
        super().__init__(
            f"{path}: asked for a picture, found {found}; "
            f"allowed: a whole JPEG file of at most {MAX_PIXELS // 1_000_000} megapixels. {advice}"
        )


@contextmanager
def without_decoder_warnings() -> Iterator[None]:
    """Keep the decoder's warnings on broken metadata off the console; what they are about is checked here anyway."""
    with _warnings_lock, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


@contextmanager
def opened_jpeg(path: Path, max_pixels: int = MAX_PIXELS) -> Iterator[JpegImageFile]:
    """The JPEG at ``path``, opened but not decoded; closed at the end.

    Whatever the decoder raises inside the block, on damaged data for one, becomes a `PictureUnreadable` too.

    Raises
    ------
    PictureUnreadable
        If there is no such file, it may not be read, is no JPEG, is broken, or has more than ``max_pixels``.
    """
    # A named pipe would block for ever, a device never end.
    if not path.is_file():
        found = "something that is no regular file" if path.exists() else "no file"
        raise PictureUnreadable(path, found)
    try:
        with without_decoder_warnings():
            image = JpegImageFile(str(path))
    except Exception as error:  # the decoder is foreign: SyntaxError for no JPEG, others for broken headers
        if isinstance(error, OSError) and error.strerror:
            raise PictureUnreadable(path, f"a file that cannot be read ({error.strerror})") from error
        raise PictureUnreadable(path, "a file that is no JPEG, or a broken one") from error
    with image:
        width, height = image.size
        if width * height > max_pixels:
            raise PictureUnreadable(
                path,
                f"{width} x {height} pixels, {width * height / 1e6:.0f} megapixels",
                "It was not decoded, lest it fill the memory",
            )
        try:
            yield image
        except StopwrightError:
            raise
        except MemoryError as error:
            raise PictureUnreadable(path, f"{width} x {height} pixels, too many for the free memory") from error
        except (OSError, SyntaxError, ValueError, Image.DecompressionBombError) as error:
            raise PictureUnreadable(path, f"a JPEG that breaks off or is damaged ({error})") from error
