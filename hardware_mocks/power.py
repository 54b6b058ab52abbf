"""The simulated camera's battery and its power-off timer.

A charge lasts 1000 frames, five hours of open shutter or two hours of live view: the right size for a body of today,
common practice, no source.
"""

from __future__ import annotations

import math

from hardware_mocks import clock

DEAD_BATTERY = 2.0  # the camera makes no exposure at or below this [per cent]
A_FRAME, A_SECOND_OPEN, A_LIVE_VIEW = 0.1, 100 / 18_000, 0.01  # what they take [per cent]


class Power:
    """Charge and wakefulness. Not safe for threads: the camera holds its lock.

    ``percent`` as delivered, ``thirst`` times the usual use. A camera that sleeps or is empty answers nobody; a hand on
    its button, or a charged battery, wakes it.
    """

    def __init__(self, percent: float = 80.0, thirst: float = 1.0):
        self._charge, self._thirst = percent, thirst
        self._touched = clock.monotonic()
        self._asleep = False

    @property
    def percent(self) -> int:
        """Charge as the camera shows it. [per cent]"""
        return math.ceil(self._charge - 1e-9)

    @property
    def dead(self) -> bool:
        """Whether there is too little left for an exposure."""
        return self._charge <= DEAD_BATTERY

    def charge(self, percent: float) -> None:
        """Put in a battery. [per cent]"""
        self._charge = percent
        self.touch()

    def drain(self, percent: float) -> None:
        """Take so much at the usual thirst. [per cent]"""
        self._charge = max(0.0, self._charge - percent * self._thirst)

    def lasts_open_s(self) -> float:
        """How long the charge holds a shutter open. [s]"""
        return self._charge / (A_SECOND_OPEN * self._thirst) if self._thirst > 0 else math.inf

    def touch(self) -> None:
        """A hand on the camera, or a request: the timer starts anew."""
        self._touched, self._asleep = clock.monotonic(), False

    def answers(self, power_off_s: float, busy: bool) -> bool:
        """Whether the camera is on; the timer never ends an exposure. [s]"""
        if busy:
            self._touched = clock.monotonic()
        if self._charge <= 0 or clock.monotonic() - self._touched > power_off_s:
            self._asleep = True
        return not self._asleep
