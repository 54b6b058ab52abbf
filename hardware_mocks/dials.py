"""Settings of the simulated camera: what each can be, what the mode dial allows, and what the meter chooses.

Values are raw: the numbers that travel over the wire.
"""

from __future__ import annotations

import math
from typing import Any, Literal

from hardware_mocks.body import AUTO_FOCUS, BODY, MANUAL_FOCUS
from hardware_mocks.marks import BULB, DialMark
from hardware_mocks.scales import Scales, Step

__all__ = ["AUTO_FOCUS", "MANUAL_FOCUS", "MODES", "Dials", "Reason", "Refusal"]

MODES = {"M": 1, "P": 2, "A": 3, "S": 4}  # dial letter to wire value
_ON = 1

Reason = Literal["busy", "card_full", "battery", "denied", "invalid", "unsupported", "general", "absent"]


class Refusal(Exception):
    """The camera says no, and why."""

    def __init__(self, reason: Reason, text: str = ""):
        self.reason: Reason = reason
        super().__init__(text or reason)


class Dials:
    """The settings in force. Not safe for threads: the camera holds its lock."""

    def __init__(self, step: Step = "thirds", scales: Scales | None = None) -> None:
        self.scales = scales or Scales(step)
        self._labels: dict[str, dict[int, str]] = {
            **{name: self.scales.labels(name) for name in ("aperture", "time", "iso")},
            "mode": {raw: letter for letter, raw in MODES.items()},
            **{name: setting.labels for name, setting in BODY.items()},
        }
        self._raw: dict[str, int] = {
            "aperture": self.scales.nearest("aperture", 8.0).raw,
            "time": self.scales.nearest("time", 1 / 128).raw,
            "iso": self.scales.nearest("iso", 100.0).raw,
            "mode": MODES["M"],
            **{name: setting.standing for name, setting in BODY.items()},
        }

    def labels(self, setting: str) -> dict[int, str]:
        """Labels by raw value in the camera's order; KeyError when there is no such setting."""
        return self._labels[setting]

    @property
    def mode(self) -> str:
        """The letter that the mode dial shows."""
        return self._labels["mode"][self._raw["mode"]]

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
        return setting in self._labels

    def put(self, setting: str, raw: int) -> None:
        """Put a value in force. Refusal: ``denied`` by the dial, or ``invalid``."""
        if not self.writable(setting):
            raise Refusal("denied", f"{setting} cannot be set with the dial on {self.mode}")
        self.by_hand(setting, raw)

    def by_hand(self, setting: str, raw: int) -> None:
        """Put a value in force in the camera's own menu. Refusal: ``invalid``."""
        if raw not in self._labels.get(setting, ()):
            raise Refusal("invalid", f"{setting} has no value {raw}")
        self._raw[setting] = raw

    def slip(self, setting: str, label: Any) -> None:
        """Put the value of a label (or a raw one) in force, whatever the dial says; nothing where there is none."""
        known = self._labels.get(setting, {})
        for raw, text in known.items():
            if text == str(label):
                self._raw[setting] = raw
                return
        if label in known:
            self._raw[setting] = label

    def raw(self, setting: str, light: float) -> int:
        """The value in force; in automatic modes the one that the meter chose for ``light``. [EV at ISO 100]"""
        if setting in ("aperture", "time"):
            aperture, time = self.exposure(light)
            return aperture.raw if setting == "aperture" else time
        if setting == "iso":
            return self.sensitivity(light).raw
        return self._raw[setting]

    def sensitivity(self, light: float) -> DialMark:
        """The ISO mark in force; with auto ISO and the dial on M the one that the meter chose. [EV at ISO 100]"""
        standing = self.scales.mark_of("iso", self._raw["iso"])
        time = self._raw["time"]
        if self._raw["iso_auto"] != _ON or self.mode != "M" or time == BULB:
            return standing
        aperture = self.scales.mark_of("aperture", self._raw["aperture"])
        wanted = aperture.exact**2 / self.scales.mark_of("time", time).exact  # N^2/t [1/s]
        return self.scales.nearest("iso", 100 * wanted / 2.0 ** (light - self._raw["bias"] / 1000))

    def exposure(self, light: float) -> tuple[DialMark, int]:
        """Aperture mark and raw time in force. What the dial leaves to it, the meter balances for ``light``, the
        light that comes through the lens. [EV at ISO 100]"""
        aperture, time = self.scales.mark_of("aperture", self._raw["aperture"]), self._raw["time"]
        if self.mode == "M":
            return aperture, time
        speed = self.scales.mark_of("iso", self._raw["iso"]).exact
        ratio = float(2.0 ** (light - self._raw["bias"] / 1000)) * speed / 100  # N^2/t wanted [1/s]
        if self.mode == "S" and time != BULB:
            return self.scales.nearest("aperture", math.sqrt(self.scales.mark_of("time", time).exact * ratio)), time
        if self.mode == "P":
            aperture = self.scales.mark_of("aperture", 560)
        return aperture, self.scales.nearest("time", aperture.exact**2 / ratio).raw

    def report(self, light: float) -> dict[str, Any]:
        """The settings in force, as plain data: marks by label, the menu by raw value."""
        aperture, time = self.exposure(light)
        return {
            "aperture": aperture.label,
            "time": self._labels["time"][time],
            "iso": self.sensitivity(light).label,
            "mode": self.mode,
            **{name: self._raw[name] for name in BODY if name != "bias"},
            "bias": self._raw["bias"] / 1000,
        }
