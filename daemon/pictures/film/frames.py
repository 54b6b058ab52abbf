"""What a film is made from: frames in order, each with its exact settings, and how the film is to look."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from plans.smoothing import light_given

Codec = Literal["h264", "av1"]
SIZES: dict[str, tuple[int, int]] = {"720p": (1280, 720), "1080p": (1920, 1080), "4k": (3840, 2160)}


@dataclass(frozen=True)
class ExactSettings:
    """Exact settings, not marks: ``exposure_s`` [s], ``filter_stops`` what filters take [stops]."""

    f_number: float
    exposure_s: float
    iso: float
    filter_stops: float = 0.0

    @property
    def given(self) -> float:
        """What they give. [stops]"""
        return light_given(self.f_number, self.exposure_s, self.iso, self.filter_stops)


@dataclass(frozen=True)
class FilmFrame:
    """One frame of a series. ``reading_stops``: its brightness as measured at the time, against mid grey, if it was.

    ``caption`` is shown on demand; ``number`` counts all frames that were to be taken, so that gaps can be seen.
    """

    path: Path
    number: int
    settings: ExactSettings
    reading_stops: float | None = None
    caption: str = ""


@dataclass(frozen=True)
class Crop:
    """A part of the frame: its centre and width as shares of the frame's width and height (``x``, ``y``, ``width``)."""

    x: float = 0.5
    y: float = 0.5
    width: float = 1.0


@dataclass(frozen=True)
class Look:
    """How a film is to be made.

    The picture moves from ``start`` to ``end``. ``smooth``: take the steps of the settings out; ``steady``: what
    remains as well. ``rate`` in frames per second; ``quality`` as the encoder counts it, lower is better.
    """

    size: tuple[int, int] = SIZES["1080p"]
    codec: Codec = "h264"
    rate: int = 25
    start: Crop = Crop()
    end: Crop | None = None
    smooth: bool = True
    steady: bool = True
    caption: bool = False
    quality: int | None = None


def box_at(crop: Crop, frame: tuple[int, int], shape: tuple[int, int]) -> tuple[float, float, float, float]:
    """The part of a frame of ``frame`` pixels that a crop of the film's ``shape`` shows: left, top, right, bottom. [px]

    The whole width or height that fits is taken where the crop is as wide as the frame; it is moved in where it would
    reach beyond an edge.
    """
    width = min(frame[0] * crop.width, frame[0], frame[1] * shape[0] / shape[1])
    height = width * shape[1] / shape[0]
    left = min(max(crop.x * frame[0] - width / 2, 0.0), frame[0] - width)
    top = min(max(crop.y * frame[1] - height / 2, 0.0), frame[1] - height)
    return left, top, left + width, top + height


def crop_at(look: Look, share: float) -> Crop:
    """The crop at a share [0..1] of the film; it sets off and comes to rest gently."""
    if look.end is None:
        return look.start
    eased = share * share * (3 - 2 * share)
    one, other = look.start, look.end
    return Crop(
        one.x + eased * (other.x - one.x),
        one.y + eased * (other.y - one.y),
        one.width * (other.width / one.width) ** eased,
    )
