"""What a polariser on the lens does to each part of the garden.

Light is told as a part that is polarised along one direction and a part that is not. A filter whose axis lies at an
angle a to the polarised part lets 2 cos^2 a of it by for each share of the unpolarised light that it lets by (Malus).
Three things are polarised, each along a direction of its own:

- what water mirrors, along the level: Fresnel's equations (Hecht, Optics; from memory), n = 1.333;
- the sky, across the direction of the sun: sin^2 g / (1 + cos^2 g) at the angle g from it (Rayleigh's scattering; from
  memory), times what a real sky has of it at most;
- the gloss of leaves and grass, along the level in the mean: a share of our own.

Falling water, stone, heron, leaves of the branch and people are left as they are: their surfaces face all ways.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from hardware_mocks.garden import Garden
from hardware_mocks.lens import Raster
from hardware_mocks.script import Glare
from hardware_mocks.sensor import LUMINANCE

Plane = NDArray[np.float32]
WATER_INDEX = 1.333
_SKYLIGHT = np.array([0.94, 1.0, 1.10], np.float32)  # gloss has the colour of the sky


def fresnel(from_upright_deg: float, index: float = WATER_INDEX) -> tuple[float, float]:
    """Shares of light that a surface mirrors: of what swings along it, and of what swings across that. [0..1]"""
    cos = math.cos(math.radians(from_upright_deg))
    inside = math.sqrt(index**2 - 1 + cos**2)  # n times the cosine of the refracted ray's angle, by Snell's law
    along = ((cos - inside) / (cos + inside)) ** 2
    across = ((index**2 * cos - inside) / (index**2 * cos + inside)) ** 2
    return along, across


def water_polarised(glare: Glare) -> float:
    """How much of what the water mirrors is polarised, along the level. [0..1]"""
    along, across = fresnel(glare.water_from_upright_deg)
    return (along - across) / (along + across)


def sky_polarised(glare: Glare) -> tuple[float, float]:
    """How much of the light of the sky before the camera is polarised [0..1], and how its direction leans [degrees
    from the level]."""
    aside, above = math.radians(glare.sun_aside_deg), math.radians(glare.sun_above_deg)
    cosine = math.cos(aside) * math.cos(above)
    degree = glare.sky_most * (1 - cosine**2) / (1 + cosine**2)
    # Across both the line of sight and the direction of the sun.
    return degree, math.degrees(math.atan2(-math.sin(aside) * math.cos(above), math.sin(above)))


def passed(polariser_deg: float, leaning_deg: float) -> float:
    """How much more of polarised light than of unpolarised comes through, less 1: from -1 to 1. [unitless]"""
    return math.cos(2 * math.radians(polariser_deg - leaning_deg))  # 2 cos^2 a - 1


def through(garden: Garden, glare: Glare, polariser_deg: float) -> Garden:
    """The garden as a polariser shows it, its loss of unpolarised light left aside."""
    level = passed(polariser_deg, 0.0)
    degree, leaning = sky_polarised(glare)
    hedge = _turned(garden.hedge, level * glare.sheen, True)
    if garden.hedge.skylight is not None:
        more = np.float32(degree * passed(polariser_deg, leaning)) * garden.hedge.skylight
        hedge = replace(hedge, light=hedge.light + garden.hedge.light * more[..., None])
    return replace(garden, hedge=hedge, fountain=_turned(garden.fountain, level * water_polarised(glare), False))


def _turned(raster: Raster, share: float, glossy: bool) -> Raster:
    """A raster with ``share`` more (or less) of the light that its surface throws back. ``glossy``: in the colour of
    the sky; else in its own."""
    if raster.glare is None:
        return raster
    if not glossy:
        return replace(raster, light=raster.light * (1 + np.float32(share) * raster.glare)[..., None])
    more = (raster.light @ LUMINANCE * raster.glare * np.float32(share))[..., None]
    return replace(raster, light=np.maximum(raster.light + more * (_SKYLIGHT / float(_SKYLIGHT @ LUMINANCE)), 0))
