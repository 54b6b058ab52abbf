"""From a shot to the files of a frame: what hands add to the picture, the format that was asked for, and faults."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from hardware_mocks import body, jpeg
from hardware_mocks.rawfile import raw_file
from hardware_mocks.shot import Optics, Shot
from hardware_mocks.world import DRIFT_PX_PER_S, MOST_DRIFT, World, smear

LIVE_VIEW_PX = 480  # width of a live view [pixels]
LIVE_VIEW_S = 1 / 30  # exposure of one live picture [s]


class Renderer(Protocol):
    """Makes pictures of shots.

    ``has_depth`` is whether it heeds `Shot.stand`; the pictures of another are moved as a whole.
    """

    has_depth: bool

    def prepare(self, optics: Optics) -> None:
        """Do beforehand, in the background, what frames of this size need once."""
        ...

    def ready(self, optics: Optics) -> bool:
        """Whether that is done."""
        ...

    def render(self, shot: Shot) -> NDArray[np.uint8]:
        """The picture, height x width x 3, 0..255."""
        ...


def sway(shot: Shot, stabiliser: int) -> float:
    """Smear of a stabiliser that was left on upon a tripod, a share of the picture's width."""
    if not stabiliser or shot.time_s < body.LONG_EXPOSURE_S:
        return 0.0
    return min(MOST_DRIFT, DRIFT_PX_PER_S * shot.time_s)


def files_of(renderer: Renderer, shot: Shot, quality: int, world: World, moved: float) -> dict[str, bytes]:
    """The files of a frame by ending, as the image format asks. ``moved`` is a smear, a share of the width."""
    if renderer.has_depth:
        shot = replace(shot, stand=world.stand(moved))
        picture, displaced = world.leant(renderer.render(shot)), world.leans()
    else:
        picture, displaced = world.seen(renderer.render(shot)), bool(moved) or world.disturbs()
        picture = smear(picture, moved) if moved else picture
    files = {}
    if quality != body.RAW:
        files["JPG"] = jpeg.encode(picture, shot)
    if quality >= body.RAW:
        files["DNG"] = raw_file(renderer, picture, shot, displaced)
    return files


def spoilt(files: dict[str, bytes], how: str) -> dict[str, bytes]:
    """The files as a fault leaves them on the card: ``empty``, ``truncated``, or of another ``format``."""
    ways: dict[str, Callable[[bytes], bytes]] = {
        "empty": lambda content: b"",
        "truncated": lambda content: content[: len(content) // 2],
        "format": lambda content: b"a note about the garden\n" * 100,
    }
    return {ending: ways[how](content) for ending, content in files.items()}


def live_picture(renderer: Renderer, shot: Shot, world: World, highest_iso: float) -> bytes:
    """One live picture as a JPEG: as bright as the exposure would be, as far as ISO reaches, blurred by 1/30 s."""
    width = min(LIVE_VIEW_PX, shot.optics.size[0])
    size = (width, round(width * shot.optics.size[1] / shot.optics.size[0]))
    time_s = min(shot.time_s, LIVE_VIEW_S)
    iso = min(highest_iso, shot.iso * shot.time_s / time_s)
    shot = replace(shot, optics=replace(shot.optics, size=size), time_s=time_s, iso=iso)
    sink = io.BytesIO()
    if renderer.has_depth:
        picture = world.leant(renderer.render(replace(shot, stand=world.stand())))
    else:
        picture = world.seen(renderer.render(shot))
    Image.fromarray(picture).save(sink, "JPEG", quality=80)
    return sink.getvalue()
