"""A cheap stand-in for the rendered scene: bars of grey with the right brightness, for speed measurements."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hardware_mocks import sensor
from hardware_mocks.shot import Optics, Shot


class FlatRenderer:
    """Frames of one grey with a fine bar pattern; brightness, noise and clipping follow the shot."""

    has_depth = False

    def prepare(self, optics: Optics) -> None:
        """Nothing is needed beforehand."""

    def ready(self, optics: Optics) -> bool:
        """Always."""
        return True

    def render(self, shot: Shot) -> NDArray[np.uint8]:
        """The picture, height x width x 3, 0..255."""
        width, height = shot.optics.size
        line = np.where(np.arange(width) // 8 % 2, 0.19, 0.17).astype(np.float32)
        light = np.broadcast_to(line[None, :, None] * np.float32(shot.gain), (height, width, 3)).copy()
        return sensor.expose(light, shot.iso, shot.seed, shot.number)
