"""A camera that may be at a verb already while its caller does something else: still one verb at a time.

The link is idle while a frame is made durable, and the caller is idle while the shutter is open. Here settings are put
on the camera in the one time, and work of the caller's is done in the other. Whoever asks for anything else waits until
the verb that is under way has ended, so that nothing ever overlaps on the link.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from concurrent.futures import Future, ThreadPoolExecutor, wait
from contextlib import suppress
from pathlib import Path
from typing import Any, TypeVar

from daemon import clock
from daemon.camera.verbs import Camera, CameraState, CardFile
from daemon.errors import CameraError

HEAD_START_S = 0.005  # before work that takes the processor, so that the shutter does not wait for it [s]
# What was read longer ago is read again: hands may have turned a dial or taken a picture meanwhile. [s]
FRESH_S = 1.0
_Answer = TypeVar("_Answer")


class AheadCamera:
    """Implements `daemon.camera.verbs.Camera` by another one. What that one has besides is passed on.

    To be used by one thread.
    """

    def __init__(self, camera: Camera):
        self._camera = camera
        self._worker = ThreadPoolExecutor(max_workers=1, thread_name_prefix="camera-verb")
        self._soon: tuple[dict[str, str], Future[tuple[dict[str, str], float]]] | None = None
        self._listed: dict[bool, Future[tuple[list[CardFile], float]]] = {}
        self._under_way: list[Future[Any]] = []  # in the order of their beginning

    def __getattr__(self, name: str) -> Any:
        found = getattr(self._camera, name)
        return self._in_turn(found) if callable(found) else found

    def _in_turn(self, verb: Callable[..., _Answer]) -> Callable[..., _Answer]:
        def after_all(*arguments: Any, **named: Any) -> _Answer:
            self._let_end()
            return verb(*arguments, **named)

        return after_all

    def _let_end(self) -> None:
        """Wait until nothing is under way. What became of it is told to no one: the next verb will find out."""
        self._soon, self._listed = None, {}
        wait(self._under_way)
        self._under_way = []

    # -- beside ---------------------------------------------------------------------------------------------------

    def apply_soon(self, labels: Mapping[str, str]) -> None:
        """Begin with `apply` and return. The `apply` of the same labels that comes next is answered by this one."""
        self._let_end()
        wanted = dict(labels)

        def act() -> tuple[dict[str, str], float]:
            return self._camera.apply(wanted), clock.monotonic()

        future = self._worker.submit(act)
        self._under_way.append(future)
        self._soon = wanted, future

    def list_soon(self) -> None:
        """Begin with `card`, and then with a fresh one, after what is under way, and return.

        They answer the next two, one each, where no other verb comes between and nothing went wrong.
        """
        self.get_spare()

        def act(fresh: bool) -> tuple[list[CardFile], float]:
            return self._camera.card(fresh), clock.monotonic()

        self._listed = {fresh: self._worker.submit(act, fresh) for fresh in (False, True)}
        self._under_way += self._listed.values()

    def is_applying(self, labels: Mapping[str, str]) -> bool:
        """Whether `apply` of these labels was begun and not asked after yet."""
        return self._soon is not None and self._soon[0] == dict(labels)

    def expose_beside(self, exposure_s: float, act: Callable[[], object]) -> list[CardFile]:
        """`expose`, and do something meanwhile. [s]

        What ``act`` raises is raised once the frame is there, and the frame is then still in flight for its caller.
        """
        self._let_end()
        future = self._worker.submit(self._camera.expose, exposure_s)
        self._under_way = [future]
        wait([future], HEAD_START_S)
        try:
            act()
        finally:
            wait([future])
        self._under_way = []
        return future.result()

    def get_spare(self) -> None:
        """Have what a fresh list of the card needs at hand, where the camera knows of such; may be called beside."""
        with_spare = getattr(self._camera, "get_spare", None)
        if with_spare is not None:
            with_spare()

    # -- the verbs ------------------------------------------------------------------------------------------------

    def apply(self, labels: Mapping[str, str]) -> dict[str, str]:
        """As the verb. Labels that `apply_soon` put on the camera a moment ago are not sent or read again."""
        soon = self._soon if self.is_applying(labels) else None
        self._soon = None
        if soon is not None:
            found, read_at = soon[1].result()
            if clock.monotonic() - read_at <= FRESH_S:
                return found
        self._let_end()
        return self._camera.apply(labels)

    def state(self) -> CameraState:
        self._let_end()
        return self._camera.state()

    def expose(self, exposure_s: float) -> list[CardFile]:
        self._let_end()
        return self._camera.expose(exposure_s)

    def preview(self, into: Path) -> int:
        self._let_end()
        return self._camera.preview(into)

    def fetch(self, file: CardFile, into: Path) -> int:
        self._let_end()
        return self._camera.fetch(file, into)

    def card(self, fresh: bool = False) -> list[CardFile]:
        listed = self._listed.pop(fresh, None)
        if listed is not None:
            with suppress(CameraError):
                files, read_at = listed.result()
                if clock.monotonic() - read_at <= FRESH_S:
                    return files
        self._let_end()
        return self._camera.card(fresh)

    def close(self) -> None:
        self._let_end()
        self._camera.close()
