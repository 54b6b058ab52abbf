"""The camera as the rest of the daemon sees it: a child process that is asked, watched, killed and replaced.

Every verb has a deadline that follows what is asked. Past it the child is killed and `CameraSilent` raised; the next
verb starts another child and connects again. A frame that was in flight then is waited for, so that it is on the card
before anybody looks there, and does not pass for the next one.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn, Protocol

from daemon import clock
from daemon.camera.child import Child
from daemon.camera.devices import Machine
from daemon.camera.errors_map import breaks_link, from_wire
from daemon.camera.ports import normal_port
from daemon.camera.verbs import BulbExposure, CameraState, CardFile
from daemon.errors import (
    CameraAbsent,
    CameraBusy,
    CameraError,
    CameraHeld,
    CameraSilent,
    StopwrightError,
    StoreError,
)

__all__ = ["CameraProcess", "Deadlines", "normal_port"]

_LIST_AGAIN_S = 0.1
_PACKAGES = Path(__file__).resolve().parents[2]


@dataclass(frozen=True)
class Deadlines:
    """How long a verb may take beyond what it must.

    Attributes
    ----------
    connect_s
        Starting the child and connecting. [s]
    answer_s
        Any verb that exposes nothing and fetches nothing, or any stretch of it without a sign of life. [s]
    readout_s
        From the end of an exposure until its files are announced. [s]
    busy_s
        The camera being busy, or refusing to tell a setting; before it exposes, beyond the length of the exposure
        before. [s]
    settle_s
        A frame that was in flight when a child died is waited for so long after its shutter closed. [s]
    slowest_rate
        Of a download. [bytes/s]
    margin_s
        On top of everything. [s]
    """

    connect_s: float = 25.0
    answer_s: float = 20.0
    readout_s: float = 20.0
    busy_s: float = 10.0
    settle_s: float = 2.0
    slowest_rate: float = 500_000.0
    margin_s: float = 5.0

    def expose(self, exposure_s: float) -> float:
        """Twice the exposure, for the dark frame that cameras may take after it, and the readout. [s]"""
        return 2 * exposure_s + self.readout_s

    def fetch(self, size: int | None) -> float:
        """Time to fetch so many bytes, 100 MB if unknown. [s]"""
        return self.answer_s + (100_000_000 if size is None else size) / self.slowest_rate


class Log(Protocol):
    """Where the supervisor tells what happened; a structlog logger is one."""

    def info(self, event: str, **fields: Any) -> Any: ...
    def warning(self, event: str, **fields: Any) -> Any: ...


class _Silence:
    def info(self, event: str, **fields: Any) -> None:
        pass

    def warning(self, event: str, **fields: Any) -> None:
        pass


class CameraProcess:
    """Implements `daemon.camera.verbs.Camera` by a camera process that can be killed.

    Verbs may be called from any thread, one at a time. The connection is made by the first verb, or by `open`.

    Parameters
    ----------
    port
        ``usb:BUS,DEVICE``, ``ptpip:IP[:PORT]``, or None for the only camera there is; UsageError for anything else.
    work
        A folder of its own for the library's settings and the child's log.
    log
        Told of starts, deaths and late files.
    environment
        Variables for the child alone, on top of this process's own.
    deadlines
        How long what may take.
    memory_only
        Allow pictures that live in the camera's memory alone. They are lost when the link breaks before they were
        fetched: the loss window is the time from the shutter to the end of `fetch`.
    machine
        Where to look for who holds a camera.
    """

    def __init__(
        self,
        port: str | None,
        work: Path,
        log: Log | None = None,
        *,
        environment: Mapping[str, str] | None = None,
        deadlines: Deadlines | None = None,
        memory_only: bool = False,
        machine: Machine | None = None,
    ):
        self._port = None if port is None else normal_port(port)
        self._work, self._log = Path(work).absolute(), log or _Silence()
        self._extra = dict(environment or {})
        self._deadlines = deadlines or Deadlines()
        self._memory_only = memory_only
        self._machine = machine or Machine()
        self._lock = threading.RLock()
        self._child: Child | None = None
        self._spare: Child | None = None
        self._connected = False
        self._count = 0
        self._model: str | None = None
        self._in_flight_until = self._last_exposure_s = 0.0
        self._shutter_held = False  # by a child that may be gone without having closed it

    def __enter__(self) -> CameraProcess:
        return self

    def __exit__(self, *exception: object) -> None:
        self.close()

    @property
    def pid(self) -> int | None:
        """The camera process's number, while there is one."""
        child = self._child
        return None if child is None else child.pid

    # -- verbs --------------------------------------------------------------------------------------------------------

    def open(self) -> None:
        """Start the camera process and connect, unless that has been done.

        Raises
        ------
        CameraAbsent, CameraHeld, CameraBusy, UsageError
            If no camera answers, another program has it, or several could be meant.
        """
        with self._lock:
            if not self._connected:
                self._connect()

    def state(self) -> CameraState:
        """Everything the camera tells of itself, read afresh."""
        return CameraState.model_validate(self._verb("state", {}, self._deadlines.answer_s))

    def apply(self, labels: Mapping[str, str]) -> dict[str, str]:
        """Set each named setting to one of the camera's own labels and read all of them back.

        Raises
        ------
        SettingRefused
            If a setting or label is not offered, cannot be set as the dials stand, or does not read back as asked.
        """
        return dict(self._verb("apply", {"labels": dict(labels)}, self._deadlines.answer_s))

    def expose(self, exposure_s: float) -> list[CardFile]:
        """Take one frame with the settings in force; the files it made on the card, in the camera's order. [s]"""
        limit = self._deadlines.expose(exposure_s)
        with self._lock:
            self.open()
            # After a long exposure the camera may be busy as long again with a dark frame.
            busy, self._last_exposure_s = self._deadlines.busy_s + self._last_exposure_s, exposure_s
            self._in_flight_until = clock.monotonic() + exposure_s + self._deadlines.settle_s
            asked = {"exposure_s": exposure_s, "limit_s": limit, "busy_s": busy}
            files = self._verb("expose", asked, limit + busy + self._deadlines.margin_s)
        return [CardFile.model_validate(file) for file in files]

    def bulb(self, seconds: float) -> BulbExposure:
        """Take one frame with the shutter held open for so long. [s]

        A shutter that is still open when the camera process died is closed by the next one.

        Raises
        ------
        SettingRefused
            If the camera offers no mark for bulb, or its dial does not allow it.
        """
        limit = self._deadlines.expose(seconds)
        with self._lock:
            self.open()
            busy, self._last_exposure_s = self._deadlines.busy_s + self._last_exposure_s, seconds
            self._in_flight_until = clock.monotonic() + seconds + self._deadlines.settle_s
            self._shutter_held = True
            asked = {"seconds": seconds, "limit_s": limit - seconds, "busy_s": busy}
            try:
                made = self._verb("bulb", asked, limit + busy + self._deadlines.margin_s)
            except CameraError as error:
                self._shutter_held = breaks_link(error)
                raise
            self._shutter_held = False
        return BulbExposure.model_validate(made)

    def preview(self, into: Path) -> int:
        """Write one live picture to the path ``into``, which must not exist; its size. [bytes]

        Raises
        ------
        StoreError
            If ``into`` exists or cannot be written.
        CameraError
            If the camera shows none.
        """
        into = Path(into).absolute()
        with self._lock:
            self.open()
            if into.exists():
                raise StoreError(f"{into} exists already; nothing is overwritten. Write the live picture elsewhere.")
            try:
                return int(self._verb("preview", {"into": str(into)}, self._deadlines.answer_s))
            except CameraSilent:
                into.unlink(missing_ok=True)
                raise

    def fetch(self, file: CardFile, into: Path) -> int:
        """Copy one file from the card to the path ``into``, which must not exist; its size. [bytes]

        Raises
        ------
        StoreError
            If ``into`` exists or cannot be written.
        """
        into = Path(into).absolute()
        with self._lock:
            self.open()
            if into.exists():
                raise StoreError(f"{into} exists already; nothing is overwritten. Fetch {file.name} under a new name.")
            asked = {"folder": file.folder, "name": file.name, "into": str(into)}
            try:
                return int(self._verb("fetch", asked, self._deadlines.fetch(file.size)))
            except CameraSilent:
                into.unlink(missing_ok=True)  # the child may have died over it; it was not there before
                raise

    def card(self, fresh: bool = False) -> list[CardFile]:
        """Every picture on the card, in the camera's order.

        The library reads a folder once and adds what is announced later; after a listing that failed it takes half of
        one for the whole. Hence a new camera process, with a new connection, for a ``fresh`` list and after a failure.
        """
        with self._lock:
            limit = clock.monotonic() + self._deadlines.busy_s
            if fresh:
                self._let_go()
            while True:
                try:
                    files = self._verb("card", {}, self._deadlines.answer_s)
                    return [CardFile.model_validate(file) for file in files]
                except CameraError as error:
                    self._let_go()
                    if not isinstance(error, CameraBusy | CameraSilent) or clock.monotonic() > limit:
                        raise
                    clock.sleep(_LIST_AGAIN_S)

    def settle(self, seconds: float) -> list[CardFile]:
        """Wait for a frame that may still be in the making, at most so long; the files that came. [s]

        For one who takes up a run whose frame in flight this object knows nothing of.
        """
        files = self._verb("settle", {"seconds": seconds}, seconds + self._deadlines.answer_s)
        return [CardFile.model_validate(file) for file in files]

    def close(self) -> None:
        """Let the camera go. Idempotent; never raises."""
        with self._lock, suppress(Exception):
            self._let_go()
        spare, self._spare = self._spare, None
        if spare is not None:
            spare.end()

    def cameras(self) -> list[tuple[str, str]]:
        """Model and port of every camera on USB, without opening any."""
        with self._lock:
            if self._child is None:
                self._start()
            return [(str(model), str(port)) for model, port in self._ask("cameras", {}, self._deadlines.answer_s)]

    # -- the child ----------------------------------------------------------------------------------------------------

    def get_spare(self) -> None:
        """Start another camera process for the next new connection; starting it, with its library, takes a while.

        May be called while a verb is under way. Where none can be started now, it is tried again when it is needed.
        """
        if self._spare is None:
            with suppress(OSError):
                spare = self._new_child()
                spare.say({"id": 0, "verb": "warm", "arguments": {}})
                spare.owed = (0, clock.monotonic() + self._deadlines.connect_s)
                self._spare = spare

    def _start(self) -> None:
        spare, self._spare = self._spare, None
        self._child = spare if spare is not None and spare.is_there else self._new_child()
        self._log.info("camera process started", pid=self._child.pid)

    def _new_child(self) -> Child:
        settings = self._work / "settings"
        settings.mkdir(parents=True, exist_ok=True)
        own = {
            "PYTHONPATH": os.pathsep.join(filter(None, [str(_PACKAGES), os.environ.get("PYTHONPATH")])),
            "HOME": str(self._work),
            "XDG_CONFIG_HOME": str(settings),
            "LC_ALL": "C",
            "LANGUAGE": "",
            "TZ": "UTC",
        }
        return Child(self._work, os.environ | own | self._extra)

    def _connect(self) -> None:
        if self._child is None:
            self._start()
        settle = max(0.0, self._in_flight_until - clock.monotonic())
        asked = {
            "port": self._port,
            "model": self._model,
            "memory_only": self._memory_only,
            "settle_s": settle,
            "busy_s": self._deadlines.busy_s,
            "close_shutter": self._shutter_held,
        }
        try:
            found = self._ask("open", asked, self._deadlines.connect_s + settle)
        except StopwrightError as error:
            self._bury()
            self._explain(error)
        except BaseException:
            self._bury()
            raise
        self._in_flight_until, self._shutter_held = 0.0, False
        self._connected, self._model = True, found["model"]
        for file in found["arrived"]:
            self._log.warning("a file arrived late", file=f"{file['folder']}/{file['name']}")
        self._log.info("camera connected", port=found["port"], model=found["model"])

    def _explain(self, error: StopwrightError) -> NoReturn:
        """Raise why the connection failed, with what this machine knows about it."""
        if isinstance(error, CameraError):
            ports = [self._port] if self._port else [device.port for device in self._machine.cameras()]
            obstacle = next(filter(None, map(self._machine.obstacle, ports)), None)
            if obstacle is not None:
                raise CameraHeld(f"{obstacle} ({error})") from None
        if isinstance(error, CameraSilent):
            raise CameraAbsent(f"{self._port or 'The camera'} does not answer. {error}") from None
        raise error from None

    def _verb(self, verb: str, arguments: dict[str, Any], deadline_s: float) -> Any:
        with self._lock:
            self.open()
            try:
                result = self._ask(verb, arguments, deadline_s)
            except StopwrightError as error:
                if breaks_link(error):
                    self._bury()
                else:
                    self._in_flight_until = 0.0
                raise
            self._in_flight_until = 0.0
            return result

    def _ask(self, verb: str, arguments: dict[str, Any], deadline_s: float) -> Any:
        """Ask the child and wait for its answer; a sign of life extends the deadline. [s]"""
        child = self._child
        assert child is not None
        try:
            if child.owed is not None and self._await(child, *child.owed, 0.0) is None:
                raise TimeoutError
            self._count += 1
            child.say({"id": self._count, "verb": verb, "arguments": arguments})
            child.owed = (self._count, clock.monotonic() + deadline_s)
            answer = self._await(child, *child.owed, deadline_s)
            if answer is None:
                raise TimeoutError
            child.owed = None
        except TimeoutError:
            self._log.warning("camera process killed", verb=verb, deadline_s=deadline_s, said=child.last_words())
            self._bury()
            raise CameraSilent(
                f"No answer to {verb} within {deadline_s:.1f} s; the camera process was killed. "
                "The next request starts another and connects again."
            ) from None
        except (EOFError, OSError):
            how = child.epitaph()
            self._log.warning("camera process died", verb=verb, how=how, said=child.last_words())
            self._bury()
            raise CameraSilent(
                f"The camera process is gone while it was asked to {verb}: {how}. The next request starts another."
            ) from None
        for file in answer.get("late", []):
            self._log.warning("a file arrived late", file=file)
        if "error" in answer:
            raise from_wire(answer["error"])
        return answer["result"]

    @staticmethod
    def _await(child: Child, number: int, deadline: float, more_s: float) -> dict[str, Any] | None:
        while (answer := child.hear(deadline)) is not None:
            if answer.get("id") == number:
                if "alive" not in answer:
                    return answer
                deadline = max(deadline, clock.monotonic() + more_s)
        return None

    def _let_go(self) -> None:
        child, self._child, self._connected = self._child, None, False
        if child is not None:
            # One that is still at something that nobody waits for is not waited for either.
            child.end(self._deadlines.margin_s if child.owed is None else 0.0)

    def _bury(self) -> None:
        child, self._child, self._connected = self._child, None, False
        if child is not None:
            child.end()
