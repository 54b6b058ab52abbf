"""Noise in the dark: how rough the flattest dark patches are.

The mask that takes away planes and edges is that of J. Immerkaer, Fast noise variance estimation, Computer Vision and
Image Understanding 64 (1996), from memory. Patches with structure look noisier than they are, so the smoothest tenth
of the dark ones counts. What a camera's JPEG has smoothed away is not seen.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from daemon.pictures.judging.pixels import Pixels

PATCH = 24  # [px]
DARK = (0.01, 0.09)  # linear light of a patch: above black, and a stop below mid-grey
FLATTEST = 0.1
LEAST_PATCHES = 5


@dataclass(frozen=True)
class Noise:
    """``share``: standard deviation over the mean light; ``level``: that mean; ``patches``: how many told it. [0..1]"""

    share: float
    level: float
    patches: int


def dark_noise(frame: Pixels, step: int = 1) -> Noise | None:
    """Noise of a frame's dark patches, every ``step``-th looked at; None where too few are dark. [unitless]"""
    found = []
    for top in range(0, frame.height - PATCH + 1, PATCH * step):
        strip = frame.linear((0, top, frame.width, top + PATCH))
        for left in range(0, frame.width - PATCH + 1, PATCH * step):
            patch = strip[:, left : left + PATCH]
            mean = float(patch.mean())
            if DARK[0] < mean < DARK[1]:
                across = patch[:, :-2] - 2 * patch[:, 1:-1] + patch[:, 2:]
                mask = across[:-2] - 2 * across[1:-1] + across[2:]
                found.append((math.sqrt(math.pi / 2) * float(np.abs(mask).mean()) / 6 / mean, mean))
    chosen = sorted(found)[: max(1, round(FLATTEST * len(found)))]
    if len(found) < LEAST_PATCHES:
        return None
    share, level = np.median(np.array(chosen), axis=0)
    return Noise(float(share), float(level), len(chosen))
