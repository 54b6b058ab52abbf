"""Asking a camera that may be busy, and hearing what it announces. Runs inside the camera process.

The shapes that pass between the library's importer and the rest of the camera process are here too, so that nothing
but `daemon.camera.link` needs the library.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import ParamSpec, Protocol, TypeVar

from daemon import clock
from daemon.camera.errors_map import LinkFault, as_ours
from daemon.errors import CameraError

JUST_NOW_S = 0.005  # less than a picture takes from the shutter to its announcement [s]
_Asked = ParamSpec("_Asked")
_Answer = TypeVar("_Answer")


@dataclass(frozen=True)
class Widget:
    """A setting as the library shows it. ``current`` is empty when it is not among the choices."""

    name: str
    current: str
    labels: tuple[str, ...]
    writable: bool
    raw: str | None = None


@dataclass(frozen=True)
class Event:
    """What the camera announced: ``file`` (with folder and name), ``complete``, ``other``, or ``none`` in time."""

    kind: str
    folder: str = ""
    name: str = ""


@dataclass(frozen=True)
class FileInfo:
    """Size [bytes] and the camera's clock at the file's making [s since 1970, zone unknown]; None: not told."""

    size: int | None
    made: int | None


@dataclass(frozen=True)
class Pace:
    """How long the session waits for what. [s]

    ``stable_s``: a setting that has not moved for so long stays where it is; ``walking_s``: one that still moves is
    given so long; ``shy_s``: one that the camera lists and has not told since it was connected is asked for so long;
    ``quiet_s``: no more files are to be expected after so long without an announcement; ``pair_s``: the
    same while one of a pair is missing; ``lost_s``: the same while every file is missing although the camera said that
    it is done.
    """

    poll_s: float = 0.010
    near_poll_s: float = 0.001
    busy_s: float = 10.0
    stable_s: float = 2.0
    walking_s: float = 10.0
    shy_s: float = 0.5
    quiet_s: float = 0.7
    pair_s: float = 2.5
    lost_s: float = 5.0
    drain_s: float = 1.0


class LinkLike(Protocol):
    """What the session needs of a link; `daemon.camera.link.Link` is the real one. All raise `LinkFault`."""

    port: str

    @property
    def model(self) -> str: ...
    @property
    def takes_pictures(self) -> bool: ...
    @property
    def previews(self) -> bool: ...
    def names(self) -> frozenset[str]: ...
    def widget(self, name: str) -> Widget | None: ...
    def send(self, name: str, value: str) -> None: ...
    def trigger(self) -> None: ...
    def capture(self) -> Event: ...
    def event(self, timeout_ms: int) -> Event: ...
    def folders(self, folder: str) -> list[str]: ...
    def files(self, folder: str) -> list[str]: ...
    def info(self, folder: str, name: str) -> FileInfo: ...
    def download(self, folder: str, name: str, into: Path) -> int: ...
    def preview(self, into: Path) -> int: ...
    def free_bytes(self) -> int | None: ...


class Asking:
    """An open link with patience. ``alive`` is called now and then during work of unknown length.

    Attributes
    ----------
    known
        Files that cannot be new any more, as (folder, name).
    late
        Files that were announced when nobody waited for them.
    """

    def __init__(self, link: LinkLike, alive: Callable[[], None], pace: Pace):
        self.link, self.alive, self.pace = link, alive, pace
        self.known: set[tuple[str, str]] = set()
        self.late: list[str] = []
        self._drained_at = -float("inf")

    def patiently(self, act: Callable[[], _Answer], limit_s: float) -> _Answer:
        """Do something, again and again while the camera is busy, at growing intervals; `LinkFault` at the end. [s]"""
        limit, pause = clock.monotonic() + limit_s, 0.02
        while True:
            try:
                return act()
            except LinkFault as fault:
                if not fault.busy or clock.monotonic() + pause > limit:
                    raise
            self.alive()
            clock.sleep(pause)
            pause = min(0.5, pause * 1.6)

    def ask(self, act: Callable[_Asked, _Answer], *arguments: _Asked.args, **named: _Asked.kwargs) -> _Answer:
        """Do something whose faults are simply ours, waiting while the camera is busy."""
        try:
            return self.patiently(lambda: act(*arguments, **named), self.pace.busy_s)
        except LinkFault as fault:
            raise as_ours(fault) from None

    def drain_unless_just_done(self) -> None:
        """`drain`, but where that was done a moment ago: it takes the library a millisecond to hear nothing."""
        if clock.monotonic() - self._drained_at > JUST_NOW_S:
            self.drain()

    def drain(self) -> list[Event]:
        """Take in everything that the camera has announced so far; files among it are no longer new."""
        limit = clock.monotonic() + self.pace.drain_s
        files = []
        while clock.monotonic() < limit:
            try:
                event = self.ask(self.link.event, 1)
            except CameraError as refusal:
                if type(refusal) is not CameraError:
                    raise
                # The library asks after each announced change; what the camera refuses it there is asked again by name.
                continue
            if event.kind == "none":
                self._drained_at = clock.monotonic()
                break
            if event.kind == "file" and (event.folder, event.name) not in self.known:
                self.known.add((event.folder, event.name))
                self.late.append(f"{event.folder}/{event.name}")
                files.append(event)
        return files
