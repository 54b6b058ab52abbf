"""The simulated camera without wire or library: the camera verbs directly on the same core.

Names and labels are those that the camera library shows for the same camera behind PTP/IP.
"""

from __future__ import annotations

import queue
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from daemon.camera.verbs import BulbExposure, CameraState, CardFile, SettingName, SettingState
from daemon.errors import (
    BatteryLow,
    CameraAbsent,
    CameraBusy,
    CameraError,
    CameraSilent,
    CardFull,
    SettingRefused,
    StoreError,
)
from hardware_mocks import clock, jpeg
from hardware_mocks.camera import GardenCamera
from hardware_mocks.card import Card, Entry
from hardware_mocks.developing import Renderer
from hardware_mocks.dials import Refusal
from hardware_mocks.faults import Faults
from hardware_mocks.hands import obey
from hardware_mocks.marks import BULB
from hardware_mocks.scales import Step
from hardware_mocks.scene import GardenRenderer
from hardware_mocks.shot import Optics

PORT = "inprocess"
STORE = "/store_00010001/DCIM/"
MARGIN_S = 10.0  # what the camera may take beyond the exposure before it counts as silent


_WIDGETS: dict[SettingName, str] = {
    "aperture": "f-number",
    "time": "shutterspeed2",
    "iso": "iso",
    "mode": "expprogram",
    "exposure_bias": "exposurecompensation",
    "white_balance": "whitebalance",
    "focus_mode": "focusmode",
    "image_format": "imagequality",
    "image_size": "imagesize",
    "iso_auto": "autoiso",
    "stabiliser": "imagestabilization",
    "long_exposure_reduction": "longexpnr",
    "noise_reduction": "highisonr",
    "picture_style": "optimizeimage",
    "brightness_aid": "dlighting",
    "lens_correction": "autodistortioncontrol",
    "vignette_correction": "vignettecorrection",
    "shutter_delay": "exposuredelaymode",
    "power_off": "meterofftime",
}
_CORE = {"exposure_bias": "bias"}
SHOWN = {_CORE.get(name, name): widget for name, widget in _WIDGETS.items()}  # the camera's own setting to its widget


