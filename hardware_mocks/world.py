"""What hands and weather do to the simulated rig, and how it shows in a picture; the camera body knows nothing of it.

A turn of the head moves near and far alike; a rig that is carried moves near things more than far ones. Who renders a
scene with depth is told where the rig stands (`World.stand`) and turns out the picture from there; what is left to do
on the finished picture is the lean about the lens's axis, which acts on all depths alike. A card without depth is
shifted and zoomed as a whole, as its plane of focus is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from hardware_mocks.shot import Stand

NEAREST_FOCUS_M = 0.45
KNOCK_PX = 0.012  # smear of a knocked tripod, a share of the picture's width
DRIFT_PX_PER_S = 0.0008  # wander of a stabiliser that was left on upon a tripod, as a share of the width [1/s]
MOST_DRIFT = 0.006
_MOMENTS = 9  # pictures laid over one another in a smear

Pixels = NDArray[np.uint8]


@dataclass
class World:
    """The rig and its light.

    ``polariser_deg`` is how the axis of a polariser is turned from the level, if one is on; ``nearer_m``, ``right_m``
    and ``lower_m`` are how far the rig was carried [m]; ``framing`` is how far it is turned to the right and down, in
    shares of the picture's width and height.
    """

    ev100: float
    focus_m: float = 3.0
    filters: tuple[tuple[str, float], ...] = ()
    nearer_m: float = 0.0
    right_m: float = 0.0
    lower_m: float = 0.0
    framing: tuple[float, float] = (0.0, 0.0)
    tilt_deg: float = 0.0
    portrait: bool = False
    polariser_deg: float = 0.0
    polariser_on: bool = False

    @property
    def light(self) -> float:
        """Light that comes through the filters. [EV at ISO 100]"""
        return self.ev100 - sum(stops for _, stops in self.filters)

    def focus(self, distance_m: float) -> None:
        """Turn the focus ring, which stops at the lens's nearest distance. [m]"""
        self.focus_m = max(NEAREST_FOCUS_M, distance_m)

    def kick(self, share: tuple[float, float], tilt_deg: float) -> None:
        """Turn the camera for good. [shares of width and height, degrees]"""
        self.framing = (self.framing[0] + share[0], self.framing[1] + share[1])
        self.tilt_deg += tilt_deg

    def carry(self, right_m: float, lower_m: float, nearer_m: float) -> None:
        """Carry the rig for good. [m]"""
        self.right_m += right_m
        self.lower_m += lower_m
        self.nearer_m += nearer_m

    def fit(self, filters: tuple[tuple[str, float], ...], polariser: bool | None = None) -> None:
        """Have these filters on the lens. ``polariser``: whether one of them is one; None goes by their names."""
        self.filters = filters
        named = any("polari" in name.lower() for name, _ in filters)
        self.polariser_on = bool(filters) and (named if polariser is None else polariser)

    def stand(self, swing: float = 0.0) -> Stand:
        """Where the rig stands, for who renders with depth. ``swing`` as in `Stand`. [share of the width]"""
        return Stand(self.framing, self.right_m, self.lower_m, self.nearer_m, swing)

    def leans(self) -> bool:
        """Whether the camera leans about the axis of its lens, or stands upright."""
        return bool(self.tilt_deg or self.portrait)

    def leant(self, picture: Pixels) -> Pixels:
        """A picture as the leaning camera has it. Corners that were never drawn are filled with what lies beside them;
        beyond what an upright camera was drawn for there is black. height x width x 3, 0..255."""
        if not self.leans():
            return picture
        level = World(self.ev100, self.focus_m, tilt_deg=self.tilt_deg, portrait=self.portrait)
        if self.portrait:
            return level.seen(picture)
        height, width = picture.shape[:2]
        spare = min(height // 2, 2 + round(np.hypot(height, width) / 2 * np.sin(np.radians(abs(self.tilt_deg)))))
        wider = np.pad(picture, ((spare, spare), (spare, spare), (0, 0)), mode="reflect")
        return level.seen(wider)[spare : spare + height, spare : spare + width]

    def disturbs(self) -> bool:
        """Whether the rig stands otherwise than at first."""
        return self.stand() != Stand() or self.leans()

    def seen(self, picture: Pixels) -> Pixels:
        """A card without depth from where the camera stands now. height x width x 3, 0..255."""
        if not self.disturbs():
            return picture
        height, width = picture.shape[:2]
        angle = np.radians(self.tilt_deg + (90.0 if self.portrait else 0.0))
        away = max(0.1, self.focus_m - self.nearer_m)
        zoom = away / self.focus_m
        cos, sin = np.cos(angle) * zoom, np.sin(angle) * zoom
        middle_x, middle_y = width / 2 + self.framing[0] * width, height / 2 + self.framing[1] * height
        affine = (
            cos,
            sin,
            middle_x - cos * width / 2 - sin * height / 2,
            -sin,
            cos,
            middle_y + sin * width / 2 - cos * height / 2,
        )
        turned = Image.fromarray(picture).transform(
            (width, height), Image.Transform.AFFINE, affine, resample=Image.Resampling.BILINEAR
        )
        return np.asarray(turned)

    def report(self) -> dict[str, object]:
        """How the rig stands, as plain data."""
        return {
            "focus_m": self.focus_m,
            "filters": [{"name": name, "stops": stops} for name, stops in self.filters],
            "ev100": self.ev100,
            "nearer_m": self.nearer_m,
            "right_m": self.right_m,
            "lower_m": self.lower_m,
            "framing": list(self.framing),
            "tilt_deg": self.tilt_deg,
            "portrait": self.portrait,
            "polariser_deg": self.polariser_deg,
            "polariser_on": self.polariser_on,
        }


def smear(picture: Pixels, share: float) -> Pixels:
    """The picture of a camera that moved sideways while the shutter was open, by ``share`` of its width."""
    width = picture.shape[1]
    reach = max(1.0, share * width)
    total = np.zeros(picture.shape, dtype=np.float32)
    for place in np.linspace(-reach / 2, reach / 2, _MOMENTS):
        total += np.roll(picture, round(place), axis=1)
    return (total / _MOMENTS).astype(np.uint8)
