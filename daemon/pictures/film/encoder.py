"""Writing a film: H.264 or AV1 in an MP4 file, by PyAV, which is loaded only here (the extra ``film``).

The file appears under its name only when it is whole. Colours are BT.709 (ITU-R BT.709), and say so.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from contextlib import contextmanager
from fractions import Fraction
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from daemon.errors import StoreError, UsageError
from daemon.files import flush_folder, wording
from daemon.pictures.film.frames import Codec

_ENCODERS: dict[Codec, tuple[str, int, dict[str, str]]] = {
    "h264": ("libx264", 19, {"preset": "fast"}),
    "av1": ("libsvtav1", 30, {"preset": "8"}),
}
_BT709 = 1  # ITU-T H.273: primaries, transfer and matrix of BT.709 are all number 1
_LIMITED = 1  # of FFmpeg's AVColorRange


class Sink(Protocol):
    """Takes the film's frames in order."""

    def write(self, pixels: bytes) -> None:
        """Add one frame: RGB bytes of the film's size."""
        ...


def library() -> Any:
    """PyAV. UsageError where it is not installed."""
    try:
        import av
    except ImportError:
        raise UsageError(
            "film: PyAV, which writes films, is not installed. Install the extra: pip install 'stopwright[film]'; "
            "smoothed stills (--stills) do without it"
        ) from None
    return av


@contextmanager
def encoding(out: Path, size: tuple[int, int], rate: int, codec: Codec, quality: int | None = None) -> Iterator[Sink]:
    """A sink for frames; at the end the film lies whole at ``out``, after an error nothing does.

    Raises
    ------
    UsageError
        If PyAV or the encoder is missing.
    StoreError
        If the disk refuses.
    """
    av = library()
    name, usual, options = _ENCODERS[codec]
    os.environ.setdefault("SVT_LOG", "1")  # the AV1 encoder tells of itself on standard error unless told not to
    passing = out.with_name(f".{out.name}.new")
    try:
        with (
            _worded(av, out, codec),
            av.open(str(passing), "w", format="mp4", options={"movflags": "faststart"}) as film,
        ):
            stream = film.add_stream(name, rate=Fraction(rate))
            stream.width, stream.height = size
            stream.pix_fmt = "yuv420p"
            stream.options = options | {"crf": str(usual if quality is None else quality)}
            context = stream.codec_context
            context.colorspace = context.color_primaries = context.color_trc = _BT709
            context.color_range = _LIMITED
            if codec == "h264":
                stream.thread_type = "FRAME"
            yield _Writer(av, film, stream, size)
            film.mux(stream.encode())
        with wording("write", out, out.parent):
            with passing.open("rb") as whole:
                os.fsync(whole.fileno())
            passing.replace(out)
            flush_folder(out.parent)
    finally:
        with contextlib.suppress(OSError):
            passing.unlink(missing_ok=True)


class _Writer:
    def __init__(self, av: Any, film: Any, stream: Any, size: tuple[int, int]):
        self._av, self._film, self._stream, self._size = av, film, stream, size
        self._count = 0
        self._matrix = av.video.reformatter.Colorspace.ITU709

    def write(self, pixels: bytes) -> None:
        width, height = self._size
        frame = self._av.VideoFrame.from_ndarray(np.frombuffer(pixels, np.uint8).reshape(height, width, 3), "rgb24")
        frame = frame.reformat(format="yuv420p", dst_colorspace=self._matrix)
        frame.pts = self._count
        self._count += 1
        self._film.mux(self._stream.encode(frame))


@contextmanager
def _worded(av: Any, out: Path, codec: Codec) -> Iterator[None]:
    try:
        yield
    except av.codec.codec.UnknownCodecError:
        raise UsageError(f"film: this PyAV has no encoder for {codec}. Choose the other codec") from None
    except OSError as error:  # PyAV's errors are of this kind as well
        raise StoreError(f"film {out}: cannot be written ({error.strerror or error}). Free some space") from error