class InProcessCamera:
    """Implements ``daemon.camera.verbs.Camera`` on a `GardenCamera` of its own, or on one that is given."""

    def __init__(
        self,
        core: GardenCamera | None = None,
        *,
        card: Path | None = None,
        renderer: Renderer | None = None,
        timing: str = "instant",
        ev100: float = 13.0,
        seed: int = 0,
        size: tuple[int, int] = (1500, 1000),
        faults: list[dict[str, Any]] | None = None,
        step: Step = "thirds",
        exif_style: str = "nominal",
    ):
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        if core is None:
            if card is None:
                self._folder = tempfile.TemporaryDirectory(prefix="garden-card-", ignore_cleanup_errors=True)
                card = Path(self._folder.name)
            core = GardenCamera(
                Card(card),
                renderer or GardenRenderer(),
                timing=timing,
                ev100=ev100,
                seed=seed,
                optics=Optics(size=size),
                faults=Faults(faults, seed),
                step=step,
                exif_style=exif_style,
            )
        self.core = core
        self._told: queue.Queue[tuple[str, int | str]] = queue.Queue()
        self._open = True
        self._absent_until = 0.0
        core.listen(self._hear)

    def _hear(self, what: str, value: int | str) -> None:
        if what == "drop" and isinstance(value, int):
            self._absent_until = clock.monotonic() + value / 1000
        self._told.put((what, value))

    def _here(self) -> None:
        if not self._open or clock.monotonic() < self._absent_until or not self.core.on:
            raise CameraAbsent("the simulated camera: asked for an answer, found none; connect it again")
        self.core.touch()

    def _labels(self, name: str) -> dict[int, str]:
        return self.core.labels(_CORE.get(name, name))

    def _verb(self, verb: str, setting: str | None = None) -> None:
        """Let the fault script act on this call first."""
        line = self.core.faults.for_verb(verb, setting)
        if line is None:
            return
        if line["fault"] == "silent":
            raise CameraSilent(f"the simulated camera: {verb} was never answered")
        raise self._error(Refusal("busy" if line["fault"] == "busy" else line.get("reason", "denied")), verb)

    def _error(self, refusal: Refusal, asked: str) -> CameraError:
        kinds: dict[str, Callable[[str], CameraError]] = {
            "busy": CameraBusy,
            "card_full": CardFull,
            "battery": BatteryLow,
            "absent": CameraAbsent,
        }
        return kinds.get(refusal.reason, CameraError)(f"the simulated camera: asked for {asked}; {refusal}")

    def state(self) -> CameraState:
        """Everything the camera tells of itself."""
        self._here()
        self._verb("describe")
        settings = {}
        for name, widget in _WIDGETS.items():
            core, labels = _CORE.get(name, name), self._labels(name)
            settings[name] = SettingState(
                name=name,
                widget=widget,
                current=labels[self.core.get(core)],
                labels=tuple(labels[raw] for raw in self.core.choices(core)),
                writable=self.core.writable(core),
            )
            if name == "mode":
                settings[name] = settings[name].model_copy(update={"raw": str(self.core.get(core))})
        return CameraState(
            model=jpeg.MODEL,
            port=PORT,
            settings=dict(settings),
            battery=self.core.battery,
            free_bytes=self.core.card.free_bytes(),
            can_bulb=True,
            can_preview=True,
            clock=self.core.now().isoformat(timespec="seconds"),
        )

    def apply(self, labels: Mapping[str, str]) -> dict[str, str]:
        """Set each named setting and read all of them back; SettingRefused where one does not read back."""
        self._here()
        for name, label in labels.items():
            if name not in _WIDGETS:
                raise SettingRefused(name, label, "no such setting", list(_WIDGETS))
            known = self._labels(name)
            core = _CORE.get(name, name)
            offered = [known[raw] for raw in self.core.choices(core)]
            current = known[self.core.get(core)]
            if current == label:
                continue
            if label not in offered:
                raise SettingRefused(name, label, current, offered)
            try:
                self._verb("set", core)
                self.core.set(core, next(raw for raw, text in known.items() if text == label))
            except Refusal as refusal:
                if refusal.reason == "busy":
                    raise self._error(refusal, f"{name} {label}") from None
                advice = "" if self.core.writable(core) else "Turn the mode dial to M"
                raise SettingRefused(name, label, current, offered, advice) from None
            except CameraError as error:
                if isinstance(error, (CameraBusy, CameraSilent)):
                    raise
                raise SettingRefused(name, label, current, offered) from None
        read = {name: self._labels(name)[self.core.get(_CORE.get(name, name))] for name in labels}
        for name, label in labels.items():
            if read[name] != label:
                offered = list(self._labels(name).values())
                raise SettingRefused(name, label, read[name], offered)
        return read

    def expose(self, exposure_s: float) -> list[CardFile]:
        """Take one frame; the files that are on the card now and were not before. [s]"""
        self._here()
        self._verb("capture")
        while not self._told.empty():
            self._told.get_nowait()
        before = set(self.core.files())
        try:
            frame = self.core.trigger()
        except Refusal as refusal:
            raise self._error(refusal, "an exposure") from None
        return self._finished(frame, before, exposure_s)

    def _finished(self, frame: int, before: set[int], exposure_s: float) -> list[CardFile]:
        """Wait for the end of a frame; its files. [s]"""
        deadline = clock.monotonic() + 2 * exposure_s + MARGIN_S
        while True:
            try:
                what, number = self._told.get(timeout=max(0.0, deadline - clock.monotonic()))
            except queue.Empty:
                raise CameraSilent(
                    f"the simulated camera: asked for an exposure of {exposure_s:g} s, its end was never announced"
                ) from None
            if what == "drop":
                raise CameraAbsent("the simulated camera: the link broke during an exposure")
            if what == "complete" and number == frame:  # not the late word of a picture from the button
                return [self._card_file(n, entry) for n, entry in self.core.files().items() if n not in before]

    def bulb(self, seconds: float) -> BulbExposure:
        """Take one frame with the shutter held open for so long. [s]"""
        self._here()
        self._verb("bulb")
        while not self._told.empty():
            self._told.get_nowait()
        before = set(self.core.files())
        try:
            if self.core.get("time") != BULB:
                self.core.set("time", BULB)
            asked = clock.monotonic()
            frame = self.core.open_shutter()
        except Refusal as refusal:
            if refusal.reason == "denied":
                raise SettingRefused("time", "Bulb", self._now("time"), (), "Turn the mode dial to M") from None
            raise self._error(refusal, "an open shutter") from None
        opened = clock.monotonic()
        clock.sleep(opened + self.core.timing.lag_s + seconds - clock.monotonic())
        closing, early = clock.monotonic(), False
        try:
            self.core.close_shutter()
        except Refusal:
            early = True
        closed = clock.monotonic()
        files = self._finished(frame, before, seconds)
        held = (closing + closed) / 2 - (asked + opened) / 2
        within = (closed - closing + opened - asked) / 2
        return BulbExposure(files=tuple(files), held_s=held, within_s=within, ended_early=early)

    def preview(self, into: Path) -> int:
        """Write one live picture, a JPEG, to the path ``into``; its size. [bytes]"""
        self._here()
        self._verb("preview")
        try:
            self.core.look(True)
            content = self.core.live_picture()
        except Refusal as refusal:
            raise self._error(refusal, "a live picture") from None
        _write(content, into)
        return len(content)

    def _now(self, name: str) -> str:
        return self._labels(name)[self.core.get(name)]

    def _card_file(self, handle: int, entry: Entry) -> CardFile:
        taken = self.core.taken(handle).isoformat(timespec="seconds")
        return CardFile(folder=STORE + entry.folder, name=entry.name, size=entry.size, taken=taken)

    def fetch(self, file: CardFile, into: Path) -> int:
        """Copy one file from the card; its size. [bytes]"""
        self._here()
        self._verb("object")
        places = {(STORE + entry.folder, entry.name): handle for handle, entry in self.core.files().items()}
        handle = places.get((file.folder, file.name))
        if handle is None:
            raise CameraError(f"the simulated camera: asked for {file.folder}/{file.name}, which is not on the card")
        content = self.core.read(handle)
        frame = self.core.frame_of(handle)
        if frame is not None and (line := self.core.faults.for_frame("drop", frame, "download")) is not None:
            self._hear("drop", round(line.get("away_s", 0.0) * 1000))
            raise CameraAbsent("the simulated camera: the link broke during a download")
        if frame is not None and (line := self.core.faults.for_frame("truncate", frame)) is not None:
            content = content[: int(len(content) * line.get("keep", 0.5))]
        rate = self.core.timing.bytes_per_s
        if rate:
            clock.sleep(len(content) / rate)
            self.core.transferred(len(content) / rate)
        _write(content, into)
        return len(content)

    def card(self, fresh: bool = False) -> list[CardFile]:
        """Every picture on the card. Nothing is remembered here, so that every list is ``fresh``."""
        self._here()
        self._verb("list")
        return [self._card_file(handle, entry) for handle, entry in self.core.files().items()]

    def hands(self, request: Any) -> dict[str, Any]:
        """Work the hands: one request as in `hardware_mocks.hands`; ValueError when it cannot be obeyed."""
        return obey(self.core, request)

    def close(self) -> None:
        """Let the camera go. Idempotent."""
        if self._open:
            self._open = False
            self.core.unlisten(self._hear)
            if self._folder is not None:
                self.core.switch_off()
                self._folder.cleanup()


def _write(content: bytes, into: Path) -> None:
    try:
        with open(into, "xb") as sink:
            sink.write(content)
    except OSError as error:
        raise StoreError(f"{into}: {error.strerror}") from None
