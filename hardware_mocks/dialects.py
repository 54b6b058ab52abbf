"""How bodies of different makes name the same settings and take the same requests: names, labels, manners.

Read from the published configuration trees of the camera library, at the level of names and choices; nothing here is a
body's own protocol. Which of them the real library shows over PTP/IP is said with each.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal

from hardware_mocks.marks import BULB
from hardware_mocks.scales import Step

Manner = Literal["plain", "walks", "places", "snaps"]
Writing = Callable[[int, str], str]  # raw value and the wire's label, to this dialect's label


@dataclass(frozen=True)
class Dialect:
    """One way of speaking.

    Attributes
    ----------
    widgets
        Names of settings that differ from those over PTP/IP, by the camera's own setting.
    writes
        How labels of a setting are written, where that differs.
    manners
        How a request is taken: ``walks`` goes there mark by mark; ``places`` takes a whole number for a place in the
        list; ``snaps`` goes to the nearest full stop without a word. ``plain`` where nothing is said.
    words
        Translations of labels that are words, as a desktop's own language makes them.
    """

    name: str
    widgets: Mapping[str, str] = field(default_factory=dict)
    writes: Mapping[str, Writing] = field(default_factory=dict)
    manners: Mapping[str, Manner] = field(default_factory=dict)
    words: Mapping[str, str] = field(default_factory=dict)
    step: Step = "thirds"

    def label(self, setting: str, raw: int, plain: str) -> str:
        """A label in this dialect. ``plain`` is the label over PTP/IP."""
        write = self.writes.get(setting)
        text = plain if write is None else write(raw, plain)
        return self.words.get(text, text)


def _bare(raw: int, plain: str) -> str:
    return plain.removeprefix("f/")


def _seconds(raw: int) -> float:
    return (raw >> 16) / (raw & 0xFFFF)


def _decimals(raw: int, plain: str) -> str:
    """``1/640``, ``0.4``, ``1.3``, ``30``, ``bulb``."""
    if raw == BULB:
        return "bulb"
    return plain if plain.startswith("1/") and _seconds(raw) < 0.3 else f"{_seconds(raw):.1f}".removesuffix(".0")


def _cut(raw: int, plain: str) -> str:
    """``0.0015s``: ten-thousandths of a second, cut off."""
    if raw == BULB:
        return "429496.7295s"
    return f"{max(1, (raw >> 16) * 10_000 // (raw & 0xFFFF)) / 10_000:.4f}s"


def _tenfold(raw: int, plain: str) -> str:
    """``1/640``, ``4/10``, ``16/10``, ``30``: above a third of a second in tenths."""
    if raw == BULB:
        return "Bulb"
    seconds = _seconds(raw)
    if seconds < 0.3 or seconds == int(seconds):
        return plain
    return f"{round(seconds * 10)}/10"


def _comma(raw: int, plain: str) -> str:
    return plain.replace(".", ",")


DIALECTS: dict[str, Dialect] = {
    dialect.name: dialect
    for dialect in (
        Dialect("fractions"),  # over PTP/IP as well
        Dialect("tenths", {"time": "shutterspeed"}, {"time": _cut}),  # over PTP/IP as well
        Dialect(
            "bare",
            {"aperture": "aperture", "time": "shutterspeed", "mode": "autoexposuremode", "image_format": "imageformat"},
            {"aperture": _bare, "time": _decimals},
        ),
        Dialect("tenfold", {"time": "shutterspeed"}, {"time": _tenfold}, {"time": "walks"}),
        Dialect("places", manners={"iso": "places"}),
        Dialect("snapping", manners={"aperture": "snaps"}),
        Dialect("halves", {"aperture": "aperture"}, {"aperture": _bare}, step="halves"),
        Dialect("full", step="full"),  # over PTP/IP as well, and halves with its f-number
        Dialect(
            "translated",
            writes={"aperture": _comma, "bias": _comma},
            words={"Manual": "Manuell", "Automatic": "Automatisch", "Daylight": "Tageslicht", "On": "An", "Off": "Aus"},
        ),
    )
}
