"""A cheap stand-in for the rendered scene: patches of grey with the right brightness, for speed measurements."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hardware_mocks import sensor
from hardware_mocks.shot import Optics, Shot

_PATCH_PX = 8


class FlatRenderer:
    """Frames of one grey in fine patches; brightness, noise and clipping follow the shot.

    The patches repeat nowhere, so that two frames can be held against each other as those of any scene can.
    """

    has_depth = False

    def prepare(self, optics: Optics) -> None:
        """Nothing is needed beforehand."""

    def ready(self, optics: Optics) -> bool:
        """Always."""
        return True

    def render(self, shot: Shot) -> NDArray[np.uint8]:
        """The picture, height x width x 3, 0..255."""
        width, height = shot.optics.size
        across, down = -(-width // _PATCH_PX), -(-height // _PATCH_PX)
        patches = np.where(np.random.default_rng(0).random((down, across)) < 0.5, 0.17, 0.19).astype(np.float32)
        grey = np.kron(patches * np.float32(shot.gain), np.ones((_PATCH_PX, _PATCH_PX), np.float32))[:height, :width]
        light = np.repeat(grey[:, :, None], 3, axis=2)
        return sensor.expose(light, shot.iso, shot.seed, shot.number)
