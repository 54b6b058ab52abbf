"""The camera process: reads requests from standard input, works the camera, answers on what was standard output.

``python -m daemon.camera.host``, started by `daemon.camera.supervisor` only. One JSON object a line each way:

    -> {"id": 1, "verb": "open", "arguments": {...}}
    <- {"id": 1, "alive": true}                      now and then, during work of unknown length
    <- {"id": 1, "result": ...}  or  {"id": 1, "error": {"kind": ..., "message": ...}}

The process ends when its input ends, and the kernel kills it when its parent dies, so that no orphan holds the camera.
Pictures never cross the pipe.
"""

from __future__ import annotations

import ctypes
import faulthandler
import json
import os
import signal
import sys
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Any, BinaryIO

from daemon import clock
from daemon.camera.errors_map import LinkFault, as_ours, to_wire
from daemon.camera.ports import choose_port
from daemon.errors import CameraError, CameraHeld, StopwrightError

_PR_SET_PDEATHSIG = 1  # linux/prctl.h
_ALIVE_EVERY_S = 0.25
# A camera on the network may need so long to notice that the one before is gone: a stranger, or this process's own
# predecessor, which nobody but us will replace. [s]
_TURNED_AWAY_S, _TURNED_AWAY_AGAIN_S = 2.0, 15.0


def die_with_parent(parent: int) -> None:
    """Ask the kernel to kill this process when its parent ends; end at once if that has happened already."""
    ctypes.CDLL(None, use_errno=True).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
    if os.getppid() != parent:
        os._exit(1)


class Host:
    """Carries requests out, one at a time."""

    def __init__(self, source: BinaryIO, sink: BinaryIO):
        self._source, self._sink = source, sink
        self._link: Any = None
        self._session: Any = None
        self._current = 0
        self._last_alive = 0.0

    def run(self) -> None:
        """Answer requests until the input ends."""
        for line in self._source:
            request = json.loads(line)
            self._current = request["id"]
            self._say(self._answer(request["verb"], request.get("arguments", {})))
        self._close()

    def _say(self, answer: dict[str, Any]) -> None:
        self._sink.write(json.dumps({"id": self._current} | answer).encode() + b"\n")
        self._sink.flush()
        self._last_alive = clock.monotonic()

    def _alive(self) -> None:
        if clock.monotonic() - self._last_alive > _ALIVE_EVERY_S:
            self._say({"alive": True})

    def _answer(self, verb: str, arguments: dict[str, Any]) -> dict[str, Any]:
        try:
            result = self._verbs()[verb](**arguments)
        except StopwrightError as error:
            return {"error": to_wire(error)}
        except LinkFault as fault:
            return {"error": to_wire(as_ours(fault))}
        except Exception as error:
            traceback.print_exc()
            return {
                "error": to_wire(CameraError(f"The camera process failed at {verb}: {type(error).__name__}: {error}"))
            }
        late = [] if self._session is None else self._session.take_late()
        return {"result": result, "late": late} if late else {"result": result}

    def _verbs(self) -> dict[str, Callable[..., Any]]:
        verbs: dict[str, Callable[..., Any]] = {"open": self._open, "cameras": self._cameras, "warm": self._warm}
        if self._session is not None:
            session = self._session
            verbs |= {
                "state": session.state,
                "apply": session.apply,
                "expose": session.expose,
                "bulb": session.bulb,
                "preview": lambda into: session.preview(Path(into)),
                "card": session.card,
                "settle": session.settle,
                "fetch": lambda folder, name, into: session.fetch(folder, name, Path(into)),
            }
        return verbs

    def _cameras(self) -> list[tuple[str, str]]:
        from daemon.camera import link

        return link.autodetect()

    def _warm(self) -> None:
        """Load what `open` needs, without touching any camera."""
        from daemon.camera import link, session  # noqa: F401

        link.known_models()

    def _open(
        self,
        port: str | None,
        model: str | None,
        memory_only: bool,
        settle_s: float,
        busy_s: float,
        close_shutter: bool = False,
    ) -> dict[str, Any]:
        from daemon.camera.asking import Pace
        from daemon.camera.link import Link
        from daemon.camera.session import Session

        ahead = [] if port is not None and port.startswith("ptpip:") else self._cameras()
        chosen = choose_port(ahead, port, model)
        limit = clock.monotonic() + (_TURNED_AWAY_S if model is None else _TURNED_AWAY_AGAIN_S)
        while self._link is None:
            try:
                self._link = Link(chosen)
            except LinkFault as fault:
                if fault.code != -1 or not chosen.startswith("ptpip:"):
                    raise
                if clock.monotonic() > limit:
                    raise CameraHeld(
                        f"The camera at {chosen} turns the connection away: another program or device holds it. Close "
                        "that one, or switch the camera off and on again."
                    ) from None
                clock.sleep(0.1)
        self._session = Session(self._link, self._alive, memory_only=memory_only, pace=Pace(busy_s=busy_s))
        if close_shutter:
            self._session.close_shutter()
        arrived = self._session.settle(settle_s) if settle_s > 0 else []
        return {"port": chosen, "model": self._link.model, "arrived": arrived}

    def _close(self) -> None:
        if self._link is not None:
            link, self._link, self._session = self._link, None, None
            try:
                link.close()
            except LinkFault as fault:
                print(as_ours(fault), file=sys.stderr)


def main() -> int:
    """Run as the camera process; the exit code."""
    die_with_parent(int(sys.argv[1]))
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    faulthandler.enable(sys.stderr)
    # Whatever a library prints must not be taken for an answer.
    sink = os.fdopen(os.dup(1), "wb")
    source = os.fdopen(os.dup(0), "rb")
    with open(os.devnull, "rb") as nothing:
        os.dup2(nothing.fileno(), 0)
    os.dup2(2, 1)
    try:
        Host(source, sink).run()
    except BrokenPipeError:
        return 1
    return 0


if __name__ == "__main__":
    # The camera is let go and nothing is left to tidy up; whoever waits for this end need not wait for more.
    code = main()
    sys.stderr.flush()
    os._exit(code)
