"""Framing: whether things fit the picture, and how large the picture will be looked at.

Thin lens, focused on the thing: an upright thing of height h at the distance s is imaged at m h, with m = f / (s - f)
(`plans.optics.magnification`).
"""

from __future__ import annotations

from plans.brief import ShownOn
from plans.kit import Sensor

_PIXELS = 2.0  # of the picture that a disc may cover, looked at in full size
_PROJECTOR = 1.5, 1920  # projected pixels that a disc may cover, of those across the screen
_A4_PRINT_MM = 0.2, 297.0  # disc that an eye at reading distance takes for a point, width of the paper [mm]


def image_share(magnification: float, height_m: float, frame_mm: float) -> float:
    """Height of a thing's image as a share of the frame. [unitless]

    Parameters
    ----------
    magnification
        Image size over size of the thing. [unitless]
    height_m, frame_mm
        The thing's height, and the frame's side that it stands along. [m], [mm]
    """
    return magnification * height_m * 1000 / frame_mm


def nearest_that_fits_m(focal_mm: float, height_m: float, frame_mm: float) -> float:
    """Nearest distance at which a thing fits the frame: f (1 + h / H), from m h = H. [m]"""
    return focal_mm * (1 + height_m * 1000 / frame_mm) / 1000


def longest_that_fits_mm(distance_m: float, height_m: float, frame_mm: float) -> float:
    """Longest focal length at which a thing fits the frame: s H / (h + H), from m h = H. [mm]"""
    return distance_m * 1000 * frame_mm / (height_m * 1000 + frame_mm)


def coc_mm(sensor: Sensor, shown_on: ShownOn | None) -> float:
    """Circle of confusion on the sensor, by where the whole picture will be looked at. [mm]

    ``full size``: two pixels of this sensor. ``projector``: one and a half of the 1920 pixels across a projected
    picture. ``A4 print``: 0.2 mm on a print as wide as the paper, 297 mm. None: the usual one, by the sensor's
    diagonal. All are common practice, no source.
    """
    if shown_on == "full size":
        return _PIXELS * sensor.width_mm / sensor.pixels[0]
    if shown_on == "projector":
        return _PROJECTOR[0] * sensor.width_mm / _PROJECTOR[1]
    if shown_on == "A4 print":
        return sensor.width_mm * _A4_PRINT_MM[0] / _A4_PRINT_MM[1]
    return sensor.coc_mm
