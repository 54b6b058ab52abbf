"""What can be asked of a camera: one protocol for every way of reaching one.

Implemented by ``daemon.camera.supervisor.CameraProcess`` (libgphoto2 in a killable child process) and by
``hardware_mocks.inprocess.InProcessCamera``; one suite of contract tests runs over all of them.
All shapes are plain data that pass through JSON.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Literal, Protocol

from pydantic import BaseModel, ConfigDict

SettingName = Literal[
    "aperture",
    "time",
    "iso",
    "iso_auto",
    "mode",
    "focus_mode",
    "white_balance",
    "exposure_bias",
    "image_format",
    "image_size",
    "stabiliser",
    "capture_target",
    "colour_temperature",
    "picture_style",
    "brightness_aid",
    "wide_range",
    "noise_reduction",
    "long_exposure_reduction",
    "lens_correction",
    "vignette_correction",
    "shutter_delay",
    "power_off",
]


class _Shape(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class SettingState(_Shape):
    """One setting as the camera shows it now.

    ``labels`` are the camera's own words in its own order; ``widget`` is the name libgphoto2 gives it.
    ``raw`` is the code behind the current label, where the camera tells one: codes are never translated.
    ``current`` is empty when the camera shows a value that is not among its own choices.
    """

    name: SettingName
    widget: str
    current: str
    labels: tuple[str, ...]
    writable: bool
    raw: str | None = None


class CameraState(_Shape):
    """What is connected and what can be set. ``battery`` in per cent, ``free_bytes`` on the card; None: not told.

    ``clock`` is what the camera's own clock showed, in ISO 8601 without a zone. ``can_bulb`` and ``can_preview``:
    whether the shutter can be held open over the cable, and the library says that live view is to be had. ``untold``
    are settings that this camera has and refused to tell, or was too busy to, however often it was asked.
    """

    model: str
    port: str
    settings: dict[str, SettingState]
    untold: tuple[SettingName, ...] = ()
    battery: int | None = None
    free_bytes: int | None = None
    can_trigger: bool = True
    can_bulb: bool = False
    can_preview: bool = False
    clock: str | None = None


class CardFile(_Shape):
    """A file on the camera's card, by the camera's own names. ``taken`` is the camera's unlabelled clock, if told."""

    folder: str
    name: str
    size: int | None = None
    taken: str | None = None


class BulbExposure(_Shape):
    """A frame whose shutter the computer held open.

    ``held_s`` is how long it was open by the computer's clock, within ``within_s`` either way: the time that opening
    and closing took on the link. ``ended_early``: the camera announced the frame before the shutter was told to close,
    so that ``held_s`` is the longest that it can have been. [s]
    """

    files: tuple[CardFile, ...]
    held_s: float
    within_s: float
    ended_early: bool = False


class Camera(Protocol):
    """The verbs. Every one may raise a ``CameraError``; none blocks without a deadline."""

    def state(self) -> CameraState:
        """Everything the camera tells of itself, read afresh."""
        ...

    def apply(self, labels: Mapping[str, str]) -> dict[str, str]:
        """Set each named setting to one of the camera's own labels and read all of them back.

        Returns the labels read back. A setting whose label already reads as asked is not sent again.

        Raises
        ------
        SettingRefused
            If one does not read back as asked once the camera has settled.
        """
        ...

    def expose(self, exposure_s: float) -> list[CardFile]:
        """Take one frame with the settings in force; the files it made on the card, in the camera's order.

        Stale events are drained first. ``exposure_s`` is the exact time of the exposure, for the deadline. [s]
        """
        ...

    def bulb(self, seconds: float) -> BulbExposure:
        """Take one frame with the shutter held open for so long. [s]

        The time setting is put on the camera's own mark for bulb first, and left there.

        Raises
        ------
        SettingRefused
            If the camera offers no such mark, or its dial does not allow it.
        """
        ...

    def preview(self, into: Path) -> int:
        """Write one live picture, a JPEG, to the path ``into``, which must not exist; its size. [bytes]

        Nothing comes on the card. Live view is off again before the next exposure.
        """
        ...

    def fetch(self, file: CardFile, into: Path) -> int:
        """Copy one file from the card to the path ``into``, which must not exist; its size. [bytes]

        The file is written and flushed, but making it durable is the store's business.
        """
        ...

    def card(self, fresh: bool = False) -> list[CardFile]:
        """Every picture on the card, in the camera's order.

        A picture whose announcement was lost may be missing, unless the list is asked for ``fresh``: then nothing that
        is remembered of the card counts. That may cost a new connection.
        """
        ...

    def close(self) -> None:
        """Let the camera go. Idempotent; never raises."""
        ...
