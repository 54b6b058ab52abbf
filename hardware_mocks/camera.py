"""The simulated camera itself: settings, dial, shutter, card, and what it refuses. No wire protocol here.

Exposures run in a thread of their own and end on the card whether or not anybody is still connected. Who drives the
camera (`ptpip`, `inprocess`) asks through the methods and hears through listeners.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from hardware_mocks import clock, jpeg
from hardware_mocks.card import Card, Entry
from hardware_mocks.dials import AUTO_FOCUS, CHOICES, Dials, Refusal
from hardware_mocks.faults import Faults
from hardware_mocks.marks import BULB, mark_of
from hardware_mocks.shot import Optics, Shot

NEAREST_FOCUS_M = 0.45
AUTO_FOCUS_M = 3.0
ROOM_FOR_A_FRAME = 4_000_000  # the card counts as full below this [bytes]
DEAD_BATTERY = 2  # the camera makes no exposure at or below this [per cent]


class Renderer(Protocol):
    """Makes pictures of shots."""

    def prepare(self, optics: Optics) -> None:
        """Do beforehand, in the background, what frames of this size need once."""
        ...

    def ready(self, optics: Optics) -> bool:
        """Whether that is done."""
        ...

    def render(self, shot: Shot) -> NDArray[np.uint8]:
        """The picture, height x width x 3, 0..255."""
        ...


@dataclass(frozen=True)
class Timing:
    """How slow the camera is: lag before the shutter opens, readout after it, speed of the link."""

    lag_s: float
    readout_s: float
    bytes_per_s: float | None


TIMINGS = {
    "instant": Timing(0.0, 0.0, None),
    "typical": Timing(0.05, 0.25, 20e6),
    "slow": Timing(0.3, 1.2, 4e6),
}

Listener = Callable[[str, int | str], None]


@dataclass
class _World:
    """What hands and weather do; the camera body does not know it."""

    ev100: float
    focus_m: float = 3.0
    filters: tuple[tuple[str, float], ...] = ()

    @property
    def light(self) -> float:
        """Light that comes through the filters. [EV at ISO 100]"""
        return self.ev100 - sum(stops for _, stops in self.filters)


class GardenCamera:
    """The camera. Every method may be called from any thread.

    Listeners hear ``("added", handle)``, ``("complete", frame number)``, ``("changed", setting)`` and ``("drop",
    milliseconds away)``; they are called from the camera's threads and must not block.
    """

    def __init__(
        self,
        card: Card,
        renderer: Renderer,
        *,
        timing: str = "instant",
        ev100: float = 13.0,
        seed: int = 0,
        optics: Optics | None = None,
        faults: Faults | None = None,
    ):
        self.card = card
        self.timing = TIMINGS[timing]
        self.faults = faults or Faults()
        self.optics = optics or Optics()
        self._renderer = renderer
        self._seed = seed
        self._lock = threading.RLock()
        self._listeners: list[Listener] = []
        self._off = threading.Event()
        self._exposing: threading.Thread | None = None
        self._world = _World(ev100)
        self._battery = 80
        self._clock_offset = timedelta(0)
        self._born = clock.monotonic()
        self._exposures = self._deletes = self._presses = 0
        self._seconds = {"exposure_s": 0.0, "readout_s": 0.0, "transfer_s": 0.0}
        self._dials = Dials()
        self._files: dict[int, Entry] = dict(enumerate(card.entries(), 1))
        self._frame_of: dict[int, int] = {}
        renderer.prepare(self.optics)
        self._next_handle = len(self._files) + 1

    # -- who listens ------------------------------------------------------------------------------------------------

    def listen(self, listener: Listener) -> None:
        """Hear what happens from now on."""
        with self._lock:
            self._listeners.append(listener)

    def unlisten(self, listener: Listener) -> None:
        """Hear no more."""
        with self._lock:
            if listener in self._listeners:
                self._listeners.remove(listener)

    def _tell(self, what: str, value: int | str) -> None:
        with self._lock:
            listeners = list(self._listeners)
        for listener in listeners:
            listener(what, value)

    # -- settings ---------------------------------------------------------------------------------------------------

    def choices(self, setting: str) -> tuple[int, ...]:
        """Raw values that a setting can take, in the camera's order; KeyError when there is no such setting."""
        return CHOICES[setting]

    def writable(self, setting: str) -> bool:
        """Whether a setting can be set over the wire as the dial stands."""
        with self._lock:
            return self._dials.writable(setting)

    def get(self, setting: str) -> int:
        """The raw value in force; in automatic modes the one that the camera's meter chose."""
        with self._lock:
            return self._dials.raw(setting, self._world.light)

    def set(self, setting: str, raw: int) -> None:
        """Put a raw value in force.

        Raises
        ------
        Refusal
            ``busy`` while exposing, ``denied`` when the dial does not allow it, ``invalid`` for a value not offered.
        """
        with self._lock:
            if self._exposing:
                raise Refusal("busy", "an exposure is running")
            self._dials.put(setting, raw)
            if (line := self.faults.for_change(setting)) is not None:
                self._dials.slip(setting, line["to"])

    @property
    def battery(self) -> int:
        """Charge. [per cent]"""
        with self._lock:
            return self._battery

    def now(self) -> datetime:
        """What the camera's own clock shows: unlabelled, as camera clocks are."""
        with self._lock:
            return clock.utc_now().replace(tzinfo=None) + self._clock_offset

    def set_clock(self, shown: datetime) -> None:
        """Set the camera's clock."""
        with self._lock:
            self._clock_offset = shown - clock.utc_now().replace(tzinfo=None)

    # -- hands and weather ------------------------------------------------------------------------------------------

    def turn_dial(self, letter: str) -> None:
        """Turn the mode dial; KeyError for a letter that is not on it."""
        with self._lock:
            self._dials.turn(letter)
        for setting in ("mode", "aperture", "time"):
            self._tell("changed", setting)

    def focus(self, distance_m: float) -> None:
        """Turn the focus ring. [m]"""
        with self._lock:
            self._world.focus_m = max(NEAREST_FOCUS_M, distance_m)

    def fit_filters(self, filters: list[tuple[str, float]]) -> None:
        """Have these filters on the lens and no others: names and stops. [stops]"""
        with self._lock:
            self._world.filters = tuple(filters)

    def light(self, ev100: float) -> None:
        """Change the light on the scene. [EV at ISO 100]"""
        with self._lock:
            self._world.ev100 = ev100

    def charge(self, percent: int) -> None:
        """Set the battery. [per cent]"""
        with self._lock:
            self._battery = percent
        self._tell("changed", "battery")

    # -- exposing ---------------------------------------------------------------------------------------------------

    @property
    def busy(self) -> bool:
        """Whether an exposure, or its readout, is running."""
        with self._lock:
            return self._exposing is not None

    def trigger(self, pressed: bool = False) -> int:
        """Start an exposure; the number of its frame. ``pressed``: by a finger on the button, not over the wire.

        Raises
        ------
        Refusal
            ``busy``, ``card_full``, ``battery``; ``denied`` on bulb; ``absent`` when the link breaks first.
        """
        with self._lock:
            if self._off.is_set() or self._exposing:
                raise Refusal("busy", "an exposure is running")
            number = self._exposures + 1
            if self.faults.for_frame("card_full", number) or self.card.free_bytes() < ROOM_FOR_A_FRAME:
                raise Refusal("card_full", "no room on the card")
            if self._battery <= DEAD_BATTERY:
                raise Refusal("battery", "the battery is empty")
            if self.get("time") == BULB:
                raise Refusal("denied", "a bulb exposure has no end of its own")
            dropped = None if pressed else self.faults.for_frame("drop", number, "before")
            if dropped is None:
                shot = self._shot(number)
                self._exposures = number
                self._presses += pressed
                self._exposing = threading.Thread(target=self._expose, args=(shot,), name="exposure", daemon=True)
                self._exposing.start()
        if dropped is not None:
            self._drop(dropped)
            raise Refusal("absent", "the link broke")
        return number

    def _shot(self, number: int) -> Shot:
        dials, light = self._dials, self._world.light
        aperture, raw_time = dials.exposure(light)
        time = mark_of("time", raw_time)
        if dials.raw("focus_mode", light) == AUTO_FOCUS:  # it takes what stands in the middle
            self._world.focus_m = AUTO_FOCUS_M
        iris = self.faults.error_stops("aperture_error", aperture.label)
        shutter = self.faults.error_stops("shutter_error", time.label)
        return Shot(
            number=number,
            aperture=aperture,
            time=time,
            sensitivity=dials.iso,
            f_number=aperture.exact * 2.0 ** (-iris / 2),
            time_s=time.exact * 2.0**shutter,
            iso=dials.iso.exact,
            focus_m=self._world.focus_m,
            filter_stops=tuple(stops for _, stops in self._world.filters),
            ev100=self._world.ev100,
            start_s=clock.monotonic() - self._born + self.timing.lag_s,
            taken=self.now(),
            optics=self.optics,
            mode=dials.mode,
            bias=dials.raw("bias", light),
            white_balance=dials.raw("white_balance", light),
            image_format=dials.raw("image_format", light),
            seed=self._seed,
        )

    def _drop(self, line: dict[str, Any]) -> None:
        self._tell("drop", round(line.get("away_s", 0.0) * 1000))

    def _expose(self, shot: Shot) -> None:
        """The exposure's thread. The picture is worked out while the shutter is open; what is left is readout."""
        try:
            made = self._develop(shot)
        finally:
            with self._lock:
                self._exposing = None
        if made is None:
            return
        if (line := self.faults.for_frame("drop", shot.number, "after")) is not None:
            self._drop(line)
        self._announce("ObjectAdded", "added", made, shot.number)
        if self.faults.for_frame("hang", shot.number) is None:
            self._announce("CaptureComplete", "complete", shot.number, shot.number)

    def _develop(self, shot: Shot) -> int | None:
        """Expose, read out and store; the picture's handle, or None when the power went first."""
        opened = clock.monotonic() + self.timing.lag_s
        if (line := self.faults.for_frame("drop", shot.number, "during")) is not None:
            clock.wait(self._off, self.timing.lag_s + shot.time_s / 2)
            self._drop(line)
        file = jpeg.encode(self._renderer.render(shot), shot)
        closing = opened + shot.time_s
        if clock.wait(self._off, closing + self.timing.readout_s - clock.monotonic()):
            return None
        with self._lock:
            handle = self._next_handle
            self._files[handle] = self.card.store(file, shot.taken)
            self._next_handle += 1
            self._frame_of[handle] = shot.number
            self._seconds["exposure_s"] += shot.time_s
            self._seconds["readout_s"] += max(0.0, clock.monotonic() - closing)
            if (line := self.faults.for_frame("battery", shot.number)) is not None:
                self._battery = int(line["percent"])
            self._exposing = None  # with the file: who sees it can go on
        return handle

    def _announce(self, event: str, what: str, value: int, frame: int) -> None:
        how = self.faults.for_event(event, frame)
        if how == "stale" and what == "added":
            older = [handle for handle in self._files if handle < value]
            if older:
                self._tell(what, older[-1])
        for _ in range({"lost": 0, "doubled": 2}.get(how or "", 1)):
            self._tell(what, value)

    def wait_idle(self, seconds: float) -> bool:
        """Wait until no exposure is running; False when the time is over first. [s]"""
        with self._lock:
            running = self._exposing
        if running is not None:
            running.join(seconds)
        return not self.busy

    # -- files ------------------------------------------------------------------------------------------------------

    def files(self) -> dict[int, Entry]:
        """Pictures on the card by handle, in the order they came."""
        with self._lock:
            return dict(self._files)

    def frame_of(self, handle: int) -> int | None:
        """The number of the frame behind a handle; None for pictures from before the camera was switched on."""
        with self._lock:
            return self._frame_of.get(handle)

    def taken(self, handle: int) -> datetime:
        """When a picture was taken, by the camera's clock; KeyError when there is none."""
        with self._lock:
            return self.card.taken(self._files[handle])

    def read(self, handle: int) -> bytes:
        """The content of a picture; KeyError when there is none."""
        with self._lock:
            entry = self._files[handle]
        try:
            return self.card.path(entry).read_bytes()
        except FileNotFoundError:
            raise KeyError(handle) from None

    def delete(self, handle: int) -> None:
        """Take a picture off the card; KeyError when there is none. Counted: nobody should ever ask for it."""
        with self._lock:
            entry = self._files.pop(handle)
            self.card.delete(entry)
            self._deletes += 1

    def transferred(self, seconds: float) -> None:
        """Count time that a download took on the link. [s]"""
        with self._lock:
            self._seconds["transfer_s"] += seconds

    # -- for those who watch ----------------------------------------------------------------------------------------

    def report(self) -> dict[str, Any]:
        """Everything about the camera and its world, as plain data."""
        with self._lock:
            return {
                "settings": self._dials.report(self._world.light),
                "focus_m": self._world.focus_m,
                "filters": [{"name": name, "stops": stops} for name, stops in self._world.filters],
                "ev100": self._world.ev100,
                "battery": self._battery,
                "busy": self._exposing is not None,
                "ready": self._renderer.ready(self.optics),
                "exposures": self._exposures,
                "presses": self._presses,
                "deletes": self._deletes,
                "card": [f"/DCIM/{entry.folder}/{entry.name}" for entry in self._files.values()],
                "card_root": str(self.card.root),
                **{name: round(value, 6) for name, value in self._seconds.items()},
            }

    def switch_off(self) -> None:
        """Cut the power: a running exposure is lost."""
        self._off.set()
        self.wait_idle(5.0)
