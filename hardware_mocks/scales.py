"""The scales that the simulated camera can be set to: thirds, halves or full stops.

Printed marks and exact values of half-stop dials are common practice, no source: f/13 is 2^(15/4) there and 2^(22/6) in
thirds, 0.7 s is 2^(-1/2) s. Full stops are the marks that both have.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from hardware_mocks.marks import APERTURES, BULB, ISOS, TIMES, DialMark

Step = Literal["thirds", "halves", "full"]
STEPS: tuple[Step, ...] = ("thirds", "halves", "full")

_HALF_F = "2 2.4 2.8 3.3 4 4.8 5.6 6.7 8 9.5 11 13 16 19 22"  # 2^(2/2) to 2^(9/2), by quarters of the exponent
_HALF_TIMES = (
    "1/8000 1/6000 1/4000 1/3000 1/2000 1/1500 1/1000 1/750 1/500 1/350 1/250 1/180 1/125 1/90 1/60 1/45 1/30 1/20 1/15"
    " 1/10 1/8 1/6 1/4 1/3 1/2 7/10 1 15/10 2 3 4 6 8 10 15 20 30"  # 2^-13 to 2^5
)
_HALF_ISOS = "100 140 200 280 400 560 800 1100 1600 2200 3200 4500 6400 9000 12800 18000 25600"


def _halves() -> dict[str, tuple[DialMark, ...]]:
    times = []
    for n, label in enumerate(_HALF_TIMES.split()):
        top, _, bottom = label.partition("/")
        nominal = (int(top), int(bottom or 1))
        times.append(DialMark(label, nominal[0] << 16 | nominal[1], 2.0 ** ((n - 26) / 2), nominal))
    return {
        "aperture": tuple(
            DialMark(f"f/{text}", round(float(text) * 100), 2.0 ** ((n + 4) / 4), (round(float(text) * 10), 10))
            for n, text in enumerate(_HALF_F.split())
        ),
        "time": tuple(times),
        "iso": tuple(
            DialMark(text, int(text), 100.0 * 2.0 ** (n / 2), (int(text), 1))
            for n, text in enumerate(_HALF_ISOS.split())
        ),
    }


def _full() -> dict[str, tuple[DialMark, ...]]:
    halves = _halves()
    return {
        "aperture": halves["aperture"][::2],
        "time": halves["time"][::2],
        "iso": halves["iso"][::2],
    }


_TABLES: Mapping[Step, Mapping[str, tuple[DialMark, ...]]] = {
    "thirds": {"aperture": APERTURES, "time": TIMES, "iso": ISOS},
    "halves": _halves(),
    "full": _full(),
}


class Scales:
    """The marks of aperture, time and ISO at one step, or those of ``marks``, by setting in ascending order."""

    def __init__(self, step: Step = "thirds", marks: Mapping[str, tuple[DialMark, ...]] | None = None):
        self.step = step
        self._marks = _TABLES[step] if marks is None else marks
        self._by_raw = {name: {mark.raw: mark for mark in marks} for name, marks in self._marks.items()}

    def marks(self, setting: str) -> tuple[DialMark, ...]:
        """The marks of ``aperture``, ``time`` (bulb left out) or ``iso``; KeyError for another setting."""
        return self._marks[setting]

    def mark_of(self, setting: str, raw: int) -> DialMark:
        """The mark behind a wire value; KeyError when the dial has none such."""
        return self._by_raw[setting][raw]

    def nearest(self, setting: str, exact: float) -> DialMark:
        """The mark whose exact value lies nearest in ratio."""
        return min(self._marks[setting], key=lambda mark: max(mark.exact / exact, exact / mark.exact))

    def labels(self, setting: str) -> dict[int, str]:
        """Labels by wire value, in the camera's order, bulb included."""
        shown = {mark.raw: mark.label for mark in self._marks[setting]}
        return shown | {BULB: "Bulb"} if setting == "time" else shown


def bulb_mark(seconds: float) -> DialMark:
    """What a camera writes of a shutter that was held open: the time it measured, to a hundredth. [s]"""
    hundredths = max(1, round(seconds * 100))
    return DialMark(f"{hundredths / 100:g}", BULB, hundredths / 100, (hundredths, 100))
