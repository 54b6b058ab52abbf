"""Settings of the simulated body beside aperture, time and ISO: wire values, labels, and how it is delivered.

Labels are those that the camera library shows for the same values over PTP/IP (measured); ``size`` labels are the
pixels themselves. For ``stabiliser`` it shows no words, only the number among the raw properties (d138).
"""

from __future__ import annotations

from dataclasses import dataclass

JPEG_BASIC, JPEG_NORMAL, JPEG_FINE, RAW = 0, 1, 2, 4
RAW_AND_JPEG = {5: JPEG_BASIC, 6: JPEG_NORMAL, 7: JPEG_FINE}  # a pair: the quality of its JPEG
MANUAL_FOCUS, AUTO_FOCUS = 1, 2
SIZE_SHARES = (1.0, 0.75, 0.5)  # by image size: large, medium, small
OFF_ON = {1: "On", 0: "Off"}


@dataclass(frozen=True)
class BodySetting:
    """One setting of the menu: labels by wire value in the camera's order, and how it stands on delivery."""

    labels: dict[int, str]
    standing: int


BODY: dict[str, BodySetting] = {
    "bias": BodySetting(
        {raw: f"{raw / 1000:g}" for raw in (round(n * 1000 / 3) for n in range(-9, 10))}, 0
    ),  # thousandths of a stop
    "white_balance": BodySetting({2: "Automatic", 4: "Daylight", 5: "Fluorescent", 6: "Tungsten", 7: "Flash"}, 4),
    "focus_mode": BodySetting({MANUAL_FOCUS: "Manual", AUTO_FOCUS: "Automatic"}, MANUAL_FOCUS),
    "image_format": BodySetting(
        {
            JPEG_BASIC: "JPEG Basic",
            JPEG_NORMAL: "JPEG Normal",
            JPEG_FINE: "JPEG Fine",
            RAW: "NEF (Raw)",
            5: "NEF+Basic",
            6: "NEF+Normal",
            7: "NEF+Fine",
        },
        JPEG_FINE,
    ),
    "image_size": BodySetting({0: "large", 1: "medium", 2: "small"}, 0),
    "iso_auto": BodySetting(OFF_ON, 0),
    "long_exposure_reduction": BodySetting(OFF_ON, 0),
    "noise_reduction": BodySetting({0: "Off", 1: "Low", 2: "Normal", 3: "High"}, 0),
    "picture_style": BodySetting(
        {0: "Normal", 1: "Vivid", 2: "Sharper", 3: "Softer", 4: "Direct Print", 5: "Portrait", 6: "Landscape"}, 0
    ),
    "brightness_aid": BodySetting({0: "Extra high", 1: "High", 2: "Normal", 3: "Low", 4: "Off", 5: "Auto"}, 4),
    "lens_correction": BodySetting(OFF_ON, 0),
    "vignette_correction": BodySetting({0: "High", 1: "Normal", 2: "Moderate", 3: "Off"}, 3),
    "shutter_delay": BodySetting(OFF_ON, 0),
    "power_off": BodySetting(
        {
            0: "4 seconds",
            1: "6 seconds",
            2: "8 seconds",
            3: "16 seconds",
            4: "30 seconds",
            5: "1 minute",
            6: "5 minutes",
            7: "10 minutes",
            8: "30 minutes",
        },
        8,
    ),
    "stabiliser": BodySetting(OFF_ON, 0),
}
POWER_OFF_S = {0: 4.0, 1: 6.0, 2: 8.0, 3: 16.0, 4: 30.0, 5: 60.0, 6: 300.0, 7: 600.0, 8: 1800.0}
RELEASE_DELAY_S = 1.0  # mirror up or first curtain open before the picture, common practice, no source [s]
LONG_EXPOSURE_S = 1.0  # from here on the dark frame is taken, common practice, no source [s]


def sizes(full: tuple[int, int]) -> list[tuple[int, int]]:
    """The picture sizes that a sensor of ``full`` pixels offers, by image size. [pixels]"""
    return [(int(full[0] * share) // 2 * 2, int(full[1] * share) // 2 * 2) for share in SIZE_SHARES]
