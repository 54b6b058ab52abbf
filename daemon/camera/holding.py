"""A shutter that is held open over one open link, and how long it was. Runs inside the camera process."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, field

from daemon import schedule_clock
from daemon.camera import dialects
from daemon.camera.asking import Asking, Event
from daemon.camera.errors_map import NOT_SUPPORTED, LinkFault
from daemon.errors import CameraBusy, CameraError

_HEARD_EVERY_S = 0.25  # how often a camera with an open shutter is listened to [s]
_NEAR_S = 0.25  # the end is near: nothing is asked any more [s]
_NO_SUCH_OPERATION = 0x2005  # ISO 15740


@dataclass
class Held:
    """How long a shutter was open [s], within how much either way [s], and what was announced meanwhile."""

    seconds: float = 0.0
    within_s: float = 0.0
    ended_early: bool = False
    files: list[Event] = field(default_factory=list)


class Shutter:
    """The shutter of one open camera. Its time runs by the schedule clock."""

    def __init__(self, asking: Asking):
        self._asking, self._link = asking, asking.link

    def can_be_held(self) -> bool:
        """Whether the library has a switch for it. Only trying shows whether the camera has one."""
        names = self._asking.ask(self._link.names)
        return any(name in names for name, _, _ in dialects.HOLDS)

    def hold(self, seconds: float, busy_s: float) -> Held:
        """Open the shutter, wait, close it. It is told to close whatever happens. [s]

        Raises
        ------
        CameraBusy
            If the camera stays busy for ``busy_s``.
        CameraError
            If there is no switch that the camera knows.
        LinkFault
            If it refuses to open or to close.
        """
        asked, opened = self._open(busy_s)
        held = Held()
        try:
            held.ended_early = self._wait(opened + seconds, held.files)
        except BaseException:
            with suppress(LinkFault):
                self.close()
            raise
        closing = schedule_clock.monotonic()
        try:
            self.close()
        except LinkFault:
            if not held.ended_early:
                raise
        closed = schedule_clock.monotonic()
        # Opened at some moment of one call, closed at some moment of the other.
        held.seconds = (closing + closed) / 2 - (asked + opened) / 2
        held.within_s = (closed - closing + opened - asked) / 2
        return held

    def _open(self, busy_s: float) -> tuple[float, float]:
        """When the shutter was asked to open, and when the answer came. [s]"""
        names = self._asking.ask(self._link.names)
        for name, press, _ in dialects.HOLDS:
            if name not in names:
                continue
            asked: list[float] = []

            def once(name: str = name, press: str = press, asked: list[float] = asked) -> None:
                asked.append(schedule_clock.monotonic())
                self._link.send(name, press)

            try:
                self._asking.patiently(once, busy_s)
            except LinkFault as fault:
                if fault.busy:
                    raise CameraBusy(f"The camera was still busy {busy_s:g} s after its shutter was to open.") from None
                if fault.code == NOT_SUPPORTED or fault.response == _NO_SUCH_OPERATION:
                    continue
                raise
            return asked[-1], schedule_clock.monotonic()
        raise CameraError(
            "This camera's shutter cannot be held open over the cable. Use its longest time, or a cable release."
        )

    def _wait(self, until: float, files: list[Event]) -> bool:
        """Wait and listen; whether the camera ended the exposure by itself. [s]"""
        while (left := until - schedule_clock.monotonic()) > _NEAR_S:
            schedule_clock.sleep(min(_HEARD_EVERY_S, left - _NEAR_S))
            event = self._asking.ask(self._link.event, 1)
            if event.kind == "file" and (event.folder, event.name) not in self._asking.known:
                files.append(event)
                return True
        schedule_clock.sleep(left)
        return False

    def close(self) -> None:
        """Close the shutter; LinkFault when it does not."""
        refusal = None
        names = self._link.names()
        for name, _, release in dialects.HOLDS:
            if name in names:
                try:
                    self._link.send(name, release)
                    return
                except LinkFault as fault:
                    refusal = fault
        if refusal is not None:
            raise refusal
