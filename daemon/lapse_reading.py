"""Readings of a time-lapse's frames: measured in a worker, so that no tick waits for them, and written by the runner.

Where pictures come faster than they can be measured, the oldest that wait are left unread; the controller does with
what it is told.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from daemon.errors import StopwrightError
from daemon.logbook import FrameRow
from daemon.metering import DARK, SATURATED
from daemon.pictures.lasting import halved, lasting_detail
from daemon.pictures.likeness import Grey, grey_of
from daemon.pictures.reading import METHOD, compare, measure_frame
from daemon.pictures.reading import Reading as PictureReading
from daemon.rig.touch import Touched
from daemon.store import Store
from plans import light_control
from plans.tone import Tone

MOST_WAITING = 4  # frames that wait to be measured; older ones are let go


@dataclass(frozen=True)
class Shown:
    """A frame to be read: its number, when it was taken after the start [s], what its settings gave [stops]."""

    frame: int
    at_s: float
    light: float
    row: FrameRow


@dataclass(frozen=True)
class Seen:
    """What a frame told. ``reading`` None: it could not be read, and ``why`` says so.

    ``detail``: what it shares with the frame before; None: there is none, or noise drowns it. [unitless]
    """

    shown: Shown
    reading: PictureReading | None
    detail: float | None = None
    touched: Touched | None = None
    why: str = ""

    def for_controller(self, controller: light_control.Controller, tone: Tone) -> light_control.Reading | None:
        """The reading on the controller's ladder, which may have become another one; None when there is none."""
        if self.reading is None:
            return None
        level = self.reading.level_stops
        index = controller.nearest(self.shown.light)
        brightness = tone.stops(level) + controller.rungs[index] - self.shown.light
        return light_control.Reading(self.shown.at_s, index, brightness, level >= SATURATED, level <= DARK, self.detail)


class LapseReader:
    """Measures frames one after the other in a thread of its own. ``curve``: the body's tone curve as measured."""

    def __init__(self, store: Store, curve: tuple[float, ...], tone: Tone):
        self._store, self._curve, self.tone = store, curve, tone
        self._pool = ThreadPoolExecutor(max_workers=1, thread_name_prefix="lapse-reading")
        self._waiting: deque[Future[Seen]] = deque()
        self._before: Grey | None = None  # the picture before, of the worker alone
        self.unread = 0

    def begin(self, shown: Shown, path: Path, touch: Callable[[], Touched] | None = None) -> None:
        """Start measuring a frame. ``touch``: what holds it against an earlier one, called in the worker."""
        while len(self._waiting) >= MOST_WAITING and self._waiting[0].cancel():
            self._waiting.popleft()
            self.unread += 1
        self._waiting.append(self._pool.submit(self._look, shown, path, touch))

    def _look(self, shown: Shown, path: Path, touch: Callable[[], Touched] | None) -> Seen:
        try:
            reading = compare(measure_frame(path), tone=self._curve)
            picture, before = halved(grey_of(path)), self._before
            self._before = picture
            found = None if before is None else lasting_detail(picture, before)
            return Seen(shown, reading, found, touch() if touch is not None else None)
        except StopwrightError as error:
            return Seen(shown, None, why=str(error))

    @property
    def waiting(self) -> int:
        """How many frames are not measured yet."""
        return sum(not one.done() for one in self._waiting)

    def ready(self, wait: bool = False) -> list[Seen]:
        """What was measured since the last call, in the order of taking, each written to the logbook.

        ``wait``: until all is measured.
        """
        found = []
        while self._waiting and (wait or self._waiting[0].done()):
            future = self._waiting.popleft()
            if future.cancelled():
                self.unread += 1
                continue
            seen = future.result()
            found.append(seen)
            if seen.reading is not None:
                self._write(seen, seen.reading)
        return found

    def _write(self, seen: Seen, reading: PictureReading) -> None:
        shown = seen.shown
        lapse: dict[str, Any] = {
            "frame": shown.frame,
            "light_stops": shown.light,
            "brightness_stops": self.tone.stops(reading.level_stops),
            "level_ev100": self.tone.stops(reading.level_stops) - shown.light,
            "detail": seen.detail,
        }
        if seen.touched is not None:
            lapse["check"] = seen.touched.as_json()
        data = {"reading": reading, "lapse": lapse}
        self._store.logbook.add_reading(shown.row.id, str(METHOD["name"]), str(METHOD["version"]), data)

    def close(self) -> None:
        """Let the worker go; what it has not begun is left unread."""
        self._pool.shutdown(wait=True, cancel_futures=True)
