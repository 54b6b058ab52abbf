"""Settings of the simulated camera: what each can be, what the mode dial allows, and what the meter chooses.

Values are raw: the numbers that travel over the wire.
"""

from __future__ import annotations

import math
from typing import Any, Literal

from hardware_mocks.marks import APERTURES, BULB, ISOS, TIMES, DialMark, mark_of, nearest_mark

MODES = {"M": 1, "P": 2, "A": 3, "S": 4}  # dial letter to wire value
MANUAL_FOCUS, AUTO_FOCUS = 1, 2

Reason = Literal["busy", "card_full", "battery", "denied", "invalid", "unsupported", "general", "absent"]


class Refusal(Exception):
    """The camera says no, and why."""

    def __init__(self, reason: Reason, text: str = ""):
        self.reason: Reason = reason
        super().__init__(text or reason)


CHOICES: dict[str, tuple[int, ...]] = {
    "aperture": tuple(mark.raw for mark in APERTURES),
    "time": (*(mark.raw for mark in TIMES), BULB),
    "iso": tuple(mark.raw for mark in ISOS),
    "mode": tuple(MODES.values()),
    "bias": tuple(round(third * 1000 / 3) for third in range(-9, 10)),  # thousandths of a stop
    "white_balance": (2, 4, 5, 6, 7),
    "focus_mode": (MANUAL_FOCUS, AUTO_FOCUS),
    "image_format": (0, 1, 2),
}


class Dials:
    """The settings in force. Not safe for threads: the camera holds its lock."""

    def __init__(self) -> None:
        self._raw: dict[str, int] = {
            "aperture": 800,
            "time": 1 << 16 | 125,
            "iso": 100,
            "mode": MODES["M"],
            "bias": 0,
            "white_balance": 4,
            "focus_mode": MANUAL_FOCUS,
            "image_format": 2,
        }

    @property
    def mode(self) -> str:
        """The letter that the mode dial shows."""
        return next(letter for letter, raw in MODES.items() if raw == self._raw["mode"])

    @property
    def iso(self) -> DialMark:
        """The ISO mark in force."""
        return mark_of("iso", self._raw["iso"])

    def turn(self, letter: str) -> None:
        """Turn the mode dial; KeyError for a letter that is not on it."""
        self._raw["mode"] = MODES[letter]

    def writable(self, setting: str) -> bool:
        """Whether a setting can be set over the wire as the dial stands."""
        if setting == "mode":
            return False
        if setting == "aperture":
            return self.mode in "MA"
        if setting == "time":
            return self.mode in "MS"
        return setting in CHOICES

    def put(self, setting: str, raw: int) -> None:
        """Put a value in force. Refusal: ``denied`` by the dial, or ``invalid``."""
        if not self.writable(setting):
            raise Refusal("denied", f"{setting} cannot be set with the dial on {self.mode}")
        if raw not in CHOICES[setting]:
            raise Refusal("invalid", f"{setting} has no value {raw}")
        self._raw[setting] = raw

    def slip(self, setting: str, label: Any) -> None:
        """Put the value of a label (or a raw one) in force, whatever the dial says; nothing where there is none."""
        for mark in {"aperture": APERTURES, "time": TIMES, "iso": ISOS}.get(setting, ()):
            if mark.label == str(label):
                self._raw[setting] = mark.raw
                return
        if label in CHOICES.get(setting, ()):
            self._raw[setting] = label

    def raw(self, setting: str, light: float) -> int:
        """The value in force; in automatic modes the one that the meter chose for ``light``. [EV at ISO 100]"""
        if setting in ("aperture", "time"):
            aperture, time = self.exposure(light)
            return aperture.raw if setting == "aperture" else time
        return self._raw[setting]

    def exposure(self, light: float) -> tuple[DialMark, int]:
        """Aperture mark and raw time in force. What the dial leaves to it, the meter balances for ``light``, the
        light that comes through the lens. [EV at ISO 100]"""
        aperture, time = mark_of("aperture", self._raw["aperture"]), self._raw["time"]
        if self.mode == "M":
            return aperture, time
        ratio = float(2.0 ** (light - self._raw["bias"] / 1000)) * self.iso.exact / 100  # N^2/t wanted [1/s]
        if self.mode == "S" and time != BULB:
            return nearest_mark("aperture", math.sqrt(mark_of("time", time).exact * ratio)), time
        if self.mode == "P":
            aperture = mark_of("aperture", 560)
        return aperture, nearest_mark("time", aperture.exact**2 / ratio).raw

    def report(self, light: float) -> dict[str, Any]:
        """The settings in force, as plain data."""
        aperture, time = self.exposure(light)
        return {
            "aperture": aperture.label,
            "time": "Bulb" if time == BULB else mark_of("time", time).label,
            "iso": self.iso.label,
            "mode": self.mode,
            "bias": self._raw["bias"] / 1000,
            "white_balance": self._raw["white_balance"],
            "focus_mode": self._raw["focus_mode"],
            "image_format": self._raw["image_format"],
        }
