"""The simulated camera itself: settings, dial, shutter, card, and what it refuses. No wire protocol here.

Exposures run in a thread of their own and end on the card whether or not anybody is still connected. Who drives the
camera (`ptpip`, `inprocess`) asks through the methods and hears through listeners.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

from hardware_mocks import body, clock
from hardware_mocks.card import Card, Entry
from hardware_mocks.developing import Renderer, files_of, live_picture, spoilt, sway
from hardware_mocks.dials import AUTO_FOCUS, Dials, Refusal
from hardware_mocks.faults import Faults
from hardware_mocks.marks import BULB
from hardware_mocks.power import A_FRAME, A_LIVE_VIEW, A_SECOND_OPEN, Power
from hardware_mocks.scales import Scales, Step, bulb_mark
from hardware_mocks.shot import Optics, Shot
from hardware_mocks.timing import TIMINGS
from hardware_mocks.world import KNOCK_PX, World

AUTO_FOCUS_M = 3.0
ROOM_FOR_A_FRAME = 4_000_000  # the card counts as full below this [bytes]
LAST_NUMBER = 9999


Listener = Callable[[str, int | str], None]


class GardenCamera:
    """The camera. Every method may be called from any thread.

    Listeners hear ``("added", handle)``, ``("complete", frame number)``, ``("changed", setting)`` and ``("drop",
    milliseconds away)``; they are called from the camera's threads and must not block. ``step`` is what its dials move
    by, ``scales`` its marks where they are others (the widest aperture is the lens's); ``thirst`` how many times faster
    than usual the battery drains; ``exif_style`` as in `Shot`.
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
        step: Step = "thirds",
        thirst: float = 1.0,
        scales: Scales | None = None,
        exif_style: str = "nominal",
    ):
        self.card = card
        self.timing = TIMINGS[timing]
        self.faults = faults or Faults(seed=seed)
        self._sensor = optics or Optics()
        self._renderer = renderer
        self._seed = seed
        self._lock = threading.RLock()
        self._listeners: list[Listener] = []
        self._off = threading.Event()
        self._cut = threading.Event()  # set when the power of a running exposure goes
        self._held: threading.Event | None = None  # set when a bulb exposure shall end
        self._begun_at = self._closed_at = 0.0  # when the latest exposure was asked for, and a held shutter to close
        self._exposing: threading.Thread | None = None
        self._open = self._knocked = False
        self._world = World(ev100)
        self._power = Power(thirst=thirst)
        self._clock_offset = timedelta(0)
        self._born = clock.monotonic()
        self._exposures = self._deletes = self._presses = self._previews = 0
        self._seconds = {"exposure_s": 0.0, "readout_s": 0.0, "transfer_s": 0.0}
        self._dials = Dials(step, scales)
        self._exif_style = exif_style
        self._sensor = replace(self._sensor, widest=self._dials.scales.marks("aperture")[0].exact)
        self._files: dict[int, Entry] = dict(enumerate(card.entries(), 1))
        self._frame_of: dict[int, int] = {}
        self._live = False
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

    @property
    def optics(self) -> Optics:
        """Lens and sensor, at the picture size in force."""
        with self._lock:
            size = self.sizes()[self._dials.raw("image_size", 0.0)]
        return self._sensor if size == self._sensor.size else replace(self._sensor, size=size)

    def sizes(self) -> list[tuple[int, int]]:
        """Picture sizes by the raw value of ``image_size``. [pixels]"""
        return [self._sensor.size, *body.sizes(self._sensor.size)[1:]]

    def labels(self, setting: str) -> dict[int, str]:
        """Labels of a setting by raw value, in the camera's order; KeyError when there is no such setting."""
        if setting == "image_size":
            return {raw: f"{width}x{height}" for raw, (width, height) in enumerate(self.sizes())}
        return self._dials.labels(setting)

    def choices(self, setting: str) -> tuple[int, ...]:
        """Raw values that a setting can take, in the camera's order; KeyError when there is no such setting."""
        return tuple(self._dials.labels(setting))

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
        if setting == "image_size":
            self._renderer.prepare(self.optics)
        if self.timing.set_s:
            clock.sleep(self.timing.set_s)

    @property
    def battery(self) -> int:
        """Charge. [per cent]"""
        with self._lock:
            return self._power.percent

    @property
    def on(self) -> bool:
        """Whether the camera answers: not asleep by its power-off timer, battery not empty."""
        with self._lock:
            limit = body.POWER_OFF_S[self._dials.raw("power_off", 0.0)]
            return self._power.answers(limit, self._exposing is not None)

    def touch(self) -> None:
        """A request or a hand: the power-off timer starts anew."""
        with self._lock:
            self._power.touch()

    def now(self) -> datetime:
        """What the camera's own clock shows: unlabelled, as camera clocks are."""
        with self._lock:
            return clock.utc_now().replace(tzinfo=None) + self._clock_offset

    def set_clock(self, shown: datetime) -> None:
        """Set the camera's clock."""
        with self._lock:
            self._clock_offset = shown - clock.utc_now().replace(tzinfo=None)

    def shift_clock(self, seconds: float) -> None:
        """Let the camera's clock jump. [s]"""
        with self._lock:
            self._clock_offset += timedelta(seconds=seconds)

    # -- hands and weather ------------------------------------------------------------------------------------------

    def turn_dial(self, letter: str) -> None:
        """Turn the mode dial; KeyError for a letter that is not on it."""
        with self._lock:
            self._dials.turn(letter)
            self._power.touch()
        for setting in ("mode", "aperture", "time"):
            self._tell("changed", setting)

    def set_by_hand(self, setting: str, label: str) -> None:
        """Set something in the camera's own menu, by label. Refusal ``invalid``: no such setting or label."""
        if setting in ("mode", "aperture", "time", "iso") or setting not in body.BODY:
            raise Refusal("invalid", f"the menu has no {setting}; it has {', '.join(body.BODY)}")
        known = {text: raw for raw, text in self.labels(setting).items()}
        if label not in known:
            raise Refusal("invalid", f"{setting} has no {label!r}; it has {', '.join(known)}")
        with self._lock:
            self._dials.by_hand(setting, known[label])
            self._power.touch()
        self._tell("changed", setting)

    def focus(self, distance_m: float) -> None:
        """Turn the focus ring. [m]"""
        with self._lock:
            self._world.focus(distance_m)

    def fit_filters(self, filters: list[tuple[str, float]], polariser: bool | None = None) -> None:
        """Have these filters on the lens and no others: names and stops. ``polariser`` as in `World.fit`. [stops]"""
        with self._lock:
            self._world.fit(tuple(filters), polariser)

    def light(self, ev100: float) -> None:
        """Change the light on the scene. [EV at ISO 100]"""
        with self._lock:
            self._world.ev100 = ev100

    def charge(self, percent: float) -> None:
        """Put in a battery with this charge; an empty one switches the camera off. [per cent]"""
        with self._lock:
            self._power.charge(percent)
        self._tell("changed", "battery")
        if not self.on:
            self._tell("drop", 0)

    def move(self, nearer_m: float, right_m: float = 0.0, lower_m: float = 0.0) -> None:
        """Carry the rig nearer by so much, to the right and lower, or the other way (below 0). [m]"""
        with self._lock:
            self._world.carry(right_m, lower_m, nearer_m)

    def frame_anew(self, across: float, down: float, portrait: bool | None) -> None:
        """Turn the head: shift the picture by shares of its width and height; stand it upright, or lay it down."""
        with self._lock:
            self._world.kick((across, down), 0.0)
            if portrait is not None:
                self._world.portrait = portrait

    def turn_polariser(self, degrees: float) -> None:
        """Turn the polariser's axis, from the level on. [degrees]"""
        with self._lock:
            self._world.polariser_deg = degrees % 360

    def shake(self) -> None:
        """Knock the tripod: in the exposure that is running, or else in the next one."""
        with self._lock:
            self._knocked = True

    def kick(self, across: float, down: float, tilt_deg: float, right_mm: float = 0.0, lower_mm: float = 0.0) -> None:
        """Turn [shares, degrees] and carry [mm] the tripod for good; an exposure that is running shows it too."""
        with self._lock:
            self._world.kick((across, down), tilt_deg)
            self._world.carry(right_mm / 1000, lower_mm / 1000, 0.0)
            self._knocked = self._knocked or self._open

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
        if self.get("time") == BULB:
            raise Refusal("busy" if self.busy else "denied", "a bulb exposure has no end of its own")
        return self._begin(pressed, None)

    def open_shutter(self) -> int:
        """Open the shutter on bulb, until `close_shutter`; the number of the frame.

        Raises
        ------
        Refusal
            As `trigger`; ``denied`` unless the time is on bulb.
        """
        if self.get("time") != BULB:
            raise Refusal("busy" if self.busy else "denied", "the time is not on bulb")
        return self._begin(False, threading.Event())

    def close_shutter(self) -> None:
        """Close the shutter of a bulb exposure. Refusal ``general`` when none is running."""
        with self._lock:
            held = self._held
            if held is None:
                raise Refusal("general", "no shutter is held open")
            self._closed_at = clock.monotonic()
        held.set()

    def _begin(self, pressed: bool, held: threading.Event | None) -> int:
        with self._lock:
            if self._off.is_set() or self._exposing:
                raise Refusal("busy", "an exposure is running")
            number = self._exposures + 1
            if self.faults.for_frame("card_full", number) or self.card.free_bytes() < ROOM_FOR_A_FRAME:
                raise Refusal("card_full", "no room on the card")
            if self._power.dead:
                raise Refusal("battery", "the battery is empty")
            self._power.touch()
            broken = None
            if not pressed:
                broken = self.faults.for_frame("drop", number, "before")
                broken = broken or self.faults.for_frame("restart", number, "before")
            if broken is None:
                shot = self._shot(number)
                self._begun_at, self._closed_at = clock.monotonic(), 0.0
                self._exposures = number
                self._presses += pressed
                self._live = False
                self._held = held
                self._cut.clear()
                self._exposing = threading.Thread(target=self._expose, args=(shot, held), name="exposure", daemon=True)
                self._exposing.start()
        if broken is not None:
            self._drop(broken)
            raise Refusal("absent", "the link broke")
        return number

    def _shot(self, number: int) -> Shot:
        dials, light = self._dials, self._world.light
        aperture, raw_time = dials.exposure(light)
        time = bulb_mark(1.0) if raw_time == BULB else dials.scales.mark_of("time", raw_time)
        speed = dials.sensitivity(light)
        if dials.raw("focus_mode", light) == AUTO_FOCUS:  # it takes what stands in the middle
            self._world.focus(AUTO_FOCUS_M)
        iris = self.faults.error_stops("aperture_error", aperture.label)
        shutter = self.faults.error_stops("shutter_error", time.label)
        delay = body.RELEASE_DELAY_S if dials.raw("shutter_delay", light) else 0.0
        quality = dials.raw("image_format", light)
        return Shot(
            number=number,
            aperture=aperture,
            time=time,
            sensitivity=speed,
            f_number=aperture.exact * 2.0 ** (-iris / 2),
            time_s=time.exact * 2.0**shutter,
            iso=speed.exact,
            focus_m=self._world.focus_m,
            filter_stops=tuple(stops for _, stops in self._world.filters),
            ev100=self._world.ev100,
            polariser_deg=self._world.polariser_deg if self._world.polariser_on else None,
            start_s=clock.monotonic() - self._born + self.timing.lag_s + delay,
            taken=self.now(),
            optics=self.optics,
            mode=dials.mode,
            bias=dials.raw("bias", light),
            white_balance=dials.raw("white_balance", light),
            image_format=body.RAW_AND_JPEG.get(quality, min(quality, body.JPEG_FINE)),
            seed=self._seed,
            exif_style=self._exif_style,
        )

    def _drop(self, line: dict[str, Any]) -> None:
        self._tell("drop", round(line.get("away_s", 0.0) * 1000))

    def _expose(self, shot: Shot, held: threading.Event | None) -> None:
        """The exposure's thread."""
        number = shot.number
        try:
            made = self._develop(shot, held)
        finally:
            with self._lock:
                self._exposing = self._held = None
                self._open = False
        if made is None:
            return
        for kind in ("drop", "restart"):
            if (line := self.faults.for_frame(kind, number, "after")) is not None:
                self._drop(line)
        for place, handle in enumerate(made, 1):
            self._announce("ObjectAdded", "added", handle, number, place)
        if self.faults.for_frame("hang", number) is None:
            self._announce("CaptureComplete", "complete", number, number, 1)
        if not self.on:
            self._tell("drop", 0)
        if self.faults.for_frame("unasked", number) is not None:
            self.trigger(pressed=True)

    def _develop(self, shot: Shot, held: threading.Event | None) -> list[int] | None:
        """Expose, read out and store; handles of the files, or None when the power went first.

        The picture is worked out while the shutter is open, as far as its time is known; what is left is readout.
        """
        with self._lock:
            quality, steady = self._dials.raw("image_format", 0.0), self._dials.raw("stabiliser", 0.0)
            twice = self._dials.raw("long_exposure_reduction", 0.0)
            delayed = self._dials.raw("shutter_delay", 0.0)
        lag = self.timing.lag_s + (body.RELEASE_DELAY_S if delayed else 0.0)
        opened = clock.monotonic() + lag
        with self._lock:
            self._open = True
        if not self._midway(shot, lag + (shot.time_s / 2 if held is None else 0.0)):
            return None
        if held is not None:
            with self._lock:
                opened = self._begun_at + lag  # a shutter keeps its own time, however late this thread gets its turn
            clock.wait(self._cut, opened - clock.monotonic())
            clock.wait(held, min(1e6, self._longest_s()))
            with self._lock:
                time_s = max(1e-3, (self._closed_at or clock.monotonic()) - opened)
            shot = replace(shot, time=bulb_mark(time_s), time_s=time_s)
        with self._lock:
            world = replace(self._world)
        files = files_of(self._renderer, shot, quality, world, sway(shot, steady))
        closing = opened + shot.time_s
        if clock.wait(self._cut, closing - clock.monotonic()):
            return None
        with self._lock:
            self._open = False
            knocked, self._knocked = self._knocked, False
        if knocked:
            files = files_of(self._renderer, shot, quality, world, KNOCK_PX)
        dark = shot.time_s if twice and shot.time_s >= body.LONG_EXPOSURE_S else 0.0
        if clock.wait(self._cut, closing + dark + self.timing.readout_s - clock.monotonic()):
            return None
        if (line := self.faults.for_frame("spoil", shot.number)) is not None:
            files = spoilt(files, line["how"])
        return self._store(shot, files, closing)

    def _midway(self, shot: Shot, seconds: float) -> bool:
        """Let the script break the link, or take the power, half-way through; False when the power went. [s]"""
        for kind in ("drop", "restart"):
            if (line := self.faults.for_frame(kind, shot.number, "during")) is not None:
                clock.wait(self._cut, seconds)
                if kind == "restart":
                    self._cut.set()
                self._drop(line)
        return not self._cut.is_set()

    def _longest_s(self) -> float:
        """How long the battery holds a shutter open. [s]"""
        with self._lock:
            return self._power.lasts_open_s()

    def _store(self, shot: Shot, files: dict[str, bytes], closing: float) -> list[int]:
        with self._lock:
            if self.faults.for_frame("wrap", shot.number) is not None:
                self.card.number_next(LAST_NUMBER)
            handles = []
            for entry in self.card.store(files, shot.taken):
                handles.append(self._next_handle)
                self._files[self._next_handle] = entry
                self._frame_of[self._next_handle] = shot.number
                self._next_handle += 1
            self._seconds["exposure_s"] += shot.time_s
            self._seconds["readout_s"] += max(0.0, clock.monotonic() - closing)
            self._power.drain(A_FRAME + shot.time_s * A_SECOND_OPEN)
            if (line := self.faults.for_frame("battery", shot.number)) is not None:
                self._power.charge(line["percent"])
            if (line := self.faults.for_frame("clock", shot.number)) is not None:
                self.shift_clock(line["shift_s"])
            self._exposing = self._held = None  # with the files: who sees them can go on
        return handles

    def _announce(self, event: str, what: str, value: int, frame: int, file: int) -> None:
        line = self.faults.for_event(event, frame, file) or {}
        how = line.get("how")
        if how == "stale" and what == "added":
            older = [handle for handle in self._files if handle < value]
            if older:
                self._tell(what, older[-1])
        if how == "late":
            late_s = line.get("late_s", 1.0)
            threading.Thread(target=self._tell_late, args=(late_s, what, value), name="late", daemon=True).start()
            return
        for _ in range({"lost": 0, "doubled": 2}.get(how or "", 1)):
            self._tell(what, value)

    def _tell_late(self, seconds: float, what: str, value: int) -> None:
        if not clock.wait(self._off, seconds):
            self._tell(what, value)

    def wait_idle(self, seconds: float) -> bool:
        """Wait until no exposure is running; False when the time is over first. [s]"""
        with self._lock:
            running = self._exposing
        if running is not None:
            running.join(seconds)
        return not self.busy

    # -- live view --------------------------------------------------------------------------------------------------

    @property
    def live(self) -> bool:
        """Whether live view is on."""
        with self._lock:
            return self._live

    def look(self, on: bool) -> None:
        """Switch live view on or off. Refusal ``busy`` while exposing, ``battery`` when there is too little left."""
        with self._lock:
            if on and self._exposing:
                raise Refusal("busy", "an exposure is running")
            if on and self._power.dead:
                raise Refusal("battery", "the battery is empty")
            self._live = on

    def live_picture(self) -> bytes:
        """One live picture as a JPEG.

        Refusal ``general`` when live view is off, ``busy`` while exposing.
        """
        with self._lock:
            if self._exposing:
                raise Refusal("busy", "an exposure is running")
            if not self._live:
                raise Refusal("general", "live view is off")
            self._previews += 1
            self._power.drain(A_LIVE_VIEW)
            shot = self._shot(self._exposures + 1)
            world = replace(self._world)
            highest = self._dials.scales.marks("iso")[-1].exact
        return live_picture(self._renderer, shot, world, highest)

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
                **self._world.report(),
                "battery": self._power.percent,
                "on": self.on,
                "clock": self.now().isoformat(timespec="seconds"),
                "busy": self._exposing is not None,
                "open": self._open,
                "live": self._live,
                "ready": self._renderer.ready(self.optics),
                "exposures": self._exposures,
                "presses": self._presses,
                "previews": self._previews,
                "deletes": self._deletes,
                "card": [f"/DCIM/{entry.folder}/{entry.name}" for entry in self._files.values()],
                "card_root": str(self.card.root),
                **{name: round(value, 6) for name, value in self._seconds.items()},
            }

    def switch_off(self) -> None:
        """Cut the power: a running exposure is lost."""
        self._off.set()
        self._cut.set()
        with self._lock:
            held = self._held
        if held is not None:
            held.set()
        self.wait_idle(5.0)
