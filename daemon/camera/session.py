"""The verbs of a camera, spelled out over one open link. Runs inside the camera process.

**Why an exposure is triggered and then listened for**, and not taken in one call: the library's one-call capture
blocks for ever when the camera's announcement of the end is missing, returns only the first file of a RAW and JPEG
pair, and gives up by itself on long exposures of some makes. Triggering returns at once over the network protocol and
USB alike; then all announcements are gathered here, with waits of our own, so that nothing blocks for longer than one
short poll. On a body that cannot be triggered the one-call capture is the fallback, and the supervisor's deadline
covers its hanging.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from daemon import clock
from daemon.camera import dialects
from daemon.camera.asking import Asking, Event, LinkLike, Pace, Widget
from daemon.camera.errors_map import NOT_SUPPORTED, LinkFault, as_ours
from daemon.camera.holding import Shutter
from daemon.camera.settings import LOST_LINK, Settings
from daemon.errors import BatteryLow, CameraBusy, CameraError, CameraSilent, CardFull, SettingRefused, StoreError

_NO_PICTURES = (".mov", ".mp4", ".avi", ".wav", ".thm", ".xml", ".mpg", ".lrv", ".ctg", ".dat")
_ROOM_FOR_A_FRAME = 8_000_000  # common practice, no source [bytes]
_DEAD_BATTERY = 5  # common practice, no source [per cent]
_DEEPEST_FOLDER = 6
_NEAR_S = 0.25  # from so long before the end of an exposure on the camera is asked more often [s]
_READOUT_S = 1.0  # and for so long after it: readout and writing to the card; common practice, no source [s]
_JPEG_BEGINS = b"\xff\xd8"
_CLOCK_STEP_S = 2  # of the times that cameras give files [s]


class Session:
    """One open camera. Methods raise our errors only; shapes are those of `daemon.camera.verbs` as plain data."""

    def __init__(
        self, link: LinkLike, alive: Callable[[], None], *, memory_only: bool = False, pace: Pace | None = None
    ):
        self._link, self._memory_only, self._pace = link, memory_only, pace or Pace()
        self._asking = Asking(link, alive, self._pace)
        self._settings = Settings(self._asking)
        self.apply = self._settings.apply
        self._shutter = Shutter(self._asking)
        self._looking = False
        self._prepare()

    def take_late(self) -> list[str]:
        """Files that were announced when nobody waited for them, since the last look."""
        late, self._asking.late = self._asking.late, []
        return late

    def _prepare(self) -> None:
        """Have pictures stay on the card, and keep the library from driving the lens before a picture."""
        with suppress(LinkFault, CameraError):
            target = self._settings.read("capture_target")
            label = None if target is None else dialects.card_label(target.labels)
            if target is not None and label and target.current != label and not self._memory_only:
                self._link.send(target.name, label)
            focus = self._link.widget("autofocus")
            if focus is not None and focus.current == "On" and "Off" in focus.labels:
                self._link.send("autofocus", "Off")

    # -- what the camera tells of itself ------------------------------------------------------------------------------

    def _text(self, *widgets: str) -> str:
        for widget in widgets:
            found = self._asking.ask(self._link.widget, widget)
            if found is not None and found.current:
                return found.current
        return ""

    def _battery(self) -> int | None:
        digits = self._text("batterylevel").rstrip("%").strip()
        return min(100, int(digits)) if digits.isdigit() else None

    def _free(self) -> int | None:
        with suppress(LinkFault):
            return self._link.free_bytes()
        return None

    def state(self) -> dict[str, Any]:
        """`CameraState` as plain data, read afresh."""
        self._asking.drain()
        found = self._settings.survey()
        settings = {
            name: {
                "name": name,
                "widget": widget.name,
                "current": widget.current,
                "labels": list(widget.labels),
                "writable": widget.writable and len(widget.labels) > 1,
                "raw": widget.raw,
            }
            for name, widget in found.items()
        }
        maker = self._text("manufacturer").split(" ")[0]
        model = self._text("cameramodel", "model") or self._link.model
        return {
            "model": model if model.lower().startswith(maker.lower()) else f"{maker} {model}",
            "port": self._link.port,
            "settings": settings,
            "untold": list(self._settings.untold),
            "battery": self._battery(),
            "free_bytes": self._free(),
            "can_trigger": self._link.takes_pictures,
            "can_bulb": self._can_hold(found.get("time")),
            "can_preview": self._link.previews,
            "clock": self._clock(),
        }

    def _can_hold(self, time: Widget | None) -> bool:
        if time is None or dialects.bulb_label(time.labels) is None:
            return False
        return self._shutter.can_be_held()

    def _clock(self) -> str | None:
        """The camera's clock. The process runs in UTC, so that the seconds stand for what the camera itself shows."""
        text = self._text("datetime")
        if not text.isdigit():
            return None
        return datetime.fromtimestamp(int(text), UTC).replace(tzinfo=None).isoformat()

    # -- exposures ----------------------------------------------------------------------------------------------------

    def settle(self, seconds: float) -> list[dict[str, Any]]:
        """Wait for a frame that may still be in the making; the files that came. [s]"""
        limit = clock.monotonic() + seconds
        while not (files := self._asking.drain()) and clock.monotonic() < limit:
            clock.sleep(0.05)
        if files:
            clock.sleep(self._pace.quiet_s)
            files += self._asking.drain()
        return [self._card_file(file.folder, file.name) for file in files]

    def expose(self, exposure_s: float, limit_s: float, busy_s: float) -> list[dict[str, Any]]:
        """Take one frame; its files.

        ``limit_s`` is how long it may take from the shutter on, ``busy_s`` how long the camera may be busy before. [s]
        """
        expected = self._make_ready()
        self._asking.drain_unless_just_done()
        return self._taken_in(self._gather(self._trigger(busy_s), exposure_s, expected, limit_s), expected)

    def _make_ready(self) -> int:
        """See that pictures go to the card and nothing stands in the way; how many files a frame makes."""
        self._insist_on_card()
        if self._looking:
            self._looking = False
            with suppress(LinkFault):
                self._link.send("viewfinder", "0")
        image_format = self._settings.read("image_format")
        return 1 if image_format is None else dialects.files_expected(image_format.current)

    def _taken_in(self, files: list[Event], expected: int) -> list[dict[str, Any]]:
        self._asking.known.update((file.folder, file.name) for file in files)
        described = [self._card_file(file.folder, file.name) for file in files]
        return described if len(described) <= expected else _newest(described)

    def bulb(self, seconds: float, limit_s: float, busy_s: float) -> dict[str, Any]:
        """Hold the shutter open by the schedule clock; `BulbExposure` as plain data.

        ``limit_s`` is how long the files may take from the closing of the shutter on. [s]
        """
        expected = self._make_ready()
        time = self._settings.read("time")
        label = None if time is None else dialects.bulb_label(time.labels)
        if time is None or label is None:
            shown, offered = (time.current, time.labels) if time else ("nothing", ())
            raise SettingRefused("time", "bulb", shown, offered, "Turn the mode dial to M, or to B")
        if time.current != label:
            self._settings.put("time", label, time)
        self._asking.drain()
        try:
            held = self._shutter.hold(seconds, busy_s)
        except LinkFault as fault:
            raise self._why_not(fault) from None
        files = self._gather(held.files, 0.0, expected, limit_s)
        return {
            "files": self._taken_in(files, expected),
            "held_s": held.seconds,
            "within_s": held.within_s,
            "ended_early": held.ended_early,
        }

    def close_shutter(self) -> None:
        """Close a shutter that an earlier camera process may have left open."""
        with suppress(LinkFault):
            self._shutter.close()

    def preview(self, into: Path) -> int:
        """Write one live picture into a new file; its size. [bytes]"""
        self._looking = True
        try:
            size = self._asking.ask(self._link.preview, into)
        except FileExistsError:
            raise StoreError(
                f"{into} exists already; nothing is overwritten. Write the live picture elsewhere."
            ) from None
        except OSError as error:
            raise StoreError(f"{into} could not be written: {error.strerror}. Make room, or store elsewhere.") from None
        with open(into, "rb") as source:
            if source.read(2) == _JPEG_BEGINS:
                return size
        into.unlink()
        raise CameraError(f"The camera's live view gave {size} bytes that are no JPEG. Look at its own screen instead.")

    def _insist_on_card(self) -> None:
        target = self._settings.read("capture_target")
        if target is None or self._memory_only or dialects.is_card(target.current):
            return
        label = dialects.card_label(target.labels)
        if label is None:
            text = "Pictures would live in the camera's memory alone and be lost with the link; it must have a card"
            raise SettingRefused("capture_target", "a card", target.current, target.labels, text)
        self._settings.put("capture_target", label, target)

    def _trigger(self, busy_s: float) -> list[Event]:
        def release() -> list[Event]:
            try:
                self._link.trigger()
            except LinkFault as fault:
                if fault.busy:
                    self._asking.drain()  # the frame that keeps it busy must not pass for ours
                if fault.code != NOT_SUPPORTED:
                    raise
                return [self._link.capture()]
            return []

        try:
            return self._asking.patiently(release, busy_s)
        except LinkFault as fault:
            if fault.busy:
                raise CameraBusy(f"The camera was still busy {busy_s:g} s after the shutter was asked for.") from None
            raise self._why_not(fault) from None

    def _why_not(self, fault: LinkFault) -> CameraError:
        """Why the camera takes no picture, as far as it can still be asked."""
        told = as_ours(fault)
        if isinstance(told, CardFull) or fault.response in LOST_LINK or fault.code not in (-1, -2):
            return told
        with suppress(LinkFault, CameraError):
            battery = self._battery()
            if battery is not None and battery <= _DEAD_BATTERY:
                return BatteryLow(f"The camera takes no picture; its battery shows {battery} %. Put in a charged one.")
            free = self._free()
            if free is not None and free < _ROOM_FOR_A_FRAME:
                return CardFull(f"The camera takes no picture; its card has {free / 1e6:.1f} MB left. Put in another.")
        return told

    def _gather(self, files: list[Event], exposure_s: float, expected: int, limit_s: float) -> list[Event]:
        """Listen until every file of the frame is announced."""
        complete = False
        began = heard = clock.monotonic()
        while True:
            asked = clock.monotonic()
            event = self._asking.ask(self._link.event, 10)
            now = clock.monotonic()
            if event.kind == "file":
                heard = now
                if (event.folder, event.name) not in self._asking.known and event not in files:
                    files.append(event)
            elif event.kind == "complete":
                complete, heard = True, now
            # Before the exposure can be over, silence means nothing.
            quiet_s = now - max(heard, began + exposure_s)
            if self._has_ended(len(files), expected, complete, quiet_s):
                return files
            if now - began > limit_s or (complete and not files and quiet_s > self._pace.lost_s):
                if files:
                    return files
                said = "said that it had finished" if complete else "said nothing"
                raise CameraSilent(
                    f"No picture was announced {now - began:.1f} s after an exposure of {exposure_s:g} s was started; "
                    f"the camera {said}. The frame may be on its card."
                )
            if event.kind == "none":
                near = now - began > exposure_s - _NEAR_S and quiet_s < _READOUT_S
                pause = self._pace.near_poll_s if near else self._pace.poll_s
                if (left := pause - (now - asked)) > 0:  # the library has waited for a part of it
                    clock.sleep(left)

    def _has_ended(self, files: int, expected: int, complete: bool, quiet_s: float) -> bool:
        if files >= expected:
            return complete or quiet_s > self._pace.quiet_s
        return files > 0 and quiet_s > self._pace.pair_s

    # -- files --------------------------------------------------------------------------------------------------------

    def _card_file(self, folder: str, name: str) -> dict[str, Any]:
        info = self._asking.ask(self._link.info, folder, name)
        taken = None
        if info.made is not None:  # the process runs in UTC, so that this is what the camera's own clock showed
            taken = datetime.fromtimestamp(info.made, UTC).replace(tzinfo=None).isoformat()
        return {"folder": folder, "name": name, "size": info.size, "taken": taken}

    def fetch(self, folder: str, name: str, into: Path) -> int:
        """Copy a file into a new one and compare the sizes; the size. [bytes]"""
        info = self._asking.ask(self._link.info, folder, name)
        try:
            size = self._asking.ask(self._link.download, folder, name, into)
        except FileExistsError:
            raise StoreError(f"{into} exists already; nothing is overwritten. Fetch {name} under a new name.") from None
        except OSError as error:
            raise StoreError(f"{into} could not be written: {error.strerror}. Make room, or store elsewhere.") from None
        if info.size is not None and size != info.size:
            into.unlink(missing_ok=True)
            raise CameraSilent(
                f"{name} has {info.size} bytes on the card, but {size} arrived. It is still there: fetch it again."
            )
        return size

    def card(self) -> list[dict[str, Any]]:
        """Every picture on the card, in the camera's order.

        A listing that failed is not tried again over this link, busy camera or not: what the library had read until
        then it takes for the whole of the folder from then on.
        """
        self._asking.drain()
        found: list[dict[str, Any]] = []

        def once(act: Callable[[str], list[str]], folder: str) -> list[str]:
            try:
                return act(folder)
            except LinkFault as fault:
                raise as_ours(fault) from None

        def walk(folder: str, depth: int) -> None:
            for name in once(self._link.files, folder):
                self._asking.alive()
                if not name.lower().endswith(_NO_PICTURES):
                    found.append(self._card_file(folder, name))
            if depth < _DEEPEST_FOLDER:
                for name in once(self._link.folders, folder):
                    walk(f"{folder.rstrip('/')}/{name}", depth + 1)

        walk("/", 0)
        self._asking.known.update((file["folder"], file["name"]) for file in found)
        return found


def _newest(files: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Of more files than a frame makes, those that are not clearly older than the newest: a stale one came along."""
    if any(file["taken"] is None for file in files):
        return files
    times = [datetime.fromisoformat(file["taken"]) for file in files]
    latest = max(times)
    fresh = [(latest - time).total_seconds() <= _CLOCK_STEP_S for time in times]
    return [file for file, keep in zip(files, fresh, strict=True) if keep]
